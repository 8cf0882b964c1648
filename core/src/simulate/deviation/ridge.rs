//! Resin that ran into a gap of the mould.

use super::falling;
use crate::geometry::{Direction, Point, Vector};

/// A thin ridge that stands on one skin along a line of straight pieces, round at its top and level at its
/// feet.
#[derive(Clone, Debug, PartialEq)]
pub struct ResinRidge {
    /// Corners of the line, on the skin, mm; at least two.
    pub line: Vec<Point>,
    /// Out of the material: the ridge stands along it.
    pub outward: Direction,
    /// Height, mm.
    pub height_mm: f64,
    /// From its top to its foot, mm, across the line.
    pub half_width_mm: f64,
    /// Points move up to this distance from the line along `outward`, mm: less than the thickness, so that
    /// the other skin stays.
    pub reach_mm: f64,
}

impl ResinRidge {
    pub(super) fn displacement(&self, p: &Point) -> Vector {
        let outward = self.outward.vector();
        // Nearest place of the line, seen along `outward`.
        let mut nearest = f64::INFINITY;
        let mut height = 0.0;
        for ends in self.line.windows(2) {
            let (d, piece) = (p - ends[0], ends[1] - ends[0]);
            let flat = |v: Vector| v - outward * v.dot(&outward);
            let (across, along) = (flat(d), flat(piece));
            let length2 = along.norm_squared();
            let t = if length2 > 0.0 { (across.dot(&along) / length2).clamp(0.0, 1.0) } else { 0.0 };
            let distance = (across - along * t).norm();
            if distance < nearest {
                nearest = distance;
                height = (d - piece * t).dot(&outward);
            }
        }
        if height.abs() > self.reach_mm {
            return Vector::zeros();
        }
        outward * (self.height_mm * falling(nearest / self.half_width_mm))
    }

    pub(super) fn fault(&self) -> Option<&'static str> {
        let above = |v: f64| v.is_finite() && v > 0.0;
        let finite = self.line.iter().flat_map(|p| p.iter()).all(|c| c.is_finite());
        let outward = self.outward.vector();
        let across = |v: Vector| (v - outward * v.dot(&outward)).norm() > 1e-9;
        if !(finite && self.line.windows(2).any(|w| across(w[1] - w[0]))) {
            Some("the line needs at least two finite corners apart, across `outward`")
        } else if !(above(self.height_mm) && above(self.half_width_mm) && above(self.reach_mm)) {
            Some("height, half width and reach must be above 0 mm")
        } else {
            None
        }
    }
}
