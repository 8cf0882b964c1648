//! Openings that an exporter closes: points that were never there.

use super::edges::{SharpEdge, sharp_edges};
use crate::geometry::{Direction, Point, TriangleMesh, Vector};
use std::collections::BTreeMap;

/// Rims further out of one plane than this share of their size are left open.
const OUT_OF_PLANE: f64 = 0.1;

/// Places on flat lids over the openings of a mesh up to `largest_mm` across, `spacing_mm` apart, with the
/// normal of the skin round them. An opening is a closed ring of sharp edges or borders round which the
/// skin lies outside.
pub(super) fn lids(mesh: &TriangleMesh, largest_mm: f64, spacing_mm: f64) -> Vec<(Point, Direction)> {
    let edges = sharp_edges(mesh);
    let mut places = Vec::new();
    for ring in rings(&edges) {
        if let Some((rim, normal)) = opening(mesh, &edges, &ring, largest_mm) {
            cover(&rim, normal, spacing_mm, &mut places);
        }
    }
    places
}

/// Closed rings of edges in which every vertex has two, in order round them; lowest vertex first.
fn rings(edges: &[SharpEdge]) -> Vec<Vec<usize>> {
    let mut of_vertex: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for (i, e) in edges.iter().enumerate() {
        e.vertices.iter().for_each(|v| of_vertex.entry(*v).or_default().push(i));
    }
    let mut used = vec![false; edges.len()];
    let mut rings = Vec::new();
    for first in 0..edges.len() {
        let mut ring = Vec::new();
        let (mut edge, mut vertex) = (first, edges[first].vertices[1]);
        while !used[edge] {
            used[edge] = true;
            ring.push(edge);
            let [a, b] = of_vertex[&vertex][..] else { break };
            edge = if a == edge { b } else { a };
            let [from, to] = edges[edge].vertices;
            vertex = if from == vertex { to } else { from };
        }
        if edge == first && ring.len() > 2 {
            rings.push(ring);
        }
    }
    rings
}

/// The rim's points in order and the skin's normal, where the ring is an opening of at most `largest_mm`.
fn opening(
    mesh: &TriangleMesh,
    edges: &[SharpEdge],
    ring: &[usize],
    largest_mm: f64,
) -> Option<(Vec<Point>, Direction)> {
    let at = |v: u32| mesh.vertices()[v as usize];
    let rim: Vec<Point> = (0..ring.len())
        .map(|i| {
            // The vertex shared with the edge before.
            let before = edges[ring[(i + ring.len() - 1) % ring.len()]].vertices;
            let own = edges[ring[i]].vertices;
            at(if before.contains(&own[0]) { own[0] } else { own[1] })
        })
        .collect();
    let centre = rim.iter().fold(Point::origin(), |s, p| s + p.coords / rim.len() as f64);
    let size = 2.0 * rim.iter().map(|p| (p - centre).norm()).fold(0.0, f64::max);
    // Newell's method: the sum of cross products is twice the area along the normal, from memory.
    let sides = rim.iter().zip(rim.iter().cycle().skip(1));
    let area = sides.fold(Vector::zeros(), |s, (p, q)| s + (p - centre).cross(&(q - centre)));
    let plane = Direction::new(area)?;
    let flat = rim.iter().all(|p| (p - centre).dot(&plane.vector()).abs() <= OUT_OF_PLANE * size);
    if size > largest_mm || !flat {
        return None;
    }
    // The skin is the facet that lies most in the plane.
    let (mut outside, mut facing) = (0, 0.0);
    for &i in ring {
        let edge = &edges[i];
        let middle = nalgebra::center(&at(edge.vertices[0]), &at(edge.vertices[1]));
        let lean = |t: u32| mesh.normal(t).map_or(0.0, |n| n.dot(plane));
        let skin = edge
            .triangles
            .iter()
            .copied()
            .fold(edge.triangles[0], |best, t| if lean(t).abs() > lean(best).abs() { t } else { best });
        let apex = mesh.triangles()[skin as usize].into_iter().find(|v| !edge.vertices.contains(v))?;
        outside += if (at(apex) - middle).dot(&(middle - centre)) > 0.0 { 1 } else { -1 };
        facing += lean(skin);
    }
    (outside > 0 && facing != 0.0).then(|| (rim, if facing > 0.0 { plane } else { plane.reversed() }))
}

fn cover(rim: &[Point], normal: Direction, spacing_mm: f64, places: &mut Vec<(Point, Direction)>) {
    let (a, b) = normal.frame();
    let origin = rim[0];
    let flat: Vec<[f64; 2]> = rim.iter().map(|p| [(p - origin).dot(&a), (p - origin).dot(&b)]).collect();
    let range = |k: usize| {
        let low = flat.iter().map(|f| f[k]).fold(f64::INFINITY, f64::min);
        let high = flat.iter().map(|f| f[k]).fold(f64::NEG_INFINITY, f64::max);
        (low, ((high - low) / spacing_mm).ceil() as usize)
    };
    let ((left, columns), (low, rows)) = (range(0), range(1));
    for row in 0..rows {
        for column in 0..columns {
            let x = left + (column as f64 + 0.5) * spacing_mm;
            let y = low + (row as f64 + 0.5) * spacing_mm;
            // Even and odd crossings of a ray along x.
            let crossed = flat.iter().zip(flat.iter().cycle().skip(1)).filter(|(p, q)| {
                (p[1] > y) != (q[1] > y) && x < p[0] + (y - p[1]) / (q[1] - p[1]) * (q[0] - p[0])
            });
            if crossed.count() % 2 == 1 {
                places.push((origin + a * x + b * y, normal));
            }
        }
    }
}
