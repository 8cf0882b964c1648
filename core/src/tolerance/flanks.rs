//! The two flanks of a width or a slot among the points of its surface.

use super::parallel_planes::Flanks;
use super::subject::Subject;
use super::{RuleError, Surface};
use crate::geometry::{Direction, Point};
use crate::plan::{Situation, StandardSystem};
use std::f64::consts::FRAC_PI_6;

/// A normal further than this from across belongs to a round end or a bottom, rad. Our own choice: a slot's end of
/// half a turn keeps no more than a third of itself beside its flanks, where it still runs nearly along them.
const ASLANT_RAD: f64 = FRAC_PI_6;

/// The points of two flanks, mm.
pub(super) struct TwoFlanks {
    /// Across, from the lower to the upper flank.
    pub(super) across: Direction,
    /// Points of the one that lies further along it.
    pub(super) upper: Vec<Point>,
    /// Points of the other.
    pub(super) lower: Vec<Point>,
}

/// Takes the flanks apart by the nominal's normals; the ends of a slot (where its length is known, all that lies
/// beyond the centres of its round ends) are left out.
pub(super) fn flanks(subject: &Subject, surface: &Surface) -> Result<TwoFlanks, RuleError> {
    let (across, sided) = sided(subject, surface)?;
    let of = |up: bool| sided.iter().filter(|s| s.1 == up).map(|s| s.0).collect::<Vec<Point>>();
    let (upper, lower) = (of(true), of(false));
    if upper.is_empty() || lower.is_empty() {
        return Err(RuleError::Missing("only one flank was seen; measure both".into()));
    }
    Ok(TwoFlanks { across, upper, lower })
}

/// The points of a surface that lie on either flank, each with whether it is the upper one, and the direction across.
pub(super) fn sided(
    subject: &Subject,
    surface: &Surface,
) -> Result<(Direction, Vec<(Point, bool)>), RuleError> {
    let none =
        || RuleError::Missing("a slot's length does not lie square to its axis; mend the nominal".into());
    let (at, across, straight) = match subject.situation {
        Situation::Width { at, across, .. } => (at, across, None),
        Situation::Slot { at, axis, along, length_mm, width_mm } => {
            let across = Direction::new(axis.vector().cross(&along.vector())).ok_or_else(none)?;
            let half = length_mm.zip(width_mm).map(|(length, width)| (along, 0.5 * (length - width)));
            (at, across, half)
        }
        _ => return Err(subject.has_none("flanks")),
    };
    if surface.normals.len() != surface.points.len() {
        return Err(RuleError::Missing(
            "the points have no normals of the nominal, which tell the flanks apart; bind the feature first"
                .into(),
        ));
    }
    if !surface.points.iter().all(|p| p.iter().all(|c| c.is_finite())) {
        return Err(RuleError::Missing("a point has a coordinate that is no number; leave it out".into()));
    }
    // Out of the material: towards the middle of a groove, away from that of a tongue.
    let sign = if subject.is_hollow() { -1.0 } else { 1.0 };
    let least = crate::geometry::math::cos(ASLANT_RAD);
    let mut found = Vec::new();
    for (p, n) in surface.points.iter().zip(&surface.normals) {
        if straight.is_some_and(|(along, half)| !((p - at).dot(&along.vector()).abs() <= half)) {
            continue;
        }
        let side = sign * n.dot(across);
        if side.abs() >= least {
            found.push((*p, side > 0.0));
        }
    }
    Ok((across, found))
}

/// Whether the middle of a slot is told by the least-squares plane midway between its flanks, seen along a given `axis`: a wall
/// too short to tell how it leans shows no median surface either, but noise. By ISO; by ASME it is as that of any groove.
pub fn has_straight_middle(situation: &Situation, axis: Option<Direction>, standard: StandardSystem) -> bool {
    let known = matches!(
        situation,
        Situation::Slot { length_mm: Some(length), width_mm: Some(width), .. } if length > width
    );
    known && axis.is_some() && standard == StandardSystem::Iso
}

/// The middle plane of a slot where its straight flanks end and in the middle of them, mm.
pub(super) struct StraightMiddle {
    /// At both ends of the flanks, at the middle of their depth.
    pub(super) ends: [Point; 2],
    /// Between them.
    pub(super) middle: Point,
}

/// For the record.
pub(super) const STRAIGHT_MIDDLE: &str =
    "least-squares plane midway between both flanks, in projection along a given axis";

/// The straight middle of a slot: of two parallel planes by least squares, along `axis`.
pub(super) fn straight_middle(
    situation: &Situation,
    axis: Direction,
    surface: &Surface,
) -> Result<StraightMiddle, RuleError> {
    let subject = Subject::along(*situation, axis);
    let Situation::Slot { at, along, length_mm: Some(length), width_mm: Some(width), .. } = *situation else {
        return Err(subject.has_none("straight flanks"));
    };
    let two = flanks(&subject, surface)?;
    let both = Flanks::new(&two.upper, &two.lower, Some(axis))?.least_squares(two.across)?;
    let (normal, across) = (both.normal.vector(), two.across.vector());
    let onto = |p: Point| p + across * ((both.middle() - p).dot(&normal) / across.dot(&normal));
    let half = along.vector() * (0.5 * (length - width));
    Ok(StraightMiddle { ends: [onto(at - half), onto(at + half)], middle: onto(at) })
}
