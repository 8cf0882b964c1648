//! Small linear programmes with few unknowns and any number of points, by exchange.

use super::elimination::solve;

/// Most unknowns of a programme: six moves of a shape beside its size, and the two borders of a zone.
pub(super) const MOST: usize = 8;
/// Exchanges before giving up; a few tens are needed.
const EXCHANGES: usize = 5_000;
/// Exchanges without progress before the rule that cannot cycle takes over.
const PATIENCE: usize = 40;

/// A point as a linear programme sees it: its value, and how that changes with the unknowns.
#[derive(Clone, Copy, Debug)]
pub(in super::super) struct Row<const M: usize> {
    pub(in super::super) index: usize,
    pub(in super::super) value: f64,
    pub(in super::super) slope: [f64; M],
}

/// Which borders there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in super::super) struct Sides {
    pub(in super::super) above: bool,
    pub(in super::super) below: bool,
}

/// The best corner of a programme.
#[derive(Clone, Debug)]
pub(in super::super) struct Corner<const M: usize> {
    pub(in super::super) step: [f64; M],
    /// Upper border less lower border, of those there are.
    pub(in super::super) value: f64,
    /// Rows that hold the borders, with their weights; positions in the list of rows.
    pub(super) above: Vec<(usize, f64)>,
    pub(super) below: Vec<(usize, f64)>,
}

/// One constraint: a row above or below, or an unknown at its least or largest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Held {
    Above(usize),
    Below(usize),
    Least(usize),
    Largest(usize),
}

/// [`lowest_of`] for one shape.
pub(super) fn lowest<const M: usize>(
    rows: &[Row<M>],
    sides: Sides,
    reach: f64,
    rounding: f64,
) -> Option<Corner<M>> {
    lowest_of::<M, MOST>(rows, sides, reach, rounding)
}

/// Minimises top - bottom over steps s with |s_k| <= `reach`, where every row has
/// bottom <= value + slope . s <= top.
///
/// The dual simplex method: a basis of as many constraints as unknowns whose weights are never negative; the
/// constraint most violated enters, the ratio test says which leaves (Stiefel's exchange, Numer. Math. 1, 1959;
/// Osborne and Watson, Computer J. 10, 1967). The walls of the box give the first basis: the corner to which the
/// gradient of the extreme points leads. When progress stalls Bland's rule (Math. Oper. Res. 2, 1977) excludes
/// cycles.
///
/// `K` is the room for the unknowns: at least `M` and a border for each side.
pub(in super::super) fn lowest_of<const M: usize, const K: usize>(
    rows: &[Row<M>],
    sides: Sides,
    reach: f64,
    rounding: f64,
) -> Option<Corner<M>> {
    let borders = usize::from(sides.above) + usize::from(sides.below);
    let unknowns = M + borders;
    let (top_at, bottom_at) = (M, M + usize::from(sides.above));
    let column = |held: Held| {
        let mut c = [0.0; K];
        match held {
            Held::Above(i) => {
                c[..M].copy_from_slice(&rows[i].slope.map(|v| -v));
                c[top_at] = 1.0;
            }
            // The unknown is the negative of the lower border.
            Held::Below(i) => {
                c[..M].copy_from_slice(&rows[i].slope);
                c[bottom_at] = 1.0;
            }
            Held::Least(k) => c[k] = 1.0,
            Held::Largest(k) => c[k] = -1.0,
        }
        c
    };
    let bound = |held: Held| match held {
        Held::Above(i) => rows[i].value,
        Held::Below(i) => -rows[i].value,
        Held::Least(_) | Held::Largest(_) => -reach,
    };
    let mut goal = [0.0; K];
    goal[M..unknowns].fill(1.0);

    let mut basis = first_basis(rows, sides)?;
    let (mut stalled, mut last) = (0usize, f64::NEG_INFINITY);
    for _ in 0..EXCHANGES {
        let mut straight = [[0.0; K]; K];
        let mut turned = [[0.0; K]; K];
        let mut bounds = [0.0; K];
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
        let step: [f64; M] = std::array::from_fn(|k| x[k]);
        let (top, bottom) = (x[top_at], -x[bottom_at.min(K - 1)]);
        let value: f64 = x[M..unknowns].iter().sum();
        let entering = {
            let careful = stalled > PATIENCE;
            let mut worst = (rounding, None);
            // What is in the basis is met by construction.
            let mut see = |violation: f64, held: Held| {
                if violation > worst.0 && !(careful && worst.1.is_some()) && !basis.contains(&held) {
                    worst = (violation, Some(held));
                }
            };
            for (i, row) in rows.iter().enumerate() {
                let at = row.value + row.slope.iter().zip(&step).map(|(a, s)| a * s).sum::<f64>();
                if sides.above {
                    see(at - top, Held::Above(i));
                }
                if sides.below {
                    see(bottom - at, Held::Below(i));
                }
            }
            for (k, s) in step.iter().enumerate() {
                // A wall is as hard as the reach is long.
                see((-reach - s) * rounding / (rounding + 1e-12 * reach), Held::Least(k));
                see((s - reach) * rounding / (rounding + 1e-12 * reach), Held::Largest(k));
            }
            worst.1
        };
        let Some(entering) = entering else {
            let mut corner = Corner { step, value, above: Vec::new(), below: Vec::new() };
            for (k, &held) in basis.iter().enumerate() {
                match held {
                    Held::Above(i) if weights[k] > 1e-9 => corner.above.push((i, weights[k])),
                    Held::Below(i) if weights[k] > 1e-9 => corner.below.push((i, weights[k])),
                    _ => {}
                }
            }
            return Some(corner);
        };
        stalled = if value > last + rounding { 0 } else { stalled + 1 };
        last = last.max(value);
        let change = solve(unknowns, turned, column(entering))?;
        let leaving = leaving(&basis, &weights, &change, stalled > PATIENCE)?;
        basis[leaving] = entering;
    }
    None
}

/// The extreme rows, and of each unknown the wall to which their slopes lead.
fn first_basis<const M: usize>(rows: &[Row<M>], sides: Sides) -> Option<Vec<Held>> {
    let (mut high, mut low) = (0, 0);
    for (i, row) in rows.iter().enumerate() {
        if row.value > rows[high].value {
            high = i;
        }
        if row.value < rows[low].value {
            low = i;
        }
    }
    rows.first()?;
    let mut basis = Vec::with_capacity(M + 2);
    for k in 0..M {
        let up = if sides.above { rows[high].slope[k] } else { 0.0 };
        let down = if sides.below { rows[low].slope[k] } else { 0.0 };
        basis.push(if up - down >= 0.0 { Held::Least(k) } else { Held::Largest(k) });
    }
    if sides.above {
        basis.push(Held::Above(high));
    }
    if sides.below {
        basis.push(Held::Below(low));
    }
    Some(basis)
}

/// The ratio test: which weight reaches zero first as the entering constraint takes over.
fn leaving<const K: usize>(
    basis: &[Held],
    weights: &[f64; K],
    change: &[f64; K],
    careful: bool,
) -> Option<usize> {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    const BOTH: Sides = Sides { above: true, below: true };

    /// Every corner of the borders alone, by brute force: the straight line of least largest distance.
    fn by_enumeration(points: &[(f64, f64)]) -> f64 {
        let mut least = f64::INFINITY;
        for (i, p) in points.iter().enumerate() {
            for q in &points[i + 1..] {
                let slope = (q.1 - p.1) / (q.0 - p.0);
                let heights = points.iter().map(|r| r.1 - slope * r.0);
                let (low, high) =
                    heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
                least = least.min(high - low);
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
            let rows: Vec<Row<1>> = points
                .iter()
                .enumerate()
                .map(|(index, p)| Row { index, value: p.1, slope: [-p.0] })
                .collect();
            let corner = lowest(&rows, BOTH, 10.0, 1e-15).unwrap();
            assert!((corner.value - by_enumeration(&points)).abs() < 1e-13, "seed {seed}");
            for side in [&corner.above, &corner.below] {
                assert!((side.iter().map(|c| c.1).sum::<f64>() - 1.0).abs() < 1e-12, "seed {seed}");
            }
        }
    }

    #[test]
    fn walls_stop_a_step() {
        let rows: Vec<Row<1>> =
            (0..5).map(f64::from).map(|x| Row { index: x as usize, value: 0.5 * x, slope: [-x] }).collect();
        let corner = lowest(&rows, BOTH, 0.1, 1e-15).unwrap();
        assert!((corner.step[0] - 0.1).abs() < 1e-15 && (corner.value - 1.6).abs() < 1e-14, "{corner:?}");
        let above = lowest(&rows, Sides { above: true, below: false }, 0.1, 1e-15).unwrap();
        assert!((above.value - 1.6).abs() < 1e-14 && above.below.is_empty(), "{above:?}");
    }
}
