//! Whether a feature lies on the nominal as its requirement says: parallel to its datums, or square to them.

use super::bind::BoundFeature;
use super::domain::{DatumFrom, DatumSource, OrientationKind, Plan, Situation};
use super::fault::Fault;
use super::required::Requirement;
use super::tree::short;
use crate::geometry::Direction;
use std::f64::consts::{FRAC_PI_2, PI};

/// Within this of parallel or square, rad, it counts as that: a degree, for drafts that a drawing does not tell. Our own
/// choice.
const NEAR_RAD: f64 = PI / 180.0;

/// A fault for every parallelism and perpendicularity whose feature lies so to none of its datums. An angularity is at
/// any angle; common datums and features without a direction are not looked at.
pub(super) fn orientations(plan: &Plan, bound: &[Option<BoundFeature>]) -> Vec<Fault> {
    let get = |index: usize| bound.get(index)?.as_ref();
    let mut faults = Vec::new();
    for (i, c) in plan.characteristics.iter().enumerate() {
        let Requirement::Orientation { kind, .. } = &c.requirement else { continue };
        let Some(feature) = c.feature.and_then(get) else { continue };
        let system = c.datum_system.and_then(|d| plan.datum_systems.get(d));
        let Some(DatumSource::Datums(datums)) = system.map(|s| &s.source) else { continue };
        let mut turns = Vec::with_capacity(datums.len());
        for datum in datums {
            let one = match &datum.from {
                DatumFrom::Features { features, .. } if features.len() == 1 => get(features[0]),
                _ => None,
            };
            turns.push(one.and_then(|one| turn(&feature.situation, &one.situation)));
        }
        let want = match kind {
            OrientationKind::Parallelism => 0.0,
            OrientationKind::Perpendicularity => FRAC_PI_2,
            OrientationKind::Angularity => continue,
        };
        // What is not known may be as it says.
        let Some(turns) = turns.into_iter().collect::<Option<Vec<f64>>>() else { continue };
        let Some(first) = turns.first().copied() else { continue };
        if turns.iter().any(|t| (t - want).abs() <= NEAR_RAD) {
            continue;
        }
        let fits = if first <= NEAR_RAD {
            "parallelism"
        } else if FRAC_PI_2 - first <= NEAR_RAD {
            "perpendicularity"
        } else {
            "angularity"
        };
        let word = c.requirement.word();
        faults.push(Fault {
            place: format!("characteristic[{i}].{word}"),
            problem: format!(
                "characteristic {}: {} lies at {:.1} degrees to datum {}; write `{fits}`, or name other datums",
                short(&c.number),
                short(&feature.id),
                first.to_degrees(),
                datums[0].letter
            ),
        });
    }
    faults
}

/// The angle between two planes, two axes, or an axis and a plane, from 0 to a quarter of a turn, rad.
fn turn(one: &Situation, other: &Situation) -> Option<f64> {
    let ((a, a_flat), (b, b_flat)) = (way(one)?, way(other)?);
    let between = a.angle_to(b).min(a.reversed().angle_to(b));
    Some(if a_flat == b_flat { between } else { FRAC_PI_2 - between })
}

/// Along an axis, or square to a plane; and whether it is a plane.
fn way(situation: &Situation) -> Option<(Direction, bool)> {
    match *situation {
        Situation::Plane { normal, .. } => Some((normal, true)),
        Situation::Width { across, .. } => Some((across, true)),
        Situation::Hole { axis, .. }
        | Situation::Cylinder { axis, .. }
        | Situation::Cone { axis, .. }
        | Situation::Torus { axis, .. } => Some((axis, false)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Point, Vector};

    #[test]
    fn planes_and_axes_lie_parallel_or_square_to_each_other() {
        let at = Point::origin();
        let plane = |x: f64, y: f64, z: f64| Situation::Plane {
            at,
            normal: Direction::new(Vector::new(x, y, z)).unwrap(),
        };
        let hole = |x: f64, y: f64, z: f64| Situation::Hole {
            at,
            axis: Direction::new(Vector::new(x, y, z)).unwrap(),
            diameter_mm: None,
        };
        let up = plane(0.0, 0.0, 1.0);
        for (other, degrees) in [
            (plane(0.0, 0.0, -2.0), 0.0),
            (plane(3.0, 0.0, 0.0), 90.0),
            (plane(1.0, 0.0, 1.0), 45.0),
            (hole(0.0, 0.0, -1.0), 90.0),
            (hole(1.0, 1.0, 0.0), 0.0),
        ] {
            assert!((turn(&up, &other).unwrap().to_degrees() - degrees).abs() < 1e-9, "{other:?}");
            assert!((turn(&other, &up).unwrap().to_degrees() - degrees).abs() < 1e-9, "{other:?}");
        }
        assert!(turn(&hole(0.0, 1.0, 0.0), &hole(0.0, -1.0, 0.0)).unwrap() < 1e-9);
        assert_eq!(turn(&up, &Situation::Surface), None);
    }
}
