//! Linear programmes of a handful of unknowns and any number of constraints.

/// A programme: find the unknowns x with the least goal . x that keep row . x >= bound for all constraints.
pub(super) trait Programme<const D: usize> {
    /// Names a constraint.
    type Held: Copy + Ord;

    /// What is minimised.
    fn goal(&self) -> [f64; D];
    /// A constraint: its row and its bound.
    fn constraint(&self, held: Self::Held) -> ([f64; D], f64);
    /// The constraint that `x` breaks most, by more than rounding; the first such one in its order if `first`.
    fn broken(&self, x: &[f64; D], first: bool) -> Option<Self::Held>;
}

/// Exchanges before giving up; a few tens are needed.
const EXCHANGES: usize = 5_000;
/// Exchanges without progress before the rule that cannot cycle takes over.
const PATIENCE: usize = 40;

/// The lowest corner, and the constraints that hold it with their weights; `None` where it is not found.
///
/// The dual simplex method: a basis of as many constraints as unknowns whose weights are never negative, which `basis`
/// must be; the constraint most broken enters, the ratio test says which leaves (Stiefel's exchange, Numer. Math. 1,
/// 1959; Osborne and Watson, Computer J. 10, 1967). When progress stalls Bland's rule (Math. Oper. Res. 2, 1977)
/// excludes cycles.
#[allow(clippy::type_complexity, reason = "a corner and what holds it")]
pub(super) fn lowest<P: Programme<D>, const D: usize>(
    programme: &P,
    mut basis: [P::Held; D],
) -> Option<([f64; D], [(P::Held, f64); D])> {
    let goal = programme.goal();
    let (mut stalled, mut last) = (0usize, f64::NEG_INFINITY);
    for _ in 0..EXCHANGES {
        let held = basis.map(|h| programme.constraint(h));
        let rows = held.map(|h| h.0);
        let columns = transposed(&rows);
        let x = solve(rows, held.map(|h| h.1))?;
        let weights = solve(columns, goal)?;
        let careful = stalled > PATIENCE;
        let Some(entering) = programme.broken(&x, careful) else {
            return Some((x, std::array::from_fn(|k| (basis[k], weights[k]))));
        };
        if basis.contains(&entering) {
            // Only rounding breaks what is met by construction.
            return Some((x, std::array::from_fn(|k| (basis[k], weights[k]))));
        }
        let value: f64 = goal.iter().zip(&x).map(|(g, v)| g * v).sum();
        stalled = if value > last { 0 } else { stalled + 1 };
        last = last.max(value);
        let change = solve(columns, programme.constraint(entering).0)?;
        basis[leaving(&basis, &weights, &change, careful)?] = entering;
    }
    None
}

/// The ratio test: which weight reaches zero first as the entering constraint takes over.
fn leaving<H: Copy + Ord, const D: usize>(
    basis: &[H; D],
    weights: &[f64; D],
    change: &[f64; D],
    careful: bool,
) -> Option<usize> {
    let open = |k: &usize| change[*k] > 1e-11;
    let ratio = |k: usize| weights[k].max(0.0) / change[k];
    let least = (0..D).filter(open).map(ratio).fold(f64::INFINITY, f64::min);
    let tied = (0..D).filter(open).filter(|&k| ratio(k) <= least + 1e-13);
    if careful {
        tied.min_by_key(|&k| basis[k])
    } else {
        // The largest pivot keeps the basis well away from singular.
        tied.max_by(|&i, &j| change[i].total_cmp(&change[j]))
    }
}

fn transposed<const D: usize>(m: &[[f64; D]; D]) -> [[f64; D]; D] {
    std::array::from_fn(|i| std::array::from_fn(|j| m[j][i]))
}

/// Gaussian elimination with row pivoting; `None` when singular.
fn solve<const D: usize>(mut m: [[f64; D]; D], mut x: [f64; D]) -> Option<[f64; D]> {
    for k in 0..D {
        let pivot = (k..D).max_by(|&i, &j| m[i][k].abs().total_cmp(&m[j][k].abs()))?;
        if !(m[pivot][k].abs() > 1e-14) {
            return None;
        }
        m.swap(k, pivot);
        x.swap(k, pivot);
        for i in k + 1..D {
            let f = m[i][k] / m[k][k];
            for j in k..D {
                m[i][j] -= f * m[k][j];
            }
            x[i] -= f * x[k];
        }
    }
    for k in (0..D).rev() {
        for j in k + 1..D {
            x[k] -= m[k][j] * x[j];
        }
        x[k] /= m[k][k];
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    /// The least largest distance of values from a straight line, within walls for the slope.
    struct Straight(Vec<(f64, f64)>);

    impl Programme<3> for Straight {
        /// Above or below a point; an index beyond all is a wall.
        type Held = (usize, bool);

        fn goal(&self) -> [f64; 3] {
            [1.0, 0.0, 0.0]
        }

        fn constraint(&self, (i, above): (usize, bool)) -> ([f64; 3], f64) {
            let sign = if above { 1.0 } else { -1.0 };
            match self.0.get(i) {
                Some((x, y)) => ([1.0, sign, sign * x], sign * y),
                None => ([0.0, 0.0, sign], -10.0),
            }
        }

        fn broken(&self, x: &[f64; 3], first: bool) -> Option<(usize, bool)> {
            let mut worst = (1e-13, None);
            for held in (0..=self.0.len()).flat_map(|i| [(i, true), (i, false)]) {
                let (row, bound) = self.constraint(held);
                let by = bound - row.iter().zip(x).map(|(a, b)| a * b).sum::<f64>();
                if by > worst.0 && !(first && worst.1.is_some()) {
                    worst = (by, Some(held));
                }
            }
            worst.1
        }
    }

    /// Every pair of points as an edge.
    fn by_enumeration(points: &[(f64, f64)]) -> f64 {
        let mut least = f64::INFINITY;
        for (i, p) in points.iter().enumerate() {
            for q in &points[i + 1..] {
                let slope = (q.1 - p.1) / (q.0 - p.0);
                let heights = points.iter().map(|r| r.1 - slope * r.0);
                let (low, high) =
                    heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
                least = least.min(0.5 * (high - low));
            }
        }
        least
    }

    #[test]
    fn the_lowest_corner_is_that_of_all_corners() {
        for seed in 0..200 {
            let random = &mut Random::seeded(seed);
            let n = 3 + random.below(30);
            let points: Vec<(f64, f64)> =
                (0..n).map(|_| (random.range(-1.0, 1.0), 0.1 * random.normal())).collect();
            let wall = (n, points[0].0 < points[1].0);
            // Above one and below the other: the wall holds the slope.
            let (x, held) = lowest(&Straight(points.clone()), [(0, true), (1, false), wall]).unwrap();
            assert!((x[0] - by_enumeration(&points)).abs() < 1e-12, "seed {seed}");
            assert!(held.iter().all(|h| h.1 > -1e-12), "seed {seed}");
            let whole: f64 = held.iter().filter(|h| h.0.0 < n).map(|h| h.1).sum();
            assert!((whole - 1.0).abs() < 1e-12, "seed {seed}");
        }
    }
}
