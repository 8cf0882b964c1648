//! Stages that may lock only some freedoms of the part (customised datums, ISO 5459:2011, 7.4.2.8; from memory).
//!
//! What a stage can lock is a space of wrenches: each of its rows sees one number of a motion. What it may lock is
//! another: the shifts of the middle of its targets along some axes, and the turns about some. It locks what lies in
//! both. For each direction of that intersection one combination of its rows is brought to zero, and nothing else of
//! them: a plane that may only turn the part about z is met in its turn and missed in its height. The construction is
//! our own.

use super::{LEAST_HOLD, Row, Six, dot, length};
use crate::geometry::{Point, Vector, symmetric_eigen};
use crate::plan::Lock;

/// The only freedoms that a stage may lock.
#[derive(Clone, Debug, PartialEq)]
pub struct Only {
    /// The stage.
    pub stage: usize,
    /// Freedoms: shifts of the middle of its targets, turns.
    pub locks: Vec<Lock>,
}

/// Directions are the same within half a degree: what a mesh leaves of a surface that stands square (common practice,
/// no source).
const SAME_COS2: f64 = 1.0 - 1e-4;

/// A sum of rows times factors that a stage brings to zero.
pub(super) struct Combination {
    parts: Vec<(usize, f64)>,
    /// Weight of its square in the stage.
    pub(super) weight: f64,
}

impl Combination {
    /// A row by itself.
    pub(super) fn one(row: usize, weight: f64) -> Self {
        Self { parts: vec![(row, 1.0)], weight }
    }

    /// What it takes of the part's motion.
    pub(super) fn holds(&self, all: &[Row]) -> Six {
        self.sum(|r| all[r].holds)
    }

    /// Its derivatives.
    pub(super) fn by(&self, all: &[Row]) -> Six {
        self.sum(|r| all[r].by)
    }

    /// Of residuals, or errors, of all rows.
    pub(super) fn of(&self, residuals: &[f64]) -> f64 {
        self.parts.iter().map(|&(r, c)| c * residuals[r]).sum()
    }

    /// The rows that it is made of.
    pub(super) fn rows(&self) -> impl Iterator<Item = usize> + '_ {
        self.parts.iter().map(|p| p.0)
    }

    fn sum(&self, of: impl Fn(usize) -> Six) -> Six {
        let mut total = [0.0; 6];
        for &(r, c) in &self.parts {
            let row = of(r);
            for k in 0..6 {
                total[k] += c * row[k];
            }
        }
        total
    }
}

/// The combinations of a stage's `own` rows that lie in what it may lock; none where it can lock nothing of it.
pub(super) fn combined(
    all: &[Row],
    own: &[usize],
    only: &Only,
    places: &[Point],
    (centre, spread): (Point, f64),
) -> Vec<Combination> {
    let n = own.len().max(1) as f64;
    let mut gram = [[0.0; 6]; 6];
    for &r in own {
        let h = all[r].holds;
        for i in 0..6 {
            for j in 0..6 {
                gram[i][j] += h[i] * h[j];
            }
        }
    }
    let (values, vectors) = symmetric_eigen(&gram);
    let seen: Vec<(f64, Six)> =
        values.into_iter().zip(vectors).filter(|(v, _)| (v.max(0.0) / n).sqrt() >= LEAST_HOLD).collect();
    let middle = places.iter().fold(Vector::zeros(), |s, p| s + (p - centre)) / places.len().max(1) as f64;
    let may = allowed(&only.locks, middle, spread);
    let mut both = [[0.0; 6]; 6];
    for (i, (_, a)) in seen.iter().enumerate() {
        for (j, (_, b)) in seen.iter().enumerate() {
            both[i][j] = may.iter().map(|l| dot(a, l) * dot(b, l)).sum();
        }
    }
    let (values, vectors) = symmetric_eigen(&both);
    let mut found = Vec::new();
    for (_, shares) in values.iter().zip(&vectors).rev().filter(|(v, _)| **v >= SAME_COS2) {
        // Row r takes part by h_r . (sum of h h')^-1 f, so that all together they see f.
        let mut inverse = [0.0; 6];
        for ((value, vector), share) in seen.iter().zip(shares) {
            for k in 0..6 {
                inverse[k] += vector[k] * share / value;
            }
        }
        let parts = own.iter().map(|&r| (r, dot(&all[r].holds, &inverse))).collect();
        found.push(Combination { parts, weight: 1.0 });
    }
    found
}

/// An orthonormal basis of what some locks see of a motion.
fn allowed(locks: &[Lock], middle: Vector, spread: f64) -> Vec<Six> {
    let axes = [Vector::x(), Vector::y(), Vector::z()];
    let mut basis: Vec<Six> = Vec::new();
    for lock in locks {
        let (axis, turns) = match lock {
            Lock::X => (axes[0], false),
            Lock::Y => (axes[1], false),
            Lock::Z => (axes[2], false),
            Lock::Rx => (axes[0], true),
            Lock::Ry => (axes[1], true),
            Lock::Rz => (axes[2], true),
        };
        let moment = if turns { axis } else { middle.cross(&axis) / spread };
        let force = if turns { Vector::zeros() } else { axis };
        let mut one: Six = [force.x, force.y, force.z, moment.x, moment.y, moment.z];
        for _ in 0..2 {
            for b in &basis {
                let along = dot(&one, b);
                for k in 0..6 {
                    one[k] -= along * b[k];
                }
            }
        }
        let size = length(&one);
        if size > 1e-9 {
            basis.push(one.map(|v| v / size));
        }
    }
    basis
}

#[cfg(test)]
mod tests {
    use super::super::{Target, TargetMeasured, solve_leaving};
    use super::*;
    use crate::geometry::{Direction, Motion, math};

    fn plane(places: [[f64; 3]; 3], direction: Direction, stage: usize) -> Vec<Target> {
        let one =
            |p: [f64; 3]| Target { nominal: p.into(), direction, weight: 1.0, locks: Vec::new(), stage };
        places.map(one).into()
    }

    fn at(p: [f64; 3]) -> TargetMeasured {
        TargetMeasured { point: p.into(), normal: None, standard_mm: 0.0 }
    }

    /// A on z, B on y: B stands 0.3 mm off and turned by 0.01 rad. Where B may only turn the part, it is met in its turn
    /// and missed in its height; along x and y the part stays where it was.
    #[test]
    fn a_plane_that_may_only_turn_the_part_leaves_it_where_it_stands() {
        let mut targets = plane([[0., 0., 0.], [90., 0., 0.], [0., 60., 0.]], Direction::Z, 0);
        targets.extend(plane([[0., 0., 5.], [90., 0., 5.], [45., 0., 25.]], Direction::Y, 1));
        let slope = |x: f64| 0.3 + math::tan(0.01) * (x - 45.0);
        let measured: Vec<TargetMeasured> = [
            [0., 0., 0.],
            [90., 0., 0.],
            [0., 60., 0.],
            [0., slope(0.0), 5.],
            [90., slope(90.0), 5.],
            [45., slope(45.0), 25.],
        ]
        .map(at)
        .into();
        let only = [Only { stage: 1, locks: vec![Lock::Rz] }];
        let found = solve_leaving(&targets, &measured, &only, Motion::identity()).unwrap();
        let codes = |s: usize| found.stages[s].locked.iter().map(|f| f.code.unwrap()).collect::<Vec<_>>();
        assert_eq!(codes(0), ["tz", "rx", "ry"]);
        assert_eq!(codes(1), ["rz"]);
        let free: Vec<&str> = found.stages[1].left_free.iter().map(|f| f.code.unwrap()).collect();
        assert_eq!(free, ["tx", "ty"]);
        assert!((found.part_from_scan.turn_rad() - 0.01).abs() < 1e-6, "{}", found.part_from_scan.turn_rad());
        // The turn is met: what is left is one height, which nothing brings to zero.
        let left = found.residuals[3].residual_mm;
        assert!(
            found.residuals[3..].iter().all(|r| (r.residual_mm - left).abs() < 1e-9),
            "{:?}",
            found.residuals
        );
        assert!(left > 0.2, "{left}");
        // The two free motions are the shifts.
        assert_eq!(found.free.len(), 2);
        for twist in &found.free {
            assert!(twist.turn.norm() < 1e-12 && twist.shift.z.abs() < 1e-12, "{twist:?}");
        }
        // Without the limit the same targets lock y too.
        let all = solve_leaving(&targets, &measured, &[], Motion::identity()).unwrap();
        assert_eq!(all.free.len(), 1);
        assert!(all.residuals[3..].iter().all(|r| r.residual_mm.abs() < 1e-9));
        // A plane on z can turn nothing about z.
        let none = [Only { stage: 0, locks: vec![Lock::Rz, Lock::X] }];
        assert!(solve_leaving(&targets, &measured, &none, Motion::identity()).is_err());
    }

    /// A hole's centre where the part may turn, and the second hole that would clock it is loose: what is loose is the
    /// turn about the first.
    #[test]
    fn what_is_loosened_turns_about_what_still_holds() {
        let mut targets = plane([[0., 0., 0.], [90., 0., 0.], [0., 60., 0.]], Direction::Z, 0);
        for (place, stage) in [([10., 10., 0.], 1), ([70., 10., 0.], 2)] {
            for direction in [Direction::X, Direction::Y] {
                let nominal = Point::from(Vector::from(place));
                targets.push(Target { nominal, direction, weight: 1.0, locks: Vec::new(), stage });
            }
        }
        let measured: Vec<TargetMeasured> = targets
            .iter()
            .map(|t| TargetMeasured { point: t.nominal, normal: None, standard_mm: 0.0 })
            .collect();
        let found = solve_leaving(&targets, &measured, &[], Motion::identity()).unwrap();
        assert!(found.free.is_empty());
        let last = &found.stages[2].loosened;
        assert_eq!(last.len(), 1);
        assert!(last[0].at(found.centre, &Point::new(10.0, 10.0, 0.0)).norm() < 1e-9, "{last:?}");
        assert!(last[0].turn.z.abs() > 1e-3);
        // Were the first loose instead, the second still looks at it: the part moves without turning off the line.
        let first = &found.stages[1].loosened;
        assert_eq!(first.len(), 2);
        for twist in first {
            let moved = twist.at(found.centre, &Point::new(70.0, 10.0, 0.0));
            assert!(moved.y.abs() < 1e-9 && moved.z.abs() < 1e-9, "{twist:?}");
        }
    }
}
