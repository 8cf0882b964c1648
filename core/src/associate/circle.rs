//! The orthogonal least-squares circle about a given direction.

use super::carry::carried;
use super::levenberg::{Model, Sums, minimise};
use super::{FitError, Freedom, LARGEST_RADIUS_SHARE, Residuals, Shape, centred, noise, unit};
use crate::geometry::{Cholesky, Direction, Point, math};
use crate::run::{Run, quiet};

/// The circle with the least sum of squared radial distances, seen along a given axis.
#[derive(Clone, Debug, PartialEq)]
pub struct CircleFit {
    /// Centre, mm, at the mean height of the points along the axis.
    pub centre: Point,
    /// Axis as given.
    pub axis: Direction,
    /// Two directions that make a right-handed triple with the axis ([`Direction::frame`]).
    pub across: [Direction; 2],
    /// Radius, mm.
    pub radius_mm: f64,
    /// Number of points.
    pub points: usize,
    /// Root mean square residual, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest residual (negative: inside), mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest residual (positive: outside), mm, and the index of its point.
    pub high: (f64, usize),
    /// Inverse of J'J for: centre along `across[0]`, centre along `across[1]`, radius; all mm.
    pub unit_covariance: [[f64; 3]; 3],
}

impl CircleFit {
    /// Diameter, mm.
    pub fn diameter_mm(&self) -> f64 {
        2.0 * self.radius_mm
    }

    /// Standard deviation of the noise the residuals show, mm; `None` for three points.
    pub fn noise_mm(&self) -> Option<f64> {
        noise(self.rms_mm, self.points, 3)
    }
}

/// Fits a circle to at least three points, mm, projected along `axis`; three are met exactly.
///
/// Levenberg-Marquardt on the orthogonal distances (Gander, Golub and Strebel, "Least-squares fitting of
/// circles and ellipses", BIT 34, 1994, section 3) from two algebraic circles: Kasa's and Taubin's
/// (Chernov, Circular and Linear Regression, 2010, chapter 5); the better end counts.
///
/// # Errors
/// [`FitError::Undetermined`] for coincident or collinear points, and for an arc so short that its
/// residuals (or the rounding of its coordinates) leave the radius open.
pub fn circle(points: &[Point], axis: Direction) -> Result<CircleFit, FitError> {
    circle_within(&quiet(), points, axis)
}

/// As [`circle`], for many points: it can be stopped.
pub(super) fn circle_within(run: &Run, points: &[Point], axis: Direction) -> Result<CircleFit, FitError> {
    let free = |freedom| FitError::Undetermined { shape: Shape::Circle, freedom };
    let cloud = centred(Shape::Circle, 3, points)?;
    let (a, b) = axis.frame();
    let mut flat: Vec<[f64; 2]> = cloud.offsets.iter().map(|o| [o.dot(&a), o.dot(&b)]).collect();
    let scale = flat.iter().fold(0.0f64, |m, q| m.max((q[0] * q[0] + q[1] * q[1]).sqrt()));
    if !(scale > cloud.floor_mm) {
        return Err(free(Freedom::Coincident));
    }
    for q in &mut flat {
        *q = [q[0] / scale, q[1] / scale];
    }
    // Turned into its own axes: the determinant of the scatter of a flat arc is then a plain product.
    let (c, s) = long_axis(&flat);
    for q in &mut flat {
        *q = [c * q[0] + s * q[1], c * q[1] - s * q[0]];
    }
    let floor = cloud.floor_mm / scale;
    let thin = (flat.iter().map(|q| q[1] * q[1]).sum::<f64>() / points.len() as f64).sqrt();
    if !(thin > floor && thin > 1e-14) {
        return Err(free(Freedom::Collinear));
    }

    let mut best = None;
    let mut least = f64::INFINITY;
    for start in algebraic(&flat) {
        let ended = minimise(run, start, &flat, 500)?;
        if ended.sums.square < least {
            least = ended.sums.square;
            best = Some(ended);
        }
    }
    let ended = best.ok_or(free(Freedom::Collinear))?;
    let round = ended.model;
    let cov = round.covariance(&ended.sums).ok_or(free(Freedom::Radius))?;
    let spare = points.len() - 3;
    let seen = if spare == 0 { 0.0 } else { (ended.sums.square / spare as f64).sqrt() };
    // Where the residuals are nothing, coordinates still are only as good as their rounding.
    let sigma = seen.max(floor + 4.0 * f64::EPSILON * round.radius);
    if !(sigma * cov[2][2].sqrt() <= LARGEST_RADIUS_SHARE * round.radius) {
        return Err(free(Freedom::Radius));
    }
    if !((ended.sums.square / points.len() as f64).sqrt() <= LARGEST_RADIUS_SHARE * round.radius) {
        return Err(free(Freedom::Cloud));
    }
    if !ended.settled {
        return Err(FitError::NotSettled { shape: Shape::Circle, steps: ended.steps });
    }

    let row = round.rows();
    let residuals = Residuals::of(&flat, |q| row(q).0);
    let (x, y) = (round.centre[0], round.centre[1]);
    // Turned back: the covariance too (the radius stays).
    let turn = [[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]];
    Ok(CircleFit {
        centre: cloud.centre + (a * (c * x - s * y) + b * (s * x + c * y)) * scale,
        axis,
        across: [unit(a), unit(b)],
        radius_mm: round.radius * scale,
        points: points.len(),
        rms_mm: residuals.rms(points.len()) * scale,
        low: (residuals.low.0 * scale, residuals.low.1),
        high: (residuals.high.0 * scale, residuals.high.1),
        // Lengths by lengths: the scale cancels.
        unit_covariance: carried(&turn, &cov),
    })
}

/// Cosine and sine of the direction in which centred points are longest.
fn long_axis(flat: &[[f64; 2]]) -> (f64, f64) {
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for q in flat {
        xx += q[0] * q[0];
        yy += q[1] * q[1];
        xy += q[0] * q[1];
    }
    let angle = 0.5 * math::atan2(2.0 * xy, xx - yy);
    (math::cos(angle), math::sin(angle))
}

/// A circle in the plane, points centred and of size one.
#[derive(Clone, Debug)]
pub(super) struct Round {
    pub(super) centre: [f64; 2],
    pub(super) radius: f64,
}

impl Round {
    /// Unit vector from the centre towards the middle of the points, where the arc is.
    fn towards(&self) -> [f64; 2] {
        let [x, y] = self.centre;
        let length = (x * x + y * y).sqrt();
        if length > 1e-9 { [-x / length, -y / length] } else { [1.0, 0.0] }
    }

    /// Inverse of J'J by centre and radius.
    fn covariance(&self, sums: &Sums<3>) -> Option<[[f64; 3]; 3]> {
        let inverse = Cholesky::new(&sums.normal)?.inverse();
        let g = self.towards();
        Some(carried(&[[g[0], -g[1], 0.0], [g[1], g[0], 0.0], [-1.0, 0.0, 1.0]], &inverse))
    }
}

/// The local parameters are: the centre towards the points while the arc's middle stays (the radius shrinks
/// by as much), the centre across, and the radius. On a short arc the derivatives are then 1 - cos, sin
/// and 1: well apart, where those by centre and radius are nearly the same column twice.
impl Model<3> for Round {
    type Item = [f64; 2];

    fn rows(&self) -> impl Fn(&[f64; 2]) -> (f64, [f64; 3]) + Sync {
        let g = self.towards();
        move |q| {
            let d = [q[0] - self.centre[0], q[1] - self.centre[1]];
            let length = (d[0] * d[0] + d[1] * d[1]).sqrt();
            if length == 0.0 {
                return (-self.radius, [1.0, 0.0, -1.0]);
            }
            let cos = (d[0] * g[0] + d[1] * g[1]) / length;
            let sin = (d[1] * g[0] - d[0] * g[1]) / length;
            (length - self.radius, [one_minus(cos, sin), -sin, -1.0])
        }
    }

    fn moved(&self, step: &[f64; 3]) -> Option<Self> {
        let g = self.towards();
        let centre = [
            self.centre[0] + step[0] * g[0] - step[1] * g[1],
            self.centre[1] + step[0] * g[1] + step[1] * g[0],
        ];
        let radius = self.radius + step[2] - step[0];
        // Ten million times the size of the points: their sagitta is then below rounding.
        (radius > 0.0 && radius < 1e7 && centre.iter().all(|c| c.is_finite()))
            .then_some(Self { centre, radius })
    }
}

/// 1 - cos without cancellation.
pub(super) fn one_minus(cos: f64, sin: f64) -> f64 {
    if cos > 0.0 { sin * sin / (1.0 + cos) } else { 1.0 - cos }
}

/// Kasa's and Taubin's circle through points about their centroid. Chernov 2010, sections 5.1 to 5.10:
/// both come from one cubic, Kasa's at zero and Taubin's at its smallest root (found by Newton from zero).
pub(super) fn algebraic(flat: &[[f64; 2]]) -> Vec<Round> {
    let n = flat.len() as f64;
    let mut m = [0.0; 6];
    for &[x, y] in flat {
        let z = x * x + y * y;
        for (total, product) in m.iter_mut().zip([x * x, y * y, x * y, x * z, y * z, z * z]) {
            *total += product;
        }
    }
    let [xx, yy, xy, xz, yz, zz] = m.map(|v| v / n);
    let z = xx + yy;
    let cov = xx * yy - xy * xy;
    let var = zz - z * z;
    let (a3, a2) = (4.0 * z, -3.0 * z * z - zz);
    let a1 = var * z + 4.0 * cov * z - xz * xz - yz * yz;
    let a0 = xz * (xz * yy - yz * xy) + yz * (yz * xx - xz * xy) - var * cov;
    let (mut root, mut value) = (0.0, a0);
    for _ in 0..40 {
        let slope = a1 + root * (2.0 * a2 + 3.0 * a3 * root);
        let next = root - value / slope;
        let next_value = a0 + next * (a1 + next * (a2 + next * a3));
        if !(next.is_finite() && next > root && next_value.abs() < value.abs()) {
            break;
        }
        (root, value) = (next, next_value);
    }
    let mut found = Vec::new();
    for x in [0.0, root] {
        let det = x * x - x * z + cov;
        let centre = [0.5 * (xz * (yy - x) - yz * xy) / det, 0.5 * (yz * (xx - x) - xz * xy) / det];
        let radius = (centre[0] * centre[0] + centre[1] * centre[1] + z).sqrt();
        if radius.is_finite() && radius > 0.0 && radius < 1e7 {
            found.push(Round { centre, radius });
        }
    }
    found
}
