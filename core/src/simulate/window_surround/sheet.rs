//! The visible side as a sheet of triangles with a point of the hidden side under each vertex, the strips
//! of triangles between two loops, and the thickening to a closed mesh.

use crate::geometry::{Point, TriangleMesh};
use std::collections::BTreeSet;

/// Visible points, the hidden points under them, and triangles counter-clockwise seen from the visible side.
#[derive(Debug, Default)]
pub(super) struct Sheet {
    pub(super) visible: Vec<Point>,
    pub(super) hidden: Vec<Point>,
    pub(super) triangles: Vec<[u32; 3]>,
}

impl Sheet {
    /// Adds a vertex; its number.
    pub(super) fn add(&mut self, visible: Point, hidden: Point) -> u32 {
        self.visible.push(visible);
        self.hidden.push(hidden);
        self.visible.len() as u32 - 1
    }

    /// Two triangles over a quadrangle that is counter-clockwise seen from the visible side.
    pub(super) fn quad(&mut self, [a, b, c, d]: [u32; 4]) {
        self.triangles.extend([[a, b, c], [a, c, d]]);
    }

    /// Fills the strip between an inner and an outer loop, both counter-clockwise, whose vertices carry a
    /// parameter that grows along the loop by `period` a turn: always goes on where the next edge's middle
    /// comes first.
    pub(super) fn zip(&mut self, outer: &[(u32, f64)], inner: &[(u32, f64)], period: f64) {
        let outer = unwrap(outer, 0, outer[0].1, period);
        let from = |v: &(u32, f64)| wrapped(v.1 - outer[0].1, period);
        let start = (0..inner.len())
            .min_by(|&a, &b| from(&inner[a]).abs().total_cmp(&from(&inner[b]).abs()))
            .unwrap_or(0);
        let inner = unwrap(inner, start, outer[0].1 + from(&inner[start]), period);
        let middle = |l: &[(u32, f64)], i: usize| l.get(i + 1).map(|next| 0.5 * (l[i].1 + next.1));
        let (mut o, mut i) = (0, 0);
        loop {
            match (middle(&outer, o), middle(&inner, i)) {
                (None, None) => break,
                (Some(a), b) if b.is_none_or(|b| a < b) => {
                    self.triangles.push([outer[o].0, outer[o + 1].0, inner[i].0]);
                    o += 1;
                }
                _ => {
                    self.triangles.push([inner[i + 1].0, inner[i].0, outer[o].0]);
                    i += 1;
                }
            }
        }
    }

    /// The closed mesh: visible side, hidden side, and walls along every border.
    pub(super) fn thicken(mut self) -> TriangleMesh {
        self.drop_unused();
        let n = self.visible.len() as u32;
        let edges: BTreeSet<[u32; 2]> =
            self.triangles.iter().flat_map(|t| [[t[0], t[1]], [t[1], t[2]], [t[2], t[0]]]).collect();
        let mut triangles = self.triangles.clone();
        triangles.extend(self.triangles.iter().map(|t| [t[0] + n, t[2] + n, t[1] + n]));
        for &[a, b] in edges.iter().filter(|e| !edges.contains(&[e[1], e[0]])) {
            triangles.extend([[b, a, a + n], [b, a + n, b + n]]);
        }
        let mut vertices = self.visible;
        vertices.extend(self.hidden);
        TriangleMesh::new(vertices, triangles).expect("vertices are finite and numbered as they are added")
    }
}

impl Sheet {
    /// Leaves out vertices that no triangle uses: those inside a block that a hole replaced.
    fn drop_unused(&mut self) {
        let mut used = vec![false; self.visible.len()];
        self.triangles.iter().flatten().for_each(|&v| used[v as usize] = true);
        let mut count = 0;
        let number: Vec<u32> = used
            .iter()
            .map(|u| {
                count += u32::from(*u);
                count.saturating_sub(1)
            })
            .collect();
        let mut keep = used.iter();
        self.visible.retain(|_| keep.next().is_some_and(|u| *u));
        let mut keep = used.iter();
        self.hidden.retain(|_| keep.next().is_some_and(|u| *u));
        self.triangles.iter_mut().flatten().for_each(|v| *v = number[*v as usize]);
    }
}

/// `x` brought into -period/2 .. period/2.
fn wrapped(x: f64, period: f64) -> f64 {
    x - period * (x / period).round()
}

/// The loop from `start` once round and back to its first vertex, with a parameter that only grows.
fn unwrap(l: &[(u32, f64)], start: usize, first: f64, period: f64) -> Vec<(u32, f64)> {
    let mut at = first;
    let mut all = vec![(l[start].0, at)];
    for i in 1..=l.len() {
        let (before, this) = (l[(start + i - 1) % l.len()], l[(start + i) % l.len()]);
        at += wrapped(this.1 - before.1, period);
        all.push((this.0, at));
    }
    all
}
