//! Sharp edges of a mesh, and how a scanner rounds them.

use super::cells::Cells;
use crate::geometry::{Direction, Point, TriangleMesh};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Facets that turn by more than this meet in an edge; those of bends turn by a few degrees.
const SHARP_DEG: f64 = 30.0;
/// Edges sharper than this are not rounded: the tangent points run away.
const SHARPEST_DEG: f64 = 150.0;

/// Where two facets meet under an angle, or one has no neighbour.
#[derive(Clone, Debug)]
pub(super) struct SharpEdge {
    /// Vertices of the mesh.
    pub(super) vertices: [u32; 2],
    /// The facets, lower index first; one at a border.
    pub(super) triangles: Vec<u32>,
}

/// All sharp edges and borders, in order of their vertices.
pub(super) fn sharp_edges(mesh: &TriangleMesh) -> Vec<SharpEdge> {
    let mut all: BTreeMap<[u32; 2], Vec<u32>> = BTreeMap::new();
    for (t, corners) in mesh.triangles().iter().enumerate() {
        for k in 0..3 {
            let (a, b) = (corners[k], corners[(k + 1) % 3]);
            all.entry([a.min(b), a.max(b)]).or_default().push(t as u32);
        }
    }
    let sharp = |triangles: &[u32]| match triangles {
        [_] => true,
        [s, t] => match (mesh.normal(*s), mesh.normal(*t)) {
            (Some(m), Some(n)) => m.angle_to(n).to_degrees() > SHARP_DEG,
            _ => false,
        },
        _ => false,
    };
    let edges = all.into_iter().filter(|(_, triangles)| sharp(triangles));
    edges.map(|(vertices, triangles)| SharpEdge { vertices, triangles }).collect()
}

/// An edge that is rounded.
struct Rounding {
    line: [Point; 2],
    normals: [Direction; 2],
    /// The material fills less than half of the space round it.
    convex: bool,
}

/// Pulls places near sharp edges of `mesh` onto a rounding of `radius_mm` that touches both facets, with
/// its normals. Where several edges are near, as in a corner, the nearest counts.
pub(super) fn round_edges(mesh: &TriangleMesh, radius_mm: f64, places: &mut [(Point, Direction)]) {
    let roundings: Vec<Rounding> = sharp_edges(mesh).iter().filter_map(|e| rounding(mesh, e)).collect();
    let lines: Vec<[Point; 2]> = roundings.iter().map(|r| r.line).collect();
    let reach_mm = radius_mm * crate::geometry::math::tan(0.5 * SHARPEST_DEG.to_radians());
    // Large enough that even a long mesh is not cut into many pieces.
    let size_mm = mesh.bounds().diagonal();
    let cells = Cells::of_lines(&lines, reach_mm, (2.0 * reach_mm).max(2.0).max(1e-3 * size_mm));
    places.par_iter_mut().for_each(|place| {
        let mut best: Option<(f64, (Point, Direction))> = None;
        for i in cells.here(&place.0) {
            if let Some((distance, rounded)) = pulled(&roundings[i as usize], radius_mm, place)
                && best.as_ref().is_none_or(|b| distance < b.0)
            {
                best = Some((distance, rounded));
            }
        }
        if let Some((_, rounded)) = best {
            *place = rounded;
        }
    });
}

fn rounding(mesh: &TriangleMesh, edge: &SharpEdge) -> Option<Rounding> {
    let [s, t] = edge.triangles[..] else { return None };
    let normals = [mesh.normal(s)?, mesh.normal(t)?];
    let line = edge.vertices.map(|v| mesh.vertices()[v as usize]);
    // The corner of the other facet that is not on the edge.
    let apex = mesh.triangles()[t as usize].into_iter().find(|v| !edge.vertices.contains(v))?;
    let convex = (mesh.vertices()[apex as usize] - line[0]).dot(&normals[0].vector()) < 0.0;
    (normals[0].angle_to(normals[1]).to_degrees() <= SHARPEST_DEG).then_some(Rounding {
        line,
        normals,
        convex,
    })
}

/// Where the place goes and how far it was from the edge; `None` when it stays.
fn pulled(
    r: &Rounding,
    radius_mm: f64,
    (p, normal): &(Point, Direction),
) -> Option<(f64, (Point, Direction))> {
    let [a, b] = r.line;
    let along = b - a;
    let length2 = along.norm_squared();
    let t = if length2 > 0.0 { ((p - a).dot(&along) / length2).clamp(0.0, 1.0) } else { 0.0 };
    let foot = a + along * t;
    let distance = (p - foot).norm();
    // The place lies on the facet whose normal it has; the other facet is the one across the edge.
    let cosines = r.normals.map(|n| n.dot(*normal));
    let own = usize::from(cosines[1] > cosines[0]);
    if cosines[own] < 0.8 {
        return None;
    }
    let (n, other) = (normal.vector(), r.normals[1 - own].vector());
    let cosine = n.dot(&other);
    // Half the turn between the facets: tan(x / 2) = sin(x) / (1 + cos(x)).
    let tangent = n.cross(&other).norm() / (1.0 + cosine);
    // Written so that NaN stays where it is.
    if !(distance < radius_mm * tangent) {
        return None;
    }
    let side = if r.convex { -1.0 } else { 1.0 };
    let centre = foot + (n + other) * (side * radius_mm / (1.0 + cosine));
    let axis = Direction::new(n.cross(&other))?.vector();
    let v = p - centre;
    let across = v - axis * v.dot(&axis);
    let out = Direction::new(across)?;
    let rounded = p - across + out.vector() * radius_mm;
    Some((distance, (rounded, if r.convex { out } else { out.reversed() })))
}
