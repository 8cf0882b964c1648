//! How the axis lies along which a wall is looked at that is too short to tell its own: the skin that gives it is known by its
//! points alone, and the wall may lean against it.
//!
//! The lean is told by the wall's own points, by least squares in closed form: where it lies, how wide it is and two slopes. It is
//! no part of a place, which is told at the middle of the depth, and second order for what is fitted to the whole wall; a size that
//! is inscribed, circumscribed or local changes by up to the lean times the depth. There the rule is applied along axes that are
//! tilted by one standard uncertainty, both ways (JCGM 100:2008, 5.1.3, note 2).

use crate::geometry::{Cholesky, Direction, Matrix3, Point, Vector, symmetric_eigen3};
use crate::partition::Tube;
use crate::plan::{BoundFeature, Requirement, Situation};
use crate::run::Stopped;
use crate::tolerance::Surface;
use crate::uncertainty::Source;

use super::by_rule::Asked;
use super::extract::Extracted;
use super::rehearsal::{mean_square, numbers};
use super::{Subject, rules};

/// Fewer points of a wall tell no lean.
const LEAST_POINTS: usize = 12;

/// A lean beyond this is no chance: 95 % of the squares of two standard normal deviates lie below it together.
const SURE: f64 = 5.99;

/// How a wall leans against an axis, by its own points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lean {
    /// How far its axis moves aside for each mm along the other, mm.
    pub(super) slope: Vector,
    /// Covariance of that.
    pub(super) covariance: Matrix3,
    /// Whether noise does not explain it.
    pub(super) sure: bool,
}

impl Lean {
    /// Of points of a wall that nominally is `tube`, against `axis`. `None` where they do not tell it.
    pub(super) fn of(points: &[Point], tube: &Tube, axis: Direction, noise_mm: f64) -> Option<Self> {
        if points.len() < LEAST_POINTS {
            return None;
        }
        let (a, u) = (tube.axis.vector(), tube.along.vector());
        let v = a.cross(&u);
        let n = points.len() as f64;
        let middle = points.iter().map(|p| (p - tube.at).dot(&a)).sum::<f64>() / n;
        let row = |p: &Point| {
            let on = tube.on_wall(p);
            let ([x, y], z) = (on.across, on.deep_mm - middle);
            ([1.0, x, y, x * z, y * z], -on.off_mm)
        };
        let (mut m, mut right) = ([[0.0; 5]; 5], [0.0; 5]);
        for p in points {
            let (r, off) = row(p);
            for i in 0..5 {
                right[i] += r[i] * off;
                for j in 0..5 {
                    m[i][j] += r[i] * r[j];
                }
            }
        }
        let solver = Cholesky::new(&m)?;
        let found = solver.solve(&right);
        let left = |p: &Point| {
            let (r, off) = row(p);
            let rest = off - r.iter().zip(&found).map(|(x, y)| x * y).sum::<f64>();
            rest * rest
        };
        // Form beyond the noise makes it less sure (Birge, Physical Review 40, 1932).
        let variance = (points.iter().map(left).sum::<f64>() / (n - 5.0)).max(noise_mm * noise_mm);
        let unit = solver.inverse();
        let of = |i: usize, j: usize| unit[3 + i][3 + j] * variance;
        let covariance = u * u.transpose() * of(0, 0)
            + v * v.transpose() * of(1, 1)
            + (u * v.transpose() + v * u.transpose()) * of(0, 1);
        let along = axis.vector();
        let cosine = along.dot(&a);
        if !(cosine.abs() > 0.5) {
            return None;
        }
        let slope = [found[3] - along.dot(&u) / cosine, found[4] - along.dot(&v) / cosine];
        let determinant = of(0, 0) * of(1, 1) - of(0, 1) * of(0, 1);
        let square = (slope[0] * slope[0] * of(1, 1) - 2.0 * slope[0] * slope[1] * of(0, 1)
            + slope[1] * slope[1] * of(0, 0))
            / determinant;
        let slope = u * slope[0] + v * slope[1];
        Some(Self { slope, covariance, sure: square > SURE })
    }

    /// For the record; `depth_mm` is how deep the wall is.
    pub(super) fn words(&self, depth_mm: f64) -> String {
        let lean = self.slope.norm();
        let standard = (0.5 * self.covariance.trace()).max(0.0).sqrt();
        format!(
            "{:.3} degrees against that axis by the wall's own points (standard uncertainty {:.3}{}): its ends lie {:.4} mm aside of the \
             middle of its depth, where its place is told",
            lean.to_degrees(),
            standard.to_degrees(),
            if self.sure { "" } else { ", so noise alone may make it" },
            0.5 * depth_mm * lean
        )
    }
}

/// Covariance of an axis whose slopes along its two directions across have `slopes`.
pub(super) fn of_slopes(axis: Direction, slopes: &[[f64; 2]; 2]) -> Matrix3 {
    let (u, v) = axis.frame();
    u * u.transpose() * slopes[0][0]
        + v * v.transpose() * slopes[1][1]
        + (u * v.transpose() + v * u.transpose()) * (0.5 * (slopes[0][1] + slopes[1][0]))
}

/// Tilts by one standard uncertainty along the axes of a covariance.
fn tilts(covariance: &Matrix3) -> Vec<Vector> {
    let (values, vectors) = symmetric_eigen3(covariance);
    let told = values.iter().zip(vectors).filter(|(value, _)| **value > 1e-16);
    told.map(|(value, v)| v * value.sqrt()).collect()
}

/// The mean square change of each value by tilts of an axis, each both ways; infinite where there is no value.
pub(super) fn squares(
    covariance: &Matrix3,
    values: &[f64],
    tilted: impl Fn(Vector) -> Result<Option<Vec<f64>>, Stopped>,
) -> Result<Vec<f64>, Stopped> {
    let mut squares = vec![0.0; values.len()];
    for tilt in tilts(covariance) {
        let ways = [tilted(tilt)?, tilted(-tilt)?];
        for (k, square) in squares.iter_mut().enumerate() {
            *square += mean_square(&ways, k, values[k]);
        }
    }
    Ok(squares)
}

/// The standard uncertainty of the value that tilts change the most.
pub(super) fn standard(squares: &[f64]) -> f64 {
    squares.iter().copied().fold(0.0, f64::max).sqrt()
}

/// Covariance of the axis along which a short wall is looked at, from that of its skin and, for what depends on it, from how the wall
/// leans against it.
fn of_axis(skin: (Direction, &[[f64; 2]; 2]), lean: Option<&Lean>) -> Matrix3 {
    let mut all = of_slopes(skin.0, skin.1);
    if let Some(lean) = lean {
        all += lean.covariance;
        if lean.sure {
            all += lean.slope * lean.slope.transpose();
        }
    }
    all
}

/// A wall too short to tell its own axis, of a requirement on it or on a group that it belongs to.
pub(super) struct ShortWall<'a> {
    bound: &'a BoundFeature,
    /// How well the axis is known along which it is looked at.
    covariance: Matrix3,
    lean: Option<Lean>,
    depth_mm: f64,
}

impl<'a> ShortWall<'a> {
    /// Those of a requirement; `surfaces` are its features' own, in its order. None where walls tell their own axes, or have none.
    pub(super) fn all(subject: &Subject<'a>, asked: &Asked, surfaces: &[Extracted]) -> Vec<Self> {
        let size = match subject.characteristic.requirement {
            Requirement::Diameter { .. } | Requirement::Width { .. } => true,
            Requirement::Position { .. } | Requirement::Symmetry { .. } => false,
            _ => return Vec::new(),
        };
        let features = asked.features.iter().take(asked.own).zip(surfaces);
        let one = |(&feature, own): (&usize, &Extracted)| {
            let bound = subject.context.faces.features.get(feature)?;
            let (axis, tube) = (rules::axis(subject, bound)?, Tube::of(&bound.situation)?);
            // A pin's is the nominal one, against which it is said to be told.
            let hollow = !matches!(bound.situation, Situation::Cylinder { hollow: false, .. });
            let lean =
                Lean::of(&own.measured.points, &tube, axis.axis, own.noise_mm).filter(|_| hollow || size);
            let covariance = of_axis((axis.axis, &axis.slopes), lean.as_ref().filter(|_| size));
            let wall = super::extract::wall_mm(subject.context.nominal, bound);
            Some(Self { bound, covariance, lean, depth_mm: wall.map_or(0.0, |[a, b]| b - a) })
        };
        features.filter_map(one).collect()
    }

    /// The mean square change of each value by tilts of the axis of this wall alone; `told` makes the values of a subject.
    pub(super) fn squares(
        &self,
        subject: &Subject<'a>,
        values: &[f64],
        told: impl Fn(&Subject<'a>) -> Result<Option<Vec<f64>>, Stopped>,
    ) -> Result<Vec<f64>, Stopped> {
        squares(&self.covariance, values, |tilt| {
            told(&Subject { tilted: Some((self.bound, tilt)), ..*subject })
        })
    }

    /// Words on the lean; of several walls on that whose ends lie furthest aside, by its name.
    pub(super) fn words(all: &[Self]) -> Option<String> {
        let aside = |w: &Self| w.lean.map_or(-1.0, |l| w.depth_mm * l.slope.norm());
        // The first of equals.
        let most = all.iter().rev().max_by(|a, b| aside(a).total_cmp(&aside(b)))?;
        let words = most.lean?.words(most.depth_mm);
        Some(match all.len() {
            1 => words,
            n => format!("{}, the most of {n}: {words}", most.bound.id),
        })
    }
}

/// The line of the budget for the axes of short walls, and words on their lean; `None` where walls tell their own axes, or have
/// none. Skins of several openings are known by points of their own.
pub(super) fn line(
    subject: &Subject,
    (asked, surfaces): (&Asked, &[Extracted]),
    (likely, values): (&[Surface], &[f64]),
) -> Result<Option<(f64, Option<String>)>, Stopped> {
    let walls = ShortWall::all(subject, asked, surfaces);
    if walls.is_empty() {
        return Ok(None);
    }
    let mut sums = vec![0.0; values.len()];
    for wall in &walls {
        let squares = wall.squares(subject, values, |there| match rules::asked(there) {
            Ok(asked) => numbers(there, &asked, likely),
            Err(_) => Ok(None),
        })?;
        sums.iter_mut().zip(squares).for_each(|(sum, square)| *sum += square);
    }
    Ok(Some((standard(&sums), ShortWall::words(&walls))))
}

/// As a line of a budget.
pub(super) fn as_line(standard: f64) -> (Source, f64) {
    (Source::Lean, standard)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::math;
    use crate::geometry::random::Random;

    #[test]
    fn a_short_wall_tells_its_lean_as_well_as_it_says() {
        let tube = Tube::round(Point::new(1.0, 2.0, -1.5), Direction::Z, 4.0).unwrap();
        let truth = Vector::new(0.012, -0.007, 0.0);
        let (mut square, mut sure) = (0.0, 0);
        const SCANS: u32 = 400;
        for seed in 0..SCANS {
            let mut random = Random::seeded(u64::from(seed));
            let points: Vec<Point> = (0..120)
                .map(|_| {
                    let (turn, z) = (std::f64::consts::TAU * random.unit(), 2.4 * (random.unit() - 0.5));
                    let e = Vector::new(math::cos(turn), math::sin(turn), 0.0);
                    tube.at
                        + e * (4.03 + 0.02 * random.normal())
                        + (Vector::z() + truth) * z
                        + Vector::x() * 0.1
                })
                .collect();
            let lean = Lean::of(&points, &tube, Direction::Z, 0.02).unwrap();
            let off = lean.slope - truth;
            let flat = lean.covariance.fixed_view::<2, 2>(0, 0).into_owned();
            let inverse = flat.try_inverse().unwrap();
            square += (off.xy().transpose() * inverse * off.xy())[0] / f64::from(SCANS);
            sure += u32::from(lean.sure);
        }
        // Two freedoms; a standard error of 2 / sqrt(400).
        assert!((square - 2.0).abs() < 0.4, "{square}");
        assert!(sure > SCANS / 2, "{sure} of {SCANS} are told from noise");
        // Against an axis that leans as it does nothing is left.
        let axis = Direction::new(Vector::z() + truth).unwrap();
        let points: Vec<Point> = (0..120)
            .map(|i| {
                let (turn, z) = (0.3 * f64::from(i), 0.02 * f64::from(i) - 1.2);
                let e = Vector::new(math::cos(turn), math::sin(turn), 0.0);
                tube.at + e * 4.0 + (Vector::z() + truth) * z
            })
            .collect();
        let lean = Lean::of(&points, &tube, axis, 0.02).unwrap();
        assert!(lean.slope.norm() < 1e-4 && !lean.sure, "{lean:?}");
        assert!(Lean::of(&points[..5], &tube, axis, 0.02).is_none());
    }
}
