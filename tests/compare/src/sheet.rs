//! The panel as a closed triangle mesh of about any size.

use crate::panel;
use anyhow::{Result, anyhow};
use spade::{ConstrainedDelaunayTriangulation, Point2, Triangulation};

/// Corner coordinates that `f32` holds, so that every file and library has the same ones.
pub struct Mesh {
    pub vertices: Vec<[f32; 3]>,
    pub triangles: Vec<[u32; 3]>,
}

/// Both faces with the same Delaunay triangles, joined by walls along every edge; about `wanted` triangles.
pub fn mesh(wanted: f64) -> Result<Mesh> {
    // Equilateral triangles of this side over both faces (0.95 m^2 each).
    let side = (8.0 * 0.95e6 / (3f64.sqrt() * wanted)).sqrt();
    let mut places = Vec::new();
    let mut borders = Vec::new();
    for edge in panel::edges(side) {
        let (first, count) = (places.len(), edge.len());
        borders.extend((0..count).map(|i| [first + i, first + (i + 1) % count]));
        places.extend(edge.iter().map(|p| Point2::new(p[0], p[1])));
    }
    let row = side * 0.75f64.sqrt();
    for j in 0..=(840.0 / row) as u32 {
        for i in 0..=(1240.0 / side) as u32 {
            let x = -620.0 + side * (f64::from(i) + if j % 2 == 0 { 0.0 } else { 0.5 });
            let y = -420.0 + row * f64::from(j);
            if panel::from_edge(x, y) > 0.5 * side {
                places.push(Point2::new(x, y));
            }
        }
    }
    let flat = ConstrainedDelaunayTriangulation::<Point2<f64>>::bulk_load_cdt(places, borders)
        .map_err(|e| anyhow!("the panel cannot be triangulated: {e}"))?;

    let on_sheet = on_sheet(&flat);
    let count = flat.num_vertices() as u32;
    let layers = (panel::THICKNESS_MM / side).ceil().max(1.0) as u32;
    let mut triangles = Vec::new();
    let mut sides = Vec::new();
    for face in flat.inner_faces() {
        if !on_sheet[face.index()] {
            continue;
        }
        let [a, b, c] = face.vertices().map(|v| v.index() as u32);
        triangles.push([a, b, c]);
        for edge in face.adjacent_edges() {
            if !on_sheet[edge.rev().face().index()] {
                sides.push([edge.from().index() as u32, edge.to().index() as u32]);
            }
        }
    }
    let upper = triangles.len();
    for t in 0..upper {
        let [a, b, c] = triangles[t];
        triangles.push([a + count, c + count, b + count]);
    }
    let at = |v: u32, depth: f64| {
        let p = flat.vertex(spade::handles::FixedVertexHandle::from_index(v as usize)).position();
        let lifted = panel::lift(p.x, p.y, -depth);
        [lifted.x as f32, lifted.y as f32, lifted.z as f32]
    };
    let mut vertices: Vec<[f32; 3]> = (0..count).map(|v| at(v, 0.0)).collect();
    vertices.extend((0..count).map(|v| at(v, panel::THICKNESS_MM)));
    // Between the faces a wall has layers; `within[v]` is where the first of the inner vertices under v stands.
    let mut within = vec![u32::MAX; count as usize];
    for &[v, _] in &sides {
        within[v as usize] = vertices.len() as u32;
        for layer in 1..layers {
            vertices.push(at(v, panel::THICKNESS_MM * f64::from(layer) / f64::from(layers)));
        }
    }
    let below = |v: u32, layer: u32| match layer {
        0 => v,
        l if l == layers => v + count,
        l => within[v as usize] + l - 1,
    };
    for &[a, b] in &sides {
        for layer in 0..layers {
            let [a0, b0] = [below(a, layer), below(b, layer)];
            let [a1, b1] = [below(a, layer + 1), below(b, layer + 1)];
            triangles.push([a0, a1, b0]);
            triangles.push([b0, a1, b1]);
        }
    }
    let mesh = Mesh { vertices, triangles };
    mesh.closed().then_some(mesh).ok_or_else(|| anyhow!("the panel's mesh is not closed"))
}

/// Which faces, by their index, are on the sheet: from outside, each border crossed is one in or out. Told by what
/// joins what, since on a straight border triangles without height may lie on either side.
fn on_sheet(flat: &ConstrainedDelaunayTriangulation<Point2<f64>>) -> Vec<bool> {
    let mut state: Vec<Option<bool>> = vec![None; flat.num_all_faces()];
    state[flat.outer_face().index()] = Some(false);
    let from_outside = flat.directed_edges().filter(|e| e.is_outer_edge());
    let mut open: Vec<_> = from_outside.map(|e| (e.rev().face(), e.is_constraint_edge())).collect();
    while let Some((face, on)) = open.pop() {
        let Some(inner) = face.as_inner().filter(|_| state[face.index()].is_none()) else { continue };
        state[face.index()] = Some(on);
        open.extend(inner.adjacent_edges().map(|e| (e.rev().face(), on != e.is_constraint_edge())));
    }
    state.into_iter().map(|s| s == Some(true)).collect()
}

impl Mesh {
    /// Every edge has exactly one triangle on either side.
    fn closed(&self) -> bool {
        let mut edges: Vec<(u32, u32)> = Vec::with_capacity(3 * self.triangles.len());
        for &[a, b, c] in &self.triangles {
            edges.extend([(a, b), (b, c), (c, a)]);
        }
        edges.sort_unstable();
        let once = edges.windows(2).all(|w| w[0] != w[1]);
        once && edges.iter().all(|&(a, b)| edges.binary_search(&(b, a)).is_ok())
    }
}
