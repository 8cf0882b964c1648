//! Several features that make one datum, associated together: a pattern that keeps the nominal places of its features
//! to each other, is moved as one, and whose features of size each find their own (ISO 5459:2011, common datums; from
//! memory).
//!
//! The measured points are moved onto the nominal features, so that the answer is at once the motion that aligns the
//! part. The distance of a point is signed out of the material, whatever the feature: below zero inside it. A feature
//! of size grows out of its material (a hole gets smaller, a shaft larger) by `growth`, and the distances fall by as
//! much. Other criteria than least squares: `together_extremal`.

use super::together_extremal::{Aside, by_one_growth, jointly};
use super::{FitError, Freedom, Shape};
use crate::geometry::{Cholesky, Direction, Motion, PartFrame, Point, Twist, Vector, symmetric_eigen};
use crate::geometry::{math, sum::chunked};
use crate::plan::Association;
use crate::run::Run;

/// The ideal surface of a feature at its nominal place, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ideal {
    /// A plane.
    Plane {
        /// A place on it.
        at: Point,
        /// Out of the material.
        normal: Direction,
    },
    /// A cylinder, or a round hole.
    Cylinder {
        /// A place on its axis.
        at: Point,
        /// Its axis.
        axis: Direction,
        /// Its nominal radius.
        radius_mm: f64,
        /// Whether the material is around it.
        hollow: bool,
    },
    /// A sphere.
    Sphere {
        /// Its centre.
        at: Point,
        /// Its nominal radius.
        radius_mm: f64,
        /// Whether the material is around it.
        hollow: bool,
    },
    /// A cone, whose angle is the nominal one.
    Cone {
        /// A place on its axis.
        at: Point,
        /// Along its axis, to the open end.
        axis: Direction,
        /// Radius at `at`.
        radius_mm: f64,
        /// Half of the apex angle, rad.
        half_angle_rad: f64,
        /// Whether the material is around it.
        hollow: bool,
    },
    /// Two parallel planes.
    Slab {
        /// A place in their middle.
        at: Point,
        /// Across them.
        across: Direction,
        /// Half of their distance.
        half_mm: f64,
        /// Whether the material is around it: a groove or slot; otherwise a tongue.
        hollow: bool,
    },
}

impl Ideal {
    /// Signed distance of a place out of the material, and its gradient.
    pub(super) fn distance(&self, p: &Point) -> (f64, Vector) {
        let signed = |d: f64, n: Vector, hollow: bool| if hollow { (-d, -n) } else { (d, n) };
        // On an axis or in a middle no direction is nearest; any will do.
        let out = |v: Vector| v.try_normalize(0.0).unwrap_or_else(Vector::x);
        match *self {
            Self::Plane { at, normal } => ((p - at).dot(&normal.vector()), normal.vector()),
            Self::Cylinder { at, axis, radius_mm, hollow } => {
                let d = p - at;
                let across = d - axis.vector() * d.dot(&axis.vector());
                signed(across.norm() - radius_mm, out(across), hollow)
            }
            Self::Sphere { at, radius_mm, hollow } => {
                let d = p - at;
                signed(d.norm() - radius_mm, out(d), hollow)
            }
            Self::Cone { at, axis, radius_mm, half_angle_rad, hollow } => {
                let d = p - at;
                let along = d.dot(&axis.vector());
                let across = d - axis.vector() * along;
                let (cos, sin) = (math::cos(half_angle_rad), math::sin(half_angle_rad));
                let off = (across.norm() - radius_mm) * cos - along * sin;
                signed(off, out(across) * cos - axis.vector() * sin, hollow)
            }
            Self::Slab { at, across, half_mm, hollow } => {
                let off = (p - at).dot(&across.vector());
                let side = if off < 0.0 { -1.0 } else { 1.0 };
                signed(side * off - half_mm, across.vector() * side, hollow)
            }
        }
    }

    /// Whether it has a size of its own to find.
    pub fn is_sized(&self) -> bool {
        matches!(self, Self::Cylinder { .. } | Self::Sphere { .. } | Self::Slab { .. })
    }

    pub(super) fn hollow(&self) -> Option<bool> {
        match *self {
            Self::Cylinder { hollow, .. } | Self::Sphere { hollow, .. } | Self::Slab { hollow, .. } => {
                Some(hollow)
            }
            Self::Plane { .. } | Self::Cone { .. } => None,
        }
    }

    pub(super) fn shape(&self) -> Shape {
        match self {
            Self::Plane { .. } | Self::Slab { .. } => Shape::Plane,
            Self::Cylinder { .. } => Shape::Cylinder,
            Self::Sphere { .. } => Shape::Sphere,
            Self::Cone { .. } => Shape::Cone,
        }
    }
}

/// Features at their nominal places, and how the measured ones may be moved onto them.
#[derive(Clone, Debug, PartialEq)]
pub struct Pattern {
    /// Its features.
    pub ideals: Vec<Ideal>,
    /// Independent motions about `centre`, at most six.
    pub motions: Vec<Twist>,
    /// The point about which they turn, mm.
    pub centre: Point,
    /// About the size of the pattern, mm; above 0.
    pub reach_mm: f64,
}

/// What a point lies on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum On {
    /// One of the pattern's features, by its index.
    Ideal(usize),
    /// A facet of its own: a place on it and its normal out of the material.
    Facet(Point, Direction),
}

/// A measured point of a pattern, in the part's axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PatternPoint {
    /// Its place, mm.
    pub point: Point,
    /// What it lies on.
    pub on: On,
    /// Its share in the least squares, above 0; by minimum zone what the distance of a facet is multiplied by.
    pub weight: f64,
}

/// A pattern associated with its points.
#[derive(Clone, Debug, PartialEq)]
pub struct Together {
    /// Moves the measured points onto the nominal features.
    pub nominal_from_measured: Motion<PartFrame, PartFrame>,
    /// By how much each feature of size is grown out of its material, mm; 0 for others.
    pub growths_mm: Vec<f64>,
    /// For each feature the smallest and the largest distance of a point out of the material, mm.
    pub left_mm: Vec<[f64; 2]>,
    /// Root mean square distance, mm, weighted.
    pub rms_mm: f64,
    /// Covariance of the amounts of the pattern's motions for independent noise of 1 mm in each point, by least
    /// squares; by another criterion unknown.
    pub unit_covariance: Option<[[f64; 6]; 6]>,
    /// Weighted mean of the products of the distances' derivatives by the amounts of the motions, sizes being free.
    pub normal: [[f64; 6]; 6],
}

/// Why a pattern has no association.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TogetherError {
    /// The points leave it open, or the caller stopped.
    #[error(transparent)]
    Fit(#[from] FitError),
    /// Its features cannot all lie outside the material.
    #[error(
        "its features stand so that they cannot all lie outside the material at their nominal places to each other: by \
         {by_mm:.4} mm at best; associate them by least squares or minimum zone"
    )]
    Blocked {
        /// By how much, mm.
        by_mm: f64,
    },
    /// The criterion says nothing about such features.
    #[error("{0}")]
    NoMeaning(&'static str),
}

/// Steps of least squares; five are many.
const STEPS: usize = 100;

/// A motion of 1 mm at the pattern's reach must change the distances by this (root mean square, sizes being free), mm;
/// as [`crate::associate`] leaves to others what the points do not hold (common practice, no source).
const LEAST_HOLD: f64 = 0.01;

/// Associates a pattern with its points by one criterion. `Association::MaximumInscribed` is for one feature with
/// material around it, `MinimumCircumscribed` for one with material within.
///
/// # Errors
/// See [`TogetherError`].
pub fn associate_pattern(
    run: &Run,
    pattern: &Pattern,
    points: &[PatternPoint],
    criterion: Association,
) -> Result<Together, TogetherError> {
    associate(run, pattern, points, criterion, None)
}

/// As [`associate_pattern`], searched from one answer alone: what a little noise does to it.
///
/// # Errors
/// See [`TogetherError`].
pub fn associate_pattern_near(
    run: &Run,
    pattern: &Pattern,
    points: &[PatternPoint],
    criterion: Association,
    answer: &Together,
) -> Result<Together, TogetherError> {
    associate(run, pattern, points, criterion, Some(answer))
}

fn associate(
    run: &Run,
    pattern: &Pattern,
    points: &[PatternPoint],
    criterion: Association,
    answer: Option<&Together>,
) -> Result<Together, TogetherError> {
    run.check().map_err(FitError::from)?;
    let shape = pattern.ideals.first().map_or(Shape::Plane, Ideal::shape);
    let sized = pattern.ideals.iter().filter(|i| i.is_sized()).count();
    let need = (pattern.motions.len() + sized).max(1);
    if points.len() < need {
        return Err(FitError::TooFewPoints { shape, need, got: points.len() }.into());
    }
    if let Some(index) = points.iter().position(|p| !good(p, pattern.ideals.len())) {
        return Err(FitError::NotFinite { index }.into());
    }
    let (motion, sums) = least_squares(run, pattern, points, shape)?;
    let mut found = told(pattern, points, motion, &sums);
    let aside = match criterion {
        Association::LeastSquares => {
            found.unit_covariance = sums.covariance(pattern, points, &motion);
            return Ok(found);
        }
        Association::MinimumZone => Aside::Zone,
        Association::LeastSquaresOutside => Aside::LeastSquaresOutside,
        Association::MinimaxOutside => Aside::ZoneOutside,
        Association::MaximumInscribed => Aside::Tight,
        Association::MinimumCircumscribed => Aside::Tight,
    };
    if aside == Aside::Tight {
        let hollow = criterion == Association::MaximumInscribed;
        match pattern.ideals.as_slice() {
            [one] if one.hollow() == Some(hollow) => {}
            [_] if hollow => return Err(TogetherError::NoMeaning(NOT_HOLLOW)),
            [_] => return Err(TogetherError::NoMeaning(NOT_SOLID)),
            _ => return Err(TogetherError::NoMeaning(SEVERAL)),
        }
    }
    let start = answer.unwrap_or(&found);
    let start = (start.nominal_from_measured, start.growths_mm.as_slice());
    let (motion, growths) = match by_one_growth(run, pattern, points, aside, start, answer.is_some())? {
        Some(found) => found,
        None => jointly(run, pattern, points, aside, start)?,
    };
    let sums = Sums::of(pattern, points, &motion);
    let mut found = told(pattern, points, motion, &sums);
    found.growths_mm = growths;
    found.left_mm = left(pattern, points, &motion, &found.growths_mm);
    Ok(found)
}

const NOT_HOLLOW: &str =
    "the largest inscribed is for a feature of size with material around it: a hole, a groove";
const NOT_SOLID: &str =
    "the smallest circumscribed is for a feature of size with material within it: a shaft, a tongue";
const SEVERAL: &str = "the largest inscribed or smallest circumscribed of several features at once is not served in \
                       this version; associate them by minimax outside the material, minimum zone or least squares";

fn good(p: &PatternPoint, ideals: usize) -> bool {
    let inside = |p: &Point| p.iter().all(|c| c.is_finite() && c.abs() <= super::LARGEST_MM);
    let on = match p.on {
        On::Ideal(i) => i < ideals,
        On::Facet(at, _) => inside(&at),
    };
    on && inside(&p.point) && p.weight.is_finite() && p.weight > 0.0
}

/// Distance of a point moved along, and its derivatives by the amounts of the motions.
pub(super) fn row(
    pattern: &Pattern,
    p: &PatternPoint,
    motion: &Motion<PartFrame, PartFrame>,
) -> (f64, [f64; 6]) {
    let at = motion.point(&p.point);
    let (d, n) = match p.on {
        On::Ideal(i) => pattern.ideals[i].distance(&at),
        On::Facet(foot, normal) => ((at - foot).dot(&normal.vector()), normal.vector()),
    };
    let mut by = [0.0; 6];
    for (b, twist) in by.iter_mut().zip(&pattern.motions) {
        *b = n.dot(&twist.at(pattern.centre, &at));
    }
    (d, by)
}

/// The feature of size on which a point lies.
pub(super) fn sized(pattern: &Pattern, p: &PatternPoint) -> Option<usize> {
    match p.on {
        On::Ideal(i) if pattern.ideals[i].is_sized() => Some(i),
        _ => None,
    }
}

/// Weighted sums of one feature's points.
#[derive(Clone, Copy, Default)]
struct OfOne {
    weight: f64,
    distance: f64,
    by: [f64; 6],
}

/// Normal equations: of all points, and what each free size takes out of them.
struct Sums {
    weight: f64,
    square: f64,
    normal: [[f64; 6]; 6],
    gradient: [f64; 6],
    ones: Vec<OfOne>,
}

impl Sums {
    fn of(pattern: &Pattern, points: &[PatternPoint], motion: &Motion<PartFrame, PartFrame>) -> Self {
        let zero = || Self {
            weight: 0.0,
            square: 0.0,
            normal: [[0.0; 6]; 6],
            gradient: [0.0; 6],
            ones: vec![OfOne::default(); pattern.ideals.len()],
        };
        let mut all = chunked(
            points,
            zero(),
            |_, chunk| {
                let mut s = zero();
                for p in chunk {
                    let (d, by) = row(pattern, p, motion);
                    let w = p.weight;
                    s.weight += w;
                    s.square += w * d * d;
                    for i in 0..6 {
                        s.gradient[i] += w * d * by[i];
                        for j in 0..6 {
                            s.normal[i][j] += w * by[i] * by[j];
                        }
                    }
                    if let Some(i) = sized(pattern, p) {
                        let one = &mut s.ones[i];
                        one.weight += w;
                        one.distance += w * d;
                        for k in 0..6 {
                            one.by[k] += w * by[k];
                        }
                    }
                }
                s
            },
            |mut a, b| {
                a.weight += b.weight;
                a.square += b.square;
                for i in 0..6 {
                    a.gradient[i] += b.gradient[i];
                    for j in 0..6 {
                        a.normal[i][j] += b.normal[i][j];
                    }
                }
                for (x, y) in a.ones.iter_mut().zip(b.ones) {
                    x.weight += y.weight;
                    x.distance += y.distance;
                    for k in 0..6 {
                        x.by[k] += y.by[k];
                    }
                }
                a
            },
        );
        // Each size at its best for any motion (variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973,
        // here with one linear unknown a feature; from memory).
        for one in all.ones.iter().filter(|o| o.weight > 0.0) {
            all.square -= one.distance * one.distance / one.weight;
            for i in 0..6 {
                all.gradient[i] -= one.by[i] * one.distance / one.weight;
                for j in 0..6 {
                    all.normal[i][j] -= one.by[i] * one.by[j] / one.weight;
                }
            }
        }
        for i in 0..6 {
            all.gradient[i] /= all.weight;
            for j in 0..6 {
                all.normal[i][j] /= all.weight;
            }
        }
        all
    }

    fn growths(&self) -> Vec<f64> {
        self.ones.iter().map(|o| if o.weight > 0.0 { o.distance / o.weight } else { 0.0 }).collect()
    }

    /// The normal matrix with ones for the motions that there are not.
    fn filled(&self, motions: usize) -> [[f64; 6]; 6] {
        let mut normal = self.normal;
        for (i, row) in normal.iter_mut().enumerate().skip(motions) {
            row[i] = 1.0;
        }
        normal
    }

    fn step(&self, motions: usize) -> Option<[f64; 6]> {
        let step = Cholesky::new(&self.filled(motions))?.solve(&self.gradient.map(|g| -g));
        step.iter().all(|s| s.is_finite()).then_some(step)
    }

    /// Inverse, scatter of weighted noise, inverse.
    fn covariance(
        &self,
        pattern: &Pattern,
        points: &[PatternPoint],
        motion: &Motion<PartFrame, PartFrame>,
    ) -> Option<[[f64; 6]; 6]> {
        let means: Vec<[f64; 6]> = self
            .ones
            .iter()
            .map(|o| if o.weight > 0.0 { o.by.map(|b| b / o.weight) } else { [0.0; 6] })
            .collect();
        let scatter = chunked(
            points,
            [[0.0; 6]; 6],
            |_, chunk| {
                let mut s = [[0.0; 6]; 6];
                for p in chunk {
                    let (_, mut by) = row(pattern, p, motion);
                    if let Some(i) = sized(pattern, p) {
                        for k in 0..6 {
                            by[k] -= means[i][k];
                        }
                    }
                    let w = p.weight / self.weight;
                    for i in 0..6 {
                        for j in 0..6 {
                            s[i][j] += w * w * by[i] * by[j];
                        }
                    }
                }
                s
            },
            |mut a, b| {
                for i in 0..6 {
                    for j in 0..6 {
                        a[i][j] += b[i][j];
                    }
                }
                a
            },
        );
        let m = pattern.motions.len();
        let inverse = Cholesky::new(&self.filled(m))?.inverse();
        let mut out = [[0.0; 6]; 6];
        for i in 0..m {
            for j in 0..m {
                for k in 0..m {
                    for l in 0..m {
                        out[i][j] += inverse[i][k] * scatter[k][l] * inverse[l][j];
                    }
                }
            }
        }
        Some(out)
    }
}

/// Weighted mean of the products of the distances' derivatives by the amounts of the motions, where the points lie,
/// sizes being free: what the points hold of each motion.
///
/// # Errors
/// [`FitError::NotFinite`].
pub fn normal_of(pattern: &Pattern, points: &[PatternPoint]) -> Result<[[f64; 6]; 6], FitError> {
    match points.iter().position(|p| !good(p, pattern.ideals.len())) {
        Some(index) => Err(FitError::NotFinite { index }),
        None => Ok(Sums::of(pattern, points, &Motion::identity()).normal),
    }
}

/// Gauss and Newton's steps; distances are small against radii, so that a few settle.
fn least_squares(
    run: &Run,
    pattern: &Pattern,
    points: &[PatternPoint],
    shape: Shape,
) -> Result<(Motion<PartFrame, PartFrame>, Sums), FitError> {
    let open = FitError::Undetermined { shape, freedom: Freedom::Turns };
    let m = pattern.motions.len();
    let mut motion = Motion::identity();
    let mut last = f64::INFINITY;
    let rounding =
        4.0 * f64::EPSILON * points.iter().map(|p| p.point.coords.amax()).fold(pattern.reach_mm, f64::max);
    for _ in 0..STEPS {
        run.check()?;
        let sums = Sums::of(pattern, points, &motion);
        let (values, _) = symmetric_eigen(&sums.filled(m));
        if !(values[0] >= LEAST_HOLD * LEAST_HOLD) {
            return Err(open);
        }
        let Some(step) = sums.step(m) else { return Err(open) };
        let length = step.iter().map(|s| s * s).sum::<f64>().sqrt();
        motion = (Twist::motion(&pattern.motions, &step[..m], pattern.centre) * motion).orthonormalised();
        // A nanometre that no longer shrinks is rounding.
        if length <= rounding || (length < 1e-6 && length >= 0.5 * last) {
            let sums = Sums::of(pattern, points, &motion);
            return Ok((motion, sums));
        }
        last = length;
    }
    Err(FitError::NotSettled { shape, steps: STEPS })
}

fn told(
    pattern: &Pattern,
    points: &[PatternPoint],
    motion: Motion<PartFrame, PartFrame>,
    sums: &Sums,
) -> Together {
    let growths_mm = sums.growths();
    let left_mm = left(pattern, points, &motion, &growths_mm);
    Together {
        nominal_from_measured: motion,
        left_mm,
        growths_mm,
        rms_mm: (sums.square / sums.weight).max(0.0).sqrt(),
        unit_covariance: None,
        normal: sums.normal,
    }
}

/// Smallest and largest distance of each feature's points; of facets nothing is told.
fn left(
    pattern: &Pattern,
    points: &[PatternPoint],
    motion: &Motion<PartFrame, PartFrame>,
    growths: &[f64],
) -> Vec<[f64; 2]> {
    let mut all = vec![[f64::INFINITY, f64::NEG_INFINITY]; pattern.ideals.len()];
    for p in points {
        if let On::Ideal(i) = p.on {
            let d = row(pattern, p, motion).0 - growths[i];
            all[i] = [all[i][0].min(d), all[i][1].max(d)];
        }
    }
    all
}

#[cfg(test)]
#[path = "together_tests.rs"]
mod tests;
