//! The orthogonal least-squares sphere, with free radius and with a known one. (Longer than most: both share
//! one model and its derivatives.)

use super::carry::carried;
use super::circle::one_minus;
use super::cover::principal_axes;
use super::levenberg::{Ended, Model, Sums, minimise};
use super::{FitError, Freedom, LARGEST_RADIUS_SHARE, Residuals, Shape, centred, noise, unit};
use crate::geometry::{Cholesky, Matrix3, Point, Vector, symmetric_eigen, symmetric_eigen3};
use crate::run::{Run, Stopped, quiet};

/// The sphere with the least sum of squared radial distances.
#[derive(Clone, Debug, PartialEq)]
pub struct SphereFit {
    /// Centre, mm.
    pub centre: Point,
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
    /// Inverse of J'J for: centre along x, y, z, radius; all mm.
    pub unit_covariance: [[f64; 4]; 4],
}

impl SphereFit {
    /// Diameter, mm.
    pub fn diameter_mm(&self) -> f64 {
        2.0 * self.radius_mm
    }

    /// Standard deviation of the noise the residuals show, mm; `None` for four points.
    pub fn noise_mm(&self) -> Option<f64> {
        noise(self.rms_mm, self.points, 4)
    }
}

/// Centre of a ball of known radius.
#[derive(Clone, Debug, PartialEq)]
pub struct BallFit {
    /// Centre, mm.
    pub centre: Point,
    /// Radius as given, mm.
    pub radius_mm: f64,
    /// Number of points.
    pub points: usize,
    /// Root mean square residual, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest residual (negative: inside), mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest residual (positive: outside), mm, and the index of its point.
    pub high: (f64, usize),
    /// Inverse of J'J for the centre along x, y, z; all mm.
    pub unit_covariance: [[f64; 3]; 3],
}

impl BallFit {
    /// Standard deviation of the noise the residuals show, mm (at least four points, three freedoms).
    pub fn noise_mm(&self) -> Option<f64> {
        noise(self.rms_mm, self.points, 3)
    }
}

/// Fits a sphere to at least four points, mm; four are met exactly.
///
/// Levenberg-Marquardt on the radial distances (Shakarji, "Least-squares fitting algorithms of the NIST
/// algorithm testing system", J. Res. NIST 103(6), 1998, section on spheres) from two algebraic spheres:
/// Kasa's and Taubin's (Chernov, Circular and Linear Regression, 2010, sections 5.1 and 5.10, here with one
/// coordinate more); the better end counts.
///
/// # Errors
/// [`FitError::Undetermined`] for coincident, collinear and coplanar points, and for a cap or a ring whose
/// residuals (or the rounding of its coordinates) leave centre or radius open.
pub fn sphere(points: &[Point]) -> Result<SphereFit, FitError> {
    sphere_within(&quiet(), points)
}

/// As [`sphere`], for many points: it can be stopped.
pub(super) fn sphere_within(run: &Run, points: &[Point]) -> Result<SphereFit, FitError> {
    let free = |freedom| FitError::Undetermined { shape: Shape::Sphere, freedom };
    let cloud = centred(Shape::Sphere, 4, points)?;
    let scale = cloud.reach_mm;
    let floor = cloud.floor_mm / scale;
    let axes = own_axes(&cloud.offsets, scale, floor, Shape::Sphere)?;
    // In the axes of the points the thin side is a coordinate of its own.
    let all: Vec<Vector> = cloud.offsets.iter().map(|o| inside(&axes, o) / scale).collect();

    let mut best: Option<Ended<Ball, 4>> = None;
    for start in algebraic(&all) {
        let ended = minimise(run, start, &all, 500)?;
        if best.as_ref().is_none_or(|b| ended.sums.square < b.sums.square) {
            best = Some(ended);
        }
    }
    let ended = best.ok_or(free(Freedom::Radius))?;
    let ball = ended.model;
    let cov = ball.covariance(&ended.sums).ok_or(free(Freedom::Radius))?;
    let spare = points.len() - 4;
    let seen = if spare == 0 { 0.0 } else { (ended.sums.square / spare as f64).sqrt() };
    // Where the residuals are nothing, coordinates still are only as good as their rounding.
    let sigma = seen.max(floor + 4.0 * f64::EPSILON * ball.radius);
    let limit = LARGEST_RADIUS_SHARE * ball.radius;
    if !(sigma * cov[3][3].sqrt() <= limit) {
        return Err(free(Freedom::Radius));
    }
    if !(centre_deviation(&all, &ball, sigma) <= limit) {
        return Err(free(Freedom::Centre));
    }
    if !((ended.sums.square / points.len() as f64).sqrt() <= limit) {
        return Err(free(Freedom::Cloud));
    }
    if !ended.settled {
        return Err(FitError::NotSettled { shape: Shape::Sphere, steps: ended.steps });
    }

    let row = ball.rows();
    let residuals = Residuals::of(&all, |q| row(q).0);
    let mut turn = [[0.0; 4]; 4];
    for i in 0..3 {
        for j in 0..3 {
            turn[i][j] = axes[j][i];
        }
    }
    turn[3][3] = 1.0;
    Ok(SphereFit {
        centre: cloud.centre + outside(&axes, &ball.centre) * scale,
        radius_mm: ball.radius * scale,
        points: points.len(),
        rms_mm: residuals.rms(points.len()) * scale,
        low: (residuals.low.0 * scale, residuals.low.1),
        high: (residuals.high.0 * scale, residuals.high.1),
        // Lengths by lengths: the scale cancels.
        unit_covariance: carried(&turn, &cov),
    })
}

/// Least-squares centre of a ball whose radius is known (a fixture ball with its certificate), from at least
/// four points, mm. (Three always fit two balls.) Same iteration as [`sphere`] on the centre alone.
///
/// # Errors
/// [`FitError::BadRadius`]; [`FitError::Undetermined`] for coincident and collinear points, and where a ball
/// on either side of the points fits them (within three standard deviations of the noise they show).
pub fn sphere_of_radius(points: &[Point], radius_mm: f64) -> Result<BallFit, FitError> {
    let free = |freedom| FitError::Undetermined { shape: Shape::Sphere, freedom };
    if !(radius_mm.is_finite() && radius_mm > 0.0) {
        return Err(FitError::BadRadius { radius_mm });
    }
    let cloud = centred(Shape::Sphere, 4, points)?;
    let scale = cloud.reach_mm;
    let floor = cloud.floor_mm / scale;
    let radius = radius_mm / scale;
    if !(radius < LARGEST_RADIUS) {
        return Err(free(Freedom::Centre));
    }
    let all: Vec<Vector> = cloud.offsets.iter().map(|o| o / scale).collect();
    let principal = principal_axes(&all);
    let thin = principal[0];

    // On either side of the points along their thin axis, at their middle, and where the free sphere is.
    let mean2 = all.iter().map(Vector::norm_squared).sum::<f64>() / all.len() as f64;
    let height = (radius * radius - mean2).max(0.0).sqrt();
    let mut starts: Vec<Vector> = [thin * height, -thin * height, Vector::zeros()].to_vec();
    starts.extend(algebraic(&all).iter().map(|ball| ball.centre));
    let ends: Result<Vec<Ended<Held, 3>>, Stopped> =
        starts.into_iter().map(|centre| minimise(&quiet(), Held { centre, radius }, &all, 500)).collect();
    let mut ends = ends?;
    ends.sort_by(|a, b| a.sums.square.total_cmp(&b.sums.square));
    let spare = (points.len() - 3) as f64;
    let best = &ends[0];
    let sigma = (best.sums.square / spare).sqrt().max(floor + 4.0 * f64::EPSILON * radius);
    let inverse = Cholesky::new(&best.sums.normal).ok_or(free(Freedom::Centre))?.inverse();
    let limit = LARGEST_RADIUS_SHARE * radius;
    if !(sigma * (inverse[0][0] + inverse[1][1] + inverse[2][2]).sqrt() <= limit) {
        return Err(free(Freedom::Centre));
    }
    if !((best.sums.square / points.len() as f64).sqrt() <= limit) {
        return Err(free(Freedom::Cloud));
    }
    // A likelihood ratio: three standard deviations are nine units of the sum of squares over the variance.
    let rival = ends.iter().any(|end| {
        end.sums.square <= best.sums.square + 9.0 * sigma * sigma
            && (end.model.centre - best.model.centre).norm() > limit
    });
    if rival {
        return Err(free(Freedom::Ambiguous));
    }
    if !best.settled {
        return Err(FitError::NotSettled { shape: Shape::Sphere, steps: best.steps });
    }
    let ball = &best.model;
    let row = ball.rows();
    let residuals = Residuals::of(&all, |q| row(q).0);
    Ok(BallFit {
        centre: cloud.centre + ball.centre * scale,
        radius_mm,
        points: points.len(),
        rms_mm: residuals.rms(points.len()) * scale,
        low: (residuals.low.0 * scale, residuals.low.1),
        high: (residuals.high.0 * scale, residuals.high.1),
        unit_covariance: inverse,
    })
}

/// Radius, in sizes of the point set, beyond which the sagitta is below rounding.
const LARGEST_RADIUS: f64 = 1e7;

/// Principal axes of points that do not lie on a line or in a plane.
fn own_axes(offsets: &[Vector], scale: f64, floor: f64, shape: Shape) -> Result<[Vector; 3], FitError> {
    let small: Vec<Vector> = offsets.iter().map(|o| o / scale).collect();
    let axes = principal_axes(&small);
    for (axis, freedom) in [(axes[1], Freedom::Collinear), (axes[0], Freedom::Coplanar)] {
        if !(super::cover::spread(&small, &axis) > floor.max(1e-14)) {
            return Err(FitError::Undetermined { shape, freedom });
        }
    }
    Ok(axes)
}

fn inside(axes: &[Vector; 3], v: &Vector) -> Vector {
    Vector::new(axes[0].dot(v), axes[1].dot(v), axes[2].dot(v))
}

fn outside(axes: &[Vector; 3], v: &Vector) -> Vector {
    axes[0] * v.x + axes[1] * v.y + axes[2] * v.z
}

/// Standard deviation of the centre in its weakest direction. Noise across the rays alone makes a ring look
/// as if it bulged; so its share is taken off the information, as for the plane's slope: s2 * known /
/// (known - of noise)^2. Errors-in-variables algebra, common practice, no source.
fn centre_deviation(points: &[Vector], ball: &Ball, sigma: f64) -> f64 {
    let n = points.len() as f64;
    let rays: Vec<Vector> = points.iter().filter_map(|q| (q - ball.centre).try_normalize(0.0)).collect();
    let mean = rays.iter().fold(Vector::zeros(), |s, u| s + u) / n;
    let known = rays.iter().fold(Matrix3::zeros(), |s, u| s + (u - mean) * (u - mean).transpose());
    let (values, vectors) = symmetric_eigen3(&known);
    let weak = vectors[0];
    let crosswise: f64 = rays.iter().map(|u| 1.0 - u.dot(&weak) * u.dot(&weak)).sum();
    // A sum of n squares of noise scatters by sqrt(2 / n) of itself; five of those.
    let noise = sigma * sigma / (ball.radius * ball.radius) * crosswise * (1.0 + 5.0 * (2.0 / n).sqrt());
    let gap = values[0] - noise;
    if gap > 0.0 { sigma * values[0].max(0.0).sqrt() / gap } else { f64::INFINITY }
}

/// Kasa's and Taubin's sphere through centred points.
fn algebraic(points: &[Vector]) -> Vec<Ball> {
    let n = points.len() as f64;
    let square = points.iter().map(Vector::norm_squared).sum::<f64>() / n;
    let mut found = Vec::new();
    let mut keep = |centre: Vector, radius: f64| {
        if radius.is_finite() && radius > 0.0 && radius < LARGEST_RADIUS && centre.norm().is_finite() {
            found.push(Ball { centre, radius });
        }
    };
    // Rows (z - mean of z) / (2 sqrt(mean of z)), x, y, w with z the squared distance from the centroid.
    let mut gram = [[0.0; 4]; 4];
    for p in points {
        let row = [(p.norm_squared() - square) / (2.0 * square.sqrt()), p.x, p.y, p.z];
        for i in 0..4 {
            for j in 0..4 {
                gram[i][j] += row[i] * row[j];
            }
        }
    }
    let half: [[f64; 3]; 3] = std::array::from_fn(|i| std::array::from_fn(|j| gram[i + 1][j + 1]));
    if let Some(factor) = Cholesky::new(&half) {
        let right: [f64; 3] = std::array::from_fn(|i| gram[0][i + 1] * square.sqrt());
        let centre = Vector::from(factor.solve(&right));
        keep(centre, (centre.norm_squared() + square).sqrt());
    }
    let (_, vectors) = symmetric_eigen(&gram);
    let a = vectors[0][0] / (2.0 * square.sqrt());
    if a != 0.0 {
        let centre = -Vector::new(vectors[0][1], vectors[0][2], vectors[0][3]) / (2.0 * a);
        keep(centre, (centre.norm_squared() + square).sqrt());
    }
    found
}

/// Unit vector from the centre towards the middle of the points and two across it.
fn triple(centre: &Vector) -> [Vector; 3] {
    let g = if centre.norm() > 1e-9 { -centre.normalize() } else { Vector::x() };
    let (a, b) = unit(g).frame();
    [g, a, b]
}

/// A sphere about points that are centred and of size one.
#[derive(Clone, Debug)]
pub(super) struct Ball {
    pub(super) centre: Vector,
    pub(super) radius: f64,
}

impl Ball {
    /// Inverse of J'J by centre and radius.
    fn covariance(&self, sums: &Sums<4>) -> Option<[[f64; 4]; 4]> {
        let inverse = Cholesky::new(&sums.normal)?.inverse();
        let axes = triple(&self.centre);
        let mut t = [[0.0; 4]; 4];
        for i in 0..3 {
            for j in 0..3 {
                t[i][j] = axes[j][i];
            }
        }
        t[3] = [-1.0, 0.0, 0.0, 1.0];
        Some(carried(&t, &inverse))
    }
}

/// The local parameters are those of the circle with one more: the centre towards the points while the
/// cap's middle stays (the radius shrinks by as much), the centre across in two directions, the radius.
impl Model<4> for Ball {
    type Item = Vector;

    fn rows(&self) -> impl Fn(&Vector) -> (f64, [f64; 4]) + Sync {
        let [g, a, b] = triple(&self.centre);
        move |q| {
            let d = q - self.centre;
            let length = d.norm();
            if length == 0.0 {
                return (-self.radius, [1.0, 0.0, 0.0, -1.0]);
            }
            let (x, y) = (d.dot(&a) / length, d.dot(&b) / length);
            let cos = d.dot(&g) / length;
            (length - self.radius, [one_minus(cos, (x * x + y * y).sqrt()), -x, -y, -1.0])
        }
    }

    fn moved(&self, step: &[f64; 4]) -> Option<Self> {
        let [g, a, b] = triple(&self.centre);
        let centre = self.centre + g * step[0] + a * step[1] + b * step[2];
        let radius = self.radius + step[3] - step[0];
        (radius > 0.0 && radius < LARGEST_RADIUS && centre.norm().is_finite())
            .then_some(Self { centre, radius })
    }
}

/// A ball of known radius.
#[derive(Clone, Debug)]
struct Held {
    centre: Vector,
    radius: f64,
}

impl Model<3> for Held {
    type Item = Vector;

    fn rows(&self) -> impl Fn(&Vector) -> (f64, [f64; 3]) + Sync {
        move |q| {
            let d = q - self.centre;
            let length = d.norm();
            if length == 0.0 {
                return (-self.radius, [1.0, 0.0, 0.0]);
            }
            (length - self.radius, [-d.x / length, -d.y / length, -d.z / length])
        }
    }

    fn moved(&self, step: &[f64; 3]) -> Option<Self> {
        let centre = self.centre + Vector::from(*step);
        centre.norm().is_finite().then_some(Self { centre, radius: self.radius })
    }
}
