//! From what the file says to a plan that holds together: every fault at once.

use super::datums::{datum_system, fixture, letters, target_ids};
use super::domain::{Decision, Filter, Material, Plan};
use super::fault::{Fault, Faults};
use super::file::{self, PlanFile, SCHEMA_VERSION, When};
use super::nearest::{list, nearest};
use super::neighbour::neighbour;
use super::place::feature;
use super::requirement::characteristic;
use super::simultaneous;
use super::tree::short;
use crate::nominal::Side;
use std::collections::BTreeMap;

/// `None` when something needed is missing; then, and otherwise too, the faults say what is wrong.
pub(super) fn check(file: &PlanFile, faults: &Faults) -> Option<Plan> {
    if file.schema_version != SCHEMA_VERSION {
        faults.add("schema_version", format!("is {}; write {SCHEMA_VERSION}", file.schema_version));
    }
    filled(faults, "part", &file.part);
    filled_if_given(faults, "title", file.title.as_deref());
    filled(faults, "drawing_revision", &file.drawing_revision);
    if file.plan_version < 1 {
        faults.add("plan_version", format!("is {}; write 1 or more", file.plan_version));
    }
    filled(faults, "standard.edition", &file.standard.edition);
    if let Some(nominal) = &file.nominal {
        filled(faults, "nominal.file", &nominal.file);
        if let Some(part) = &nominal.part {
            filled(faults, "nominal.part", part);
        }
    }
    let decision = decision(faults, &file.decision);
    let filter = file.filter.and_then(|f| filter(faults, "filter", f));
    if let Some(m) = file.material {
        let place = "material.expansion_per_k";
        in_range(
            faults,
            place,
            m.expansion_per_k,
            |a| a.abs() <= MOST_EXPANSION,
            "within 0.001 of 0, in 1/K",
        );
        if let Some(u) = m.expansion_standard_uncertainty_per_k {
            let place = "material.expansion_standard_uncertainty_per_k";
            in_range(
                faults,
                place,
                u,
                |u| (0.0..=MOST_EXPANSION).contains(&u),
                "0 or more and at most 0.001",
            );
        }
    }

    let names = Names::of(faults, file);
    if file.neighbour.len() > MOST_NEIGHBOURS {
        let words = format!("has {} entries, {MOST_NEIGHBOURS} at most", file.neighbour.len());
        faults.add("neighbour", words);
    }
    let neighbours: Vec<_> = (0..file.neighbour.len()).map(|i| neighbour(faults, file, i)).collect();
    let features: Vec<_> = (0..file.feature.len()).map(|i| feature(faults, &names, file, i)).collect();
    let fixtures: Vec<_> = (0..file.fixture.len()).map(|i| fixture(faults, file, i)).collect();
    let systems: Vec<_> =
        (0..file.datum_system.len()).map(|i| datum_system(faults, &names, file, i)).collect();
    letters(faults, file);
    target_ids(faults, file);

    let characteristics: Vec<_> =
        (0..file.characteristic.len()).map(|i| characteristic(faults, &names, file, i, filter)).collect();
    simultaneous::together(faults, &characteristics);
    if !file.characteristic.iter().any(|c| c.when != Some(When::ReportOnly))
        && faults.all_sound("characteristic", "when")
    {
        // Otherwise an empty list would conform.
        faults.add(
            "characteristic",
            "no characteristic is required of the part; write at least one without `when = \"report_only\"`",
        );
    }

    Some(Plan {
        part: file.part.clone(),
        title: file.title.clone(),
        drawing_revision: file.drawing_revision.clone(),
        plan_version: file.plan_version,
        standard: file.standard.clone(),
        decision: decision?,
        filter,
        nominal_file: file.nominal.as_ref().map(|n| n.file.clone()),
        nominal_part: file.nominal.as_ref().and_then(|n| n.part.clone()),
        side: file.nominal.as_ref().and_then(|n| n.side_of_material).map(|side| match side {
            file::SideOfMaterial::BehindNormal => Side::BehindNormal,
            file::SideOfMaterial::InFrontOfNormal => Side::InFrontOfNormal,
        }),
        material: file.material.map(|m| Material {
            expansion_per_k: m.expansion_per_k,
            expansion_standard_per_k: m.expansion_standard_uncertainty_per_k,
        }),
        neighbours: neighbours.into_iter().collect::<Option<_>>()?,
        features: features.into_iter().collect::<Option<_>>()?,
        fixtures: fixtures.into_iter().collect::<Option<_>>()?,
        datum_systems: systems.into_iter().collect::<Option<_>>()?,
        characteristics: characteristics.into_iter().collect::<Option<_>>()?,
        canonical_json: crate::canonical::json(file),
    })
}

/// Puts the name that people know (number or id) before each problem of an element of a list.
pub(super) fn named(file: &PlanFile, mut faults: Vec<Fault>) -> Vec<Fault> {
    for fault in &mut faults {
        let Some((kind, rest)) = fault.place.split_once('[') else { continue };
        let Some(index) = rest.split(']').next().and_then(|i| i.parse::<usize>().ok()) else { continue };
        let (word, name) = match kind {
            "feature" => ("feature", file.feature.get(index).map(|f| &f.id)),
            "neighbour" => ("neighbour", file.neighbour.get(index).map(|n| &n.id)),
            "fixture" => ("fixture", file.fixture.get(index).map(|f| &f.id)),
            "datum_system" => ("datum system", file.datum_system.get(index).map(|d| &d.id)),
            "characteristic" => ("characteristic", file.characteristic.get(index).map(|c| &c.number)),
            _ => continue,
        };
        if let Some(name) = name.filter(|n| !n.is_empty()) {
            fault.problem = format!("{word} {}: {}", short(name), fault.problem);
        }
    }
    faults
}

/// What can be referred to, with its index.
pub(super) struct Names<'a> {
    features: BTreeMap<&'a str, usize>,
    systems: BTreeMap<&'a str, usize>,
    fixtures: BTreeMap<&'a str, usize>,
    neighbours: BTreeMap<&'a str, usize>,
    characteristics: BTreeMap<&'a str, usize>,
}

impl<'a> Names<'a> {
    /// Everything that has a name, and faults for what has none or that of another.
    pub(super) fn of(faults: &Faults, file: &'a PlanFile) -> Self {
        let numbers = file.characteristic.iter().map(|c| c.number.as_str());
        Self {
            features: unique(faults, "feature", "id", file.feature.iter().map(|f| f.id.as_str())),
            systems: unique(faults, "datum_system", "id", file.datum_system.iter().map(|d| d.id.as_str())),
            fixtures: unique(faults, "fixture", "id", file.fixture.iter().map(|f| f.id.as_str())),
            neighbours: unique(faults, "neighbour", "id", file.neighbour.iter().map(|n| n.id.as_str())),
            characteristics: unique(faults, "characteristic", "number", numbers),
        }
    }

    /// The index of a feature, or a fault.
    pub(super) fn feature(&self, faults: &Faults, place: &str, id: &str) -> Option<usize> {
        find(faults, place, id, ("feature", "id"), &self.features)
    }

    /// The index of a datum system, or a fault.
    pub(super) fn system(&self, faults: &Faults, place: &str, id: &str) -> Option<usize> {
        find(faults, place, id, ("datum_system", "id"), &self.systems)
    }

    /// The index of a fixture, or a fault.
    pub(super) fn fixture(&self, faults: &Faults, place: &str, id: &str) -> Option<usize> {
        find(faults, place, id, ("fixture", "id"), &self.fixtures)
    }

    /// The index of a neighbour, or a fault.
    pub(super) fn neighbour(&self, faults: &Faults, place: &str, id: &str) -> Option<usize> {
        find(faults, place, id, ("neighbour", "id"), &self.neighbours)
    }

    /// The index of a characteristic, or a fault.
    pub(super) fn characteristic(&self, faults: &Faults, place: &str, number: &str) -> Option<usize> {
        find(faults, place, number, ("characteristic", "number"), &self.characteristics)
    }
}

fn find(
    faults: &Faults,
    place: &str,
    id: &str,
    (list_name, key): (&str, &str),
    known: &BTreeMap<&str, usize>,
) -> Option<usize> {
    let found = known.get(id).copied();
    // An id that could not be read may be the one meant here: it has its own fault.
    if found.is_none() && faults.all_sound(list_name, key) {
        let words: Vec<&str> = known.keys().copied().collect();
        let help = match nearest(id, words.iter().copied()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None if words.is_empty() => format!("the plan has no `[[{list_name}]]`"),
            None => format!("the plan has {}", list(&words)),
        };
        faults
            .add(place, format!("is \"{}\", which no `[[{list_name}]]` has as its {key}; {help}", short(id)));
    }
    found
}

/// Names that must be filled and different, with the index of the first of each.
fn unique<'a>(
    faults: &Faults,
    list: &str,
    key: &str,
    names: impl Iterator<Item = &'a str>,
) -> BTreeMap<&'a str, usize> {
    let mut seen = BTreeMap::new();
    for (i, name) in names.enumerate() {
        let place = format!("{list}[{i}].{key}");
        if filled(faults, &place, name) && faults.sound(&place) {
            let first = *seen.entry(name).or_insert(i);
            if first != i {
                let name = short(name);
                faults.add(
                    place,
                    format!("\"{name}\" is the {key} of {list}[{first}] too; write another, each {key} stands once"),
                );
            }
        }
    }
    seen
}

/// Whether some text says anything.
pub(super) fn filled(faults: &Faults, place: &str, text: &str) -> bool {
    let ok = !text.trim().is_empty();
    if !ok {
        faults.add(place, "is empty; write some text");
    } else if text.trim() != text {
        faults.add(place, format!("begins or ends with a space; write \"{}\"", short(text.trim())));
    }
    ok
}

/// The same for text that may be left out.
pub(super) fn filled_if_given(faults: &Faults, place: &str, text: Option<&str>) {
    if text.is_some_and(|t| t.trim().is_empty()) {
        faults.add(place, "is empty; write some text or leave it out");
    }
}

/// A number that must lie in a range; NaN lies in none.
pub(super) fn in_range(
    faults: &Faults,
    place: &str,
    value: f64,
    inside: impl Fn(f64) -> bool,
    range: &str,
) -> bool {
    let ok = value.is_finite() && inside(value);
    if !ok {
        faults.add(place, format!("is {value}; write a number {range}"));
    }
    ok
}

/// Ten times what the softest plastics have: more is a slip of the unit, 1/K.
const MOST_EXPANSION: f64 = 1e-3;

/// A part stands beside no more; each brings a nominal.
pub const MOST_NEIGHBOURS: usize = 16;

fn decision(faults: &Faults, d: &file::Decision) -> Option<Decision> {
    if let Some(simple) = d.simple {
        in_range(
            faults,
            "decision.simple.ratio",
            simple.ratio,
            |r| r > 0.0 && r <= 1.0,
            "above 0 and at most 1",
        );
    }
    if let Some(p) = d.probability {
        let place = "decision.probability.conforms";
        in_range(faults, place, p.conforms, |c| c > 0.5 && c < 1.0, "above 0.5 and below 1");
    }
    if let Some(g) = d.guarded {
        let place = "decision.guarded.factor";
        in_range(faults, place, g.factor, |f| f > 0.0 && f <= 5.0, "above 0 and at most 5");
    }
    match (d.proven, d.simple, d.probability, d.guarded) {
        (Some(_), None, None, None) => Some(Decision::Proven),
        (None, Some(simple), None, None) => Some(Decision::Simple { ratio: simple.ratio }),
        (None, None, Some(p), None) => Some(Decision::Probability { conforms: p.conforms }),
        (None, None, None, Some(g)) => Some(Decision::Guarded { factor: g.factor }),
        (None, None, None, None) => {
            faults.add(
                "decision",
                "names no rule; write one of `proven = {}`, `simple = { ratio = 0.1 }`, \
                 `probability = { conforms = 0.95 }`, `guarded = { factor = 1.0 }`",
            );
            None
        }
        _ => {
            faults.add(
                "decision",
                "names more than one rule; leave one of `proven`, `simple`, `probability`, `guarded`",
            );
            None
        }
    }
}

/// The filter of the plan or of a characteristic.
pub(super) fn filter(faults: &Faults, place: &str, f: file::Filter) -> Option<Filter> {
    let Some(gaussian) = f.gaussian else {
        faults.add(place, "names no filter; write `gaussian = { nesting_index_mm = 2.5 }`");
        return None;
    };
    let place = format!("{place}.gaussian.nesting_index_mm");
    in_range(faults, &place, gaussian.nesting_index_mm, |n| n > 0.0, "above 0, the cut-off in mm");
    Some(Filter { nesting_index_mm: gaussian.nesting_index_mm })
}
