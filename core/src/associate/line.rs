//! The total least-squares line in space.

use super::cover::principal_axes;
use super::{FitError, Freedom, LARGEST_TURN_RAD, Residuals, Shape, centred, signed, unit};
use crate::geometry::{Direction, Point, Vector, sum::chunked};

/// The line with the least sum of squared distances.
#[derive(Clone, Debug, PartialEq)]
pub struct LineFit {
    /// Centroid of the points, which lies on the line, mm.
    pub centroid: Point,
    /// Direction; its largest component is positive (the first of equal ones).
    pub direction: Direction,
    /// Two directions that make a right-handed triple with the line ([`Direction::frame`]).
    pub across: [Direction; 2],
    /// Number of points.
    pub points: usize,
    /// Root mean square distance, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest distance, mm, and the index of its point. Distances from a line are never negative.
    pub low: (f64, usize),
    /// Largest distance, mm, and the index of its point.
    pub high: (f64, usize),
    /// Inverse of J'J for: shift at the centroid along `across[0]` and along `across[1]` (mm), tilt towards
    /// `across[0]` and towards `across[1]` (rad). Each point gives two residuals, along `across[0]` and
    /// `across[1]`. Diagonal by construction.
    pub unit_covariance: [[f64; 4]; 4],
}

impl LineFit {
    /// Distance of `p` from the line, mm, never negative.
    pub fn distance(&self, p: &Point) -> f64 {
        (p - self.centroid).cross(&self.direction.vector()).norm()
    }

    /// Diameter of the narrowest cylinder about this line that holds all points, mm: the straightness
    /// deviation in a cylindrical zone about the least-squares line (ISO 12780-1:2011, from memory).
    pub fn form_mm(&self) -> f64 {
        2.0 * self.high.0
    }

    /// Standard deviation of the noise along one axis as the residuals show it, mm: two residuals a point,
    /// four freedoms. `None` for two points.
    pub fn noise_mm(&self) -> Option<f64> {
        let n = self.points as f64;
        (self.points > 2).then(|| self.rms_mm * (n / (2.0 * n - 4.0)).sqrt())
    }
}

/// Fits a line to at least two points, mm; two are met exactly.
///
/// The principal axis of the centred scatter: Shakarji, "Least-squares fitting algorithms of the NIST
/// algorithm testing system", J. Res. NIST 103(6), 1998, section on lines. The axis is improved once by the
/// slopes that the residuals across it still show (our addition).
///
/// # Errors
/// [`FitError::Undetermined`] for coincident points and when the points are so round a cloud that their
/// scatter lets the line turn by more than 0.1 rad (one standard deviation).
pub fn line(points: &[Point]) -> Result<LineFit, FitError> {
    let cloud = centred(Shape::Line, 2, points)?;
    let scale = cloud.reach_mm;
    let offsets: Vec<Vector> = cloud.offsets.iter().map(|o| o / scale).collect();
    let mut axis = unit(principal_axes(&offsets)[2]).vector();
    // The scatter squares the ratio of length to width: what is left of a slope shows in the residuals.
    for _ in 0..3 {
        let [long, across] = along_and_across(&offsets, axis);
        let long = long.x;
        if !(long > 0.0) {
            return Err(FitError::Undetermined { shape: Shape::Line, freedom: Freedom::Coincident });
        }
        axis = unit(axis + across / long).vector();
    }
    let axis = signed(axis);
    let off = |o: &Vector| o - axis * axis.dot(o);
    let residuals = Residuals::of(&offsets, |o| off(o).norm());
    let [long, _] = along_and_across(&offsets, axis);
    let long = long.x;
    // Larger of the two variances across; with all of the scatter in it the bound is on the safe side.
    // Errors-in-variables algebra as for the plane: s2 * long / (long - thin)^2.
    let n = points.len() as f64;
    let thin = residuals.square;
    let spare = (2.0 * n - 4.0).max(1.0);
    let gap = long - thin;
    let turn2 = thin / spare * long / (gap * gap);
    if !(gap > 0.0 && turn2 <= LARGEST_TURN_RAD * LARGEST_TURN_RAD) {
        return Err(FitError::Undetermined { shape: Shape::Line, freedom: Freedom::Turns });
    }
    let mut unit_covariance = [[0.0; 4]; 4];
    for i in 0..2 {
        unit_covariance[i][i] = 1.0 / n;
        unit_covariance[i + 2][i + 2] = 1.0 / (long * scale * scale);
    }
    let direction = unit(axis);
    let (a, b) = direction.frame();
    Ok(LineFit {
        centroid: cloud.centre,
        direction,
        across: [unit(a), unit(b)],
        points: points.len(),
        rms_mm: residuals.rms(points.len()) * scale,
        low: (residuals.low.0 * scale, residuals.low.1),
        high: (residuals.high.0 * scale, residuals.high.1),
        unit_covariance,
    })
}

/// Sum of squares along an axis (in x of the first), and the sum of products along it and across.
fn along_and_across(offsets: &[Vector], axis: Vector) -> [Vector; 2] {
    chunked(
        offsets,
        [Vector::zeros(); 2],
        |_, chunk| {
            let mut s = [Vector::zeros(); 2];
            for o in chunk {
                let t = axis.dot(o);
                s[0].x += t * t;
                s[1] += (o - axis * t) * t;
            }
            s
        },
        |a, b| [a[0] + b[0], a[1] + b[1]],
    )
}
