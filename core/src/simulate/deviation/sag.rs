//! A part that bends under its own weight.

use crate::geometry::{Direction, Point, Vector};

/// The part lies on two parallel supports and bends between them as a beam of even weight and stiffness
/// that is free to turn on them: w = 16/5 depth (x - 2 x^3 + x^4) with x from 0 to 1. Beyond the supports
/// it stays straight and rises. Euler-Bernoulli beam, simply supported under uniform load (strength of
/// materials, from memory); overhangs are taken as without weight.
#[derive(Clone, Debug, PartialEq)]
pub struct Sag {
    /// A point over each support, mm: the supports run at a right angle to the line between them.
    pub supports: [Point; 2],
    /// Where gravity points.
    pub down: Direction,
    /// Largest bend, in the middle between the supports, mm.
    pub depth_mm: f64,
}

impl Sag {
    pub(super) fn displacement(&self, p: &Point) -> Vector {
        let down = self.down.vector();
        let span = self.span();
        let length2 = span.norm_squared();
        if length2 == 0.0 {
            return Vector::zeros();
        }
        let x = (p - self.supports[0]).dot(&span) / length2;
        let bend = if x < 0.0 {
            x
        } else if x > 1.0 {
            1.0 - x
        } else {
            x * (1.0 - x * x * (2.0 - x))
        };
        down * (3.2 * self.depth_mm * bend)
    }

    /// From support to support, level.
    fn span(&self) -> Vector {
        let down = self.down.vector();
        let span = self.supports[1] - self.supports[0];
        span - down * span.dot(&down)
    }

    pub(super) fn fault(&self) -> Option<&'static str> {
        let length = self.span().norm();
        if !(length.is_finite() && length > 0.0) {
            Some("the supports must be finite and apart, across gravity")
        } else if !(self.depth_mm.is_finite() && self.depth_mm.abs() <= 0.1 * length) {
            Some("the depth must be at most a tenth of the span")
        } else {
            None
        }
    }
}
