//! Edges of triangles that no other triangle continues.

use std::collections::BTreeMap;

use crate::geometry::Point;

/// Vertices this near are one, mm: below the sampling of any edge, above the digits of files.
const ONE_PLACE_MM: f64 = 1e-4;

/// How many edges an odd number of triangles have. Vertices within 0.0001 mm of each other are one, triangles
/// that this leaves without area are left out.
pub(super) fn count(vertices: &[Point], triangles: &[[u32; 3]]) -> usize {
    let one = one_place(vertices);
    let mut times: BTreeMap<(u32, u32), u32> = BTreeMap::new();
    for t in triangles {
        let t = t.map(|v| one[v as usize]);
        if t[0] == t[1] || t[1] == t[2] || t[2] == t[0] {
            continue;
        }
        for (i, j) in [(0, 1), (1, 2), (2, 0)] {
            *times.entry((t[i].min(t[j]), t[i].max(t[j]))).or_default() += 1;
        }
    }
    times.values().filter(|n| *n % 2 == 1).count()
}

/// For each vertex the first that lies at its place.
fn one_place(vertices: &[Point]) -> Vec<u32> {
    let mut cells: BTreeMap<[i64; 3], Vec<u32>> = BTreeMap::new();
    let mut one: Vec<u32> = (0..vertices.len() as u32).collect();
    for v in 0..vertices.len() as u32 {
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
            Some(w) => one[v as usize] = w,
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
