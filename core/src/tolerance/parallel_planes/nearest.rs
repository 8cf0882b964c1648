//! The shortest way between two convex hulls.

use crate::geometry::{Direction, Vector};
use crate::run::{Run, Stopped};

/// Rounds before giving up; a few tens are needed.
const ROUNDS: usize = 2_000;
/// What may be left to gain where rounding ends the search, relative to the size of the points.
const ROUNDING: f64 = 1e-9;

/// The direction from the hull of `lower` to that of `upper` along which they are furthest apart; `None` where they
/// meet.
///
/// Wolfe, "Finding the nearest point in a polytope", Math. Programming 11, 1976, 128-149 (from memory), on the
/// differences of all pairs, of which only the extreme one along the way so far is ever formed (as Gilbert, Johnson and
/// Keerthi, IEEE J. Robotics and Automation 4(2), 1988, do). At most four differences are held at once; the answer
/// rests on the points of three at most.
pub(super) fn between_hulls(
    run: &Run,
    upper: &[Vector],
    lower: &[Vector],
    start: Direction,
    reach_mm: f64,
) -> Result<Option<Direction>, Stopped> {
    let extreme = |points: &[Vector], w: &Vector, sign: f64| {
        let mut best = (f64::INFINITY, 0);
        for (i, p) in points.iter().enumerate() {
            let h = sign * p.dot(w);
            if h < best.0 {
                best = (h, i);
            }
        }
        best.1
    };
    let pair = |w: &Vector| (extreme(upper, w, 1.0), extreme(lower, w, -1.0));
    let difference = |(i, j): (usize, usize)| upper[i] - lower[j];

    let mut held = vec![(pair(&start.vector()), 1.0)];
    let mut way = difference(held[0].0);
    let (mut shortest, mut best) = (f64::INFINITY, (0.0, None));
    for _ in 0..ROUNDS {
        run.check()?;
        let Some(n) = Direction::new(way).map(Direction::vector) else { return Ok(None) };
        let next = pair(&n);
        let apart = difference(next).dot(&n);
        // Every direction is one along which they are at least so far apart: the best one counts.
        if apart > best.0 {
            best = (apart, Direction::new(n));
        }
        let length = way.norm();
        let left = length - best.0;
        // A way that no longer becomes shorter has come to rounding.
        let done = held.iter().any(|h| h.0 == next) || !(length < shortest);
        if left <= 4.0 * f64::EPSILON * reach_mm || (done && left <= ROUNDING * reach_mm) {
            return Ok(best.1);
        }
        if done {
            return Ok(None);
        }
        shortest = length;
        held.push((next, 0.0));
        loop {
            let corners: Vec<Vector> = held.iter().map(|h| difference(h.0)).collect();
            let Some(weights) = nearest_of_flat(&corners) else { return Ok(None) };
            if weights.iter().all(|w| *w > 1e-12) {
                for (h, w) in held.iter_mut().zip(&weights) {
                    h.1 = *w;
                }
                way = nearest_place(&corners, &weights);
                break;
            }
            // As far towards it as no weight becomes negative; what is at zero there is let go.
            let share = held
                .iter()
                .zip(&weights)
                .filter(|(_, w)| **w <= 1e-12)
                .map(|(h, w)| h.1 / (h.1 - w).max(1e-300))
                .fold(1.0, f64::min);
            let mut least = (f64::INFINITY, 0);
            for (k, (h, w)) in held.iter_mut().zip(&weights).enumerate() {
                h.1 += share * (w - h.1);
                if *w <= 1e-12 && h.1 < least.0 {
                    least = (h.1, k);
                }
            }
            held.remove(least.1);
            if held.is_empty() {
                return Ok(None);
            }
        }
    }
    Ok(None)
}

/// Weights, of sum one, of the place nearest to the origin on the flat through two to four corners.
fn nearest_of_flat(corners: &[Vector]) -> Option<Vec<f64>> {
    let first = corners[0];
    // An orthogonal basis of the edges (Gram-Schmidt), so that thin triangles lose little.
    let mut basis: Vec<(Vector, Vec<f64>)> = Vec::new();
    for (k, corner) in corners.iter().enumerate().skip(1) {
        let edge = corner - first;
        let mut rest = edge;
        let mut parts = vec![0.0; corners.len()];
        parts[k] = 1.0;
        for _ in 0..2 {
            for (v, own) in &basis {
                let share = rest.dot(v) / v.norm_squared();
                rest -= v * share;
                for (p, o) in parts.iter_mut().zip(own) {
                    *p -= share * o;
                }
            }
        }
        if !(rest.norm() > 1e-14 * edge.norm()) {
            // No way of its own: at the end of the flat, so it takes nothing.
            continue;
        }
        basis.push((rest, parts));
    }
    let mut weights = vec![0.0; corners.len()];
    for (v, parts) in &basis {
        let share = -first.dot(v) / v.norm_squared();
        for (w, p) in weights.iter_mut().zip(parts) {
            *w += share * p;
        }
    }
    weights[0] = 1.0 - weights[1..].iter().sum::<f64>();
    weights.iter().all(|w| w.is_finite()).then_some(weights)
}

/// The place itself; of three corners along their normal, which keeps its direction where their weights are rounded.
fn nearest_place(corners: &[Vector], weights: &[f64]) -> Vector {
    if let [a, b, c] = corners
        && let Some(n) = Direction::new((b - a).cross(&(c - a)))
    {
        let n = n.vector();
        return n * n.dot(a);
    }
    corners.iter().zip(weights).fold(Vector::zeros(), |s, (c, w)| s + c * *w)
}
