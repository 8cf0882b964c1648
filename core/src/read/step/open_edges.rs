//! Edges of triangles that no other triangle continues.

use std::collections::BTreeMap;

use crate::geometry::Point;

/// Vertices this near are one, mm: below the sampling of any edge, above the digits of files.
const ONE_PLACE_MM: f64 = 1e-4;

/// How many edges an odd number of triangles have, vertices within 0.0001 mm of each other being one.
///
/// An edge between two vertices that an even number of triangles have adds nothing to this, whatever vertices
/// become one; so only the ends of the others are compared with each other. A triangle that loses its area
/// adds the same edge twice, or one without length, which is none.
pub(super) fn count(vertices: &[Point], triangles: &[[u32; 3]]) -> usize {
    let odd = odd(vertices.len(), triangles);
    let one = one_place(vertices, &odd);
    let mut times: BTreeMap<(u32, u32), u32> = BTreeMap::new();
    for (a, b) in odd {
        let (a, b) = (one[&a], one[&b]);
        if a != b {
            *times.entry((a.min(b), a.max(b))).or_default() += 1;
        }
    }
    times.values().filter(|n| *n % 2 == 1).count()
}

/// Pairs of vertices that an odd number of triangles run along, the lower vertex first.
fn odd(vertices: usize, triangles: &[[u32; 3]]) -> Vec<(u32, u32)> {
    let edges = |t: &[u32; 3]| [(t[0], t[1]), (t[1], t[2]), (t[2], t[0])].map(|(a, b)| (a.min(b), a.max(b)));
    // For each vertex the others of its edges, where it is the lower one.
    let mut begin = vec![0_usize; vertices + 1];
    for (low, _) in triangles.iter().flat_map(edges) {
        begin[low as usize + 1] += 1;
    }
    for v in 0..vertices {
        begin[v + 1] += begin[v];
    }
    let mut next = begin.clone();
    let mut others = vec![0_u32; 3 * triangles.len()];
    for (low, high) in triangles.iter().flat_map(edges) {
        others[next[low as usize]] = high;
        next[low as usize] += 1;
    }
    let mut odd = Vec::new();
    for v in 0..vertices {
        let of_v = &mut others[begin[v]..begin[v + 1]];
        of_v.sort_unstable();
        for same in of_v.chunk_by(|a, b| a == b) {
            if same.len() % 2 == 1 && same[0] as usize != v {
                odd.push((v as u32, same[0]));
            }
        }
    }
    odd
}

/// For each vertex in `edges` the first that lies at its place.
fn one_place(vertices: &[Point], edges: &[(u32, u32)]) -> BTreeMap<u32, u32> {
    let mut one: BTreeMap<u32, u32> = edges.iter().flat_map(|e| [(e.0, e.0), (e.1, e.1)]).collect();
    let mut cells: BTreeMap<[i64; 3], Vec<u32>> = BTreeMap::new();
    for (&v, first) in &mut one {
        let p = vertices[v as usize];
        let cell: [i64; 3] = [p.x, p.y, p.z].map(|c| (c / ONE_PLACE_MM).floor() as i64);
        let mut found: Option<u32> = None;
        for n in 0..27 {
            let near = [n % 3 - 1, n / 3 % 3 - 1, n / 9 - 1];
            let key = std::array::from_fn(|i| cell[i].saturating_add(near[i]));
            for &w in cells.get(&key).into_iter().flatten() {
                if (vertices[w as usize] - p).norm() < ONE_PLACE_MM && found.is_none_or(|f| w < f) {
                    found = Some(w);
                }
            }
        }
        match found {
            Some(w) => *first = w,
            None => cells.entry(cell).or_default().push(v),
        }
    }
    one
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_closed_box_has_none_and_a_missing_triangle_three() {
        let corner = |i: u32| Point::new(f64::from(i & 1), f64::from(i >> 1 & 1), f64::from(i >> 2));
        let mut vertices: Vec<Point> = (0..8).map(corner).collect();
        let mut triangles = vec![];
        for q in [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]] {
            triangles.push([q[0], q[1], q[2]]);
            triangles.push([q[0], q[2], q[3]]);
        }
        assert_eq!(count(&vertices, &triangles), 0);
        // A corner of its own for one triangle, a hair away: still closed. A tenth of a mm away: open.
        vertices.push(Point::new(5e-5, 0.0, 0.0));
        triangles[0][0] = 8;
        assert_eq!(count(&vertices, &triangles), 0);
        vertices[8].x = 0.1;
        assert_eq!(count(&vertices, &triangles), 4);
        triangles.remove(0);
        assert_eq!(count(&vertices, &triangles), 3);
    }
}
