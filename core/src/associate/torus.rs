//! The orthogonal least-squares torus. (Longer than most: the model and its derivatives stand together.)

use super::carry::{carried, sized, turned};
use super::circle::{algebraic, one_minus};
use super::cover::{
    ONE_VALLEY, about_the_middle, distinct, half_sphere, principal_axes, sample, sample_few, spread, valleys,
};
use super::extremal::Outline;
use super::levenberg::{Model, Sums, minimise};
use super::{
    FitError, Freedom, LARGEST_RADIUS_SHARE, LARGEST_TURN_RAD, Residuals, Shape, centred, noise, signed, unit,
};
use crate::geometry::{Cholesky, Direction, Point, Vector};
use crate::run::{Run, quiet};

/// The torus with the least sum of squared distances from its surface: a tube along a circle.
#[derive(Clone, Debug, PartialEq)]
pub struct TorusFit {
    /// Centre of the circle along which the tube runs, mm.
    pub centre: Point,
    /// Axis of that circle; its largest component is positive (the first of equal ones).
    pub axis: Direction,
    /// Two directions that make a right-handed triple with the axis ([`Direction::frame`]).
    pub across: [Direction; 2],
    /// Radius of that circle, mm.
    pub major_radius_mm: f64,
    /// Radius of the tube, mm.
    pub minor_radius_mm: f64,
    /// Number of points.
    pub points: usize,
    /// Root mean square residual, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest residual (negative: within the tube), mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest residual (positive: outside the tube), mm, and the index of its point.
    pub high: (f64, usize),
    /// Inverse of J'J for: tilt of the axis towards `across[0]` and towards `across[1]` (rad), the centre along
    /// `across[0]`, `across[1]` and the axis, major radius, minor radius (mm).
    pub unit_covariance: [[f64; 7]; 7],
}

impl TorusFit {
    /// Signed distance of `p` from the surface, mm, positive outside the tube.
    pub fn distance(&self, p: &Point) -> f64 {
        let d = p - self.centre;
        let along = d.dot(&self.axis.vector());
        let from_circle = (d - self.axis.vector() * along).norm() - self.major_radius_mm;
        (from_circle * from_circle + along * along).sqrt() - self.minor_radius_mm
    }

    /// Standard deviation of the noise the residuals show, mm.
    pub fn noise_mm(&self) -> Option<f64> {
        noise(self.rms_mm, self.points, 7)
    }
}

/// Starts that are refined; sets of a few points have many valleys, so they get more.
const STARTS: usize = 16;
const STARTS_OF_FEW: usize = 64;
/// Starts closer than this are one start, rad (about the spacing of the directions).
const APART_RAD: f64 = 0.12;
/// Radius, in sizes of the point set, beyond which a bend counts as none.
const LARGEST_RADIUS: f64 = 1e4;

/// Fits a torus to at least eight points, mm. (Seven leave a choice among several.)
///
/// Starts of its own: for each of a cover of directions the algebraic circle through the points seen along it gives
/// a centre, and the algebraic circle through their distances from that axis and heights along it the section; the
/// best few are refined by Levenberg-Marquardt on seven parameters and the least sum of squares counts. Residual and
/// parameters: Lukacs, Martin and Marshall, "Faithful least-squares fitting of spheres, cylinders, cones and tori for
/// reliable segmentation", ECCV 1998, LNCS 1406, 671-686 (idea; from memory); the starts are our own.
///
/// # Errors
/// [`FitError::Undetermined`] for coincident, collinear and coplanar points, for patches whose residuals leave axis
/// or either radius open, and where two tori in different directions fit equally well.
pub fn torus(points: &[Point]) -> Result<TorusFit, FitError> {
    torus_within(&quiet(), points)
}

/// As [`torus`], for many points: it can be stopped.
pub(super) fn torus_within(run: &Run, points: &[Point]) -> Result<TorusFit, FitError> {
    let free = |freedom| FitError::Undetermined { shape: Shape::Torus, freedom };
    let mut cloud = centred(Shape::Torus, 8, points)?;
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
    let keep = if all.len() <= 40 { STARTS_OF_FEW } else { STARTS };
    let (scouts, middle) = sample_few(all);
    let alike = |a: &Ring, b: &Ring| {
        a.axis.cross(&b.axis).norm() < ONE_VALLEY
            && (a.centre - b.centre).norm() < ONE_VALLEY
            && (a.major - b.major).abs() < ONE_VALLEY
            && (a.minor - b.minor).abs() < ONE_VALLEY
    };
    let rings = |about: &[Vector]| starts(about, &half_sphere(&axes), keep);
    let shifted = |ring: &Ring, by: Vector| Ring { centre: ring.centre + by, ..ring.clone() };
    let found = about_the_middle((&scouts, middle), rings, shifted);
    let mut ends = valleys(run, found, [&scouts, &judges], 150, alike)?;
    ends.retain(|end| end.model.major < LARGEST_RADIUS && end.model.minor < LARGEST_RADIUS);
    let best = ends.first().ok_or(free(Freedom::Radius))?;
    let rms = |square: f64| (square / judges.len() as f64).sqrt();
    let (axis, limit) = (best.model.axis, rms(best.sums.square) * (1.0 + 1e-6) + floor);
    let rival = ends
        .iter()
        .any(|end| rms(end.sums.square) <= limit && end.model.axis.cross(&axis).norm() > LARGEST_TURN_RAD);

    let mut ended = minimise(run, best.model.clone(), all, 500)?;
    ended.model.axis = signed(ended.model.axis);
    let ring = ended.model;
    let sums = Sums::of(&ring, all);
    let cov = ring.covariance(&sums).ok_or(free(Freedom::Turns))?;
    let sigma = (sums.square / (all.len() - 7) as f64).sqrt().max(floor + 4.0 * f64::EPSILON * ring.major);
    if !(sigma * (cov[0][0] + cov[1][1]).sqrt() <= LARGEST_TURN_RAD) {
        return Err(free(Freedom::Turns));
    }
    for (at, radius) in [(5, ring.major), (6, ring.minor)] {
        if !(sigma * cov[at][at].sqrt() <= LARGEST_RADIUS_SHARE * radius) {
            return Err(free(Freedom::Radius));
        }
    }
    if !((sums.square / all.len() as f64).sqrt() <= LARGEST_RADIUS_SHARE * ring.minor) {
        return Err(free(Freedom::Cloud));
    }
    if rival {
        return Err(free(Freedom::Ambiguous));
    }
    if !ended.settled {
        return Err(FitError::NotSettled { shape: Shape::Torus, steps: ended.steps });
    }

    let row = ring.rows();
    let residuals = Residuals::of(all, |q| row(q).0);
    let axis = unit(ring.axis);
    let (a, b) = axis.frame();
    let unit_covariance = sized(cov, scale, &[0, 1]);
    Ok(TorusFit {
        centre: cloud.centre + ring.centre * scale,
        axis,
        across: [unit(a), unit(b)],
        major_radius_mm: ring.major * scale,
        minor_radius_mm: ring.minor * scale,
        points: points.len(),
        rms_mm: residuals.rms(points.len()) * scale,
        low: (residuals.low.0 * scale, residuals.low.1),
        high: (residuals.high.0 * scale, residuals.high.1),
        unit_covariance,
    })
}

/// The best tori over some directions, no two of them closer than [`APART_RAD`].
fn starts(judges: &[Vector], directions: &[Direction], keep: usize) -> Vec<Ring> {
    let mut found: Vec<(f64, Ring)> = Vec::new();
    for axis in directions {
        let (a, b) = axis.frame();
        let flat: Vec<[f64; 2]> = judges.iter().map(|o| [o.dot(&a), o.dot(&b)]).collect();
        for round in algebraic(&flat).into_iter().filter(|r| r.radius < LARGEST_RADIUS) {
            let [x, y] = round.centre;
            let from = |q: &[f64; 2]| ((q[0] - x) * (q[0] - x) + (q[1] - y) * (q[1] - y)).sqrt();
            let mean = flat.iter().map(from).sum::<f64>() / flat.len() as f64;
            // The heights are centred already.
            let section: Vec<[f64; 2]> =
                flat.iter().zip(judges).map(|(q, o)| [from(q) - mean, o.dot(&axis.vector())]).collect();
            for tube in algebraic(&section).into_iter().filter(|r| r.radius < LARGEST_RADIUS) {
                let major = mean + tube.centre[0];
                let centre = a * x + b * y + axis.vector() * tube.centre[1];
                let ring = Ring { axis: axis.vector(), centre, major, minor: tube.radius };
                let row = ring.rows();
                let cost: f64 = judges.iter().map(|q| row(q).0).map(|d| d * d).sum();
                drop(row);
                if major > 0.0 && cost.is_finite() {
                    found.push((cost, ring));
                }
            }
        }
    }
    distinct(found, APART_RAD, keep, |one| one.axis)
}

/// A torus about points that are centred and of size one.
#[derive(Clone, Debug)]
pub(super) struct Ring {
    pub(super) axis: Vector,
    pub(super) centre: Vector,
    pub(super) major: f64,
    pub(super) minor: f64,
}

impl Ring {
    /// Unit vectors across: from the axis towards the points, and the one that completes the triple.
    fn across(&self) -> (Vector, Vector) {
        let off = self.axis * self.axis.dot(&self.centre) - self.centre;
        let u = if off.norm() > 1e-9 { off.normalize() } else { unit(self.axis).frame().0 };
        (u, self.axis.cross(&u))
    }

    /// Inverse of J'J by the parameters that [`TorusFit::unit_covariance`] states, at size one.
    fn covariance(&self, sums: &Sums<7>) -> Option<[[f64; 7]; 7]> {
        let inverse = Cholesky::new(&sums.normal)?.inverse();
        let (u, v) = self.across();
        let (a, b) = unit(self.axis).frame();
        let mut t = [[0.0; 7]; 7];
        for at in [0, 2] {
            turned(&mut t, at, [u, v], [a, b]);
        }
        t[4][0] = self.major;
        t[4][4] = 1.0;
        t[5][2] = -1.0;
        t[5][5] = 1.0;
        t[6][6] = 1.0;
        Some(carried(&t, &inverse))
    }
}

/// The local parameters move the surface at the middle of a bend, not the far axis: tilt towards the points about the
/// middle of the bend, tilt across, the centre moved towards the points while the middle of the bend stays (the major
/// radius shrinks by as much), moved across, moved along the axis, the major radius, the minor radius. With f the angle
/// about the axis from the middle and p that about the tube from its outside, the derivatives are
/// -R sin p (1 - cos f), R sin p sin f, cos p (1 - cos f), -cos p sin f, -sin p, -cos p, -1.
impl Model<7> for Ring {
    type Item = Vector;

    fn rows(&self) -> impl Fn(&Vector) -> (f64, [f64; 7]) + Sync {
        let (u, v) = self.across();
        move |q| {
            let d = q - self.centre;
            let (x, y, along) = (d.dot(&u), d.dot(&v), d.dot(&self.axis));
            let length = (x * x + y * y).sqrt();
            let (cos_f, sin_f) = if length == 0.0 { (1.0, 0.0) } else { (x / length, y / length) };
            let off = length - self.major;
            let from_circle = (off * off + along * along).sqrt();
            let (cos_p, sin_p) =
                if from_circle == 0.0 { (1.0, 0.0) } else { (off / from_circle, along / from_circle) };
            let bulge = one_minus(cos_f, sin_f);
            let row = [
                -self.major * sin_p * bulge,
                self.major * sin_p * sin_f,
                cos_p * bulge,
                -cos_p * sin_f,
                -sin_p,
                -cos_p,
                -1.0,
            ];
            (from_circle - self.minor, row)
        }
    }

    fn moved(&self, step: &[f64; 7]) -> Option<Self> {
        let (u, v) = self.across();
        let axis = Direction::new(self.axis + u * step[0] + v * step[1])?.vector();
        let along = step[4] + self.major * step[0];
        let centre = self.centre + u * step[2] + v * step[3] + self.axis * along;
        let (major, minor) = (self.major + step[5] - step[2], self.minor + step[6]);
        // Twice the limit, so that a walk towards a straight tube is seen to pass it.
        let good = |r: f64| r > 0.0 && r < 2.0 * LARGEST_RADIUS;
        (good(major) && good(minor) && centre.norm().is_finite()).then_some(Self {
            axis,
            centre,
            major,
            minor,
        })
    }
}

impl Outline<7> for Ring {
    const GROWTH: [f64; 7] = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0];

    fn size(&self) -> f64 {
        self.minor
    }
}
