//! The hidden skin moves, the visible one stays: thickness changes and ply drops.

use super::{falling, split};
use crate::geometry::{Direction, Point, Vector};

/// A region that is thicker or thinner than drawn: its hidden skin is off. The skins are told apart by
/// their depth under the centre's tangent plane, so that a visible skin must leave that plane by less than
/// a third of the thickness within the radius.
#[derive(Clone, Debug, PartialEq)]
pub struct ThicknessChange {
    /// On the visible skin, mm.
    pub centre: Point,
    /// Into the material there.
    pub inward: Direction,
    /// Where the region ends, mm from the axis through the centre.
    pub radius_mm: f64,
    /// Up to this fraction of the radius the change is whole, 0 to below 1.
    pub flat: f64,
    /// Nominal thickness, mm.
    pub thickness_mm: f64,
    /// Positive for thicker, mm; more than minus half the thickness.
    pub change_mm: f64,
}

impl ThicknessChange {
    pub(super) fn displacement(&self, p: &Point) -> Vector {
        let (away, depth) = split(p, &self.centre, self.inward);
        let start = self.flat * self.radius_mm;
        let weight = falling((away - start) / (self.radius_mm - start)) * hidden(depth, self.thickness_mm);
        self.inward.vector() * (self.change_mm * weight)
    }

    pub(super) fn fault(&self) -> Option<&'static str> {
        let above = |v: f64| v.is_finite() && v > 0.0;
        if !(finite(&self.centre) && above(self.radius_mm) && above(self.thickness_mm)) {
            Some("the centre must be finite, the radius and the thickness above 0 mm")
        } else if !(self.flat >= 0.0 && self.flat < 1.0) {
            Some("the flat share must be 0 or more and below 1")
        } else if !(self.change_mm.is_finite() && self.change_mm > -0.5 * self.thickness_mm) {
            Some("the change must be finite and take away less than half of the thickness")
        } else {
            None
        }
    }
}

/// Plies that end: beyond a line the hidden skin lies nearer to the visible one by a step, with a ramp. The
/// thinner area is a strip beside the line; it ends with a ramp on all its sides. The skins are told apart
/// as those of [`ThicknessChange`].
#[derive(Clone, Debug, PartialEq)]
pub struct PlyDrop {
    /// Middle of the line where the ramp begins, on the visible skin, mm.
    pub point: Point,
    /// In the skin, at a right angle to the line, towards the thinner side.
    pub across: Direction,
    /// Into the material; its part along `across` is left out.
    pub inward: Direction,
    /// Height of the step, mm; at most half the thickness.
    pub step_mm: f64,
    /// Length of the ramps, mm.
    pub ramp_mm: f64,
    /// The line reaches so far to both sides of its middle, mm.
    pub half_length_mm: f64,
    /// Width of the thinner area, from the line to where the last ramp begins, mm; more than a ramp.
    pub width_mm: f64,
    /// Nominal thickness, mm.
    pub thickness_mm: f64,
}

impl PlyDrop {
    pub(super) fn displacement(&self, p: &Point) -> Vector {
        let Some((along, inward)) = self.frame() else { return Vector::zeros() };
        let d = p - self.point;
        let at = d.dot(&self.across.vector());
        // A straight ramp, as plies that end one after the other make.
        let ramp = |t: f64| (t / self.ramp_mm).clamp(0.0, 1.0);
        let strip = ramp(at).min(ramp(self.width_mm + self.ramp_mm - at));
        let ends = ramp(self.half_length_mm + self.ramp_mm - d.dot(&along).abs());
        let weight = strip.min(ends) * hidden(d.dot(&inward), self.thickness_mm);
        inward * (-self.step_mm * weight)
    }

    /// Along the line, and into the material at a right angle to the skin.
    fn frame(&self) -> Option<(Vector, Vector)> {
        let across = self.across.vector();
        let inward = self.inward.vector();
        let inward = Direction::new(inward - across * inward.dot(&across))?.vector();
        Some((across.cross(&inward), inward))
    }

    pub(super) fn fault(&self) -> Option<&'static str> {
        let above = |v: f64| v.is_finite() && v > 0.0;
        if !(finite(&self.point) && above(self.ramp_mm) && above(self.half_length_mm)) {
            Some("the point must be finite, the ramp and half the length above 0 mm")
        } else if !(self.width_mm.is_finite() && self.width_mm > self.ramp_mm && above(self.thickness_mm)) {
            Some("the width must be more than the ramp, and the thickness above 0 mm")
        } else if !(self.step_mm.is_finite() && self.step_mm.abs() <= 0.5 * self.thickness_mm) {
            Some("the step must be at most half the thickness")
        } else if self.across.dot(self.inward).abs() > 0.9 {
            Some("`across` must lie in the skin, at a right angle to `inward`")
        } else {
            None
        }
    }
}

/// 1 for the hidden skin, 0 for the visible one and for all that lies far off, by the depth under the
/// visible skin; smooth between them, so that walls of holes become no steps.
fn hidden(depth_mm: f64, thickness_mm: f64) -> f64 {
    let t = depth_mm / thickness_mm;
    if t > 2.0 { 0.0 } else { 1.0 - falling((t - 1.0 / 3.0) * 3.0) }
}

fn finite(p: &Point) -> bool {
    p.iter().all(|c| c.is_finite())
}
