//! A trimmed edge off its place.

use super::falling;
use crate::geometry::{Direction, Point, Vector};

/// Moves a straight stretch of a trimmed edge within its skin, its wall with it; the skin behind it is
/// stretched within itself, ever less with the distance from the edge, and keeps its shape where it is flat.
#[derive(Clone, Debug, PartialEq)]
pub struct TrimOffset {
    /// One end of the stretch, on the edge, mm.
    pub from: Point,
    /// The other end, mm.
    pub to: Point,
    /// Out of the material, in the skin and at a right angle to the edge.
    pub outward: Direction,
    /// How far the edge lies too far out, mm; negative for too far in.
    pub offset_mm: f64,
    /// Beyond its ends the offset runs out over this length, mm.
    pub run_out_mm: f64,
    /// How far from the edge the skin still moves, mm: more than twice the offset, or it folds up.
    pub band_mm: f64,
    /// Points move up to this distance from the plane of the edge and `outward`, mm: the thickness and a
    /// little more.
    pub reach_mm: f64,
}

impl TrimOffset {
    pub(super) fn displacement(&self, p: &Point) -> Vector {
        let outward = self.outward.vector();
        let stretch = self.to - self.from;
        let Some(along) = Direction::new(stretch - outward * stretch.dot(&outward)) else {
            return Vector::zeros();
        };
        let d = p - self.from;
        let across = d.dot(&outward);
        let up = d.dot(&along.vector().cross(&outward));
        if up.abs() > self.reach_mm {
            return Vector::zeros();
        }
        let at = d.dot(&along.vector());
        let length = stretch.dot(&along.vector());
        let ends = falling(-at / self.run_out_mm) * falling((at - length) / self.run_out_mm);
        outward * (self.offset_mm * ends * falling(-across / self.band_mm))
    }

    pub(super) fn fault(&self) -> Option<&'static str> {
        let outward = self.outward.vector();
        let stretch = self.to - self.from;
        let length = (stretch - outward * stretch.dot(&outward)).norm();
        let above = |v: f64| v.is_finite() && v > 0.0;
        if !above(length) {
            Some("the ends of the stretch must be finite and apart, across `outward`")
        } else if !(above(self.run_out_mm) && above(self.reach_mm)) {
            Some("the run-out and the reach must be above 0 mm")
        } else if !(self.offset_mm.is_finite() && above(self.band_mm)) {
            Some("the offset must be finite and the band above 0 mm")
        } else if self.offset_mm.abs() * 2.0 >= self.band_mm {
            Some("the band must be more than twice the offset, or the skin folds up")
        } else {
            None
        }
    }
}
