//! Checks where a feature is: a pick on the nominal, or its own numbers.

use super::check::{Names, in_range};
use super::domain::{Feature, Place, PointOn, Situation};
use super::edge;
use super::fault::Faults;
use super::file::{self, FeatureKind, PlanFile};
use super::on_skin;
use crate::geometry::{Direction, Point, Vector};
use std::collections::BTreeSet;

/// A feature, or `None` and its faults.
pub(super) fn feature(faults: &Faults, names: &Names<'_>, file: &PlanFile, index: usize) -> Option<Feature> {
    let f = &file.feature[index];
    let place = format!("feature[{index}]");
    let given: Vec<(&str, Option<FeatureKind>)> = [
        ("pick", f.pick.is_some(), None),
        ("face", f.face.is_some() || !f.fingerprint.is_empty(), None),
        ("point", f.point.is_some(), Some(FeatureKind::Point)),
        ("hole", f.hole.is_some(), Some(FeatureKind::Hole)),
        ("plane", f.plane.is_some(), Some(FeatureKind::Plane)),
        ("slot", f.slot.is_some(), Some(FeatureKind::Slot)),
        ("width", f.width.is_some(), Some(FeatureKind::Width)),
        ("group", f.group.is_some(), Some(FeatureKind::Group)),
        ("edge", f.edge.is_some(), Some(FeatureKind::Edge)),
        ("countersink", f.countersink.is_some(), Some(FeatureKind::Countersink)),
    ]
    .into_iter()
    .filter(|(_, given, _)| *given)
    .map(|(word, _, kind)| (word, kind))
    .collect();
    let kind_known = faults.sound(&format!("{place}.kind"));
    match given.as_slice() {
        [] => {
            let words = [
                "pick",
                "face",
                "fingerprint",
                "point",
                "hole",
                "plane",
                "slot",
                "width",
                "group",
                "edge",
                "countersink",
            ];
            if kind_known && words.iter().all(|w| faults.sound(&format!("{place}.{w}"))) {
                faults.add(&place, format!("says no place; write {}", places_of(f.kind)));
            }
        }
        [(word, kind)] => {
            let wrong = match kind {
                None => matches!(
                    f.kind,
                    FeatureKind::Point
                        | FeatureKind::Width
                        | FeatureKind::Group
                        | FeatureKind::Edge
                        | FeatureKind::Countersink
                ),
                Some(kind) => *kind != f.kind,
            };
            if wrong && kind_known {
                faults.add(
                    format!("{place}.{word}"),
                    format!("is no place of a {}; write {}", f.kind.word(), places_of(f.kind)),
                );
            }
        }
        [_, (second, _), ..] => {
            faults.add(format!("{place}.{second}"), "is a second place; leave one");
        }
    }
    if f.pick.is_some() && file.nominal.is_none() && faults.sound("nominal") {
        faults.add(
            format!("{place}.pick"),
            "picks on a nominal, but the plan has none; write `[nominal]`, or the feature's own numbers",
        );
    }
    if (f.face.is_some() || !f.fingerprint.is_empty()) && file.nominal.is_none() && faults.sound("nominal") {
        faults.add(format!("{place}.face"), "is on a nominal, but the plan has none; write `[nominal]`");
    }
    let found = if let Some(p) = &f.pick {
        pick(faults, &format!("{place}.pick"), f.kind, kind_known, p)
    } else if f.face.is_some() || !f.fingerprint.is_empty() {
        super::faces::place(faults, &place, f.face.as_deref(), &f.fingerprint)
    } else if let Some(two) = &f.width {
        let place = format!("{place}.width.of");
        if two.of.len() != 2 && faults.sound(&place) {
            faults.add(&place, format!("has {} features; write the ids of two planes", two.of.len()));
        }
        members(faults, names, file, &place, &two.of, &[FeatureKind::Plane]).map(Place::Of)
    } else if let Some(group) = &f.group {
        let place = format!("{place}.group.of");
        if group.of.len() < 2 && faults.sound(&place) {
            faults.add(&place, format!("has {} features; write the ids of two or more", group.of.len()));
        }
        members(faults, names, file, &place, &group.of, IN_A_GROUP).map(Place::Of)
    } else if let Some(line) = &f.edge {
        edge::check(faults, names, file, &format!("{place}.edge"), line).map(Place::Edge)
    } else if let Some(sink) = &f.countersink {
        on_skin::sink(faults, names, file, &format!("{place}.countersink"), sink).map(Place::Countersink)
    } else {
        stated(faults, &place, f).map(Place::Stated)
    };
    Some(Feature { id: f.id.clone(), kind: f.kind, place: found? })
}

/// What may be judged together.
const IN_A_GROUP: &[FeatureKind] = &[
    FeatureKind::Plane,
    FeatureKind::Hole,
    FeatureKind::Surface,
    FeatureKind::Slot,
    FeatureKind::Cylinder,
    FeatureKind::Cone,
    FeatureKind::Sphere,
    FeatureKind::Torus,
    FeatureKind::Width,
];

/// The features that one is made of, each of a kind that it can be.
fn members(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    ids: &[String],
    kinds: &[FeatureKind],
) -> Option<Vec<usize>> {
    let mut seen = BTreeSet::new();
    let found = ids.iter().enumerate().map(|(k, id)| {
        let place = format!("{place}[{k}]");
        if !seen.insert(id) {
            faults.add(&place, "stands twice; leave one");
        }
        let index = names.feature(faults, &place, id)?;
        let kind = file.feature[index].kind;
        if !kinds.contains(&kind) && faults.sound(&format!("feature[{index}].kind")) {
            let words = kinds.iter().map(|k| k.word()).collect::<Vec<_>>().join(" or ");
            faults.add(&place, format!("is a {}; name a {words}", kind.word()));
        }
        Some(index)
    });
    let found: Vec<Option<usize>> = found.collect();
    found.into_iter().collect()
}

fn places_of(kind: FeatureKind) -> &'static str {
    match kind {
        FeatureKind::Point => "`point = { at_mm = [x, y, z], direction = [x, y, z] }`",
        FeatureKind::Hole => {
            "`pick = { near_mm = [x, y, z] }`, or `hole = { at_mm, axis }` where points measure it"
        }
        FeatureKind::Plane => {
            "`pick = { near_mm = [x, y, z] }`, or `plane = { at_mm, normal }` where points measure it"
        }
        FeatureKind::Slot => {
            "`pick = { near_mm = [x, y, z] }`, or `slot = { at_mm, axis, along }` where points measure it"
        }
        FeatureKind::Surface
        | FeatureKind::Cylinder
        | FeatureKind::Cone
        | FeatureKind::Sphere
        | FeatureKind::Torus => "`pick = { near_mm = [x, y, z] }`",
        FeatureKind::Width => "`width = { of = [\"P1\", \"P2\"] }` with the ids of two planes",
        FeatureKind::Group => "`group = { of = [\"H1\", \"H2\"] }` with the ids of its features",
        FeatureKind::Countersink => "`countersink = { of = \"H1\" }` with the id of its hole",
        FeatureKind::Edge => {
            "`edge = { of = \"SKIN\", loop = \"outer\", at = \"visible_arris\" }` with the id of the skin that ends there"
        }
    }
}

pub(super) fn pick(
    faults: &Faults,
    place: &str,
    kind: FeatureKind,
    kind_known: bool,
    p: &file::Pick,
) -> Option<Place> {
    let near = triple(faults, &format!("{place}.near_mm"), &p.near_mm);
    let facing = match p.facing.as_slice() {
        [] => None,
        given => {
            let word = "write a vector out of the material, or leave it out";
            direction(faults, &format!("{place}.facing"), given, word)
        }
    };
    if let Some(angle) = p.grow_to_angle_deg {
        let place = format!("{place}.grow_to_angle_deg");
        if kind != FeatureKind::Surface && kind_known {
            faults.add(place, format!("is for a surface, this is a {}; leave it out", kind.word()));
        } else {
            in_range(faults, &place, angle, |a| a > 0.0 && a < 90.0, "above 0 and below 90, in degrees");
        }
    }
    Some(Place::Pick {
        near: Point::from(near?),
        facing,
        grow_to_angle_rad: p.grow_to_angle_deg.map(f64::to_radians),
    })
}

fn stated(faults: &Faults, place: &str, f: &file::Feature) -> Option<Situation> {
    if let Some(p) = &f.point {
        let place = format!("{place}.point");
        let at = triple(faults, &format!("{place}.at_mm"), &p.at_mm);
        let direction = outward(faults, &format!("{place}.direction"), &p.direction);
        length(faults, &format!("{place}.patch_radius_mm"), p.patch_radius_mm);
        return Some(Situation::Point {
            at: Point::from(at?),
            direction: direction?,
            on: p.on.unwrap_or(PointOn::Surface),
            patch_radius_mm: p.patch_radius_mm,
        });
    }
    if let Some(h) = &f.hole {
        let place = format!("{place}.hole");
        let at = triple(faults, &format!("{place}.at_mm"), &h.at_mm);
        let axis = direction(faults, &format!("{place}.axis"), &h.axis, "write a vector along the hole");
        length(faults, &format!("{place}.diameter_mm"), h.diameter_mm);
        return Some(Situation::Hole { at: Point::from(at?), axis: axis?, diameter_mm: h.diameter_mm });
    }
    if let Some(p) = &f.plane {
        let place = format!("{place}.plane");
        let at = triple(faults, &format!("{place}.at_mm"), &p.at_mm);
        let normal = outward(faults, &format!("{place}.normal"), &p.normal);
        return Some(Situation::Plane { at: Point::from(at?), normal: normal? });
    }
    let s = f.slot.as_ref()?;
    let place = format!("{place}.slot");
    let at = triple(faults, &format!("{place}.at_mm"), &s.at_mm);
    let axis = direction(faults, &format!("{place}.axis"), &s.axis, "write a vector through the material");
    let place_of_along = format!("{place}.along");
    let along = direction(faults, &place_of_along, &s.along, "write a vector along the slot's length");
    length(faults, &format!("{place}.length_mm"), s.length_mm);
    length(faults, &format!("{place}.width_mm"), s.width_mm);
    let (axis, along) = (axis?, along?);
    // A degree, as digits of a drawing leave it.
    if axis.dot(along).abs() > 0.0175 {
        faults.add(&place_of_along, "is not square to `axis`; write the slot's length as it lies across it");
    }
    Some(Situation::Slot {
        at: Point::from(at?),
        axis,
        along: Direction::new(along.vector() - axis.vector() * axis.dot(along)).unwrap_or(along),
        length_mm: s.length_mm,
        width_mm: s.width_mm,
    })
}

/// Three finite numbers.
pub(super) fn triple(faults: &Faults, place: &str, values: &[f64]) -> Option<Vector> {
    if let [x, y, z] = *values
        && [x, y, z].iter().all(|v| v.is_finite())
    {
        return Some(Vector::new(x, y, z));
    }
    let problem = match values.len() {
        0 => "is missing; write three numbers, `[x, y, z]`".to_owned(),
        3 => format!("is {values:?}; write three finite numbers"),
        n => format!("has {n} numbers; write three, `[x, y, z]`"),
    };
    faults.add(place, problem);
    None
}

/// A vector of any length above zero.
pub(super) fn direction(faults: &Faults, place: &str, values: &[f64], help: &str) -> Option<Direction> {
    let direction = Direction::new(triple(faults, place, values)?);
    if direction.is_none() {
        faults.add(place, format!("has no length; {help}"));
    }
    direction
}

/// A direction out of the material.
pub(super) fn outward(faults: &Faults, place: &str, values: &[f64]) -> Option<Direction> {
    direction(faults, place, values, "write a vector out of the material")
}

/// A length that may be left out.
pub(super) fn length(faults: &Faults, place: &str, value: Option<f64>) {
    if let Some(value) = value {
        in_range(faults, place, value, |l| l > 0.0, "above 0, in mm");
    }
}
