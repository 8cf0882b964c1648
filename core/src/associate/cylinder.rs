//! The orthogonal least-squares cylinder.

use super::carry::{carried, sized, turned};
use super::circle::{Round, algebraic, one_minus};
use super::cover::{
    ONE_VALLEY, about_the_long_axis, about_the_middle, distinct, half_sphere, principal_axes, sample,
    sample_few, spread, valleys,
};
use super::levenberg::{Model, Sums, minimise};
use super::{
    FitError, Freedom, LARGEST_RADIUS_SHARE, LARGEST_TURN_RAD, Residuals, Shape, centred, noise, signed, unit,
};
use crate::geometry::{Cholesky, Direction, Point, Vector};
use crate::run::{Run, quiet};

/// The cylinder with the least sum of squared radial distances.
#[derive(Clone, Debug, PartialEq)]
pub struct CylinderFit {
    /// The point of the axis nearest to the points' centroid, mm.
    pub point: Point,
    /// Axis; its largest component is positive (the first of equal ones).
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
    /// Inverse of J'J for: tilt of the axis towards `across[0]` and towards `across[1]` (rad), `point`
    /// along `across[0]` and along `across[1]` (mm), radius (mm).
    pub unit_covariance: [[f64; 5]; 5],
}

impl CylinderFit {
    /// Diameter, mm.
    pub fn diameter_mm(&self) -> f64 {
        2.0 * self.radius_mm
    }

    /// Distance of `p` from the axis, mm, never negative.
    pub fn distance_from_axis(&self, p: &Point) -> f64 {
        (p - self.point).cross(&self.axis.vector()).norm()
    }

    /// Standard deviation of the noise the residuals show, mm.
    pub fn noise_mm(&self) -> Option<f64> {
        noise(self.rms_mm, self.points, 5)
    }
}

/// Starts that are refined; sets of a few points have many valleys, so they get more.
const STARTS: usize = 16;
const STARTS_OF_FEW: usize = 48;
/// Starts closer than this are one start, rad (about the spacing of the directions).
const APART_RAD: f64 = 0.12;

/// Fits a cylinder to at least six points, mm. (Five determine one only up to a choice among several.)
///
/// Starts of its own: for each of a cover of directions the algebraic circle through the points seen along
/// it; the best few are refined by Levenberg-Marquardt on five parameters and the least sum of squares
/// counts. Search over the half sphere: Eberly, "Fitting 3D data with a cylinder", 2003 (idea, from
/// memory); residual and derivatives: Shakarji, J. Res. NIST 103(6), 1998, section on cylinders.
///
/// # Errors
/// [`FitError::Undetermined`] for coincident, collinear and coplanar points, for patches whose residuals
/// leave axis or radius open, and where two cylinders in different directions fit equally well.
pub fn cylinder(points: &[Point]) -> Result<CylinderFit, FitError> {
    cylinder_within(&quiet(), points)
}

/// As [`cylinder`], for many points: it can be stopped.
pub(super) fn cylinder_within(run: &Run, points: &[Point]) -> Result<CylinderFit, FitError> {
    let free = |freedom| FitError::Undetermined { shape: Shape::Cylinder, freedom };
    let mut cloud = centred(Shape::Cylinder, 6, points)?;
    let scale = cloud.reach_mm;
    for o in &mut cloud.offsets {
        *o /= scale;
    }
    let all = &cloud.offsets;
    let floor = cloud.floor_mm / scale;
    let axes = principal_axes(all);
    if !(spread(all, &axes[1]) > floor.max(1e-12)) {
        return Err(free(Freedom::Collinear));
    }
    if !(spread(all, &axes[0]) > floor.max(1e-12)) {
        // A plane is the limit of ever larger cylinders.
        return Err(free(Freedom::Radius));
    }

    let judges = sample(all);
    let keep = if all.len() <= 30 { STARTS_OF_FEW } else { STARTS };
    let (scouts, middle) = sample_few(all);
    let slender = spread(all, &axes[1]) / spread(all, &axes[2]);
    let found = |about: &[Vector]| {
        let mut tubes = starts(about, &half_sphere(&axes), APART_RAD, keep);
        if slender < 0.3 {
            tubes.extend(starts(about, &about_the_long_axis(&axes, slender), 0.2 * slender, keep));
        }
        tubes
    };
    let tubes = about_the_middle((&scouts, middle), found, Tube::shifted);
    let alike = |a: &Tube, b: &Tube| {
        a.axis.cross(&b.axis).norm() < ONE_VALLEY
            && (a.point - b.point).norm() < ONE_VALLEY
            && (a.radius - b.radius).abs() < ONE_VALLEY
    };
    let mut ends = valleys(run, tubes, [&scouts, &judges], 80, alike)?;
    ends.retain(|end| end.model.radius < LARGEST_RADIUS);
    let best = ends.first().ok_or(free(Freedom::Radius))?;
    let rms = |square: f64| (square / judges.len() as f64).sqrt();
    let (axis, limit) = (best.model.axis, rms(best.sums.square) * (1.0 + 1e-6) + floor);
    let rival = ends
        .iter()
        .any(|end| rms(end.sums.square) <= limit && end.model.axis.cross(&axis).norm() > LARGEST_TURN_RAD);

    let mut ended = minimise(run, best.model.clone(), all, 500)?;
    ended.model.axis = signed(ended.model.axis);
    let tube = ended.model;
    let sums = Sums::of(&tube, all);
    let cov = tube.covariance(&sums).ok_or(free(Freedom::Radius))?;
    let sigma = (sums.square / (all.len() - 5) as f64).sqrt().max(floor + 4.0 * f64::EPSILON * tube.radius);
    if !(sigma * cov[4][4].sqrt() <= LARGEST_RADIUS_SHARE * tube.radius) {
        return Err(free(Freedom::Radius));
    }
    if !(sigma * (cov[0][0] + cov[1][1]).sqrt() <= LARGEST_TURN_RAD) {
        return Err(free(Freedom::Turns));
    }
    if !((sums.square / all.len() as f64).sqrt() <= LARGEST_RADIUS_SHARE * tube.radius) {
        return Err(free(Freedom::Cloud));
    }
    if rival {
        return Err(free(Freedom::Ambiguous));
    }
    if !ended.settled {
        return Err(FitError::NotSettled { shape: Shape::Cylinder, steps: ended.steps });
    }

    let row = tube.rows();
    let residuals = Residuals::of(all, |q| row(q).0);
    let axis = unit(tube.axis);
    let (a, b) = axis.frame();
    let unit_covariance = sized(cov, scale, &[0, 1]);
    Ok(CylinderFit {
        point: cloud.centre + tube.point * scale,
        axis,
        across: [unit(a), unit(b)],
        radius_mm: tube.radius * scale,
        points: points.len(),
        rms_mm: residuals.rms(points.len()) * scale,
        low: (residuals.low.0 * scale, residuals.low.1),
        high: (residuals.high.0 * scale, residuals.high.1),
        unit_covariance,
    })
}

/// Radius, in sizes of the point set, beyond which a tube counts as a plane.
const LARGEST_RADIUS: f64 = 1e5;

/// The best tubes over some directions, no two of them closer than `apart` in rad.
fn starts(judges: &[Vector], directions: &[Direction], apart: f64, keep: usize) -> Vec<Tube> {
    let mut found: Vec<(f64, Tube)> = Vec::new();
    for axis in directions {
        let (a, b) = axis.frame();
        let flat: Vec<[f64; 2]> = judges.iter().map(|o| [o.dot(&a), o.dot(&b)]).collect();
        let cost = |r: &Round| {
            let row = r.rows();
            flat.iter().map(|q| row(q).0).map(|d| d * d).sum::<f64>()
        };
        for round in algebraic(&flat).into_iter().filter(|r| r.radius < LARGEST_RADIUS) {
            let point = a * round.centre[0] + b * round.centre[1];
            found.push((cost(&round), Tube { axis: axis.vector(), point, radius: round.radius }));
        }
    }
    distinct(found, apart, keep, |one| one.axis)
}

/// A cylinder about points that are centred and of size one; `point` is the foot of the origin.
#[derive(Clone, Debug)]
pub(super) struct Tube {
    pub(super) axis: Vector,
    pub(super) point: Vector,
    pub(super) radius: f64,
}

impl Tube {
    /// Unit vectors across: from the axis towards the points, and the one that completes the triple.
    fn across(&self) -> (Vector, Vector) {
        let u = if self.point.norm() > 1e-9 { -self.point.normalize() } else { unit(self.axis).frame().0 };
        (u, self.axis.cross(&u))
    }

    fn shifted(&self, by: Vector) -> Self {
        let through = self.point + by;
        Self { point: through - self.axis * self.axis.dot(&through), ..self.clone() }
    }

    /// Inverse of J'J by the parameters that [`CylinderFit::unit_covariance`] states, at size one.
    fn covariance(&self, sums: &Sums<5>) -> Option<[[f64; 5]; 5]> {
        let inverse = Cholesky::new(&sums.normal)?.inverse();
        let (u, v) = self.across();
        let (a, b) = unit(self.axis).frame();
        let mut t = [[0.0; 5]; 5];
        for at in [0, 2] {
            turned(&mut t, at, [u, v], [a, b]);
        }
        t[4][2] = -1.0;
        t[4][4] = 1.0;
        Some(carried(&t, &inverse))
    }
}

/// The local parameters are: tilts towards the two vectors across, the axis moved towards the points while
/// the middle of the patch stays (the radius shrinks by as much), the axis moved across, the radius.
impl Model<5> for Tube {
    type Item = Vector;

    fn rows(&self) -> impl Fn(&Vector) -> (f64, [f64; 5]) + Sync {
        let (u, v) = self.across();
        move |q| {
            let d = q - self.point;
            let (x, y, along) = (d.dot(&u), d.dot(&v), q.dot(&self.axis));
            let length = (x * x + y * y).sqrt();
            if length == 0.0 {
                return (-self.radius, [0.0, 0.0, 1.0, 0.0, -1.0]);
            }
            let (cos, sin) = (x / length, y / length);
            (length - self.radius, [-along * cos, -along * sin, one_minus(cos, sin), -sin, -1.0])
        }
    }

    fn moved(&self, step: &[f64; 5]) -> Option<Self> {
        let (u, v) = self.across();
        let axis = Direction::new(self.axis + u * step[0] + v * step[1])?.vector();
        let moved = self.point + u * step[2] + v * step[3];
        let point = moved - axis * axis.dot(&moved);
        let radius = self.radius + step[4] - step[2];
        // Twice the limit, so that a walk towards a plane is seen to pass it.
        (radius > 0.0 && radius < 2.0 * LARGEST_RADIUS).then_some(Self { axis, point, radius })
    }
}
