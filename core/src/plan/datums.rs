//! Checks datum systems, their targets, and holding fixtures.

use super::check::{Names, filled, in_range};
use super::domain::{
    BestFit, Condition, Datum, DatumFrom, DatumSource, DatumSystem, DatumTarget, Fixture, FixtureTarget,
};
use super::fault::Faults;
use super::file::{self, FeatureKind, PlanFile};
use super::place::{length, outward, triple};
use super::tree::short;
use crate::geometry::Point;
use std::collections::{BTreeMap, BTreeSet};

/// A datum system, or `None` and its faults. Whether it holds all six freedoms shows when it is bound.
pub(super) fn datum_system(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    index: usize,
) -> Option<DatumSystem> {
    let system = &file.datum_system[index];
    let place = format!("datum_system[{index}].datum");
    let best_fit = match &system.best_fit {
        None => None,
        Some(b) => Some(best_fit(faults, names, file, &format!("datum_system[{index}].best_fit"), b)?),
    };
    if let Some(id) = &system.fixture {
        if !system.datum.is_empty() {
            faults.add(&place, "stands beside `fixture`; leave one of the two");
        }
        let fixture = names.fixture(faults, &format!("datum_system[{index}].fixture"), id)?;
        return Some(DatumSystem { id: system.id.clone(), source: DatumSource::Fixture(fixture), best_fit });
    }
    let fewest = usize::from(best_fit.is_none());
    if !(fewest..=3).contains(&system.datum.len()) {
        let n = system.datum.len();
        faults.add(&place, format!("has {n} datums; write one to three in their order, or `fixture`"));
    }
    let mut datums = Vec::new();
    for (i, datum) in system.datum.iter().enumerate() {
        let place = format!("{place}[{i}]");
        letter(faults, &format!("{place}.letter"), &datum.letter);
        let written = [datum.feature.is_some(), !datum.features.is_empty(), !datum.targets.is_empty()];
        let from = match written {
            [true, false, false] | [false, true, false] => {
                of_features(faults, names, file, &place, (system, i))
            }
            [false, false, true] => {
                for (key, given) in [
                    ("association", datum.association.is_some()),
                    ("condition", datum.condition.is_some()),
                    ("boundary_mm", datum.boundary_mm.is_some()),
                    ("locks", !datum.locks.is_empty()),
                ] {
                    if given {
                        let problem = "is for a feature; targets need none, leave it out";
                        faults.add(format!("{place}.{key}"), problem);
                    }
                }
                of_targets(faults, &place, &datum.targets)
            }
            [false, false, false] => {
                let keys = ["feature", "features", "targets"];
                if keys.iter().all(|k| faults.sound(&format!("{place}.{k}"))) {
                    faults.add(&place, "is taken from nothing; write `feature`, `features` or `targets`");
                }
                None
            }
            [one, several, targets] => {
                let second = if targets { "targets" } else { "features" };
                let first = if one { "feature" } else { "features" };
                let stands = if one && several && !targets { "stands" } else { "stand" };
                let problem = format!("{stands} beside `{first}`; leave one of the two");
                faults.add(format!("{place}.{second}"), problem);
                None
            }
        };
        for (k, lock) in datum.locks.iter().enumerate() {
            if datum.locks[..k].contains(lock) {
                faults.add(format!("{place}.locks[{k}]"), "stands twice; leave one");
            }
        }
        let locks = datum.locks.clone();
        datums.push(from.map(|from| Datum { letter: datum.letter.clone(), from, locks }));
    }
    let datums = datums.into_iter().collect::<Option<Vec<_>>>()?;
    Some(DatumSystem { id: system.id.clone(), source: DatumSource::Datums(datums), best_fit })
}

/// The kinds of features that a datum can be taken from.
const DATUM_KINDS: &[FeatureKind] = &[
    FeatureKind::Plane,
    FeatureKind::Hole,
    FeatureKind::Slot,
    FeatureKind::Cylinder,
    FeatureKind::Cone,
    FeatureKind::Sphere,
    FeatureKind::Width,
];

/// Those of them that have a size, and so a boundary at a material condition.
const SIZED_KINDS: &[FeatureKind] =
    &[FeatureKind::Hole, FeatureKind::Slot, FeatureKind::Cylinder, FeatureKind::Sphere, FeatureKind::Width];

fn of_features(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    (system, order): (&file::DatumSystem, usize),
) -> Option<DatumFrom> {
    let datum = &system.datum[order];
    let ids: Vec<(String, &String)> = match &datum.feature {
        Some(id) => vec![(format!("{place}.feature"), id)],
        None => {
            let at = |k: usize| format!("{place}.features[{k}]");
            datum.features.iter().enumerate().map(|(k, id)| (at(k), id)).collect()
        }
    };
    if datum.feature.is_none() && ids.len() < 2 {
        faults.add(format!("{place}.features"), "has one feature; write two or more, or `feature`");
    }
    let earlier = |id: &String| {
        system.datum[..order].iter().position(|d| d.feature.as_ref() == Some(id) || d.features.contains(id))
    };
    let mut features = Vec::with_capacity(ids.len());
    let (mut sized, mut seen) = (true, BTreeSet::new());
    for (place, id) in &ids {
        let feature = names.feature(faults, place, id);
        if let Some(kind) = feature.map(|f| file.feature[f].kind)
            && faults.sound(&format!("feature[{}].kind", feature.unwrap_or(0)))
        {
            // What can be no datum at all has its own fault.
            sized &= SIZED_KINDS.contains(&kind) || !DATUM_KINDS.contains(&kind);
            if !DATUM_KINDS.contains(&kind) {
                let words = DATUM_KINDS.iter().map(|k| k.word()).collect::<Vec<_>>().join(", ");
                faults.add(
                    place,
                    format!("is a {}, but a datum is a {words}, or targets; name another", kind.word()),
                );
            }
        }
        if let Some(earlier) = earlier(id) {
            faults.add(place, format!("is the feature of datum {} too; name another", earlier + 1));
        }
        if !seen.insert(*id) {
            faults.add(place, "stands twice; leave one");
        }
        features.push(feature);
    }
    let condition = datum.condition.unwrap_or(Condition::Regardless);
    let place_of_boundary = format!("{place}.boundary_mm");
    match (condition, datum.boundary_mm) {
        (Condition::Regardless, Some(_)) => {
            faults.add(&place_of_boundary, "is for a material condition; leave it out, or write `condition`");
        }
        (Condition::MaximumMaterial | Condition::LeastMaterial, None) if faults.sound(&place_of_boundary) => {
            faults.add(&place_of_boundary, "is missing; write the size of the datum's boundary, mm");
        }
        (_, Some(size)) => {
            in_range(
                faults,
                &place_of_boundary,
                size,
                |b| b > 0.0,
                "above 0, the size of the boundary in mm",
            );
        }
        _ => {}
    }
    if condition != Condition::Regardless && !sized {
        faults.add(format!("{place}.condition"), "is for features of size; leave it out");
    }
    let place_of_association = format!("{place}.association");
    if datum.association.is_none() && faults.sound(&place_of_association) {
        faults.add(
            place_of_association,
            "is missing; write \"least_squares\", or what the drawing's standard says",
        );
    }
    Some(DatumFrom::Features {
        features: features.into_iter().collect::<Option<_>>()?,
        association: datum.association?,
        condition,
        boundary_mm: datum.boundary_mm,
    })
}

/// The features of a best fit and their weights.
fn best_fit(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    b: &file::BestFit,
) -> Option<BestFit> {
    let place_of_features = format!("{place}.feature");
    if b.feature.is_empty() && faults.sound(&place_of_features) {
        faults.add(&place_of_features, "names no feature; write the ids of those that are to fit");
    }
    let mut seen = BTreeSet::new();
    let features: Vec<Option<usize>> = b
        .feature
        .iter()
        .enumerate()
        .map(|(k, id)| {
            let place = format!("{place_of_features}[{k}]");
            if !seen.insert(id) {
                faults.add(&place, "stands twice; leave one");
            }
            let feature = names.feature(faults, &place, id)?;
            let kind = file.feature[feature].kind;
            if matches!(kind, FeatureKind::Group | FeatureKind::Width | FeatureKind::Point) {
                faults
                    .add(&place, format!("is a {}; name features with a surface of their own", kind.word()));
            }
            Some(feature)
        })
        .collect();
    if !b.weight.is_empty() && b.weight.len() != b.feature.len() {
        faults.add(
            format!("{place}.weight"),
            format!(
                "has {} numbers for {} features; write one for each, or none",
                b.weight.len(),
                b.feature.len()
            ),
        );
    }
    for (k, w) in b.weight.iter().enumerate() {
        in_range(faults, &format!("{place}.weight[{k}]"), *w, |w| w > 0.0, "above 0");
    }
    let weights = if b.weight.is_empty() { vec![1.0; b.feature.len()] } else { b.weight.clone() };
    Some(BestFit { features: features.into_iter().collect::<Option<_>>()?, weights, criterion: b.criterion })
}

fn of_targets(faults: &Faults, place: &str, targets: &[file::DatumTarget]) -> Option<DatumFrom> {
    let checked = targets.iter().enumerate().map(|(t, target)| {
        let place = format!("{place}.targets[{t}]");
        filled(faults, &format!("{place}.id"), &target.id);
        let at = triple(faults, &format!("{place}.at_mm"), &target.at_mm);
        let direction = outward(faults, &format!("{place}.direction"), &target.direction);
        length(faults, &format!("{place}.patch_radius_mm"), target.patch_radius_mm);
        let line_to = match target.line_to_mm.as_slice() {
            [] => None,
            given => triple(faults, &format!("{place}.line_to_mm"), given).map(Point::from),
        };
        let weight = target.weight.unwrap_or(1.0);
        in_range(faults, &format!("{place}.weight"), weight, |w| w > 0.0, "above 0");
        for (i, axis) in target.locks.iter().enumerate() {
            if target.locks[..i].contains(axis) {
                faults.add(format!("{place}.locks[{i}]"), "stands twice; leave one");
            }
        }
        Some(DatumTarget {
            id: target.id.clone(),
            at: Point::from(at?),
            direction: direction?,
            patch_radius_mm: target.patch_radius_mm,
            locks: target.locks.clone(),
            weight,
            line_to,
        })
    });
    let checked: Vec<_> = checked.collect();
    Some(DatumFrom::Targets(checked.into_iter().collect::<Option<_>>()?))
}

/// A holding fixture, or `None` and its faults.
pub(super) fn fixture(faults: &Faults, file: &PlanFile, index: usize) -> Option<Fixture> {
    let f = &file.fixture[index];
    let place = format!("fixture[{index}]");
    filled(faults, &format!("{place}.certificate"), &f.certificate);
    let expanded = f.expanded_uncertainty_mm;
    in_range(faults, &format!("{place}.expanded_uncertainty_mm"), expanded, |u| u > 0.0, "above 0, in mm");
    let targets = f.target.iter().enumerate().map(|(t, target)| {
        let place = format!("{place}.target[{t}]");
        filled(faults, &format!("{place}.id"), &target.id);
        let at = triple(faults, &format!("{place}.at_mm"), &target.at_mm);
        length(faults, &format!("{place}.ball_diameter_mm"), target.ball_diameter_mm);
        Some(FixtureTarget {
            id: target.id.clone(),
            at: Point::from(at?),
            ball_diameter_mm: target.ball_diameter_mm,
        })
    });
    let targets = targets.collect::<Vec<_>>().into_iter().collect::<Option<Vec<_>>>()?;
    if !spans_a_plane(&targets) {
        faults.add(
            format!("{place}.target"),
            format!(
                "has {} targets that hold no turn; write three or more that do not lie on a line",
                targets.len()
            ),
        );
    }
    Some(Fixture {
        id: f.id.clone(),
        certificate: f.certificate.clone(),
        standard_uncertainty_mm: 0.5 * expanded,
        targets,
    })
}

/// Whether some three of the targets stand at least a millimetre off one line.
fn spans_a_plane(targets: &[FixtureTarget]) -> bool {
    let Some(first) = targets.first() else { return false };
    let from = |t: &FixtureTarget| t.at - first.at;
    let Some(far) = targets.iter().map(from).max_by(|a, b| a.norm().total_cmp(&b.norm())) else {
        return false;
    };
    let length = far.norm();
    length > 1.0 && targets.iter().any(|t| from(t).cross(&far).norm() / length > 1.0)
}

/// One capital letter, or the same doubled or tripled where the alphabet is used up (ISO 5459:2011, 7.2;
/// from memory).
fn letter(faults: &Faults, place: &str, letter: &str) {
    let first = letter.chars().next().filter(char::is_ascii_uppercase);
    if first.is_none_or(|first| letter.len() > 3 || letter.chars().any(|c| c != first)) {
        faults.add(place, format!("is \"{}\"; write one capital letter, such as \"A\"", short(letter)));
    }
}

/// A letter names one datum on the whole drawing, and once in each system.
pub(super) fn letters(faults: &Faults, file: &PlanFile) {
    let mut first: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for (s, system) in file.datum_system.iter().enumerate() {
        for (d, datum) in system.datum.iter().enumerate() {
            let place = format!("datum_system[{s}].datum[{d}].letter");
            if datum.letter.is_empty() || !faults.sound(&place) {
                continue;
            }
            let (fs, fd) = *first.entry(&datum.letter).or_insert((s, d));
            let other = &file.datum_system[fs].datum[fd];
            let letter = short(&datum.letter);
            if fs == s && fd != d {
                faults.add(place, format!("\"{letter}\" stands twice in this system; write another letter"));
            } else if fs != s && other != datum {
                faults.add(
                    place,
                    format!(
                        "\"{letter}\" is another datum in datum_system[{fs}]; write the same feature and association, \
                         or the same targets, or another letter"
                    ),
                );
            }
        }
    }
}

/// Ids under which points are measured, those of features and of targets, stand once; but the same target
/// of the same datum may stand in several systems.
pub(super) fn target_ids(faults: &Faults, file: &PlanFile) {
    struct Seen<'a> {
        place: String,
        target: Option<&'a file::DatumTarget>,
        system: Option<usize>,
    }
    let mut all: Vec<(&str, Seen)> = Vec::new();
    for (i, feature) in file.feature.iter().enumerate() {
        all.push((&feature.id, Seen { place: format!("feature[{i}]"), target: None, system: None }));
    }
    for (s, system) in file.datum_system.iter().enumerate() {
        for (d, datum) in system.datum.iter().enumerate() {
            for (t, target) in datum.targets.iter().enumerate() {
                let place = format!("datum_system[{s}].datum[{d}].targets[{t}]");
                all.push((&target.id, Seen { place, target: Some(target), system: Some(s) }));
            }
        }
    }
    for (f, fixture) in file.fixture.iter().enumerate() {
        for (t, target) in fixture.target.iter().enumerate() {
            let place = format!("fixture[{f}].target[{t}]");
            all.push((&target.id, Seen { place, target: None, system: None }));
        }
    }
    let mut first: BTreeMap<&str, Seen> = BTreeMap::new();
    for (id, seen) in all {
        let place = format!("{}.id", seen.place);
        if id.is_empty() || !faults.sound(&place) {
            continue;
        }
        let Some(there) = first.get(id) else {
            first.insert(id, seen);
            continue;
        };
        // Two features of one id have their fault already.
        let both_features = seen.place.starts_with("feature[") && there.place.starts_with("feature[");
        let same = seen.target.is_some() && seen.target == there.target && seen.system != there.system;
        if !both_features && !same {
            let (id, there) = (short(id), &there.place);
            faults
                .add(place, format!("\"{id}\" is the id of {there} too; write another, each id stands once"));
        }
    }
}
