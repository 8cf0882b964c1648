//! Where the skin about an axis lies, by the deviations of a ring of it.

use super::{RuleError, Surface};
use crate::associate::{FitError, Freedom, Shape};
use crate::geometry::{Direction, Point};
use crate::partition::RingPlane;

/// Where the nominal skin, prolonged, meets an axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkinPlane {
    /// The place, mm.
    pub at: Point,
    /// The axis, out of the material.
    pub axis: Direction,
    /// The skin's normal there, out of the material.
    pub normal: Direction,
}

/// The skin as it lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lies {
    /// Where it meets the axis, mm.
    pub(super) at: Point,
    /// Its normal there, out of the material.
    pub(super) normal: Direction,
    /// By how much it lies out of its nominal place there, mm along the axis.
    pub(super) height_mm: f64,
}

impl SkinPlane {
    /// By the least-squares plane through the deviations of its points (`partition::RingPlane`).
    ///
    /// # Errors
    /// No points, or points on one line.
    pub(super) fn lies(&self, surface: &Surface) -> Result<Lies, RuleError> {
        let (u, v) = self.axis.frame();
        let line =
            || RuleError::Fit(FitError::Undetermined { shape: Shape::Plane, freedom: Freedom::Collinear });
        let points = surface.points.iter().copied().zip(surface.deviations_mm.iter().copied());
        let RingPlane { height_mm, slopes: [a, b], .. } =
            RingPlane::through(self.at, self.axis, points).ok_or_else(line)?;
        let along = height_mm / self.normal.dot(self.axis).max(0.5);
        let normal = Direction::new(self.normal.vector() - u * a - v * b);
        Ok(Lies {
            at: self.at + self.axis.vector() * along,
            normal: normal.unwrap_or(self.normal),
            height_mm: along,
        })
    }
}
