//! The orthogonal least-squares cone. (Longer than most: the model and its derivatives stand together.)

use super::carry::{carried, sized, turned};
use super::circle::{algebraic, one_minus};
use super::cover::{
    ONE_VALLEY, about_the_long_axis, about_the_middle, distinct, half_sphere, principal_axes, sample,
    sample_few, spread, valleys,
};
use super::levenberg::{Ended, Model, Sums, minimise};
use super::{
    FitError, Freedom, LARGEST_RADIUS_SHARE, LARGEST_TURN_RAD, Residuals, Shape, centred, noise, unit,
};
use crate::geometry::{Cholesky, Direction, Point, Vector, math};
use crate::run::{Run, quiet};

/// The cone with the least sum of squared distances from its surface.
///
/// A residual is the distance from the straight generator in the half plane of the point, which is taken to
/// go on beyond the apex; for points on the cone's own side that is the orthogonal distance.
#[derive(Clone, Debug, PartialEq)]
pub struct ConeFit {
    /// The point of the axis nearest to the points' centroid, mm.
    pub point: Point,
    /// Axis, from the apex towards the open end.
    pub axis: Direction,
    /// Two directions that make a right-handed triple with the axis ([`Direction::frame`]).
    pub across: [Direction; 2],
    /// Radius of the section through `point` square to the axis, mm.
    pub radius_mm: f64,
    /// Half of the apex angle, rad, between 0 and a right angle.
    pub half_angle_rad: f64,
    /// Number of points.
    pub points: usize,
    /// Root mean square residual, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest residual (negative: inside), mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest residual (positive: outside), mm, and the index of its point.
    pub high: (f64, usize),
    /// Axes of other cones that meet the same six points exactly; always empty with more points.
    pub rivals: Vec<Direction>,
    /// Inverse of J'J for: tilt of the axis towards `across[0]` and towards `across[1]` (rad), `point` along
    /// `across[0]` and along `across[1]` (mm), `radius_mm` (mm), `half_angle_rad` (rad).
    pub unit_covariance: [[f64; 6]; 6],
}

impl ConeFit {
    /// Full apex angle, rad.
    pub fn apex_angle_rad(&self) -> f64 {
        2.0 * self.half_angle_rad
    }

    /// The apex, mm.
    pub fn apex(&self) -> Point {
        self.point - self.axis.vector() * (self.radius_mm / math::tan(self.half_angle_rad))
    }

    /// Distance of `p` from the axis, mm, never negative.
    pub fn distance_from_axis(&self, p: &Point) -> f64 {
        (p - self.point).cross(&self.axis.vector()).norm()
    }

    /// Signed distance of `p` from the surface, mm, positive outside (see the type's own words).
    pub fn distance(&self, p: &Point) -> f64 {
        let (sin, cos) = (math::sin(self.half_angle_rad), math::cos(self.half_angle_rad));
        let along = (p - self.point).dot(&self.axis.vector());
        (self.distance_from_axis(p) - self.radius_mm) * cos - along * sin
    }

    /// Standard deviation of the noise the residuals show, mm; `None` for six points.
    pub fn noise_mm(&self) -> Option<f64> {
        noise(self.rms_mm, self.points, 6)
    }
}

/// Starts that are refined; sets of a few points have many valleys, so they get more.
const STARTS: usize = 24;
const STARTS_OF_FEW: usize = 96;
/// Starts closer than this are one start, rad (about the spacing of the directions).
const APART_RAD: f64 = 0.12;
/// Distance from the surface to the axis, in sizes of the point set, beyond which the curvature is rounding.
const LARGEST_SIZE: f64 = 1e5;
/// Largest scatter about the surface in root mean square distances from the axis. A solid cloud of points reaches
/// 0.3, since the cone has one freedom more than the cylinder to follow it with.
const LARGEST_SCATTER_SHARE: f64 = 0.2;
/// Largest scatter in thicknesses of the point set (root mean square along its thinnest axis): a solid cloud reaches
/// 0.85 on a cone so wide that its axis is far away.
const LARGEST_THIN_SHARE: f64 = 0.5;
/// A half angle this close to a right angle is a plane, rad.
const LEAST_ANGLE: f64 = 1e-6;

/// Fits a cone to at least six points, mm. Six are met exactly, often by several cones: then that counts whose
/// taper is surest (least standard deviation of the angle over the angle; our choice, no source), and the others
/// are named in [`ConeFit::rivals`]; more points than six that leave a choice are refused as ambiguous.
///
/// Starts of its own: for each of a cover of directions the algebraic section whose squared radius is
/// quadratic along the axis; the best few are refined by Levenberg-Marquardt on six parameters and the
/// least sum of squares counts. Residual and parameters: Shakarji, "Least-squares fitting algorithms of the
/// NIST algorithm testing system", J. Res. NIST 103(6), 1998, section on cones; the starts are our own.
///
/// # Errors
/// [`FitError::Undetermined`] for coincident, collinear and coplanar points, for patches whose residuals
/// leave axis, radius or angle open ([`Freedom::Untapered`]: no cone but a cylinder), and where two cones
/// in different directions fit equally well.
pub fn cone(points: &[Point]) -> Result<ConeFit, FitError> {
    cone_within(&quiet(), points)
}

/// As [`cone`], for many points: it can be stopped.
pub(super) fn cone_within(run: &Run, points: &[Point]) -> Result<ConeFit, FitError> {
    let free = |freedom| FitError::Undetermined { shape: Shape::Cone, freedom };
    let mut cloud = centred(Shape::Cone, 6, points)?;
    let scale = cloud.reach_mm;
    for o in &mut cloud.offsets {
        *o /= scale;
    }
    let all = &cloud.offsets;
    let floor = cloud.floor_mm / scale;
    let axes = principal_axes(all);
    for (axis, freedom) in [(axes[1], Freedom::Collinear), (axes[0], Freedom::Coplanar)] {
        if !(spread(all, &axis) > floor.max(1e-12)) {
            return Err(free(freedom));
        }
    }

    let judges = sample(all);
    let keep = if all.len() <= 30 { STARTS_OF_FEW } else { STARTS };
    let (scouts, middle) = sample_few(all);
    let slender = spread(all, &axes[1]) / spread(all, &axes[2]);
    let funnels = |about: &[Vector]| {
        let mut found = starts(about, &half_sphere(&axes), APART_RAD, keep);
        if slender < 0.3 {
            found.extend(starts(about, &about_the_long_axis(&axes, slender), 0.2 * slender, keep));
        }
        found
    };
    let found = about_the_middle((&scouts, middle), funnels, Funnel::shifted);
    let alike = |a: &Funnel, b: &Funnel| {
        (a.axis - b.axis).norm() < ONE_VALLEY
            && (a.point - b.point).norm() < ONE_VALLEY
            && (a.angle - b.angle).abs() < ONE_VALLEY
            && (a.gap - b.gap).abs() < ONE_VALLEY
    };
    let mut ends = valleys(run, found, [&scouts, &judges], 200, alike)?;
    ends.retain(|end| end.model.radius() < LARGEST_SIZE);
    let spare = all.len() - 6;
    let mut equals = equally_good(&ends, judges.len(), floor);
    if spare == 0 {
        // A stable sort: cones held equally well keep their order.
        let open = |cone: &Funnel| {
            let cov = cone.covariance(&Sums::of(cone, all));
            cov.map_or(f64::INFINITY, |c| c[5][5] / (cone.angle * cone.angle))
        };
        equals.sort_by(|a, b| open(a).total_cmp(&open(b)));
    }
    let best = equals.first().ok_or(free(Freedom::Radius))?;
    let mut ended = minimise(run, best.clone(), all, 1000)?;
    ended.model = ended.model.opening();
    let cone = ended.model;
    let sums = Sums::of(&cone, all);
    let cov = cone.covariance(&sums).ok_or(free(Freedom::Radius))?;
    let seen = if spare == 0 { 0.0 } else { (sums.square / spare as f64).sqrt() };
    let radius = cone.radius();
    let sigma = seen.max(floor + 4.0 * f64::EPSILON * radius);
    // The distance from the axis that the points have is the size to which radius and scatter are held.
    let from_axis = |q: &Vector| (q - cone.point).cross(&cone.axis).norm();
    let size = (all.iter().map(|q| from_axis(q) * from_axis(q)).sum::<f64>() / all.len() as f64).sqrt();
    let scatter = (sums.square / all.len() as f64).sqrt();
    if !(scatter <= LARGEST_SCATTER_SHARE * size
        && scatter <= LARGEST_THIN_SHARE * spread(all, &axes[0]) + floor)
    {
        return Err(free(Freedom::Cloud));
    }
    if !(sigma * cov[4][4].sqrt() <= LARGEST_RADIUS_SHARE * size) {
        return Err(free(Freedom::Radius));
    }
    if !(sigma * (cov[0][0] + cov[1][1]).sqrt() <= LARGEST_TURN_RAD) {
        return Err(free(Freedom::Turns));
    }
    if !(sigma * cov[5][5].sqrt() <= LARGEST_RADIUS_SHARE * cone.angle) {
        return Err(free(Freedom::Untapered));
    }
    if spare > 0 && equals.len() > 1 {
        return Err(free(Freedom::Ambiguous));
    }
    if !ended.settled {
        return Err(FitError::NotSettled { shape: Shape::Cone, steps: ended.steps });
    }

    let row = cone.rows();
    let residuals = Residuals::of(all, |q| row(q).0);
    let axis = unit(cone.axis);
    let (a, b) = axis.frame();
    let unit_covariance = sized(cov, scale, &[0, 1, 5]);
    Ok(ConeFit {
        point: cloud.centre + cone.point * scale,
        axis,
        across: [unit(a), unit(b)],
        radius_mm: radius * scale,
        half_angle_rad: cone.angle,
        points: points.len(),
        rms_mm: residuals.rms(points.len()) * scale,
        low: (residuals.low.0 * scale, residuals.low.1),
        high: (residuals.high.0 * scale, residuals.high.1),
        rivals: equals[1..].iter().filter_map(|other| Direction::new(other.axis)).collect(),
        unit_covariance,
    })
}

/// The best end and those in other directions that are as good to rounding; `ends` from the best on.
fn equally_good(ends: &[Ended<Funnel, 6>], points: usize, floor: f64) -> Vec<Funnel> {
    let rms = |end: &Ended<Funnel, 6>| (end.sums.square / points as f64).sqrt();
    let mut found: Vec<Funnel> = Vec::new();
    let limit = ends.first().map_or(0.0, |best| rms(best) * (1.0 + 1e-6) + floor.max(1e-13));
    for end in ends.iter().filter(|end| rms(end) <= limit) {
        let cone = end.model.opening();
        let near = |other: &Funnel| {
            other.axis.cross(&cone.axis).norm() <= LARGEST_TURN_RAD && other.axis.dot(&cone.axis) > 0.0
        };
        if !found.iter().any(near) {
            found.push(cone);
        }
    }
    found
}

/// The best cones over some directions, no two of them closer than `apart` in rad.
fn starts(judges: &[Vector], directions: &[Direction], apart: f64, keep: usize) -> Vec<Funnel> {
    let mut found: Vec<(f64, Funnel)> = Vec::new();
    for axis in directions {
        for cone in sections(judges, *axis) {
            let row = cone.rows();
            let cost: f64 = judges.iter().map(|q| row(q).0).map(|d| d * d).sum();
            drop(row);
            if cost.is_finite() {
                found.push((cost, cone));
            }
        }
    }
    distinct(found, apart, keep, |one| one.axis)
}

/// Cones about an axis direction: x2 + y2 = 2 c.(x, y) + A + B g + C g2 by linear least squares, where g runs
/// along the axis; a cone has A = r2 - c2, B = 2 r k, C = k2 with radius r at g = 0 and taper k.
fn sections(points: &[Vector], axis: Direction) -> Vec<Funnel> {
    let (a, b) = axis.frame();
    let mut normal = [[0.0; 5]; 5];
    let mut right = [0.0; 5];
    for q in points {
        let (x, y, g) = (q.dot(&a), q.dot(&b), q.dot(&axis.vector()));
        let row = [2.0 * x, 2.0 * y, 1.0, g, g * g];
        for i in 0..5 {
            right[i] += row[i] * (x * x + y * y);
            for j in 0..5 {
                normal[i][j] += row[i] * row[j];
            }
        }
    }
    let mut found = Vec::new();
    let mut keep = |centre: [f64; 2], radius: f64, taper: f64| {
        let angle = math::atan2(taper, 1.0);
        let point = a * centre[0] + b * centre[1];
        let cone = Funnel { axis: axis.vector(), point, angle, gap: radius * math::cos(angle) };
        if radius > 0.0 && radius < LARGEST_SIZE && point.norm() < LARGEST_SIZE && angle.is_finite() {
            found.push(cone);
        }
    };
    if let Some(factor) = Cholesky::new(&normal) {
        let [x, y, constant, slope, bend] = factor.solve(&right);
        let radius2 = constant + x * x + y * y;
        if radius2 > 0.0 {
            let radius = radius2.sqrt();
            keep([x, y], radius, slope / (2.0 * radius));
            if bend > 0.0 {
                keep([x, y], radius, bend.sqrt() * slope.signum());
            }
        }
    }
    // Where the section is that of a circle, cones of small taper either way.
    let flat: Vec<[f64; 2]> = points.iter().map(|q| [q.dot(&a), q.dot(&b)]).collect();
    for round in algebraic(&flat) {
        for taper in [-0.2, 0.2] {
            keep(round.centre, round.radius, taper);
        }
    }
    found
}

/// A cone about points that are centred and of size one. `point` is the foot of the origin on the axis, `gap`
/// the distance from it square to the surface; a negative `angle` opens against `axis`.
#[derive(Clone, Debug)]
pub(super) struct Funnel {
    pub(super) axis: Vector,
    pub(super) point: Vector,
    pub(super) angle: f64,
    pub(super) gap: f64,
}

impl Funnel {
    pub(super) fn radius(&self) -> f64 {
        self.gap / math::cos(self.angle)
    }

    fn shifted(&self, by: Vector) -> Self {
        let through = self.point + by;
        let along = -self.axis.dot(&through);
        let gap = self.gap + along * math::sin(self.angle);
        Self { point: through + self.axis * along, gap, ..self.clone() }
    }

    /// The same cone with its axis towards the open end.
    pub(super) fn opening(&self) -> Self {
        let mut cone = self.clone();
        if cone.angle < 0.0 {
            cone.axis = -cone.axis;
            cone.angle = -cone.angle;
        }
        cone
    }

    /// Unit vectors across: from the axis towards the points, and the one that completes the triple.
    fn across(&self) -> (Vector, Vector) {
        let u = if self.point.norm() > 1e-9 { -self.point.normalize() } else { unit(self.axis).frame().0 };
        (u, self.axis.cross(&u))
    }

    /// Inverse of J'J by the parameters that [`ConeFit::unit_covariance`] states, at size one.
    fn covariance(&self, sums: &Sums<6>) -> Option<[[f64; 6]; 6]> {
        let inverse = Cholesky::new(&sums.normal)?.inverse();
        let (u, v) = self.across();
        let (a, b) = unit(self.axis).frame();
        let (sin, cos) = (math::sin(self.angle), math::cos(self.angle));
        let middle = self.gap * sin / cos;
        // Local to: tilts, shifts (both along u, v), gap at the moved foot, angle.
        let mut m = [[0.0; 6]; 6];
        m[0][0] = 1.0;
        m[1][1] = 1.0;
        m[2] = [-middle / cos, 0.0, 1.0, 0.0, 0.0, 0.0];
        m[3] = [0.0, -middle / cos, 0.0, 1.0, 0.0, 0.0];
        m[4] = [middle + self.point.norm() * sin, 0.0, -cos, 0.0, -middle, 1.0];
        m[5] = [-1.0, 0.0, 0.0, 0.0, 1.0, 0.0];
        // To the frame of the axis, and from the gap to the radius: gap / cos.
        let mut t = [[0.0; 6]; 6];
        for at in [0, 2] {
            turned(&mut t, at, [u, v], [a, b]);
        }
        t[4][4] = 1.0 / cos;
        t[4][5] = middle / cos;
        t[5][5] = 1.0;
        Some(carried(&t, &carried(&m, &inverse)))
    }
}

/// The local parameters move the surface at the middle of the patch, not the far axis, as those of the
/// cylinder do: the axis tilted towards the points about the middle of the patch while the patch stays tangent
/// (the angle shrinks by as much), tilted across, moved towards the points while the middle stays, moved
/// across, the angle about the middle, the gap. With w the distance along the generator and w0 that of the
/// middle, the derivatives are (w - w0) (1 - cos), -(w - w0) sin, cos(angle) (1 - cos), -cos(angle) sin,
/// -(w - w0), -1: well apart also on a small patch.
impl Model<6> for Funnel {
    type Item = Vector;

    fn rows(&self) -> impl Fn(&Vector) -> (f64, [f64; 6]) + Sync {
        let (u, v) = self.across();
        let (sin, cos) = (math::sin(self.angle), math::cos(self.angle));
        move |q| {
            let d = q - self.point;
            let (x, y, along) = (d.dot(&u), d.dot(&v), q.dot(&self.axis));
            let length = (x * x + y * y).sqrt();
            let (c, s) = if length == 0.0 { (1.0, 0.0) } else { (x / length, y / length) };
            let residual = length * cos - along * sin - self.gap;
            let w = along * cos + length * sin - self.gap * sin / cos;
            let bulge = one_minus(c, s);
            (residual, [w * bulge, -w * s, cos * bulge, -cos * s, -w, -1.0])
        }
    }

    fn moved(&self, step: &[f64; 6]) -> Option<Self> {
        let (u, v) = self.across();
        let (sin, cos) = (math::sin(self.angle), math::cos(self.angle));
        let middle = self.gap * sin / cos;
        let axis = Direction::new(self.axis + u * step[0] + v * step[1])?.vector();
        let shifts = [step[2] - middle / cos * step[0], step[3] - middle / cos * step[1]];
        let through = self.point + u * shifts[0] + v * shifts[1];
        let angle = self.angle + step[4] - step[0];
        let along = -axis.dot(&through);
        let point = through + axis * along;
        let gap =
            self.gap + step[5] - cos * step[2] - middle * (step[4] - step[0]) + along * math::sin(angle);
        let good = angle.abs() < std::f64::consts::FRAC_PI_2 - LEAST_ANGLE
            && gap.is_finite()
            && gap > -LARGEST_SIZE
            && gap / math::cos(angle) < 2.0 * LARGEST_SIZE
            && point.norm() < 2.0 * LARGEST_SIZE;
        good.then_some(Self { axis, point, angle, gap })
    }
}
