//! The two flanks of a width or a slot among the points of its surface.

use super::subject::Subject;
use super::{RuleError, Surface};
use crate::geometry::{Direction, Point};
use crate::plan::Situation;
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
    let (mut upper, mut lower) = (Vec::new(), Vec::new());
    for (p, n) in surface.points.iter().zip(&surface.normals) {
        if straight.is_some_and(|(along, half)| !((p - at).dot(&along.vector()).abs() <= half)) {
            continue;
        }
        let side = sign * n.dot(across);
        if side >= least {
            upper.push(*p);
        } else if side <= -least {
            lower.push(*p);
        }
    }
    if upper.is_empty() || lower.is_empty() {
        return Err(RuleError::Missing("only one flank was seen; measure both".into()));
    }
    Ok(TwoFlanks { across, upper, lower })
}
