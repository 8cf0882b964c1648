//! Whether a minimum zone near the least-squares plane is the narrowest in any direction.

use crate::geometry::{Direction, Vector, math, sum::chunked};

/// The argument of [`super::minimum_zone_plane`] in numbers.
pub(super) fn proven(
    offsets: &[Vector],
    axis: Direction,
    width: f64,
    above: &[usize],
    below: &[usize],
) -> bool {
    let (a, b) = axis.frame();
    let flat = |i: usize| [offsets[i].dot(&a), offsets[i].dot(&b)];
    let mut differences = Vec::new();
    for &i in above {
        for &j in below {
            let ([x, y], [p, q]) = (flat(i), flat(j));
            differences.push([x - p, y - q]);
        }
    }
    let e = least_width(offsets, a, b);
    // All on one plane but for rounding: nothing can be narrower.
    if width <= 1e-12 * e {
        return true;
    }
    let r = disc_about_origin(&differences);
    if r >= width {
        return true;
    }
    let s = 2.0 * width * r / (width * width - r * r);
    e * s > width * (1.0 + (1.0 + s * s).sqrt())
}

/// Radius of the largest disc about the origin within the hull of a few points; 0 when it is outside.
fn disc_about_origin(points: &[[f64; 2]]) -> f64 {
    let mut radius = f64::INFINITY;
    for (i, p) in points.iter().enumerate() {
        for q in &points[i + 1..] {
            let edge = [q[0] - p[0], q[1] - p[1]];
            let length = (edge[0] * edge[0] + edge[1] * edge[1]).sqrt();
            if length == 0.0 {
                continue;
            }
            let side = |o: &[f64; 2]| (edge[0] * (o[1] - p[1]) - edge[1] * (o[0] - p[0])) / length;
            let slack = 1e-12 * length;
            let (left, right) =
                (points.iter().all(|o| side(o) >= -slack), points.iter().all(|o| side(o) <= slack));
            let origin = side(&[0.0, 0.0]);
            if left && right {
                return 0.0;
            }
            if left {
                radius = radius.min(origin);
            } else if right {
                radius = radius.min(-origin);
            }
        }
    }
    if radius.is_finite() { radius.max(0.0) } else { 0.0 }
}

/// A lower bound of the least width of the points seen in the plane (a, b), mm: that of the hull of their
/// extremes in sixteen directions.
fn least_width(offsets: &[Vector], a: Vector, b: Vector) -> f64 {
    const WAYS: usize = 16;
    let ways: [Vector; WAYS] = std::array::from_fn(|k| {
        let angle = std::f64::consts::PI * k as f64 / WAYS as f64;
        a * math::cos(angle) + b * math::sin(angle)
    });
    let none = [(f64::INFINITY, 0usize, f64::NEG_INFINITY, 0usize); WAYS];
    let extremes = chunked(
        offsets,
        none,
        |first, chunk| {
            let mut all = none;
            for (i, o) in chunk.iter().enumerate() {
                for (way, best) in ways.iter().zip(&mut all) {
                    let d = way.dot(o);
                    if d < best.0 {
                        (best.0, best.1) = (d, first + i);
                    }
                    if d > best.2 {
                        (best.2, best.3) = (d, first + i);
                    }
                }
            }
            all
        },
        |mut x, y| {
            for (p, q) in x.iter_mut().zip(&y) {
                if q.0 < p.0 {
                    (p.0, p.1) = (q.0, q.1);
                }
                if q.2 > p.2 {
                    (p.2, p.3) = (q.2, q.3);
                }
            }
            x
        },
    );
    let mut few: Vec<usize> = extremes.iter().flat_map(|x| [x.1, x.3]).collect();
    few.sort_unstable();
    few.dedup();
    let flat: Vec<[f64; 2]> = few.iter().map(|&i| [offsets[i].dot(&a), offsets[i].dot(&b)]).collect();
    // The least width of a polygon stands on one of its edges.
    let mut least = f64::INFINITY;
    for (i, p) in flat.iter().enumerate() {
        for q in &flat[i + 1..] {
            let edge = [q[0] - p[0], q[1] - p[1]];
            let length = (edge[0] * edge[0] + edge[1] * edge[1]).sqrt();
            if length == 0.0 {
                continue;
            }
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            for o in &flat {
                let side = (edge[0] * (o[1] - p[1]) - edge[1] * (o[0] - p[0])) / length;
                low = low.min(side);
                high = high.max(side);
            }
            // Any pair of points gives a width that is attained, so the least over all pairs is the edge's.
            least = least.min(high - low);
        }
    }
    if least.is_finite() { least } else { 0.0 }
}
