//! Checks datum systems, their targets, and holding fixtures.

use super::check::{Names, filled, in_range};
use super::domain::{Datum, DatumFrom, DatumSource, DatumSystem, DatumTarget, Fixture, FixtureTarget};
use super::fault::Faults;
use super::file::{self, FeatureKind, PlanFile};
use super::place::{length, outward, triple};
use super::tree::short;
use crate::geometry::Point;
use std::collections::BTreeMap;

/// A datum system, or `None` and its faults. Whether it holds all six freedoms shows when it is bound.
pub(super) fn datum_system(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    index: usize,
) -> Option<DatumSystem> {
    let system = &file.datum_system[index];
    let place = format!("datum_system[{index}].datum");
    if let Some(id) = &system.fixture {
        if !system.datum.is_empty() {
            faults.add(&place, "stands beside `fixture`; leave one of the two");
        }
        let fixture = names.fixture(faults, &format!("datum_system[{index}].fixture"), id)?;
        return Some(DatumSystem { id: system.id.clone(), source: DatumSource::Fixture(fixture) });
    }
    if !(1..=3).contains(&system.datum.len()) {
        let n = system.datum.len();
        faults.add(&place, format!("has {n} datums; write one to three in their order, or `fixture`"));
    }
    let mut datums = Vec::new();
    for (i, datum) in system.datum.iter().enumerate() {
        let place = format!("{place}[{i}]");
        letter(faults, &format!("{place}.letter"), &datum.letter);
        let from = match (&datum.feature, datum.targets.as_slice()) {
            (Some(feature), []) => {
                let earlier = system.datum[..i].iter().position(|d| d.feature.as_ref() == Some(feature));
                of_feature(faults, names, file, &place, (i, earlier), feature, datum.association)
            }
            (None, [_, ..]) => {
                if datum.association.is_some() {
                    faults.add(
                        format!("{place}.association"),
                        "is for a feature; targets need none, leave it out",
                    );
                }
                of_targets(faults, &place, &datum.targets)
            }
            (Some(_), [_, ..]) => {
                faults.add(format!("{place}.targets"), "stand beside `feature`; leave one of the two");
                None
            }
            (None, []) => {
                if faults.sound(&format!("{place}.feature")) && faults.sound(&format!("{place}.targets")) {
                    faults.add(&place, "is taken from nothing; write `feature` or `targets`");
                }
                None
            }
        };
        datums.push(from.map(|from| Datum { letter: datum.letter.clone(), from }));
    }
    let datums = datums.into_iter().collect::<Option<Vec<_>>>()?;
    Some(DatumSystem { id: system.id.clone(), source: DatumSource::Datums(datums) })
}

fn of_feature(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    (order, earlier): (usize, Option<usize>),
    id: &str,
    association: Option<file::Association>,
) -> Option<DatumFrom> {
    let place_of_feature = format!("{place}.feature");
    let feature = names.feature(faults, &place_of_feature, id)?;
    let kind = file.feature[feature].kind;
    let kind_sound = faults.sound(&format!("feature[{feature}].kind"));
    let needed: &[FeatureKind] =
        if order == 0 { &[FeatureKind::Plane] } else { &[FeatureKind::Hole, FeatureKind::Slot] };
    if kind_sound && !needed.contains(&kind) {
        let needed = if order == 0 { "a plane, or targets" } else { "a hole, a slot, or targets" };
        faults.add(
            &place_of_feature,
            format!("is a {}, but datum {} of a system is {needed}; name another", kind.word(), order + 1),
        );
    }
    if let Some(earlier) = earlier {
        faults.add(&place_of_feature, format!("is the feature of datum {} too; name another", earlier + 1));
    }
    let place_of_association = format!("{place}.association");
    match association {
        None => {
            if faults.sound(&place_of_association) {
                faults.add(place_of_association, "is missing; write \"least_squares\"");
            }
            return None;
        }
        // Nothing is served silently in another way than the plan says.
        Some(file::Association::MinimumZone) if kind_sound => faults.add(
            place_of_association,
            "a datum is associated by least squares in this version; write \"least_squares\"",
        ),
        Some(_) => {}
    }
    Some(DatumFrom::Feature { feature, association: association? })
}

fn of_targets(faults: &Faults, place: &str, targets: &[file::DatumTarget]) -> Option<DatumFrom> {
    let checked = targets.iter().enumerate().map(|(t, target)| {
        let place = format!("{place}.targets[{t}]");
        filled(faults, &format!("{place}.id"), &target.id);
        let at = triple(faults, &format!("{place}.at_mm"), &target.at_mm);
        let direction = outward(faults, &format!("{place}.direction"), &target.direction);
        length(faults, &format!("{place}.patch_radius_mm"), target.patch_radius_mm);
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
