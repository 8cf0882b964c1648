//! Least squares with every point on one side of the shape.

use super::Residuals;
use super::extremal::solve_what_is_told;
use super::levenberg::{Model, Sums};
use crate::geometry::Cholesky;
use crate::run::{Run, Stopped};

/// Most contacts: as many as a shape has freedoms.
const MOST: usize = 8;
/// Steps of the shape; ten are many.
const STEPS: usize = 200;
/// Contacts taken up and let go within one step.
const EXCHANGES: usize = 5_000;
/// Largest gain that rounding explains.
const AT_REST: f64 = 1e-6;

/// Where it ended, in the units of the shape.
pub(super) struct Outside<T> {
    pub(super) model: T,
    /// Contacts with their multipliers of half the sum of squares.
    pub(super) contacts: Vec<(usize, f64)>,
    pub(super) gain: f64,
    pub(super) settled: bool,
    pub(super) steps: usize,
}

/// The shape of least sum of squares whose residuals, times `sign`, are none of them negative. The last local
/// parameter must move the surface outward alike everywhere.
///
/// Gauss-Newton, each step a convex quadratic programme over all points, solved by the dual method: from the free
/// minimum the point furthest on the wrong side is taken up as a contact, and contacts that would have to pull are let
/// go (Goldfarb and Idnani, "A numerically stable dual method for solving strictly convex quadratic programs", Math.
/// Programming 27, 1983, 1-33). After a step the surface is moved outward or inward until it touches the outermost
/// point, so that every state keeps all points on their side. Sources of the criterion: [`super::Criterion`].
///
/// # Errors
/// A stop, looked for before each step.
pub(super) fn least_squares_outside<T: Model<N>, const N: usize>(
    run: &Run,
    start: &T,
    items: &[T::Item],
    sign: f64,
) -> Result<Option<Outside<T>>, Stopped> {
    let Some(mut model) = touching(start, items, sign) else { return Ok(None) };
    let mut sums = Sums::of(&model, items);
    let (mut steps, mut gain) = (0, f64::INFINITY);
    let mut last = None;
    for curved in [false, true] {
        let Some(rest) = descend(run, (&mut model, &mut sums), items, sign, curved)? else { return Ok(None) };
        steps += rest.steps;
        let Some(found) = programme(run, &model, (&sums, &sums.normal), items, sign)? else {
            return Ok(None);
        };
        gain = left_to_gain(&sums, &found.step, items.len());
        last = Some(found);
        if rest.settled && gain < AT_REST {
            break;
        }
    }
    let Some(found) = last else { return Ok(None) };
    Ok(Some(Outside { model, contacts: found.contacts, gain, settled: gain < AT_REST, steps }))
}

/// How a descent ended.
struct Rest {
    settled: bool,
    steps: usize,
}

/// Walks down to where no step makes the sum of squares smaller.
///
/// Gauss and Newton's programmes know nothing of the curvature of the shape. Where all points stand off to one side that
/// counts as much as their slopes do in the weak directions of a short shape, and the steps do not come to rest; then
/// `curved` adds it: the second derivatives of the Lagrangian (Nocedal and Wright, Numerical Optimization, 2006, section
/// 18.1), with as much of J'J again as makes the programme convex (ibid., 3.4).
fn descend<T: Model<N>, const N: usize>(
    run: &Run,
    (model, sums): (&mut T, &mut Sums<N>),
    items: &[T::Item],
    sign: f64,
    curved: bool,
) -> Result<Option<Rest>, Stopped> {
    let (mut last, mut settled, mut steps) = (f64::INFINITY, false, 0);
    let mut contacts: Vec<(usize, f64)> = Vec::new();
    if curved {
        let Some(found) = programme(run, model, (sums, &sums.normal), items, sign)? else { return Ok(None) };
        contacts = found.contacts;
    }
    while steps < STEPS && !settled {
        run.check()?;
        steps += 1;
        let bent = if curved { bending(model, items, &contacts, sign) } else { None };
        let metric = bent.map_or(sums.normal, |bent| convex(&sums.normal, &bent));
        let Some(found) = programme(run, model, (sums, &metric), items, sign)? else { return Ok(None) };
        let length = found.step.iter().map(|s| s * s).sum::<f64>().sqrt();
        let mut next = None;
        let mut part = 1.0;
        for _ in 0..12 {
            let tried = model.moved(&found.step.map(|s| s * part)).and_then(|m| touching(&m, items, sign));
            if let Some(tried) = tried {
                let tried_sums = Sums::of(&tried, items);
                let same = part == 1.0
                    && tried_sums.square <= sums.square * (1.0 + 1e-11) + 1e-30
                    && length < 0.9 * last;
                if tried_sums.square < sums.square || same {
                    next = Some((tried, tried_sums));
                    break;
                }
            }
            part *= 0.5;
        }
        match next {
            Some((tried, tried_sums)) => (*model, *sums, last) = (tried, tried_sums, length),
            None => settled = true,
        }
        contacts = found.contacts;
        settled |= length <= 1e-15;
    }
    Ok(Some(Rest { settled, steps }))
}

/// By how much a move that shifts the surface by one unit, as the root of the mean square, could lower the root of the
/// mean sum of squares. What rounding could have made is no gain.
fn left_to_gain<const N: usize>(sums: &Sums<N>, step: &[f64; N], points: usize) -> f64 {
    let n = points as f64;
    let moved: f64 =
        (0..N).map(|i| (0..N).map(|j| step[i] * sums.normal[i][j] * step[j]).sum::<f64>()).sum::<f64>();
    let left = ((moved.max(0.0) / n).sqrt() - 64.0 * f64::EPSILON).max(0.0);
    if left > 0.0 { left / (sums.square / n).sqrt() } else { 0.0 }
}

/// What the curvature of the shape adds to J'J: second derivatives of the residuals times themselves, less those of the
/// contacts times their multipliers. By differences, good to seven digits; lengths are of size one.
fn bending<T: Model<N>, const N: usize>(
    model: &T,
    items: &[T::Item],
    contacts: &[(usize, f64)],
    sign: f64,
) -> Option<[[f64; N]; N]> {
    const H: f64 = 1e-4;
    let row = model.rows();
    let base: Vec<f64> = items.iter().map(|q| row(q).0).collect();
    let at = |moves: &[(usize, f64)]| {
        let mut step = [0.0; N];
        for &(k, by) in moves {
            step[k] += by;
        }
        let there = model.moved(&step)?;
        let row_there = there.rows();
        let squares: f64 = items.iter().zip(&base).map(|(q, d)| d * (row_there(q).0 - d)).sum();
        let held: f64 = contacts.iter().map(|&(i, m)| m * sign * (row_there(&items[i]).0 - base[i])).sum();
        Some(squares - held)
    };
    let mut out = [[0.0; N]; N];
    for k in 0..N {
        out[k][k] = (at(&[(k, H)])? + at(&[(k, -H)])?) / (H * H);
        for l in 0..k {
            let mixed = at(&[(k, H), (l, H)])? - at(&[(k, H), (l, -H)])? - at(&[(k, -H), (l, H)])?
                + at(&[(k, -H), (l, -H)])?;
            out[k][l] = mixed / (4.0 * H * H);
            out[l][k] = out[k][l];
        }
    }
    out.as_flattened().iter().all(|v| v.is_finite()).then_some(out)
}

/// J'J and its curvature, with more of J'J until it is convex.
fn convex<const N: usize>(normal: &[[f64; N]; N], bent: &[[f64; N]; N]) -> [[f64; N]; N] {
    let mut more = 1.0;
    for _ in 0..30 {
        let sum: [[f64; N]; N] =
            std::array::from_fn(|i| std::array::from_fn(|j| more * normal[i][j] + bent[i][j]));
        // Barely convex is a step without bounds.
        let tight: [[f64; N]; N] =
            std::array::from_fn(|i| std::array::from_fn(|j| sum[i][j] - 0.05 * normal[i][j]));
        if Cholesky::new(&tight).is_some() {
            return sum;
        }
        more *= 1.5;
    }
    *normal
}

/// The shape moved outward or inward until the outermost point on the wrong side touches it.
fn touching<T: Model<N>, const N: usize>(model: &T, items: &[T::Item], sign: f64) -> Option<T> {
    let row = model.rows();
    let seen = Residuals::of(items, |q| sign * row(q).0);
    let mut step = [0.0; N];
    step[N - 1] = sign * seen.low.0;
    model.moved(&step)
}

struct Solved<const N: usize> {
    step: [f64; N],
    contacts: Vec<(usize, f64)>,
}

/// One step's quadratic programme in a convex metric; `None` where the points do not hold the shape.
fn programme<T: Model<N>, const N: usize>(
    run: &Run,
    model: &T,
    (sums, metric): (&Sums<N>, &[[f64; N]; N]),
    items: &[T::Item],
    sign: f64,
) -> Result<Option<Solved<N>>, Stopped> {
    let Some(factor) = Cholesky::new(metric) else { return Ok(None) };
    let rows: Vec<(f64, [f64; N])> = items.iter().map(model.rows()).collect();
    let mut step = factor.solve(&sums.gradient.map(|g| -g));
    // Gradients of the constraints in the metric of the sum of squares: L^-1 n.
    let lower = factor.lower();
    let whitened = |n: &[f64; N]| {
        let mut w = *n;
        for i in 0..N {
            for k in 0..i {
                w[i] -= lower[i][k] * w[k];
            }
            w[i] /= lower[i][i];
        }
        w
    };
    // L^-T w.
    let coloured = |w: &[f64; N]| {
        let mut z = *w;
        for i in (0..N).rev() {
            for k in i + 1..N {
                z[i] -= lower[k][i] * z[k];
            }
            z[i] /= lower[i][i];
        }
        z
    };
    let dot = |a: &[f64; N], b: &[f64; N]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let tolerance = 4.0 * f64::EPSILON;

    let mut held: Vec<(usize, f64, [f64; N])> = Vec::new();
    for _ in 0..EXCHANGES {
        run.check()?;
        let mut worst = (-tolerance, None);
        for (i, (d, row)) in rows.iter().enumerate() {
            let at = sign * (d + dot(row, &step));
            if at < worst.0 && !held.iter().any(|h| h.0 == i) {
                worst = (at, Some(i));
            }
        }
        let Some(entering) = worst.1 else {
            let contacts = held.iter().map(|h| (h.0, h.1)).collect();
            return Ok(Some(Solved { step, contacts }));
        };
        let normal = rows[entering].1.map(|v| sign * v);
        let own = whitened(&normal);
        let mut multiplier = 0.0;
        loop {
            // Projected on the contacts held so far: own = sum of r_j held_j + z.
            let k = held.len();
            let mut gram = [[0.0; MOST]; MOST];
            let mut right = [0.0; MOST];
            for (i, a) in held.iter().enumerate() {
                right[i] = dot(&a.2, &own);
                for (j, b) in held.iter().enumerate() {
                    gram[i][j] = dot(&a.2, &b.2);
                }
            }
            let Some(r) = solve_what_is_told(k, gram, right) else { return Ok(None) };
            let mut z = own;
            for (j, h) in held.iter().enumerate() {
                for i in 0..N {
                    z[i] -= r[j] * h.2[i];
                }
            }
            let free = dot(&z, &own);
            let violation = sign * rows[entering].0 + dot(&normal, &step);
            let mut length =
                if free > 1e-13 * dot(&own, &own) && k < N { -violation / free } else { f64::INFINITY };
            let mut dropped = None;
            for (j, h) in held.iter().enumerate() {
                if r[j] > 0.0 && h.1 / r[j] < length {
                    (length, dropped) = (h.1 / r[j], Some(j));
                }
            }
            if !length.is_finite() {
                return Ok(None);
            }
            if free > 1e-13 * dot(&own, &own) && k < N {
                let move_by = coloured(&z);
                for i in 0..N {
                    step[i] += length * move_by[i];
                }
            }
            for (j, h) in held.iter_mut().enumerate() {
                h.1 -= length * r[j];
            }
            multiplier += length;
            match dropped {
                Some(j) => {
                    held.remove(j);
                }
                None => {
                    held.push((entering, multiplier, own));
                    break;
                }
            }
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::quiet;

    /// A height over a line: residual = value - a - b x.
    #[derive(Clone)]
    struct Straight(f64, f64);

    impl Model<2> for Straight {
        type Item = (f64, f64);

        fn rows(&self) -> impl Fn(&(f64, f64)) -> (f64, [f64; 2]) + Sync {
            move |q| (q.1 - self.0 - self.1 * q.0, [-q.0, -1.0])
        }

        fn moved(&self, step: &[f64; 2]) -> Option<Self> {
            Some(Self(self.0 + step[1], self.1 + step[0]))
        }
    }

    /// By hand: over the points (-1, 0), (0, 1), (1, 0) the line of least squares above all is the level one through
    /// the middle point; below all it is the one through the two ends.
    #[test]
    fn a_line_over_a_tent_touches_its_top_and_one_under_it_its_feet() {
        let tent = [(-1.0, 0.0), (0.0, 1.0), (1.0, 0.0)];
        let start = Straight(0.2, 0.1);
        let above = least_squares_outside(&quiet(), &start, &tent, -1.0).unwrap().unwrap();
        assert!((above.model.0 - 1.0).abs() < 1e-14 && above.model.1.abs() < 1e-14);
        // Half the sum of squares is 1, and falls as the two ends come nearer by the same: by 2 a unit.
        assert_eq!(above.contacts.len(), 1);
        assert!((above.contacts[0].1 - 2.0).abs() < 1e-14);
        let below = least_squares_outside(&quiet(), &start, &tent, 1.0).unwrap().unwrap();
        assert!(below.model.0.abs() < 1e-14 && below.model.1.abs() < 1e-14);
        let mut touched: Vec<usize> = below.contacts.iter().map(|c| c.0).collect();
        touched.sort_unstable();
        assert_eq!(touched, [0, 2]);
        assert!(above.settled && below.settled);
    }
}
