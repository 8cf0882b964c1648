//! A part of sheet: a developed region with cuts, laid onto a surface and given its thickness.
//!
//! The region is where a function of the developed coordinates is positive. Cells of a grid are cut along
//! its border by marching triangles, which leave no ambiguous case (Bloomenthal, "An implicit surface
//! polygonizer", Graphics Gems IV, 1994, does the same with tetrahedra).

use scantling_core::geometry::{Point, TriangleMesh, Vector};
use std::collections::{BTreeMap, BTreeSet};

/// Crossings stay this fraction of an edge away from its ends, so that no triangle is without area.
const CLEAR: f64 = 0.02;

/// What is laid where.
pub(super) struct CutSheet<'a> {
    /// Grid lines of the first developed coordinate, mm, ascending.
    pub(super) across: Vec<f64>,
    /// Of the second.
    pub(super) along: Vec<f64>,
    /// Whether the last line across is the first again.
    pub(super) closed: bool,
    pub(super) thickness_mm: f64,
    /// Distance from the nearest edge, mm, about: positive on the sheet.
    pub(super) from_edge: &'a dyn Fn(f64, f64) -> f64,
    /// The outer side, and the unit normal out of it.
    pub(super) place: &'a dyn Fn(f64, f64) -> (Point, Vector),
}

#[derive(Clone, Copy)]
struct Node {
    id: [u32; 2],
    at: [f64; 2],
    value: f64,
}

impl CutSheet<'_> {
    /// The closed mesh: both sides and the walls of all edges.
    pub(super) fn mesh(&self) -> TriangleMesh {
        let mut vertices: Vec<[Point; 2]> = Vec::new();
        let mut known: BTreeMap<[[u32; 2]; 2], u32> = BTreeMap::new();
        let mut faces: Vec<[u32; 3]> = Vec::new();
        for i in 0..self.across.len() - 1 {
            for j in 0..self.along.len() - 1 {
                let [a, b, c, d] = [[i, j], [i + 1, j], [i + 1, j + 1], [i, j + 1]].map(|n| self.node(n));
                for corners in [[a, b, c], [a, c, d]] {
                    let loop_of: Vec<u32> = self
                        .kept(corners)
                        .into_iter()
                        .map(|(key, at)| {
                            *known.entry(key).or_insert_with(|| {
                                let (p, normal) = (self.place)(at[0], at[1]);
                                vertices.push([p, p - normal * self.thickness_mm]);
                                vertices.len() as u32 - 1
                            })
                        })
                        .collect();
                    for k in 2..loop_of.len() {
                        faces.push([loop_of[0], loop_of[k - 1], loop_of[k]]);
                    }
                }
            }
        }
        let count = vertices.len() as u32;
        let edges: BTreeSet<[u32; 2]> =
            faces.iter().flat_map(|t| [[t[0], t[1]], [t[1], t[2]], [t[2], t[0]]]).collect();
        let mut triangles = faces.clone();
        triangles.extend(faces.iter().map(|t| [t[0] + count, t[2] + count, t[1] + count]));
        for &[a, b] in edges.iter().filter(|e| !edges.contains(&[e[1], e[0]])) {
            triangles.extend([[b, a, a + count], [b, a + count, b + count]]);
        }
        let points = vertices.iter().map(|v| v[0]).chain(vertices.iter().map(|v| v[1])).collect();
        let mesh = TriangleMesh::new(points, triangles).expect("points are finite and numbered as added");
        let (p, normal) = (self.place)(self.across[0], self.along[0]);
        let (u, v) = (self.across[1] - self.across[0], self.along[1] - self.along[0]);
        let du = (self.place)(self.across[0] + 0.01 * u, self.along[0]).0 - p;
        let dv = (self.place)(self.across[0], self.along[0] + 0.01 * v).0 - p;
        if du.cross(&dv).dot(&normal) < 0.0 { mesh.reversed() } else { mesh }
    }

    fn node(&self, [i, j]: [usize; 2]) -> Node {
        let at = [self.across[i], self.along[j]];
        let i = if self.closed { i % (self.across.len() - 1) } else { i };
        let value = (self.from_edge)(self.across[i], at[1]);
        Node { id: [i as u32, j as u32], at, value }
    }

    /// The corners of a triangle's part on the sheet, each with a name that its neighbours share.
    fn kept(&self, corners: [Node; 3]) -> Vec<([[u32; 2]; 2], [f64; 2])> {
        let mut kept = Vec::new();
        for (k, a) in corners.iter().enumerate() {
            let b = &corners[(k + 1) % 3];
            if a.value > 0.0 {
                kept.push(([a.id, a.id], a.at));
            }
            if (a.value > 0.0) != (b.value > 0.0) {
                let t = (a.value / (a.value - b.value)).clamp(CLEAR, 1.0 - CLEAR);
                let key = if a.id < b.id { [a.id, b.id] } else { [b.id, a.id] };
                kept.push((key, [0, 1].map(|n| a.at[n] + t * (b.at[n] - a.at[n]))));
            }
        }
        kept
    }
}

/// Lines from `low` to `high` no further apart than `step`.
pub(super) fn lines(low: f64, high: f64, step: f64) -> Vec<f64> {
    let count = ((high - low) / step).ceil().max(1.0) as u32;
    (0..=count).map(|i| low + (high - low) * f64::from(i) / f64::from(count)).collect()
}

/// Distance from a rectangle's border, positive inside.
pub(super) fn in_box(x: f64, y: f64, low: [f64; 2], high: [f64; 2]) -> f64 {
    (x - low[0]).min(high[0] - x).min(y - low[1]).min(high[1] - y)
}

/// Distance from round holes (middle, diameter), positive outside them.
pub(super) fn off_holes(x: f64, y: f64, holes: &[[f64; 3]]) -> f64 {
    let off = |h: &[f64; 3]| ((x - h[0]) * (x - h[0]) + (y - h[1]) * (y - h[1])).sqrt() - 0.5 * h[2];
    holes.iter().map(off).fold(f64::INFINITY, f64::min)
}
