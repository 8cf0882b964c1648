//! Spring-in: the angle between two walls closes as the part cools.

use super::falling;
use crate::geometry::{Direction, Motion, PartFrame, Point, Vector};

/// Turns all that lies on one side of a fold line about that line: a flange or a wall. Between the line and
/// the full turn the angle grows over a blend, so that the bend stays smooth.
#[derive(Clone, Debug, PartialEq)]
pub struct SpringIn {
    /// On the fold line, mm.
    pub point: Point,
    /// Along the fold line: the wall turns about it by the right-hand rule.
    pub axis: Direction,
    /// From the line towards what turns; its part along the axis is left out.
    pub towards: Direction,
    /// The angle, rad; at most 0.2.
    pub angle_rad: f64,
    /// The turn is whole this far from the line, mm.
    pub blend_mm: f64,
}

impl SpringIn {
    pub(super) fn displacement(&self, p: &Point) -> Vector {
        let axis = self.axis.vector();
        let towards = self.towards.vector();
        let Some(towards) = Direction::new(towards - axis * towards.dot(&axis)) else {
            return Vector::zeros();
        };
        let beyond = (p - self.point).dot(&towards.vector());
        let angle = self.angle_rad * (1.0 - falling(beyond / self.blend_mm));
        if angle == 0.0 {
            return Vector::zeros();
        }
        let turn: Motion<PartFrame, PartFrame> =
            Motion::turn_about(self.point, axis * angle, Vector::zeros());
        turn.point(p) - p
    }

    pub(super) fn fault(&self) -> Option<&'static str> {
        if !self.point.iter().all(|c| c.is_finite()) {
            Some("the point of the fold line must be finite")
        } else if self.axis.dot(self.towards).abs() > 0.9 {
            Some("`towards` must point away from the fold line, not along it")
        } else if !(self.angle_rad.is_finite() && self.angle_rad.abs() <= 0.2) {
            Some("the angle must be at most 0.2 rad")
        } else if !(self.blend_mm.is_finite() && self.blend_mm > 0.0) {
            Some("the blend must be above 0 mm")
        } else {
            None
        }
    }
}
