//! Where the skin about an axis lies, by the deviations of a ring of it.

use super::{RuleError, Surface};
use crate::associate::{FitError, Freedom, Shape};
use crate::geometry::{Cholesky, Direction, Point};

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
    /// By the least-squares plane through the deviations of its points: the nominal's shape is taken out of them already.
    ///
    /// # Errors
    /// No points, or points on one line.
    pub(super) fn lies(&self, surface: &Surface) -> Result<Lies, RuleError> {
        let (u, v) = self.axis.frame();
        let size = surface.points.iter().map(|p| (p - self.at).norm()).fold(0.0, f64::max);
        let line =
            || RuleError::Fit(FitError::Undetermined { shape: Shape::Plane, freedom: Freedom::Collinear });
        if !(size > 0.0) {
            return Err(line());
        }
        let mut m = [[0.0; 3]; 3];
        let mut right = [0.0; 3];
        for (p, deviation) in surface.points.iter().zip(&surface.deviations_mm) {
            let off = p - self.at;
            let row = [1.0, off.dot(&u) / size, off.dot(&v) / size];
            for i in 0..3 {
                for j in 0..3 {
                    m[i][j] += row[i] * row[j];
                }
                right[i] += row[i] * deviation;
            }
        }
        let [height, a, b] = Cholesky::new(&m).ok_or_else(line)?.solve(&right);
        let along = height / self.normal.dot(self.axis).max(0.5);
        let normal = Direction::new(self.normal.vector() - u * (a / size) - v * (b / size));
        Ok(Lies {
            at: self.at + self.axis.vector() * along,
            normal: normal.unwrap_or(self.normal),
            height_mm: along,
        })
    }
}
