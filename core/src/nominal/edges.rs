//! Which triangles meet at which edge.

use rayon::slice::ParallelSliceMut;

/// One side of an edge: a triangle and which of its edges (0-1, 1-2, 2-0).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct HalfEdge(u32);

impl HalfEdge {
    pub(super) fn triangle(self) -> usize {
        (self.0 / 3) as usize
    }
    pub(super) fn edge(self) -> usize {
        (self.0 % 3) as usize
    }
    /// The two corners in the order of the triangle.
    pub(super) fn ends(self, triangles: &[[u32; 3]]) -> [u32; 2] {
        let t = triangles[self.triangle()];
        [t[self.edge()], t[(self.edge() + 1) % 3]]
    }
}

/// The edges of a mesh.
pub(super) struct Edges {
    /// For each triangle the only other one at each of its edges.
    pub across: Vec<[Option<u32>; 3]>,
    /// Edges with one triangle, ascending.
    pub open: Vec<HalfEdge>,
    /// Edges with three triangles or more, each with all of them.
    pub crowded: Vec<Vec<HalfEdge>>,
}

/// Finds them by sorting, so that their order depends on the mesh only.
pub(super) fn edges(triangles: &[[u32; 3]]) -> Edges {
    let mut keyed: Vec<(u64, u32)> = Vec::with_capacity(3 * triangles.len());
    for (i, t) in triangles.iter().enumerate() {
        for k in 0..3 {
            let (a, b) = (t[k], t[(k + 1) % 3]);
            keyed.push((u64::from(a.min(b)) << 32 | u64::from(a.max(b)), (3 * i + k) as u32));
        }
    }
    keyed.par_sort_unstable();
    let mut found = Edges { across: vec![[None; 3]; triangles.len()], open: vec![], crowded: vec![] };
    for group in keyed.chunk_by(|a, b| a.0 == b.0) {
        match *group {
            [(_, a)] => found.open.push(HalfEdge(a)),
            [(_, a), (_, b)] => {
                let (a, b) = (HalfEdge(a), HalfEdge(b));
                found.across[a.triangle()][a.edge()] = Some(b.triangle() as u32);
                found.across[b.triangle()][b.edge()] = Some(a.triangle() as u32);
            }
            _ => found.crowded.push(group.iter().map(|&(_, h)| HalfEdge(h)).collect()),
        }
    }
    found.open.sort_unstable();
    found
}
