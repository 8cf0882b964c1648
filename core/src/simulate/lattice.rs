//! Evenly spaced places on a surface.

use super::made::Made;
use crate::geometry::random::Random;
use crate::geometry::{Direction, Point, Vector, math};
use rayon::prelude::*;

/// A place of the nominal, on its exact surface where that is known.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub(super) point: Point,
    pub(super) normal: Direction,
}

/// A square lattice in a plane.
struct Lattice {
    normal: Direction,
    a: Vector,
    b: Vector,
    offset: [f64; 2],
}

/// Places `spacing_mm` apart. The surface is projected along the best of thirteen directions (towards a
/// cube's faces, edges and corners) and met by a square lattice there. No surface leans more than 28
/// degrees from the best, so that places are up to 13 % further apart than the lattice in one direction.
pub(super) fn samples(made: &Made, spacing_mm: f64, seed: u64) -> Vec<Sample> {
    let lattices = lattices(spacing_mm, seed);
    let mesh = made.nominal();
    let of_triangle = |t: usize| -> Vec<Sample> {
        let t = t as u32;
        let Some(normal) = mesh.normal(t) else { return Vec::new() };
        let lean = |l: &Lattice| l.normal.dot(normal).abs();
        let best = lattices.iter().fold(&lattices[0], |best, l| if lean(l) > lean(best) { l } else { best });
        let corners = mesh.corners(t);
        let flat = corners.map(|p| {
            [
                p.coords.dot(&best.a) / spacing_mm - best.offset[0],
                p.coords.dot(&best.b) / spacing_mm - best.offset[1],
            ]
        });
        inside(&flat)
            .into_iter()
            .filter_map(|[u, v, w]| {
                let p = corners[0].coords * u + corners[1].coords * v + corners[2].coords * w;
                let (point, normal) = made.exact(t, &Point::from(p))?;
                Some(Sample { point, normal })
            })
            .collect()
    };
    (0..mesh.triangles().len()).into_par_iter().flat_map_iter(of_triangle).collect()
}

/// Turned and shifted at random, so that no lattice runs along the part's own lines.
fn lattices(spacing_mm: f64, seed: u64) -> Vec<Lattice> {
    let mut random = Random::seeded(seed ^ 0x1A77_1CE5);
    let mut lattices = Vec::new();
    for i in 0..27 {
        let v = Vector::new(f64::from(i % 3) - 1.0, f64::from(i / 3 % 3) - 1.0, f64::from(i / 9) - 1.0);
        // One of each pair of opposite directions: the latter half, without the middle.
        if let (true, Some(normal)) = (i > 13, Direction::new(v)) {
            let (x, y) = normal.frame();
            let angle = random.range(0.0, std::f64::consts::TAU);
            let (sin, cos) = (math::sin(angle), math::cos(angle));
            let offset = [random.unit(), random.unit()];
            lattices.push(Lattice { normal, a: x * cos + y * sin, b: y * cos - x * sin, offset });
        }
    }
    debug_assert!(spacing_mm > 0.0 && lattices.len() == 13);
    lattices
}

/// Barycentric coordinates of the whole-numbered points in a triangle of the plane.
fn inside([p, q, r]: &[[f64; 2]; 3]) -> Vec<[f64; 3]> {
    let cross =
        |a: &[f64; 2], b: &[f64; 2], x: f64, y: f64| (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0]);
    let twice = cross(p, q, r[0], r[1]);
    let mut found = Vec::new();
    if twice == 0.0 {
        return found;
    }
    let (low, high) = (p[1].min(q[1]).min(r[1]).ceil(), p[1].max(q[1]).max(r[1]));
    let (left, right) = (p[0].min(q[0]).min(r[0]).ceil(), p[0].max(q[0]).max(r[0]));
    let mut y = low;
    while y <= high {
        // One more on both sides leaves the last word to the test below.
        let (from, to) = crossed(&[*p, *q, *r], y);
        let mut x = left.max((from - 1.0).ceil());
        while x <= right.min(to + 1.0) {
            let w = [cross(q, r, x, y) / twice, cross(r, p, x, y) / twice, cross(p, q, x, y) / twice];
            if w.iter().all(|w| *w >= 0.0) {
                found.push(w);
            }
            x += 1.0;
        }
        y += 1.0;
    }
    found
}

/// Where a triangle of the plane begins and ends along x at a height `y` within its own: long slivers have
/// large boxes and few places.
pub(super) fn crossed(corners: &[[f64; 2]; 3], y: f64) -> (f64, f64) {
    let mut range = (f64::INFINITY, f64::NEG_INFINITY);
    let mut add = |x: f64| range = (range.0.min(x), range.1.max(x));
    for (a, b) in [(0, 1), (1, 2), (2, 0)].map(|(i, j)| (corners[i], corners[j])) {
        let (low, high) = if a[1] <= b[1] { (a, b) } else { (b, a) };
        if y < low[1] || y > high[1] {
            continue;
        }
        if high[1] > low[1] {
            add(low[0] + (y - low[1]) / (high[1] - low[1]) * (high[0] - low[0]));
        } else {
            add(low[0]);
            add(high[0]);
        }
    }
    range
}
