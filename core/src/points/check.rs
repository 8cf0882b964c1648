//! Measured points against the plan that they were taken for.

use super::{Coordinates, MOST_FAULTS, PointSet, PointsError, Role};
use crate::geometry::{Direction, Point};
use crate::plan::{FaceMap, Fault, Plan, Situation};
use std::collections::{BTreeMap, BTreeSet};

/// Nominal places of the instrument and of the plan agree to rounding in the last digit that drawings and
/// instruments print, mm.
const SAME_NOMINAL_MM: f64 = 0.01;
/// The same for directions: a thousandth.
const SAME_DIRECTION_RAD: f64 = 1e-3;

/// Form of a wall that contradicts no centre, mm.
const LEAST_FORM_MM: f64 = 0.2;

/// Whether the points belong to the plan: names that it has, one point to a check point or target, one centre to a
/// hole or slot, nominal places and directions as in the plan; in the part's axes also a centre that its own wall
/// speaks for. All faults at once, at most [`MOST_FAULTS`].
///
/// # Errors
/// Those faults.
pub fn check(set: &PointSet, plan: &Plan, faces: &FaceMap) -> Result<(), PointsError> {
    let targets: BTreeSet<&str> = plan.target_ids().collect();
    // A centre may stand beside points of its wall, so the two are counted apart.
    let mut first: BTreeMap<(&str, bool), u64> = BTreeMap::new();
    let mut faults = Vec::new();
    for p in &set.points {
        if faults.len() >= MOST_FAULTS {
            break;
        }
        let mut wrong = |problem: String| faults.push(Fault { place: format!("line {}", p.line), problem });
        let feature = faces.features.iter().find(|f| f.id == p.name);
        let single = match feature {
            Some(f) => matches!(f.situation, Situation::Point { .. }) || p.role == Role::Centre,
            None if targets.contains(p.name.as_str()) => true,
            None => {
                let shown: String = p.name.chars().take(60).collect();
                wrong(format!(
                    "\"{}\" is no feature or target of the plan; correct the name or leave the point out",
                    shown.escape_debug()
                ));
                continue;
            }
        };
        if single && let Some(line) = first.get(&(p.name.as_str(), p.role == Role::Centre)) {
            wrong(format!("{} was taken on line {line} too; leave one", p.name));
        }
        first.entry((&p.name, p.role == Role::Centre)).or_insert(p.line);
        let Some(feature) = feature else { continue };
        let (place, direction) = match feature.situation {
            Situation::Point { at, direction, .. } => (Some(at), Some(direction)),
            Situation::Hole { at, axis, .. } | Situation::Slot { at, axis, .. } => {
                ((p.role == Role::Centre).then_some(at), (p.role == Role::Centre).then_some(axis))
            }
            _ => (None, None),
        };
        if p.role == Role::Centre
            && !matches!(feature.situation, Situation::Hole { .. } | Situation::Slot { .. })
        {
            wrong(format!(
                "{} is a {}, which has no centre; write role surface",
                p.name,
                feature.kind.word()
            ));
        }
        if let (Some(told), Some(at)) = (p.nominal, place)
            && !((told - at).norm() <= SAME_NOMINAL_MM)
        {
            wrong(format!(
                "the instrument's nominal of {} lies {:.4} mm from the plan's; measure against this revision",
                p.name,
                (told - at).norm()
            ));
        }
        if let (Some(told), Some(direction)) = (p.direction, direction) {
            let turn = told.angle_to(direction);
            let across = matches!(feature.situation, Situation::Point { .. });
            let turn = if across { turn } else { turn.min(told.reversed().angle_to(direction)) };
            if !(turn <= SAME_DIRECTION_RAD) {
                wrong(format!(
                    "the instrument's direction of {} is not the plan's; measure against this revision",
                    p.name
                ));
            }
        }
    }
    // Once each centre stands alone.
    if faults.is_empty() && set.coordinates == Coordinates::Part {
        faults.extend(contradictions(set, faces).take(MOST_FAULTS));
    }
    if faults.is_empty() { Ok(()) } else { Err(PointsError::Faults(faults)) }
}

/// Centres that the points of their own wall contradict.
fn contradictions<'a>(set: &'a PointSet, faces: &'a FaceMap) -> impl Iterator<Item = Fault> + 'a {
    set.points.iter().filter(|p| p.role == Role::Centre).filter_map(|centre| {
        let feature = faces.features.iter().find(|f| f.id == centre.name)?;
        let Situation::Hole { axis, .. } = feature.situation else { return None };
        let wall: Vec<Point> = set
            .points
            .iter()
            .filter(|p| p.role == Role::Surface && p.name == centre.name)
            .map(|p| p.point)
            .collect();
        let off = off_the_wall_mm(centre.point, centre.diameter_mm, &wall, axis)?;
        let problem = format!(
            "the centre of {} and the points of its wall contradict each other by {off:.3} mm; leave out which is \
             wrong",
            centre.name
        );
        Some(Fault { place: format!("line {}", centre.line), problem })
    })
}

/// By how much a hole's centre (and its diameter, where that is told too) contradicts points of its wall, mm, all
/// in the same axes: the largest distance of a point from the circle about that centre; without a diameter, from
/// the circle that lies between the nearest and the furthest of them. `None` where it is no more than what the form
/// of a wall explains: a tenth of the radius, and at least 0.2 mm (common practice, no source).
pub fn off_the_wall_mm(
    centre: Point,
    diameter_mm: Option<f64>,
    wall: &[Point],
    axis: Direction,
) -> Option<f64> {
    let n = axis.vector();
    let across = |p: &Point| {
        let off = p - centre;
        (off - n * off.dot(&n)).norm()
    };
    let low = wall.iter().map(across).fold(f64::INFINITY, f64::min);
    let high = wall.iter().map(across).fold(0.0, f64::max);
    if wall.is_empty() {
        return None;
    }
    let radius = diameter_mm.map_or(0.5 * (low + high), |d| 0.5 * d);
    let off = (high - radius).abs().max((low - radius).abs());
    (!(off <= (0.1 * radius).max(LEAST_FORM_MM))).then_some(off)
}
