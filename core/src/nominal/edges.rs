//! Which triangles meet at which edge.

use crate::run::{CHECK_EVERY, Run, Stopped};

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
    /// Whether two triangles have the same three corners.
    pub repeated: bool,
    /// Whether all triangles that share an edge with one other run along it in opposite directions.
    pub agree: bool,
}

/// Finds them by sorting, so that their order depends on the mesh only: half-edges are dealt to the lower of
/// their two vertices, whose few are then sorted.
pub(super) fn edges(vertices: usize, triangles: &[[u32; 3]], run: &Run) -> Result<Edges, Stopped> {
    let lower = |t: &[u32; 3], k: usize| t[k].min(t[(k + 1) % 3]) as usize;
    // Where the half-edges of each vertex begin.
    let mut starts = vec![0u32; vertices + 1];
    for t in triangles {
        (0..3).for_each(|k| starts[lower(t, k) + 1] += 1);
    }
    for v in 0..vertices {
        starts[v + 1] += starts[v];
    }
    run.check()?;
    // The other vertex and the half-edge.
    let mut dealt = vec![(0u32, 0u32); 3 * triangles.len()];
    for (i, t) in triangles.iter().enumerate() {
        for k in 0..3 {
            let place = &mut starts[lower(t, k)];
            dealt[*place as usize] = (t[k].max(t[(k + 1) % 3]), (3 * i + k) as u32);
            *place += 1;
        }
    }
    run.check()?;
    let across = vec![[None; 3]; triangles.len()];
    let mut found = Edges { across, open: vec![], crowded: vec![], repeated: false, agree: true };
    let begins_at = |h: HalfEdge, v: usize| triangles[h.triangle()][h.edge()] as usize == v;
    let opposite = |h: HalfEdge| triangles[h.triangle()][(h.edge() + 2) % 3];
    let mut begin = 0;
    // Each start has moved to the end.
    for (v, &end) in starts[..vertices].iter().enumerate() {
        if v % CHECK_EVERY == 0 {
            run.check()?;
        }
        let own = &mut dealt[begin..end as usize];
        begin = end as usize;
        own.sort_unstable();
        for group in own.chunk_by(|a, b| a.0 == b.0) {
            match *group {
                [(_, a)] => found.open.push(HalfEdge(a)),
                [(_, a), (_, b)] => {
                    let (a, b) = (HalfEdge(a), HalfEdge(b));
                    found.across[a.triangle()][a.edge()] = Some(b.triangle() as u32);
                    found.across[b.triangle()][b.edge()] = Some(a.triangle() as u32);
                    found.repeated |= opposite(a) == opposite(b);
                    found.agree &= begins_at(a, v) != begins_at(b, v);
                }
                _ => {
                    let crowd: Vec<HalfEdge> = group.iter().map(|&(_, h)| HalfEdge(h)).collect();
                    let mut thirds: Vec<u32> = crowd.iter().map(|&h| opposite(h)).collect();
                    thirds.sort_unstable();
                    found.repeated |= thirds.windows(2).any(|w| w[0] == w[1]);
                    found.crowded.push(crowd);
                }
            }
        }
    }
    found.open.sort_unstable();
    Ok(found)
}
