//! The total least-squares plane.

use super::{Centred, FitError, Freedom, LARGEST_TURN_RAD, Residuals, Shape, centred, noise, signed, unit};
use crate::geometry::{Direction, Matrix3, Point, Vector, sum::chunked, symmetric_eigen3};

/// The plane with the least sum of squared orthogonal distances.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaneFit {
    /// Centroid of the points, which lies on the plane, mm.
    pub centroid: Point,
    /// Normal. Its largest component is positive (the first of equal ones); the caller, who knows where
    /// the material is, turns it round with [`PlaneFit::facing`].
    pub normal: Direction,
    /// Longest and second direction of the points in the plane; `along[0] x along[1] = normal`.
    pub along: [Direction; 2],
    /// Number of points.
    pub points: usize,
    /// Root mean square residual, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest residual, mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest residual, mm, and the index of its point.
    pub high: (f64, usize),
    /// Inverse of J'J for: shift along the normal at the centroid (mm), slope along `along[0]` and along
    /// `along[1]` (rad; positive where the plane rises towards the normal). Diagonal by construction.
    pub unit_covariance: [[f64; 3]; 3],
}

impl PlaneFit {
    /// Signed distance of `p`, mm, positive on the side of the normal.
    pub fn distance(&self, p: &Point) -> f64 {
        (p - self.centroid).dot(&self.normal.vector())
    }

    /// Unit variance of the plane's height at the foot of `p`: times the noise variance it is mm2.
    pub fn unit_variance_at(&self, p: &Point) -> f64 {
        let off = p - self.centroid;
        let (a, b) = (off.dot(&self.along[0].vector()), off.dot(&self.along[1].vector()));
        let c = &self.unit_covariance;
        c[0][0] + a * a * c[1][1] + b * b * c[2][2]
    }

    /// Standard deviation of the noise the residuals show, mm; `None` for three points.
    pub fn noise_mm(&self) -> Option<f64> {
        noise(self.rms_mm, self.points, 3)
    }

    /// The same plane with its normal within a right angle of `side`.
    #[must_use]
    pub fn facing(mut self, side: Direction) -> Self {
        if self.normal.dot(side) < 0.0 {
            self.normal = self.normal.reversed();
            self.along[1] = self.along[1].reversed();
            // The second slope keeps its sign (axis and normal both turn), the shift and the first change
            // theirs: variances stay, and the covariances are zero.
            (self.low, self.high) = ((-self.high.0, self.high.1), (-self.low.0, self.low.1));
        }
        self
    }
}

/// Fits a plane to at least three points, mm.
///
/// Eigenvectors of the centred scatter: Shakarji, "Least-squares fitting algorithms of the NIST algorithm
/// testing system", J. Res. NIST 103(6), 1998, section 3. The scatter squares the aspect ratio of a narrow
/// strip; so it is formed again in the axes just found, where it is diagonal but for rounding, and turned
/// once more (our addition).
///
/// # Errors
/// [`FitError::Undetermined`] on a line, or when the residuals are as large as the width of the points.
pub fn plane(points: &[Point]) -> Result<PlaneFit, FitError> {
    let cloud = centred(Shape::Plane, 3, points)?;
    let axes = principal(&cloud)?;
    let along0 = axes.across[0];
    let normal = signed(axes.normal);
    let along1 = normal.cross(&along0);
    let residuals = Residuals::of(&cloud.offsets, |o| o.dot(&normal));
    let n = points.len() as f64;
    let mut unit_covariance = [[0.0; 3]; 3];
    unit_covariance[0][0] = 1.0 / n;
    unit_covariance[1][1] = 1.0 / axes.scatter[2];
    unit_covariance[2][2] = 1.0 / axes.scatter[1];
    Ok(PlaneFit {
        centroid: cloud.centre,
        normal: unit(normal),
        along: [unit(along0), unit(along1)],
        points: points.len(),
        rms_mm: residuals.rms(points.len()),
        low: residuals.low,
        high: residuals.high,
        unit_covariance,
    })
}

/// The principal axes of points that determine a plane.
pub(super) struct Principal {
    /// Longest and second axis.
    pub(super) across: [Vector; 2],
    /// Thinnest axis.
    pub(super) normal: Vector,
    /// Sums of squares along thinnest, second and longest, mm2.
    pub(super) scatter: [f64; 3],
}

pub(super) fn principal(cloud: &Centred) -> Result<Principal, FitError> {
    let free = |freedom| FitError::Undetermined { shape: Shape::Plane, freedom };
    // Rows are the axes so far: thinnest, second, longest.
    let mut axes = [Vector::z(), Vector::y(), Vector::x()];
    let mut scatter = [0.0; 3];
    for _ in 0..3 {
        let s = scatter_in(&cloud.offsets, &axes);
        let (values, vectors) = symmetric_eigen3(&s);
        axes = vectors.map(|v| axes[0] * v.x + axes[1] * v.y + axes[2] * v.z);
        axes[2] = axes[2].normalize();
        axes[1] = (axes[1] - axes[2] * axes[2].dot(&axes[1])).normalize();
        axes[0] = axes[1].cross(&axes[2]);
        scatter = values.map(|v| v.max(0.0));
    }
    let n = cloud.offsets.len() as f64;
    let [thin, second, _] = scatter;
    // Relative floor: slopes carry the rounding of the long axis divided by the width.
    let width = (second / n).sqrt();
    if !(width > cloud.floor_mm && width > 1e-12 * cloud.reach_mm) {
        return Err(free(Freedom::Collinear));
    }
    // First-order variance of the slope along the second axis with noise in all coordinates:
    // s2 * second / (second - thin)^2. It grows without bound for a noisy line, where 1/second would not.
    // Errors-in-variables algebra, common practice, no source; the noise is what the residuals show.
    let gap = second - thin;
    let spare = (n - 3.0).max(1.0);
    let turn2 = thin / spare * second / (gap * gap);
    if !(turn2 <= LARGEST_TURN_RAD * LARGEST_TURN_RAD) {
        return Err(free(Freedom::Turns));
    }
    Ok(Principal { across: [axes[2], axes[1]], normal: axes[0], scatter })
}

fn scatter_in(offsets: &[Vector], axes: &[Vector; 3]) -> Matrix3 {
    let sums = chunked(
        offsets,
        [0.0; 6],
        |_, chunk| {
            let mut s = [0.0; 6];
            for o in chunk {
                let [a, b, c] = axes.map(|axis| axis.dot(o));
                for (total, product) in s.iter_mut().zip([a * a, a * b, a * c, b * b, b * c, c * c]) {
                    *total += product;
                }
            }
            s
        },
        |a, b| std::array::from_fn(|i| a[i] + b[i]),
    );
    let [aa, ab, ac, bb, bc, cc] = sums;
    Matrix3::new(aa, ab, ac, ab, bb, bc, ac, bc, cc)
}
