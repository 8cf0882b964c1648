//! Material conditions: the boundary that a surface must not pass (ISO 2692:2021) and the bonus that a size gives (ASME
//! Y14.5-2018).

use super::axis::{Of, Round};
use super::movement::{Gauge, Residual};
use super::{RuleError, Surface};
use crate::plan::{Condition, Situation};

/// A material condition, with what it must know of the feature's size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MaterialCondition {
    /// Maximum or least material.
    pub condition: Condition,
    /// The limit of size at that condition, mm: of a hole at maximum material its least diameter.
    pub limit_mm: f64,
    /// Upper less lower limit of size, mm: the most that a size can give.
    pub size_tolerance_mm: f64,
}

impl MaterialCondition {
    /// Whether it is one, and with sizes that can be.
    pub(super) fn checked(&self) -> Result<Option<&Self>, RuleError> {
        if self.condition == Condition::Regardless {
            return Ok(None);
        }
        let positive = |v: f64| v.is_finite() && v > 0.0;
        if positive(self.limit_mm) && self.size_tolerance_mm.is_finite() && self.size_tolerance_mm >= 0.0 {
            return Ok(Some(self));
        }
        Err(RuleError::Missing("a material condition needs a limit of size above 0".into()))
    }

    /// Whether the surface must stay outside its boundary: a hole at maximum material, a shaft at least material.
    fn within(&self, hollow: bool) -> bool {
        hollow == (self.condition == Condition::MaximumMaterial)
    }

    /// The envelope whose size counts: that of the mating part, or that within the material (ASME Y14.5-2018, from memory).
    pub(super) fn envelope(&self) -> Of {
        if self.condition == Condition::LeastMaterial { Of::MaterialEnvelope } else { Of::MatingEnvelope }
    }

    /// By how much a size departs from the limit towards the other limit, mm: negative beyond the limit.
    pub(super) fn departure(&self, hollow: bool, size_mm: f64) -> f64 {
        if self.within(hollow) { size_mm - self.limit_mm } else { self.limit_mm - size_mm }
    }

    /// The bonus: that departure, but nothing beyond either limit of size.
    pub(super) fn bonus(&self, hollow: bool, size_mm: f64) -> f64 {
        self.departure(hollow, size_mm).clamp(0.0, self.size_tolerance_mm)
    }

    /// The tolerance at the condition that would just do, as the largest of these: limit of size less the diameter of the
    /// largest boundary at the true place that no point enters, or the diameter of the smallest that holds all points less
    /// the limit. Its sign is kept: below 0 there is room.
    ///
    /// # Errors
    /// [`RuleError::Missing`] for a feature without a size.
    pub(super) fn boundary(
        &self,
        surface: &Surface,
        situation: &Situation,
    ) -> Result<Vec<Residual>, RuleError> {
        let (gauge, hollow) = match *situation {
            Situation::Sphere { at, hollow, .. } => (Gauge::Centre { at }, hollow),
            Situation::Width { at, across, hollow, .. } => {
                (Gauge::Plane { at, normal: across.vector() }, hollow)
            }
            Situation::Slot { at, axis, along, .. } => {
                (Gauge::Plane { at, normal: axis.vector().cross(&along.vector()) }, true)
            }
            Situation::Hole { .. } | Situation::Cylinder { .. } => {
                let round = Round::of(situation).expect("holes and cylinders have an axis");
                (Gauge::Axis { at: round.at, axis: round.axis.vector() }, round.hollow)
            }
            _ => return Err(no_size()),
        };
        let sign = if self.within(hollow) { -1.0 } else { 1.0 };
        let less = sign * self.limit_mm;
        let residual = |i: usize, side: f64| Residual {
            place: surface.points[i],
            gauge,
            factor: 2.0 * sign * side,
            less,
        };
        let all = 0..surface.points.len();
        Ok(match gauge {
            Gauge::Plane { normal, .. } => {
                let side = |i: usize| flank(surface, i, &normal, hollow).map(|side| residual(i, side));
                all.filter_map(side).collect()
            }
            _ => all.map(|i| residual(i, 1.0)).collect(),
        })
    }
}

/// A feature at a material condition that has no size.
pub(super) fn no_size() -> RuleError {
    RuleError::Missing("a material condition is for holes, shafts, balls, grooves and tongues".into())
}

/// Cosine of 30 degrees: what turns further from straight across is the round end of a slot.
const FLANK_COS: f64 = 0.866;

/// On which side of the middle a point's flank is, along `across`; `None` for what is no flank.
pub(super) fn flank(
    surface: &Surface,
    index: usize,
    across: &crate::geometry::Vector,
    hollow: bool,
) -> Option<f64> {
    let cos = surface.normals[index].vector().dot(across);
    if !(cos.abs() >= FLANK_COS) {
        return None;
    }
    // The flanks of a groove face each other.
    Some(if (cos > 0.0) == hollow { -1.0 } else { 1.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bonus of hole and pin at maximum and least material: CHECKS f.2, from ASME Y14.5.
    #[test]
    fn the_bonus_is_the_departure_from_the_limit_and_no_more_than_the_size_has() {
        let at = |condition, limit_mm| MaterialCondition { condition, limit_mm, size_tolerance_mm: 0.5 };
        let near = |a: f64, b: f64| (a - b).abs() < 1e-12;
        let (most, least) = (Condition::MaximumMaterial, Condition::LeastMaterial);
        // A hole of 10.0 to 10.5 and a pin of 9.5 to 10.0.
        assert!(near(at(most, 10.0).bonus(true, 10.2), 0.2));
        assert!(near(at(least, 10.5).bonus(true, 10.2), 0.3));
        assert!(near(at(most, 10.0).bonus(false, 9.9), 0.1));
        assert!(near(at(least, 9.5).bonus(false, 9.9), 0.4));
        for (condition, limit) in [(most, 10.0), (least, 10.5)] {
            assert!(near(
                at(condition, limit).bonus(true, 9.8).min(at(condition, limit).bonus(true, 10.9)),
                0.0
            ));
            assert!(near(
                at(condition, limit).bonus(true, 9.8).max(at(condition, limit).bonus(true, 10.9)),
                0.5
            ));
        }
        assert_eq!(at(Condition::Regardless, 10.0).checked(), Ok(None));
        assert!(at(most, f64::NAN).checked().is_err() && at(most, 0.0).checked().is_err());
    }
}
