//! A datum system from datum targets: points, pads and locks, in order of precedence.
//!
//! ISO 5459:2011 (datum targets; 3-2-1 is its smallest case). Each target is a place on the nominal and one or
//! more locks: directions along which the made part's surface is brought to that place. Stage by stage (datum A,
//! B, C) the weighted sum of squares of the stage's residuals is minimised over the motions that the stages before
//! left free; what those determined stays locked. More targets than freedoms are allowed in a stage; what they
//! cannot meet is reported as residuals. A stage with only as many locks as freedoms is met exactly.
//!
//! A lock along an axis of the part on a sloping surface takes the part along that axis only; its residual runs
//! along the axis too, to the measured surface. So what a stage locks follows from directions and places of its
//! locks alone, never from slopes.
//!
//! The sequence of constrained least-squares problems (Björck, Numerical Methods for Least Squares Problems, 1996,
//! 5.1 and 9.2, from memory; the sequence is our own) is solved by Gauss-Newton on all stages at once: in each round
//! the gradients of all of them, each over the motions that it holds, are brought to zero to first order.

mod freedom;
mod motions;
mod only;
mod rows;

pub use freedom::Freedom;
pub use only::Only;

pub use crate::plan::Axis;

use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Twist, Vector, symmetric_eigen};
use freedom::{left_free, locked};
pub(crate) use motions::named_motions;
use motions::{loosened, twists};
use only::{Combination, combined};
use rows::{Row, rows};

/// A datum target on the nominal.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// Place on the nominal, mm.
    pub nominal: Point,
    /// Direction of the target: the outward normal of the nominal there.
    pub direction: Direction,
    /// Weight of its squared residuals within its stage, greater than zero.
    pub weight: f64,
    /// What it locks: along the part's axes; empty: along its own direction.
    pub locks: Vec<Axis>,
    /// Order of precedence: 0 = datum A, 1 = B, 2 = C. Stages without targets are passed over.
    pub stage: usize,
}

/// What was measured at a target.
#[derive(Clone, Debug, PartialEq)]
pub struct TargetMeasured {
    /// The measured point in the coordinates to be moved, mm.
    pub point: Point,
    /// Normal of the measured surface there, in the same coordinates. With it a residual runs along the lock to
    /// the tangent plane of the measured surface; without it, it is the point's own component along the lock (a
    /// hole's centre, a probed point).
    pub normal: Option<Direction>,
    /// Standard deviation of the point along the normal, or along any direction where there is none, mm.
    pub standard_mm: f64,
}

/// What is left between a target and the aligned part along one lock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TargetResidual {
    /// Index of the target.
    pub target: usize,
    /// The axis locked; `None`: the target's own direction.
    pub lock: Option<Axis>,
    /// Measured less nominal along the lock, mm.
    pub residual_mm: f64,
}

/// What a stage settled.
#[derive(Clone, Debug, PartialEq)]
pub struct StageLocks {
    /// The stage.
    pub stage: usize,
    /// What it locked, as many as freedoms.
    pub locked: Vec<Freedom>,
    /// What it left to the stages after it.
    pub left_free: Vec<Freedom>,
    /// The motions about the alignment's centre that its targets alone hold, once all other stages have theirs: as many
    /// as it locked, orthogonal, each of 1 mm at the spread of the targets.
    pub loosened: Vec<Twist>,
}

/// The part aligned on its targets.
#[derive(Clone, Debug, PartialEq)]
pub struct TargetAlignment {
    /// Takes measured coordinates to the part's.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// Residuals per target and lock, in the order of the targets and their locks.
    pub residuals: Vec<TargetResidual>,
    /// What each stage locked, in order.
    pub stages: Vec<StageLocks>,
    /// Point about which `covariance` turns: the middle of the nominal targets, mm.
    pub centre: Point,
    /// Motions about it that no stage locks: orthogonal, each of 1 mm at the spread of the targets. Along them the
    /// part stays where the start has it.
    pub free: Vec<Twist>,
    /// Covariance of (turn about x, y, z, rad; shift along x, y, z, mm) from the targets' standard deviations.
    pub covariance: [[f64; 6]; 6],
    /// What an error of 1 mm of each residual does to the part, in the order of `residuals`: turn about x, y, z
    /// through `centre`, rad, and shift along x, y, z, mm.
    pub responses: Vec<[f64; 6]>,
    /// Rounds until it rested.
    pub rounds: usize,
    /// Strongest over weakest hold of all stages: 1 when all freedoms are held alike, hundreds when the targets
    /// nearly leave a motion free (see [`LEAST_HOLD`]).
    pub condition: f64,
}

/// Why targets give no datum system.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TargetError {
    /// Numbers of targets and of measured targets differ.
    #[error(
        "{targets} targets but {measured} measured; give one measured point per target, in the same order"
    )]
    Counts {
        /// Targets.
        targets: usize,
        /// Measured.
        measured: usize,
    },
    /// A target that is none.
    #[error("target {index}: {problem}")]
    BadTarget {
        /// Its index.
        index: usize,
        /// What is wrong and what to do.
        problem: &'static str,
    },
    /// The surface runs along the lock, so that it cannot hold the part there.
    #[error(
        "target {index}: the surface runs within {degrees:.1} degrees of the direction it is locked in; lock it along its normal or another axis"
    )]
    Grazing {
        /// Its index.
        index: usize,
        /// Angle between surface and lock, degrees.
        degrees: f64,
    },
    /// The targets leave the part free.
    #[error("the part can still {}; add targets or locks that hold this", join(.free))]
    Undetermined {
        /// The motions that are free.
        free: Vec<Freedom>,
    },
    /// A stage that adds nothing.
    #[error(
        "datum {} locks nothing that the datums before it have not locked; give its targets other directions or places", letter(*.stage)
    )]
    LocksNothing {
        /// The stage.
        stage: usize,
    },
    /// Targets that cannot all be met.
    #[error(
        "target {index} is {residual_mm:.3} mm from where the others hold the part, more than a tenth of their spread of {spread_mm:.1} mm; check for mixed-up targets and the start"
    )]
    Contradictory {
        /// The target with the largest residual.
        index: usize,
        /// Its residual, mm.
        residual_mm: f64,
        /// Root mean square distance of the targets from their middle, mm.
        spread_mm: f64,
    },
    /// The slopes of the measured surfaces undo what the locks hold.
    #[error(
        "the measured surfaces slope so much against their locks that the part is not held; lock along the normals or move the targets"
    )]
    Unsolved,
    /// The iteration did not come to rest.
    #[error(
        "after {rounds} rounds the part still moves by {moved_mm:e} mm; start closer or check for mixed-up targets"
    )]
    NotSettled {
        /// Rounds taken.
        rounds: usize,
        /// The last step, mm at the spread of the targets.
        moved_mm: f64,
    },
}

fn join(free: &[Freedom]) -> String {
    free.iter().map(|f| f.words.as_str()).collect::<Vec<_>>().join(" and ")
}

/// The datum's usual letter.
fn letter(stage: usize) -> String {
    match u8::try_from(stage) {
        Ok(s) if s < 26 => char::from(b'A' + s).to_string(),
        _ => format!("of stage {stage}"),
    }
}

/// Weakest hold that still locks a motion: a shift by 1 mm, or a turn that moves the spread of the targets by 1 mm,
/// must change the residuals of the stage's locks (root mean square) by this, mm. Pads whose normals differ by
/// half a degree from being parallel do not hold the part sideways. Common practice, no source.
pub const LEAST_HOLD: f64 = 0.01;

/// Largest residual, in spreads of the targets, that is no mix-up (common practice, no source).
const LARGEST_RESIDUAL: f64 = 0.1;

/// Rounds after which a part that still moves has no datum system.
const MOST_ROUNDS: usize = 200;

/// Longest turn of a round, rad: from a start askew full steps may overshoot.
const LONGEST_TURN_RAD: f64 = 0.5;

/// Largest coordinate taken, mm.
const LARGEST_MM: f64 = 1e9;

/// A motion in scaled terms: shift, then turn times the spread of the targets, both mm.
type Six = [f64; 6];

/// Brings measured targets onto their nominal places, from `start`.
///
/// The rest that is found is the one next to the start. 3-2-1 holds have mirrored ones, far away: a few degrees are
/// fine there. Targets that hold a motion weakly (see `condition`) on a curved face may have another some
/// millimetres away: there the start should come from a fine alignment.
///
/// # Errors
/// See [`TargetError`]; a motion that no target holds is named in words.
pub fn solve(
    targets: &[Target],
    measured: &[TargetMeasured],
    start: Motion<PartFrame, ScanFrame>,
) -> Result<TargetAlignment, TargetError> {
    let found = solve_leaving(targets, measured, &[], start)?;
    match found.stages.last() {
        Some(last) if last.left_free.is_empty() => Ok(found),
        Some(last) => Err(TargetError::Undetermined { free: last.left_free.clone() }),
        None => Err(TargetError::Undetermined { free: left_free(&everything(), found.centre, 1.0) }),
    }
}

/// All six motions.
fn everything() -> Vec<Six> {
    (0..6).map(|i| std::array::from_fn(|j| f64::from(u8::from(i == j)))).collect()
}

/// As [`solve`], where a stage may be told to lock `only` some freedoms of the part, and the part may stay free: it
/// stays where the start has it along what no stage locks, which is told.
///
/// # Errors
/// See [`TargetError`]; never [`TargetError::Undetermined`].
pub fn solve_leaving(
    targets: &[Target],
    measured: &[TargetMeasured],
    only: &[Only],
    start: Motion<PartFrame, ScanFrame>,
) -> Result<TargetAlignment, TargetError> {
    check(targets, measured)?;
    let n = targets.len().max(1) as f64;
    let sum = targets.iter().fold(Vector::zeros(), |s, t| s + t.nominal.coords);
    let centre = Point::from(sum / n);
    let square: f64 = targets.iter().map(|t| (t.nominal - centre).norm_squared()).sum();
    // Targets all in one place hold no turn, whatever the unit of turns.
    let rms = (square / n).sqrt();
    let spread = if rms > 0.0 { rms } else { 1.0 };
    let size = targets.iter().zip(measured).fold(spread, |m, (t, p)| {
        m.max(t.nominal.coords.amax()).max(start.point(&p.point).coords.amax()).max(p.point.coords.amax())
    });

    let mut motion = start;
    let mut last = f64::INFINITY;
    let mut share = 1.0f64;
    for rounds in 1..=MOST_ROUNDS {
        let all = rows(targets, measured, &motion, centre, spread)?;
        let order = order(targets, &all, only, (centre, spread))?;
        let Some(step) = order.step(&all) else { return Err(TargetError::Unsolved) };
        let moved = length(&step);
        let turn = Vector::new(step[3], step[4], step[5]) / spread;
        let shift = Vector::new(step[0], step[1], step[2]);
        // Steps that do not shrink go to and fro about the rest: shorter ones settle (common practice, no source).
        share = if moved > 0.9 * last { (0.5 * share).max(0.05) } else { (2.0 * share).min(1.0) };
        let short = (LONGEST_TURN_RAD / turn.norm()).min(1.0) * share;
        motion = (Motion::turn_about(centre, turn * short, shift * short) * motion).orthonormalised();
        // Rounding of the largest coordinate; below a nanometre a step that no longer shrinks is rounding too.
        let still =
            moved <= 4.0 * f64::EPSILON * size || (moved < 1e-15 * size.max(1e6) && moved >= 0.5 * last);
        if still {
            return finish((targets, measured, only), motion, (centre, spread), rounds);
        }
        last = moved;
    }
    Err(TargetError::NotSettled { rounds: MOST_ROUNDS, moved_mm: last })
}

fn check(targets: &[Target], measured: &[TargetMeasured]) -> Result<(), TargetError> {
    if targets.len() != measured.len() {
        return Err(TargetError::Counts { targets: targets.len(), measured: measured.len() });
    }
    let inside = |p: &Point| p.iter().all(|c| c.is_finite() && c.abs() <= LARGEST_MM);
    for (index, (target, found)) in targets.iter().zip(measured).enumerate() {
        let bad = |problem| Err(TargetError::BadTarget { index, problem });
        if !inside(&target.nominal) || !inside(&found.point) {
            return bad("a coordinate is not a finite number within 1e9 mm; correct it");
        }
        if !(target.weight.is_finite() && target.weight > 0.0) {
            return bad("its weight must be greater than zero; leave the target out instead");
        }
        if !(found.standard_mm.is_finite() && found.standard_mm >= 0.0) {
            return bad("its standard deviation must be zero or more");
        }
        let mut locks = target.locks.clone();
        locks.sort();
        locks.dedup();
        if locks.len() != target.locks.len() {
            return bad("it locks the same axis twice; name each axis once");
        }
    }
    Ok(())
}

/// A stage with the motions it decides.
struct Stage {
    stage: usize,
    /// What it brings to zero: its rows, or combinations of them where it may lock only some freedoms.
    rows: Vec<Combination>,
    /// Orthonormal motions that it locks.
    held: Vec<Six>,
    /// How strongly, mm per mm.
    holds: Vec<f64>,
    /// Orthonormal motions that are free after it.
    free: Vec<Six>,
}

/// All stages with targets, in order.
struct Order(Vec<Stage>);

/// Splits the freedoms among the stages by the eigenvalues of what each stage sees of them.
fn order(
    targets: &[Target],
    all: &[Row],
    only: &[Only],
    (centre, spread): (Point, f64),
) -> Result<Order, TargetError> {
    let mut free: Vec<Six> = everything();
    let mut numbers: Vec<usize> = targets.iter().map(|t| t.stage).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let mut stages = Vec::new();
    for stage in numbers {
        let own: Vec<usize> = (0..all.len()).filter(|&i| targets[all[i].target].stage == stage).collect();
        let rows = match only.iter().find(|o| o.stage == stage) {
            Some(only) => {
                let places: Vec<Point> =
                    targets.iter().filter(|t| t.stage == stage).map(|t| t.nominal).collect();
                combined(all, &own, only, &places, (centre, spread))
            }
            None => {
                let heaviest = own.iter().fold(0.0f64, |w, &r| w.max(all[r].weight));
                own.iter().map(|&r| Combination::one(r, all[r].weight / heaviest)).collect()
            }
        };
        // What the rows see of the free motions. Unweighted: a small weight must not unlock anything.
        let mut gram = [[0.0; 6]; 6];
        for row in &rows {
            let holds = row.holds(all);
            let seen: Vec<f64> = free.iter().map(|z| dot(&holds, z)).collect();
            for i in 0..free.len() {
                for j in 0..free.len() {
                    gram[i][j] += seen[i] * seen[j] / rows.len() as f64;
                }
            }
        }
        // Beyond the free motions the matrix is zero: told apart from weak ones by a negative diagonal.
        for (i, row) in gram.iter_mut().enumerate().skip(free.len()) {
            row[i] = -1.0;
        }
        let (values, vectors) = symmetric_eigen(&gram);
        let mut held = Vec::new();
        let mut holds = Vec::new();
        let mut rest = Vec::new();
        // From the strongest down.
        for (value, vector) in values.iter().zip(&vectors).rev().take(free.len()) {
            let motion: Six =
                std::array::from_fn(|k| free.iter().zip(vector).map(|(z, c)| z[k] * c).sum::<f64>());
            let hold = value.max(0.0).sqrt();
            if hold >= LEAST_HOLD {
                held.push(motion);
                holds.push(hold);
            } else {
                rest.push(motion);
            }
        }
        if held.is_empty() {
            return Err(TargetError::LocksNothing { stage });
        }
        free.clone_from(&rest);
        stages.push(Stage { stage, rows, held, holds, free: rest });
    }
    Ok(Order(stages))
}

impl Order {
    /// The step from here.
    fn step(&self, all: &[Row]) -> Option<Six> {
        if self.0.is_empty() {
            return Some([0.0; 6]);
        }
        let residuals: Vec<f64> = all.iter().map(|r| r.residual).collect();
        self.answer(all, &self.equations(all), &residuals)
    }

    /// The motion after which, to first order, each stage's weighted squares are least over what it holds: the
    /// gradients (Z'J'W)(r + J x) of all stages vanish together, with Z the motions a stage holds; along what
    /// nothing holds the part stays.
    fn equations(&self, all: &[Row]) -> [Six; 6] {
        let mut matrix = [[0.0; 6]; 6];
        let mut line = 0;
        for stage in &self.0 {
            for z in &stage.held {
                for row in &stage.rows {
                    let by = row.by(all);
                    let seen = row.weight * dot(&by, z);
                    for k in 0..6 {
                        matrix[line][k] += seen * by[k];
                    }
                }
                line += 1;
            }
        }
        for z in self.0.last().map_or(&[][..], |stage| &stage.free) {
            matrix[line] = *z;
            line += 1;
        }
        matrix
    }

    /// The step for given residuals; `None` when the equations have no single answer.
    fn answer(&self, all: &[Row], matrix: &[Six; 6], residuals: &[f64]) -> Option<Six> {
        let mut right = [0.0; 6];
        let mut line = 0;
        for stage in &self.0 {
            for z in &stage.held {
                for row in &stage.rows {
                    right[line] -= row.weight * dot(&row.by(all), z) * row.of(residuals);
                }
                line += 1;
            }
        }
        eliminate(*matrix, right)
    }
}

/// Gauss elimination with rows brought to one size and the largest pivot of the column: Golub and Van Loan,
/// Matrix Computations, 4th ed., 3.4. `None` when a pivot is rounding.
fn eliminate(mut a: [Six; 6], mut b: Six) -> Option<Six> {
    for i in 0..6 {
        let size = a[i].iter().fold(0.0f64, |m, v| m.max(v.abs()));
        if !(size.is_finite() && size > 0.0) {
            return None;
        }
        a[i] = a[i].map(|v| v / size);
        b[i] /= size;
    }
    for i in 0..6 {
        let mut top = i;
        for j in i + 1..6 {
            if a[j][i].abs() > a[top][i].abs() {
                top = j;
            }
        }
        if !(a[top][i].abs() > 1e-13) {
            return None;
        }
        a.swap(i, top);
        b.swap(i, top);
        for j in i + 1..6 {
            let factor = a[j][i] / a[i][i];
            for k in i..6 {
                a[j][k] -= factor * a[i][k];
            }
            b[j] -= factor * b[i];
        }
    }
    for i in (0..6).rev() {
        for k in i + 1..6 {
            b[i] -= a[i][k] * b[k];
        }
        b[i] /= a[i][i];
    }
    b.iter().all(|v| v.is_finite()).then_some(b)
}

fn finish(
    (targets, measured, only): (&[Target], &[TargetMeasured], &[Only]),
    motion: Motion<PartFrame, ScanFrame>,
    (centre, spread): (Point, f64),
    rounds: usize,
) -> Result<TargetAlignment, TargetError> {
    let all = rows(targets, measured, &motion, centre, spread)?;
    let order = order(targets, &all, only, (centre, spread))?;
    let last_free = order.0.last().map_or_else(everything, |stage| stage.free.clone());
    let worst = all
        .iter()
        .fold((0usize, 0.0f64), |w, r| if r.residual.abs() > w.1.abs() { (r.target, r.residual) } else { w });
    if !(worst.1.abs() <= LARGEST_RESIDUAL * spread) {
        return Err(TargetError::Contradictory { index: worst.0, residual_mm: worst.1, spread_mm: spread });
    }
    let residuals = all
        .iter()
        .map(|r| TargetResidual { target: r.target, lock: r.lock, residual_mm: r.residual })
        .collect();
    let holds = || order.0.iter().flat_map(|s| s.holds.iter().copied());
    let (strong, weak) = holds().fold((0.0f64, f64::INFINITY), |(s, w), h| (s.max(h), w.min(h)));
    let mut before: Vec<Six> = Vec::new();
    let mut stages = Vec::new();
    for (i, stage) in order.0.iter().enumerate() {
        let locked = locked(&before, &stage.held, centre, spread);
        let left_free = left_free(&stage.free, centre, spread);
        let loosened = loosened(&order, i, &all, spread).ok_or(TargetError::Unsolved)?;
        stages.push(StageLocks { stage: stage.stage, locked, left_free, loosened });
        before.extend(&stage.held);
    }
    Ok(TargetAlignment {
        part_from_scan: motion,
        residuals,
        stages,
        centre,
        free: twists(&last_free, spread),
        covariance: covariance(&order, &all, measured, spread).ok_or(TargetError::Unsolved)?,
        responses: responses(&order, &all, spread).ok_or(TargetError::Unsolved)?,
        rounds,
        condition: strong / weak,
    })
}

/// Covariance (turn, shift) from each target's standard deviation, to first order. Locks of a target with a
/// normal see one and the same error along it; those of one without see independent errors.
fn covariance(order: &Order, all: &[Row], measured: &[TargetMeasured], spread: f64) -> Option<[[f64; 6]; 6]> {
    let matrix = order.equations(all);
    let mut total = [[0.0; 6]; 6];
    let mut errors = vec![0.0; all.len()];
    for (k, found) in measured.iter().enumerate() {
        let own: Vec<usize> = (0..all.len()).filter(|&r| all[r].target == k).collect();
        // Rows that err together.
        let groups: Vec<Vec<usize>> =
            if found.normal.is_some() { vec![own] } else { own.into_iter().map(|r| vec![r]).collect() };
        for group in groups {
            for &r in &group {
                errors[r] = all[r].by_normal;
            }
            let m = turn_and_shift(&order.answer(all, &matrix, &errors)?, spread);
            for &r in &group {
                errors[r] = 0.0;
            }
            for i in 0..6 {
                for j in 0..6 {
                    total[i][j] += found.standard_mm * found.standard_mm * m[i] * m[j];
                }
            }
        }
    }
    Some(total)
}

/// What an error of 1 mm of each row does.
fn responses(order: &Order, all: &[Row], spread: f64) -> Option<Vec<Six>> {
    let matrix = order.equations(all);
    let mut errors = vec![0.0; all.len()];
    let mut found = Vec::with_capacity(all.len());
    for r in 0..all.len() {
        errors[r] = 1.0;
        found.push(turn_and_shift(&order.answer(all, &matrix, &errors)?, spread));
        errors[r] = 0.0;
    }
    Some(found)
}

/// From scaled terms to (turn, rad; shift, mm).
fn turn_and_shift(x: &Six, spread: f64) -> Six {
    std::array::from_fn(|i| if i < 3 { x[i + 3] / spread } else { x[i - 3] })
}

fn dot(a: &Six, b: &Six) -> f64 {
    let mut total = 0.0;
    for i in 0..6 {
        total += a[i] * b[i];
    }
    total
}

fn length(v: &Six) -> f64 {
    dot(v, v).sqrt()
}

#[cfg(test)]
mod tests;
