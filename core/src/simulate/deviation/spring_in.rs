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

/// What closes the angle of a laminate: it shrinks more through its thickness than in its plane, as it hardens and as it
/// cools.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cure {
    /// Between the walls, rad; 0 to a straight angle.
    pub included_angle_rad: f64,
    /// Thermal expansion in the plane of the plies, 1/K.
    pub expansion_in_plane_per_k: f64,
    /// Thermal expansion through the plies, 1/K.
    pub expansion_through_per_k: f64,
    /// From the temperature of hardening to that of use, K; negative.
    pub temperature_change_k: f64,
    /// Strain by hardening in the plane; negative where it shrinks.
    pub shrinkage_in_plane: f64,
    /// Strain by hardening through the plies; negative where it shrinks.
    pub shrinkage_through: f64,
}

impl Cure {
    /// By how much the angle closes, rad; negative where it opens. `None` where what is given cannot be.
    ///
    /// Nelson and Cairns, "Prediction of dimensional changes in composite laminates during cure", 34th International SAMPE
    /// Symposium, 1989; Radford and Rennick, Journal of Reinforced Plastics and Composites 19(8), 2000 (formula from memory).
    pub fn spring_in_rad(&self) -> Option<f64> {
        let turned = std::f64::consts::PI - self.included_angle_rad;
        let warmed = |expansion: f64| expansion * self.temperature_change_k;
        let strains = [
            warmed(self.expansion_in_plane_per_k),
            warmed(self.expansion_through_per_k),
            self.shrinkage_in_plane,
            self.shrinkage_through,
        ];
        // Strains of a tenth are no cure of a laminate any more.
        if !((0.0..=std::f64::consts::PI).contains(&turned) && strains.iter().all(|s| s.abs() < 0.1)) {
            return None;
        }
        let [cool_in, cool_through, cure_in, cure_through] = strains;
        let closes =
            (cool_in - cool_through) / (1.0 + cool_through) + (cure_in - cure_through) / (1.0 + cure_through);
        Some(turned * closes)
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Values by the formula with usual properties of carbon laminates; half a degree to two degrees on a right angle is common
    /// practice.
    #[test]
    fn a_right_angle_closes_by_what_cooling_and_hardening_shrink() {
        let right = Cure {
            included_angle_rad: 90f64.to_radians(),
            expansion_in_plane_per_k: 2e-6,
            expansion_through_per_k: 45e-6,
            temperature_change_k: -160.0,
            shrinkage_in_plane: 0.0,
            shrinkage_through: 0.0,
        };
        let closes = |c: Cure| c.spring_in_rad().unwrap().to_degrees();
        assert!((closes(right) - 0.62369).abs() < 5e-6);
        let hardened = Cure { shrinkage_through: -0.005, ..right };
        assert!((closes(hardened) - 1.07595).abs() < 5e-6);
        let other = Cure {
            expansion_in_plane_per_k: 0.0,
            expansion_through_per_k: 35e-6,
            temperature_change_k: -155.0,
            ..right
        };
        assert!((closes(other) - 0.49091).abs() < 5e-6);
        // A flat laminate stays flat, a warmed one opens.
        assert_eq!(closes(Cure { included_angle_rad: std::f64::consts::PI, ..hardened }), 0.0);
        assert!(closes(Cure { temperature_change_k: 20.0, ..right }) < 0.0);
        for wrong in [f64::NAN, -4.0, 0.5] {
            assert_eq!(Cure { shrinkage_through: wrong, ..right }.spring_in_rad(), None);
        }
        // The tip of a flange of 40 mm that turns by it moves by 40 sin.
        let spring = SpringIn {
            point: Point::origin(),
            axis: Direction::X,
            towards: Direction::Y,
            angle_rad: hardened.spring_in_rad().unwrap(),
            blend_mm: 1.0,
        };
        let moved = spring.displacement(&Point::new(0.0, 40.0, 0.0));
        assert!((moved.z - 0.7511).abs() < 5e-5, "{moved}");
    }
}
