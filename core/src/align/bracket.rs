//! Test parts made of small cubes, and simple scans of them with known pose.

use super::refine::Pose;
use crate::geometry::{Direction, Motion, Point, TriangleMesh, Vector, math, random::Random};
use std::collections::BTreeMap;

/// The surface of all cubes (edge `cell` mm) for which `inside(middle)` holds.
pub(super) fn cubes(size: [f64; 3], cell: f64, inside: impl Fn(Point) -> bool) -> TriangleMesh {
    let n = size.map(|s| (s / cell).round() as i64);
    let full = |c: [i64; 3]| {
        (0..3).all(|a| c[a] >= 0 && c[a] < n[a])
            && inside(Point::from(Vector::from_fn(|a, _| (c[a] as f64 + 0.5) * cell)))
    };
    let mut vertices = Vec::new();
    let mut triangles = Vec::new();
    let mut known: BTreeMap<[i64; 3], u32> = BTreeMap::new();
    for x in 0..n[0] {
        for y in 0..n[1] {
            for z in 0..n[2] {
                let c = [x, y, z];
                if !full(c) {
                    continue;
                }
                for axis in 0..3 {
                    for up in [false, true] {
                        let mut next = c;
                        next[axis] += if up { 1 } else { -1 };
                        if full(next) {
                            continue;
                        }
                        let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
                        let quad = [(0, 0), (1, 0), (1, 1), (0, 1)].map(|(du, dv)| {
                            let mut corner = c;
                            corner[axis] += i64::from(up);
                            corner[u] += du;
                            corner[v] += dv;
                            *known.entry(corner).or_insert_with(|| {
                                vertices.push(Point::from(Vector::from_fn(|a, _| corner[a] as f64 * cell)));
                                vertices.len() as u32 - 1
                            })
                        });
                        let [a, b, c, d] = if up { quad } else { [quad[0], quad[3], quad[2], quad[1]] };
                        triangles.extend([[a, b, c], [a, c, d]]);
                    }
                }
            }
        }
    }
    TriangleMesh::new(vertices, triangles).unwrap()
}

fn round(x: f64, y: f64, radius: f64) -> bool {
    x * x + y * y < radius * radius
}

/// A plate with round holes (x, y, radius).
pub(super) fn slab(size: [f64; 3], holes: &[(f64, f64, f64)], cell: f64) -> TriangleMesh {
    cubes(size, cell, |p| !holes.iter().any(|&(x, y, r)| round(p.x - x, p.y - y, r)))
}

/// An angle bracket, 120 x 80 x 40 mm of 3 mm skin, with a notch and four holes, without symmetry.
pub(super) fn bracket() -> TriangleMesh {
    let holes = [(20.0, 20.0, 5.0), (95.0, 25.0, 4.0), (90.0, 62.0, 7.0)];
    cubes([120.0, 80.0, 40.0], 1.0, |p| {
        let base = p.z < 3.0
            && !(p.x > 100.0 && p.y > 70.0)
            && !holes.iter().any(|&(x, y, r)| round(p.x - x, p.y - y, r));
        let wall = p.y < 3.0 && p.x < 85.0 && !round(p.x - 60.0, p.z - 24.0, 6.0);
        base || wall
    })
}

/// What a simple scanner sees of a part.
pub(super) struct View {
    pub(super) seed: u64,
    pub(super) count: usize,
    pub(super) noise_mm: f64,
    /// Height of a smooth wave across the part.
    pub(super) warp_mm: f64,
    /// Only surface within 80 degrees of facing this way; all of it without.
    pub(super) from: Option<Direction>,
    /// This fraction, at one end along a seeded direction, is cut off.
    pub(super) unseen: f64,
    /// This fraction of the points is strewn about the part.
    pub(super) clutter: f64,
}

impl Default for View {
    fn default() -> Self {
        Self {
            seed: 1,
            count: 40_000,
            noise_mm: 0.03,
            warp_mm: 0.3,
            from: Direction::new(Vector::new(0.3, 0.5, 0.8)),
            unseen: 0.0,
            clutter: 0.0,
        }
    }
}

/// Points, normals and the true pose.
pub(super) fn scan(mesh: &TriangleMesh, view: &View) -> (Vec<Point>, Vec<Direction>, Pose) {
    let mut random = Random::seeded(view.seed);
    let bounds = mesh.bounds();
    let scan_from_part = Motion::from_turn_and_shift(
        random.turn(),
        Vector::new(random.range(-500.0, 500.0), random.range(-500.0, 500.0), random.range(-500.0, 500.0)),
    );
    let seen: Vec<u32> = (0..mesh.triangles().len() as u32)
        .filter(|&t| view.from.is_none_or(|d| mesh.normal(t).is_some_and(|n| n.dot(d) > 0.17)))
        .collect();
    let mut ends = Vec::new();
    let mut sum = 0.0;
    for &t in &seen {
        sum += mesh.area(t);
        ends.push(sum);
    }
    let mut made: Vec<(Point, Direction)> = Vec::new();
    for _ in 0..view.count {
        let at = random.range(0.0, sum);
        let t = seen[ends.partition_point(|e| *e < at).min(seen.len() - 1)];
        let n = mesh.normal(t).unwrap();
        let [a, b, c] = mesh.corners(t);
        let (mut u, mut v) = (random.unit(), random.unit());
        if u + v > 1.0 {
            (u, v) = (1.0 - u, 1.0 - v);
        }
        let p = a + (b - a) * u + (c - a) * v;
        let wave = view.warp_mm * math::sin(6.0 * (p.x - bounds.low.x) / bounds.size().x);
        let noise = view.noise_mm * random.normal();
        let tilt = Vector::new(random.normal(), random.normal(), random.normal()) * 0.05;
        made.push((
            p + Vector::new(0.0, 0.0, wave) + n.vector() * noise,
            Direction::new(n.vector() + tilt).unwrap(),
        ));
    }
    let cut = random.direction().vector();
    made.sort_by(|a, b| a.0.coords.dot(&cut).total_cmp(&b.0.coords.dot(&cut)));
    made.truncate(((1.0 - view.unseen) * view.count as f64) as usize);
    for i in 0..(view.clutter * view.count as f64) as usize {
        let at = i * 7919 % made.len();
        made[at].0 =
            bounds.centre() + random.direction().vector() * bounds.diagonal() * random.range(0.3, 0.8);
    }
    let points = made.iter().map(|(p, _)| scan_from_part.point(p)).collect();
    let normals = made.iter().map(|(_, n)| scan_from_part.direction(*n)).collect();
    (points, normals, scan_from_part.inverse())
}
