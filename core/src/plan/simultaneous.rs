//! Which requirements one movement of the part must serve together.
//!
//! ASME Y14.5-2018, 7.19 (simultaneous requirements; from memory): positions and profiles that refer to the same datums, in the
//! same order and at the same material conditions, are one pattern, unless SEP REQT stands at one of them; lower segments of a
//! composite tolerance are not, unless SIM REQT says so. ISO 5458:2018 (from memory): features are independent of each other,
//! unless CZ makes one pattern of them (here a `group`) or SIM ties several patterns (here `simultaneous`).

use super::check::filled;
use super::domain::{Characteristic, DatumSystem, Plan, Simultaneous, StandardSystem};
use super::fault::Faults;
use super::file::{self, FeatureKind};
use super::required::Requirement;
use super::tree::short;
use std::collections::BTreeMap;

/// Characteristics that one movement of the part must serve.
#[derive(Clone, Debug, PartialEq)]
pub struct Simultaneously {
    /// Their indices in [`Plan::characteristics`], ascending, two or more.
    pub members: Vec<usize>,
    /// By which rule, in words.
    pub rule: &'static str,
}

/// All sets of them, in the order of their first members. What is only reported is no requirement and in none of them.
pub fn simultaneously(plan: &Plan) -> Vec<Simultaneously> {
    let mut sets: Vec<(Key, Vec<usize>)> = Vec::new();
    for (i, c) in plan.characteristics.iter().enumerate() {
        let Some(key) = key(plan, c) else { continue };
        match sets.iter_mut().find(|s| s.0 == key) {
            Some(set) => set.1.push(i),
            None => sets.push((key, vec![i])),
        }
    }
    let rule = |key: &Key| match key.1 {
        StandardSystem::Iso => "SIM, ISO 5458:2018",
        StandardSystem::Asme => "simultaneous requirement, ASME Y14.5-2018",
    };
    let several = sets.into_iter().filter(|s| s.1.len() > 1);
    several.map(|(key, members)| Simultaneously { members, rule: rule(&key) }).collect()
}

/// What members of a set have in common: name, standard, datum system, and whether the datums only orient.
type Key = (Option<String>, StandardSystem, Option<usize>, bool);

/// `None` of what shares no movement.
fn key(plan: &Plan, c: &Characteristic) -> Option<Key> {
    let only_oriented = shares(&c.requirement)?;
    let kind = c.feature.and_then(|f| plan.features.get(f)).map(|f| f.kind);
    if !c.required || kind == Some(FeatureKind::Point) {
        return None;
    }
    let system = c.standard.system;
    let name = match &c.simultaneous {
        Simultaneous::Separate => return None,
        Simultaneous::Named(name) => Some(name.clone()),
        Simultaneous::Usual if system == StandardSystem::Asme && !only_oriented => None,
        Simultaneous::Usual => return None,
    };
    let datums = match c.datum_system {
        // Without datums nothing refers to the same ones.
        None if name.is_none() => return None,
        None => None,
        Some(d) => Some(first_alike(plan, d)),
    };
    Some((name, system, datums, only_oriented))
}

/// The first datum system of the plan that is the same but for its id.
fn first_alike(plan: &Plan, d: usize) -> usize {
    let alike = |a: &DatumSystem, b: &DatumSystem| a.source == b.source && a.best_fit == b.best_fit;
    let Some(own) = plan.datum_systems.get(d) else { return d };
    plan.datum_systems.iter().position(|other| alike(own, other)).unwrap_or(d)
}

/// Whether the datums only orient it; `None` of what shares no movement.
fn shares(requirement: &Requirement) -> Option<bool> {
    match *requirement {
        Requirement::Position { orientation_only, .. }
        | Requirement::SurfaceProfile { orientation_only, .. }
        | Requirement::LineProfile { orientation_only, .. } => Some(orientation_only),
        _ => None,
    }
}

/// As the file says it.
pub(super) fn of(c: &file::Characteristic) -> Simultaneous {
    match (&c.simultaneous, c.separate) {
        (Some(name), None | Some(false)) if !name.trim().is_empty() => Simultaneous::Named(name.clone()),
        (None, Some(true)) => Simultaneous::Separate,
        // A name without letters, or both of what contradicts each other, is a fault by itself.
        _ => Simultaneous::Usual,
    }
}

/// Checks what one characteristic says of it.
pub(super) fn one(
    faults: &Faults,
    place: &str,
    c: &file::Characteristic,
    (requirement, kind, system): (Option<&Requirement>, Option<FeatureKind>, Option<StandardSystem>),
) {
    let (named, separate) = (format!("{place}.simultaneous"), format!("{place}.separate"));
    if let Some(name) = &c.simultaneous
        && !filled(faults, &named, name)
    {
        return;
    }
    let separate_given = c.separate == Some(true);
    let at = if c.simultaneous.is_some() { &named } else { &separate };
    if c.simultaneous.is_none() && !separate_given {
        return;
    }
    if c.simultaneous.is_some() && separate_given {
        faults.add(separate, "contradicts `simultaneous`; leave one of both");
        return;
    }
    let (Some(requirement), Some(system)) = (requirement, system) else { return };
    let Some(only_oriented) = shares(requirement).filter(|_| kind != Some(FeatureKind::Point)) else {
        let of = match requirement {
            Requirement::SurfaceProfile { .. } => "a check point",
            other => other.word(),
        };
        let problem = format!(
            "is for positions and profiles, which one movement can serve, and not for {of}; leave it out"
        );
        faults.add_unusable(at, problem);
        return;
    };
    match (system, separate_given) {
        (StandardSystem::Iso, true) => faults.add(
            separate,
            "is SEP REQT of ASME: by ISO 5458 requirements are independent unless they say otherwise; leave it out",
        ),
        (StandardSystem::Asme, true) if only_oriented => {
            faults.add(separate, "says nothing of a lower segment, which is separate anyway; leave it out");
        }
        (StandardSystem::Asme, false) if !only_oriented => faults.add_unusable(
            &named,
            "is for lower segments: by ASME positions and profiles at the same datums are simultaneous anyway; leave it out, or \
             write `separate = true` at those that are not",
        ),
        _ => {}
    }
}

/// Checks that those of one name can be served by one movement, and that there are two of them.
pub(super) fn together(faults: &Faults, all: &[Option<Characteristic>]) {
    let mut first: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for (i, c) in all.iter().enumerate() {
        let Some(c) = c else { continue };
        let Simultaneous::Named(name) = &c.simultaneous else { continue };
        let Some(&(earlier, _)) = first.get(name.as_str()) else {
            first.insert(name, (i, 1));
            continue;
        };
        first.insert(name, (earlier, 2));
        let Some(Some(before)) = all.get(earlier) else { continue };
        let of = |c: &Characteristic| (c.standard.system, c.datum_system, shares(&c.requirement));
        if of(c) != of(before) {
            let problem = format!(
                "\"{}\" is that of characteristic {} too, which has another datum system, standard or `orientation_only`: one \
                 movement cannot serve both; write another name",
                short(name),
                short(&before.number)
            );
            faults.add(format!("characteristic[{i}].simultaneous"), problem);
        }
    }
    // Where one has faults of its own the other may be meant with it.
    if all.iter().any(Option::is_none) {
        return;
    }
    for (name, (i, count)) in first {
        if count < 2 {
            let problem = format!(
                "\"{}\" stands at no other characteristic; give it to those that it ties",
                short(name)
            );
            faults.add(format!("characteristic[{i}].simultaneous"), problem);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::check_toml;

    fn plan(system: &str, characteristics: &[(&str, &str)]) -> Result<Plan, Vec<String>> {
        let mut text = format!(
            "schema_version = 1\npart = \"p\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
             standard = {{ system = \"{system}\", edition = \"x\" }}\ndecision = {{ proven = {{}} }}\n\
             filter = {{ gaussian = {{ nesting_index_mm = 2.5 }} }}\n[nominal]\nfile = \"p.stl\"\n"
        );
        let pick = "pick = { near_mm = [0, 0, 0] }";
        for (id, kind) in [("A", "plane"), ("F", "plane"), ("H", "hole"), ("G", "hole"), ("S", "surface")] {
            text.push_str(&format!("[[feature]]\nid = \"{id}\"\nkind = \"{kind}\"\n{pick}\n"));
        }
        text.push_str("[[feature]]\nid = \"P\"\nkind = \"point\"\npoint = { at_mm = [1, 2, 3], direction = [0, 0, 1], patch_radius_mm = 2 }\n");
        for id in ["X", "Y"] {
            text.push_str(&format!(
                "[[datum_system]]\nid = \"{id}\"\ndatum = [ {{ letter = \"A\", feature = \"A\", association = \"least_squares\" }} ]\n"
            ));
        }
        for (i, (requirement, more)) in characteristics.iter().enumerate() {
            let datums = if more.contains("datum_system") { "" } else { "datum_system = \"X\"\n" };
            text.push_str(&format!("[[characteristic]]\nnumber = \"{i}\"\n{requirement}\n{datums}{more}\n"));
        }
        let told = |f: crate::plan::Fault| format!("{}: {}", f.place, f.problem);
        check_toml(&text).map(|p| p.1).map_err(|f| f.into_iter().map(told).collect())
    }

    const H: &str = "feature = \"H\"\nposition = { zone_diameter_mm = 0.2 }";
    const G: &str = "feature = \"G\"\nposition = { zone_diameter_mm = 0.3 }";
    const LOW_H: &str = "feature = \"H\"\nposition = { zone_diameter_mm = 0.2, orientation_only = true }";
    const LOW_G: &str = "feature = \"G\"\nposition = { zone_diameter_mm = 0.1, orientation_only = true }";
    const S: &str = "feature = \"S\"\nsurface_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.2 }";
    const OZ: &str = "feature = \"S\"\nsurface_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.2, offset_zone = true }";
    const P: &str = "feature = \"P\"\nsurface_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.2 }";
    const F: &str = "feature = \"F\"\nparallelism = { zone_width_mm = 0.2 }";

    fn sets(plan: &Plan) -> Vec<Vec<usize>> {
        simultaneously(plan).into_iter().map(|s| s.members).collect()
    }

    #[test]
    fn by_asme_the_same_datums_tie_positions_and_profiles_and_by_iso_a_name_does() {
        let all = [(H, ""), (F, ""), (G, "datum_system = \"Y\""), (S, ""), (P, ""), (LOW_H, ""), (LOW_G, "")];
        // Systems X and Y are the same datums. Neither orientations, check points nor lower segments are in it.
        assert_eq!(sets(&plan("asme", &all).unwrap()), [vec![0, 2, 3]]);
        assert!(sets(&plan("iso", &all).unwrap()).is_empty());
        let apart = [(H, ""), (G, "separate = true"), (S, ""), (H, "when = \"report_only\"")];
        assert_eq!(sets(&plan("asme", &apart).unwrap()), [vec![0, 2]]);
        let lower = [(LOW_H, "simultaneous = \"SIM REQT\""), (H, ""), (LOW_G, "simultaneous = \"SIM REQT\"")];
        assert_eq!(sets(&plan("asme", &lower).unwrap()), [vec![0, 2]]);
        let named = [
            (H, "simultaneous = \"SIM1\""),
            (S, "simultaneous = \"SIM2\""),
            (G, "simultaneous = \"SIM1\""),
            (S, "simultaneous = \"SIM2\""),
            (G, ""),
        ];
        let found = plan("iso", &named).unwrap();
        assert_eq!(sets(&found), [vec![0, 2], vec![1, 3]]);
        assert!(simultaneously(&found).iter().all(|s| s.rule.starts_with("SIM")));
        // A zone that may be offset by itself has its place in the datum system for all that moves the part.
        let offset = [(H, "simultaneous = \"SIM1\""), (OZ, "simultaneous = \"SIM1\"")];
        assert_eq!(sets(&plan("iso", &offset).unwrap()), [vec![0, 1]]);
        // One that is held to another standard is not of the drawing's pattern.
        let own = "standard = { system = \"iso\", edition = \"ISO 1101:2017\" }";
        assert!(sets(&plan("asme", &[(H, ""), (G, own)]).unwrap()).is_empty());
    }

    #[test]
    fn what_no_movement_can_tie_is_a_fault_with_its_place() {
        let faults = |system: &str, all: &[(&str, &str)]| plan(system, all).unwrap_err();
        let one = |system: &str, all: &[(&str, &str)], starts: &str| {
            let found = faults(system, all);
            assert!(found.len() == 1 && found[0].starts_with(starts), "{found:?}");
        };
        let sim = "simultaneous = \"SIM1\"";
        one(
            "iso",
            &[(H, sim)],
            "characteristic[0].simultaneous: characteristic 0: \"SIM1\" stands at no other",
        );
        one(
            "iso",
            &[(H, ""), (G, "separate = true")],
            "characteristic[1].separate: characteristic 1: is SEP REQT of ASME",
        );
        one(
            "asme",
            &[(H, sim), (G, "")],
            "characteristic[0].simultaneous: characteristic 0: is for lower segments",
        );
        one(
            "asme",
            &[(LOW_H, "separate = true")],
            "characteristic[0].separate: characteristic 0: says nothing",
        );
        one(
            "iso",
            &[(H, sim), (LOW_G, sim)],
            "characteristic[1].simultaneous: characteristic 1: \"SIM1\" is that",
        );
        one(
            "iso",
            &[(H, sim), (P, sim), (G, sim)],
            "characteristic[1].simultaneous: characteristic 1: is for positions",
        );
        one(
            "iso",
            &[(H, sim), (F, sim), (G, sim)],
            "characteristic[1].simultaneous: characteristic 1: is for positions",
        );
        one(
            "asme",
            &[(LOW_H, "simultaneous = \"a\"\nseparate = true")],
            "characteristic[0].separate: characteristic 0: contradicts",
        );
        one(
            "iso",
            &[(H, "simultaneous = \" \"")],
            "characteristic[0].simultaneous: characteristic 0: is empty",
        );
    }
}
