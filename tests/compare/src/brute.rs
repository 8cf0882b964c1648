//! Distances from points to all triangles of a mesh, with no tree: what every answer is held against.

use rayon::prelude::*;
use scantling_core::geometry::{Point, TriangleMesh};

/// The distance from each point to the mesh, mm. A triangle is passed over only when its box is further.
pub fn distances(mesh: &TriangleMesh, points: &[Point]) -> Vec<f64> {
    let all: Vec<[Point; 3]> = (0..mesh.triangles().len() as u32).map(|t| mesh.corners(t)).collect();
    let boxes: Vec<[Point; 2]> = all.iter().map(|[a, b, c]| [a.inf(b).inf(c), a.sup(b).sup(c)]).collect();
    points
        .par_iter()
        .map(|p| {
            // Some triangles first, for a bound to begin with.
            let some = (0..all.len()).step_by(97).map(|t| square(p, &all[t]));
            let mut best = some.fold(f64::INFINITY, f64::min);
            for (corners, [low, high]) in all.iter().zip(&boxes) {
                let gap = |i: usize| (low[i] - p[i]).max(p[i] - high[i]).max(0.0);
                let (x, y, z) = (gap(0), gap(1), gap(2));
                // A hair more than rounding may take.
                if x * x + y * y + z * z <= best * (1.0 + 1e-12) + 1e-18 {
                    best = best.min(square(p, corners));
                }
            }
            best.sqrt()
        })
        .collect()
}

/// Squared distance to one triangle: to its plane where the foot is inside all three edges, else to the nearest
/// edge. Written apart from core's own, and from that of the baseline.
fn square(p: &Point, [a, b, c]: &[Point; 3]) -> f64 {
    let normal = (b - a).cross(&(c - a));
    let inside = |u: &Point, v: &Point| (v - u).cross(&(p - u)).dot(&normal) >= 0.0;
    if normal.norm_squared() > 0.0 && inside(a, b) && inside(b, c) && inside(c, a) {
        let height = (p - a).dot(&normal);
        return height * height / normal.norm_squared();
    }
    edge(p, a, b).min(edge(p, b, c)).min(edge(p, c, a))
}

fn edge(p: &Point, u: &Point, v: &Point) -> f64 {
    let (along, from) = (v - u, p - u);
    let length = along.norm_squared();
    let t = if length > 0.0 { (from.dot(&along) / length).clamp(0.0, 1.0) } else { 0.0 };
    (from - along * t).norm_squared()
}

/// The largest difference between two lists of distances, mm; infinite where one is missing or no number.
pub fn largest_difference(found: &[f64], exact: &[f64]) -> f64 {
    if found.len() != exact.len() {
        return f64::INFINITY;
    }
    let difference = |(a, b): (&f64, &f64)| if a.is_finite() { (a - b).abs() } else { f64::INFINITY };
    found.iter().zip(exact).map(difference).fold(0.0, f64::max)
}
