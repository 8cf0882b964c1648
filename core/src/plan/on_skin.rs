//! What stands in a skin or is sunk into it: countersinks, and how far a face stands out of the skin about it. What a plan says of
//! them is checked, and the countersink is found on the nominal beside its hole.

use super::bind::{BoundFeature, Found, Pick};
use super::check::{Names, in_range};
use super::domain::{Feature, FeatureKind, SinkPlace, Situation};
use super::faces as by_faces;
use super::fault::Faults;
use super::file::{self, PlanFile};
use super::nearest::list;
use super::place::{length, triple};
use super::required::Requirement;
use super::round_face;
use super::thickness::FACES;
use super::tolerance::{deviations, one_length};
use super::tree::short;
use crate::geometry::Point;
use crate::nominal::Nominal;

/// What the file says of a countersink, or `None` and its faults.
pub(super) fn sink(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    sink: &file::Countersink,
) -> Option<SinkPlace> {
    let at = |key: &str| format!("{place}.{key}");
    let of = names.feature(faults, &at("of"), &sink.of);
    if let Some(f) = of {
        let kind = file.feature[f].kind;
        if kind != FeatureKind::Hole && faults.sound(&format!("feature[{f}].kind")) {
            faults.add(at("of"), format!("is a {}; name the hole that it belongs to", kind.word()));
        }
    }
    if let Some(angle) = sink.included_angle_deg {
        let place = at("included_angle_deg");
        in_range(
            faults,
            &place,
            angle,
            |a| (30.0..=150.0).contains(&a),
            "30 to 150, the included angle in degrees",
        );
    }
    let near = match sink.near_mm.as_slice() {
        [] => None,
        given => Some(Point::from(triple(faults, &at("near_mm"), given)?)),
    };
    Some(SinkPlace { of: of?, included_angle_rad: sink.included_angle_deg.map(f64::to_radians), near })
}

/// The axes of a countersink and its hole agree this well on a nominal: a degree, and a twentieth of the radius.
const SAME_AXIS_RAD: f64 = 0.0175;
const SAME_AXIS_PART: f64 = 0.05;

/// A face that meets the wall of a hole and stands steeper to its axis than this is no skin: 15 degrees, the cosine.
const SKIN_COSINE: f64 = 0.966;
/// One that runs along the axis is the wall's own.
const WALL_COSINE: f64 = 0.2;

/// Finds the cone at one of the ends of a hole.
pub(super) fn bind_sink(
    feature: &Feature,
    place: &SinkPlace,
    hole: &BoundFeature,
    nominal: Option<&Nominal>,
) -> Result<BoundFeature, String> {
    let picked = nominal.filter(|_| !hole.triangles.is_empty());
    let (Situation::Hole { at, axis, diameter_mm: Some(diameter) }, Some(nominal)) = (hole.situation, picked)
    else {
        return Err(format!(
            "{} is not picked on the nominal, so it has no countersink there",
            short(&hole.id)
        ));
    };
    let mesh = nominal.mesh();
    let mut wall = hole.triangles.clone();
    wall.sort_unstable();
    let mut found: Vec<(Found, Point)> = Vec::new();
    for way in [axis, axis.reversed()] {
        let beside = wall.iter().flat_map(|&t| nominal.across()[t as usize].iter().flatten().copied());
        let seed = beside.filter(|t| wall.binary_search(t).is_err()).find_map(|t| {
            let normal = mesh.normal(t)?;
            let cosine = normal.dot(way);
            (WALL_COSINE..=SKIN_COSINE).contains(&cosine).then_some((t, normal))
        });
        let Some((seed, normal)) = seed else { continue };
        let [a, b, c] = mesh.corners(seed);
        let near = Point::from((a.coords + b.coords + c.coords) / 3.0);
        let pick = Pick::at(FeatureKind::Cone, near, Some(normal));
        let cone = by_faces::round(&pick, nominal).unwrap_or_else(|| round_face::bind_cone(&pick, nominal));
        let Ok(cone) = cone else { continue };
        let Situation::Cone { at: middle, axis: opens, hollow: true, .. } = cone.situation else { continue };
        let off = middle - at;
        let aside = (off - axis.vector() * off.dot(&axis.vector())).norm();
        if opens.angle_to(way) <= SAME_AXIS_RAD && aside <= SAME_AXIS_PART * 0.5 * diameter {
            found.push((cone, middle));
        }
    }
    if let Some(near) = place.near {
        found.sort_by(|a, b| (a.1 - near).norm().total_cmp(&(b.1 - near).norm()));
        found.truncate(1);
    }
    match found.len() {
        0 => Err(format!(
            "the nominal has no cone about the axis of {} at either end of its wall; mend the nominal, or name another hole",
            short(&hole.id)
        )),
        1 => found.swap_remove(0).0.bound(feature, mesh),
        _ => Err(format!(
            "{} has one at both ends; write `near_mm` with a place near the one",
            short(&hole.id)
        )),
    }
}

impl SinkPlace {
    /// Half of the angle that is stated or, without, that of the nominal, rad.
    pub fn half_angle_rad(&self, nominal_rad: f64) -> f64 {
        self.included_angle_rad.map_or(nominal_rad, |a| 0.5 * a)
    }
}

/// The skin that a face stands out of, and the ring of it that is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AboveSkin {
    /// Index of the skin's feature.
    pub above: usize,
    /// Inner radius of the ring about the middle of the face, mm; `None` for that of the face and a strip.
    pub inner_radius_mm: Option<f64>,
    /// Outer radius, mm; `None` for 5 mm more than the inner one.
    pub outer_radius_mm: Option<f64>,
}

/// The requirement of a face over its skin.
pub(super) fn protrusion(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    p: &file::Protrusion,
    own: Option<&str>,
) -> Option<Requirement> {
    let at = |key: &str| format!("{place}.{key}");
    in_range(
        faults,
        &at("nominal_mm"),
        p.nominal_mm,
        |_| true,
        "in mm, negative where the face lies below the skin",
    );
    deviations(faults, place, "mm", p.upper_deviation_mm, p.lower_deviation_mm);
    length(faults, &at("inner_radius_mm"), p.inner_radius_mm);
    length(faults, &at("outer_radius_mm"), p.outer_radius_mm);
    if let (Some(inner), Some(outer)) = (p.inner_radius_mm, p.outer_radius_mm)
        && !(outer > inner)
        && faults.sound(&at("outer_radius_mm"))
    {
        faults.add(
            at("outer_radius_mm"),
            format!("is {outer}, not above the inner radius {inner}; write more"),
        );
    }
    let above = names.feature(faults, &at("above"), &p.above)?;
    let kind = file.feature[above].kind;
    if own == Some(p.above.as_str()) {
        faults.add(
            at("above"),
            format!("\"{}\" is the feature itself; name the skin about it", short(&p.above)),
        );
    } else if !FACES.contains(&kind) && faults.sound(&format!("feature[{above}].kind")) {
        let words = FACES.map(FeatureKind::word);
        faults.add(
            at("above"),
            format!("\"{}\" is a {}; name one of {}", short(&p.above), kind.word(), list(&words)),
        );
    }
    Some(Requirement::Protrusion {
        skin: AboveSkin { above, inner_radius_mm: p.inner_radius_mm, outer_radius_mm: p.outer_radius_mm },
        nominal_mm: p.nominal_mm,
        upper_deviation_mm: p.upper_deviation_mm,
        lower_deviation_mm: p.lower_deviation_mm,
    })
}

/// The depth of a countersink.
pub(super) fn depth(faults: &Faults, place: &str, d: file::Length) -> Requirement {
    one_length(faults, place, d, "depth");
    Requirement::Depth {
        nominal_mm: d.nominal_mm,
        upper_deviation_mm: d.upper_deviation_mm,
        lower_deviation_mm: d.lower_deviation_mm,
    }
}

/// A countersink's diameter has no inscribed or local one: it is where two surfaces meet.
pub(super) fn size_of_sink(faults: &Faults, place: &str, requirement: &Requirement, kind: FeatureKind) {
    use super::domain::SizeOperator::LeastSquares;
    if let (FeatureKind::Countersink, Requirement::Diameter { size, .. }) = (kind, requirement)
        && *size != LeastSquares
    {
        faults.add(
            format!("{place}.diameter.size"),
            "is none of a countersink, whose diameter is where its cone meets the skin; write \"least_squares\"",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::math;

    #[test]
    fn usual_countersinks_are_neither_taken_for_skin_nor_for_wall() {
        // ISO 15065 has 90 degrees; 60 to 130 are in use (from memory).
        for angle in [60.0f64, 82.0, 90.0, 100.0, 120.0, 130.0] {
            let cosine = math::sin(0.5 * angle.to_radians());
            assert!((WALL_COSINE..=SKIN_COSINE).contains(&cosine), "{angle}: {cosine}");
        }
    }
}
