//! The nominal cut fine enough that a picture can be coloured from what was measured at each place.
//!
//! A flat face of a CAD file is few large triangles; colours between their corners alone would be of values
//! from far away. For the picture, and for nothing else, long edges are halved until they are short.

use std::collections::BTreeMap;

use crate::geometry::{Point, TriangleMesh};
use crate::nominal::Nominal;
use crate::run::{CHECK_EVERY, Run, Stopped};

/// The nominal for a picture: cut finely, and parted at the borders of its faces.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// The same surface as the nominal's mesh.
    pub mesh: TriangleMesh,
    /// Signed distance of the measured surface at each vertex, mm; `None` where nothing was seen.
    pub deviation_mm: Vec<Option<f32>>,
}

/// About so many triangles are aimed at: some thirty pixels each on a printed page.
const AIM: f64 = 300_000.0;
/// Cutting ends at so many, which bounds memory to some 40 MB, whatever the mesh.
const MOST: usize = 600_000;
/// Edges shorter than this show nothing more: half the reach of a vertex.
const LEAST_EDGE_MM: f64 = 0.75;

/// Cuts the nominal; `None` where its own mesh is fine enough, or so large that it must do.
pub(super) fn cut(run: &Run, nominal: &Nominal, spacing_mm: f64) -> Result<Option<TriangleMesh>, Stopped> {
    let mesh = nominal.mesh();
    let area: f64 = nominal.faces().iter().map(|f| f.area_mm2).sum();
    // Halving leaves triangles of about a fifth of the square of the longest edge.
    let longest = (5.0 * area / AIM).sqrt().max(spacing_mm).max(LEAST_EDGE_MM);
    let long = |a: &Point, b: &Point| (a - b).norm_squared() > longest * longest;
    let coarse = (0..mesh.triangles().len()).any(|t| {
        let [a, b, c] = mesh.corners(t as u32);
        long(&a, &b) || long(&b, &c) || long(&c, &a)
    });
    if !coarse || mesh.triangles().len() >= MOST {
        return Ok(None);
    }
    let (mut vertices, mut triangles) = parted(nominal);
    let mut middles = BTreeMap::<(u32, u32), u32>::new();
    loop {
        let mut halves = Vec::with_capacity(triangles.len() * 2);
        for (i, &t) in triangles.iter().enumerate() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            // At the longest edge, and no other: triangles become rounder, also long thin ones.
            let size =
                |k: usize| (vertices[t[(k + 1) % 3] as usize] - vertices[t[k] as usize]).norm_squared();
            let k = (1..3).fold(0, |best, k| if size(k) > size(best) { k } else { best });
            let [a, b, c] = [t[k], t[(k + 1) % 3], t[(k + 2) % 3]];
            let (from, to) = (vertices[a as usize], vertices[b as usize]);
            if !long(&from, &to) {
                halves.push(t);
                continue;
            }
            // The neighbour comes upon the same middle, in this round or a later one, since no edge stays long.
            let m = *middles.entry((a.min(b), a.max(b))).or_insert_with(|| {
                vertices.push(Point::from((from.coords + to.coords) * 0.5));
                (vertices.len() - 1) as u32
            });
            halves.extend([[a, m, c], [m, b, c]]);
        }
        let done = halves.len() == triangles.len() || halves.len() * 2 > MOST;
        triangles = halves;
        if done {
            // Indices are those of vertices just made, and halves of finite places are finite.
            return Ok(TriangleMesh::new(vertices, triangles).ok());
        }
    }
}

/// The mesh with a vertex of its own for each face that meets there, so that one face's values do not run
/// over an edge onto the next.
fn parted(nominal: &Nominal) -> (Vec<Point>, Vec<[u32; 3]>) {
    let mesh = nominal.mesh();
    let mut own = BTreeMap::<(u32, u32), u32>::new();
    let mut vertices = Vec::with_capacity(mesh.vertices().len() * 2);
    let faces = nominal.face_of_triangle();
    let triangles = mesh.triangles().iter().zip(faces).map(|(corners, &face)| {
        corners.map(|v| {
            *own.entry((v, face)).or_insert_with(|| {
                vertices.push(mesh.vertices()[v as usize]);
                (vertices.len() - 1) as u32
            })
        })
    });
    let triangles = triangles.collect();
    (vertices, triangles)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::RawScan;
    use crate::run::quiet;
    use crate::scan::LengthUnit;

    fn block(size: [f64; 3]) -> Nominal {
        let points = (0..8)
            .map(|i| {
                Point::new(
                    size[0] * f64::from(i & 1),
                    size[1] * f64::from(i >> 1 & 1),
                    size[2] * f64::from(i >> 2),
                )
            })
            .collect();
        let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
        let triangles = quads.iter().flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
        let raw = RawScan { points, triangles, ..RawScan::default() };
        Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
    }

    #[test]
    fn a_cut_block_has_the_same_surface_and_short_edges() {
        for size in [[200.0, 100.0, 3.0], [900.0, 1.0, 1.0], [30.0, 30.0, 30.0], [2000.0, 1500.0, 0.01]] {
            let nominal = block(size);
            let mesh = cut(&quiet(), &nominal, 0.5).unwrap().unwrap();
            let [x, y, z] = size;
            let area: f64 = (0..mesh.triangles().len()).map(|t| mesh.area(t as u32)).sum();
            let truth = 2.0 * (x * y + y * z + z * x);
            assert!((area / truth - 1.0).abs() < 1e-9, "{size:?}: {area} of {truth}");
            // All outwards still: the divergence theorem gives the volume.
            let volume: f64 = (0..mesh.triangles().len())
                .map(|t| mesh.corners(t as u32)[0].coords.dot(&mesh.area_vector(t as u32)) / 6.0)
                .sum();
            assert!((volume / (x * y * z) - 1.0).abs() < 1e-6, "{size:?}: {volume}");
            let bound = (5.0 * truth / AIM).sqrt().max(LEAST_EDGE_MM);
            // The halves of long thin triangles are thin: so many are needed that the cap may end it.
            let capped = mesh.triangles().len() * 4 > MOST;
            for t in 0..mesh.triangles().len() {
                let [a, b, c] = mesh.corners(t as u32);
                let longest = [a - b, b - c, c - a].iter().map(|edge| edge.norm()).fold(0.0, f64::max);
                let thin = mesh.area(t as u32) < longest * longest / 50.0;
                let times = if capped { 4.0 } else { 1.0 + 1e-9 };
                assert!(capped && thin || longest <= times * bound, "{size:?}: {longest}");
            }
            assert!(mesh.triangles().len() <= MOST, "{size:?}: {}", mesh.triangles().len());
        }
    }

    #[test]
    fn a_mesh_that_is_fine_enough_stays_as_it_is() {
        assert_eq!(cut(&quiet(), &block([0.5, 0.5, 0.5]), 0.5).unwrap(), None);
        assert_eq!(cut(&quiet(), &block([30.0, 30.0, 30.0]), 80.0).unwrap(), None);
    }

    #[test]
    fn the_faces_of_an_edge_have_vertices_of_their_own() {
        // Each of the eight corners once for each of its three faces.
        assert_eq!(parted(&block([3.0, 4.0, 5.0])).0.len(), 24);
    }
}
