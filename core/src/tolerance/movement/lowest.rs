//! The linear programme of one step: the least largest of rows, with rows that must not rise above zero.

use super::residual::MOST_OWN;

/// Most unknowns of a step: six motions of the part and the freedoms of the zone itself.
pub(super) const UNKNOWNS: usize = 6 + MOST_OWN;
/// Beside them the top of the soft rows and the excess of the hard ones.
const MOST: usize = UNKNOWNS + 2;
/// Exchanges before giving up; some tens are needed.
const EXCHANGES: usize = 5_000;
/// Exchanges without progress before the rule that cannot cycle takes over.
const PATIENCE: usize = 40;
/// A weight below this holds nothing.
const NO_WEIGHT: f64 = 1e-9;

/// A residual to first order.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row {
    /// Its value before the step, mm.
    pub(super) value: f64,
    /// How it changes with each unknown.
    pub(super) slope: [f64; UNKNOWNS],
    /// Whether it must not rise above zero; otherwise it counts for the top.
    pub(super) hard: bool,
}

impl Row {
    /// Its value after a step.
    pub(super) fn after(&self, step: &[f64; UNKNOWNS]) -> f64 {
        self.value + self.slope.iter().zip(step).map(|(a, s)| a * s).sum::<f64>()
    }
}

/// The best step.
#[derive(Clone, Debug)]
pub(super) struct Step {
    pub(super) step: [f64; UNKNOWNS],
    /// The soft rows that hold the top up: with any weight in the dual, so that they are met wherever the top is as low.
    pub(super) holding: Vec<usize>,
    /// Largest of the soft rows after it.
    pub(super) top: f64,
    /// Largest of the hard rows after it, never below zero.
    pub(super) excess: f64,
}

/// One constraint: a row, no excess below zero, or an unknown at its least or largest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Held {
    Row(usize),
    NoExcess,
    Least(usize),
    Largest(usize),
}

/// Minimises top + `penalty` * excess over steps s with |s_k| <= `reach` in the first `n` unknowns: every soft row stays
/// below the top, every hard row below the excess, and the excess is at least zero.
///
/// The dual simplex method: a basis of as many constraints as unknowns whose weights are never negative; the constraint
/// most violated enters, the ratio test says which leaves (Stiefel's exchange, Numer. Math. 1, 1959; Osborne and Watson,
/// Computer J. 10, 1967). The walls of the box give the first basis. The excess with its penalty keeps the programme
/// solvable where the hard rows contradict each other: the exact penalty function (Fletcher, Practical Methods of
/// Optimization, 2nd ed., 1987, section 14.3; from memory). When progress stalls Bland's rule (Math. Oper. Res. 2, 1977)
/// excludes cycles. Unknowns that gain nothing are left where they are.
pub(super) fn lowest(rows: &[Row], n: usize, reach: f64, penalty: f64) -> Option<Step> {
    let first = first_soft(rows)?;
    let hard = rows.iter().any(|r| r.hard);
    let unknowns = n + 1 + usize::from(hard);
    let (top_at, excess_at) = (n, n + 1);
    let column = |held: Held| {
        let mut c = [0.0; MOST];
        match held {
            Held::Row(i) => {
                for k in 0..n {
                    c[k] = -rows[i].slope[k];
                }
                c[if rows[i].hard { excess_at } else { top_at }] = 1.0;
            }
            Held::NoExcess => c[excess_at] = 1.0,
            Held::Least(k) => c[k] = 1.0,
            Held::Largest(k) => c[k] = -1.0,
        }
        c
    };
    let bound = |held: Held| match held {
        Held::Row(i) => rows[i].value,
        Held::NoExcess => 0.0,
        Held::Least(_) | Held::Largest(_) => -reach,
    };
    let mut goal = [0.0; MOST];
    goal[top_at] = 1.0;
    if hard {
        goal[excess_at] = penalty;
    }
    // Far below the accuracy that is asked for, above the rounding of a few sums.
    let largest = rows.iter().fold(0.0f64, |m, r| m.max(r.value.abs()));
    let rounding = 1e-13 * (1.0 + largest);

    let mut basis: Vec<Held> = (0..n)
        .map(|k| if rows[first].slope[k] >= 0.0 { Held::Least(k) } else { Held::Largest(k) })
        .chain([Held::Row(first)])
        .chain(hard.then_some(Held::NoExcess))
        .collect();
    let (mut stalled, mut last) = (0usize, f64::NEG_INFINITY);
    for _ in 0..EXCHANGES {
        let mut straight = [[0.0; MOST]; MOST];
        let mut turned = [[0.0; MOST]; MOST];
        let mut bounds = [0.0; MOST];
        for (k, &held) in basis.iter().enumerate() {
            let c = column(held);
            straight[k] = c;
            bounds[k] = bound(held);
            for i in 0..unknowns {
                turned[i][k] = c[i];
            }
        }
        let x = solve(unknowns, straight, bounds)?;
        let weights = solve(unknowns, turned, goal)?;
        let excess_of = |x: &[f64; MOST]| if hard { x[excess_at] } else { 0.0 };
        let worst = |x: &[f64; MOST], careful: bool| {
            let mut worst = (rounding, None);
            // What is in the basis is met by construction.
            let mut see = |violation: f64, held: Held| {
                if violation > worst.0 && !(careful && worst.1.is_some()) && !basis.contains(&held) {
                    worst = (violation, Some(held));
                }
            };
            let step: [f64; UNKNOWNS] = std::array::from_fn(|k| if k < n { x[k] } else { 0.0 });
            for (i, row) in rows.iter().enumerate() {
                see(row.after(&step) - if row.hard { excess_of(x) } else { x[top_at] }, Held::Row(i));
            }
            if hard {
                see(-excess_of(x), Held::NoExcess);
            }
            for k in 0..n {
                // A wall is as hard as the reach is long.
                let share = rounding / (rounding + 1e-12 * reach);
                see((-reach - x[k]) * share, Held::Least(k));
                see((x[k] - reach) * share, Held::Largest(k));
            }
            worst.1
        };
        let Some(entering) = worst(&x, stalled > PATIENCE) else {
            // A wall without weight is only where the search began.
            let mut at_rest = bounds;
            for (k, held) in basis.iter().enumerate() {
                if matches!(held, Held::Least(_) | Held::Largest(_)) && weights[k] <= NO_WEIGHT {
                    at_rest[k] = 0.0;
                }
            }
            let rested = solve(unknowns, straight, at_rest).filter(|r| worst(r, false).is_none());
            let x = rested.unwrap_or(x);
            let step = std::array::from_fn(|k| if k < n { x[k] } else { 0.0 });
            let soft = |k: usize| match basis[k] {
                Held::Row(i) if !rows[i].hard && weights[k] > NO_WEIGHT => Some(i),
                _ => None,
            };
            let holding = (0..basis.len()).filter_map(soft).collect();
            return Some(Step { step, holding, top: x[top_at], excess: excess_of(&x).max(0.0) });
        };
        let value = x[top_at] + penalty * excess_of(&x);
        stalled = if value > last + rounding { 0 } else { stalled + 1 };
        last = last.max(value);
        let change = solve(unknowns, turned, column(entering))?;
        let leaving = leaving(&basis, &weights, &change, stalled > PATIENCE)?;
        basis[leaving] = entering;
    }
    None
}

/// The highest of the soft rows.
fn first_soft(rows: &[Row]) -> Option<usize> {
    let mut first: Option<usize> = None;
    for (i, row) in rows.iter().enumerate() {
        if !row.hard && first.is_none_or(|f| row.value > rows[f].value) {
            first = Some(i);
        }
    }
    first
}

/// The ratio test: which weight reaches zero first as the entering constraint takes over.
fn leaving(basis: &[Held], weights: &[f64; MOST], change: &[f64; MOST], careful: bool) -> Option<usize> {
    let open = |k: &usize| change[*k] > 1e-11;
    let ratio = |k: usize| weights[k].max(0.0) / change[k];
    let least = (0..basis.len()).filter(open).map(ratio).fold(f64::INFINITY, f64::min);
    let tied = (0..basis.len()).filter(open).filter(|&k| ratio(k) <= least + 1e-13);
    if careful {
        tied.min_by_key(|&k| basis[k])
    } else {
        // The largest pivot keeps the basis well away from singular.
        tied.max_by(|&i, &j| change[i].total_cmp(&change[j]))
    }
}

/// Gaussian elimination with row pivoting on the leading n x n part; `None` when singular.
fn solve(n: usize, mut m: [[f64; MOST]; MOST], mut x: [f64; MOST]) -> Option<[f64; MOST]> {
    for k in 0..n {
        let pivot = (k..n).max_by(|&i, &j| m[i][k].abs().total_cmp(&m[j][k].abs()))?;
        if !(m[pivot][k].abs() > 1e-14) {
            return None;
        }
        m.swap(k, pivot);
        x.swap(k, pivot);
        for i in k + 1..n {
            let f = m[i][k] / m[k][k];
            if f != 0.0 {
                for j in k..n {
                    m[i][j] -= f * m[k][j];
                }
                x[i] -= f * x[k];
            }
        }
    }
    for k in (0..n).rev() {
        for j in k + 1..n {
            x[k] -= m[k][j] * x[j];
        }
        x[k] /= m[k][k];
    }
    x[..n].iter().all(|v| v.is_finite()).then_some(x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    fn row(value: f64, slope: &[f64], hard: bool) -> Row {
        let mut all = [0.0; UNKNOWNS];
        all[..slope.len()].copy_from_slice(slope);
        Row { value, slope: all, hard }
    }

    /// Every corner of two unknowns and the top by brute force: three constraints that meet.
    fn by_corners(rows: &[Row], reach: f64) -> f64 {
        let mut planes: Vec<[f64; 4]> = rows
            .iter()
            .map(|r| [-r.slope[0], -r.slope[1], if r.hard { 0.0 } else { 1.0 }, r.value])
            .collect();
        for k in 0..2 {
            for sign in [1.0, -1.0] {
                let mut wall = [0.0, 0.0, 0.0, -reach];
                wall[k] = sign;
                planes.push(wall);
            }
        }
        let mut least = f64::INFINITY;
        for i in 0..planes.len() {
            for j in i + 1..planes.len() {
                for k in j + 1..planes.len() {
                    let mut m = [[0.0; MOST]; MOST];
                    let mut b = [0.0; MOST];
                    for (at, p) in [i, j, k].into_iter().enumerate() {
                        m[at][..3].copy_from_slice(&planes[p][..3]);
                        b[at] = planes[p][3];
                    }
                    let Some(x) = solve(3, m, b) else { continue };
                    let held = planes.iter().all(|p| p[0] * x[0] + p[1] * x[1] + p[2] * x[2] >= p[3] - 1e-10);
                    if held {
                        least = least.min(x[2]);
                    }
                }
            }
        }
        least
    }

    #[test]
    fn the_lowest_corner_is_that_of_all_corners() {
        for seed in 0..300 {
            let random = &mut Random::seeded(seed);
            let n = 2 + random.below(10);
            let rows: Vec<Row> = (0..n)
                .map(|i| {
                    let slope = [random.range(-1.0, 1.0), random.range(-1.0, 1.0)];
                    let hard = i > 0 && random.below(3) == 0;
                    // Hard rows hold at the start, so that there is an answer.
                    let value = if hard { -random.unit() } else { random.range(-1.0, 1.0) };
                    row(value, &slope, hard)
                })
                .collect();
            let step = lowest(&rows, 2, 0.7, 1e3).unwrap();
            let truth = by_corners(&rows, 0.7);
            assert!((step.top - truth).abs() < 1e-11, "seed {seed}: {} {truth}", step.top);
            assert!(step.excess < 1e-12, "seed {seed}");
        }
    }

    #[test]
    fn hard_rows_that_contradict_each_other_share_the_excess() {
        let rows = [row(0.0, &[0.0], false), row(0.3, &[1.0], true), row(0.1, &[-1.0], true)];
        let step = lowest(&rows, 1, 1.0, 1e3).unwrap();
        assert!((step.step[0] + 0.1).abs() < 1e-12 && (step.excess - 0.2).abs() < 1e-12, "{step:?}");
    }

    #[test]
    fn what_gains_nothing_stays() {
        let rows = [row(1.0, &[0.0, 0.5], false), row(-1.0, &[0.0, -0.5], false)];
        let step = lowest(&rows, 3, 4.0, 1e3).unwrap();
        assert!(step.top.abs() < 1e-12 && (step.step[1] + 2.0).abs() < 1e-12, "{step:?}");
        assert_eq!([step.step[0], step.step[2]], [0.0, 0.0]);
        assert!(lowest(&[], 1, 1.0, 1.0).is_none());
    }
}
