//! Normals of points: from the triangles about them, or from the file. A point without one has zeros.

use rayon::prelude::*;

use super::kept::{Points, Ways};
use super::repeats::first_of_each;
use crate::geometry::{Direction, Vector, math};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Normals of vertices: those of their triangles weighted by the angle at the vertex, which does not
/// change with the triangulation. Thuermer and Wuethrich, "Computing Vertex Normals from Polygonal
/// Facets", Journal of Graphics Tools 3(1), 1998. Repeated points (with the first at their place) share one
/// normal, kept at the first. `None` when no triangle has an area.
pub(super) fn of_triangles(
    points: Points,
    triangles: &[[u32; 3]],
    repeated: &[(u32, u32)],
    run: &Run,
) -> Result<Option<Ways>, Stopped> {
    if triangles.is_empty() {
        return Ok(None);
    }
    let first = first_of_each(points.len(), repeated);
    // What a triangle gives to each of its corners.
    let shares = |triangle: &[u32; 3]| {
        let corner = triangle.map(|c| points.at(c as usize));
        let cross = (corner[1] - corner[0]).cross(&(corner[2] - corner[0]));
        let normal = Direction::new(cross)?;
        Some([0, 1, 2].map(|k| {
            let a = corner[(k + 1) % 3] - corner[k];
            let b = corner[(k + 2) % 3] - corner[k];
            // The cross product of any two edges has the length of twice the area.
            normal.vector() * math::atan2(cross.norm(), a.dot(&b))
        }))
    };
    let mut sums = vec![Vector::zeros(); points.len()];
    for block in triangles.chunks(16 * CHECK_EVERY) {
        run.check()?;
        let shares: Vec<Option<[Vector; 3]>> =
            block.par_iter().with_min_len(CHECK_EVERY / 4).map(shares).collect();
        // Added in the order of the triangles.
        for (triangle, shares) in block.iter().zip(shares) {
            let Some(shares) = shares else { continue };
            for (&corner, share) in triangle.iter().zip(shares) {
                sums[first[corner as usize] as usize] += share;
            }
        }
    }
    made_usable(Ways::Double(sums), run)
}

/// Normals of the file; repeated points take the first usable one among them.
pub(super) fn of_file(normals: Ways, repeated: &[(u32, u32)], run: &Run) -> Result<Option<Ways>, Stopped> {
    let found = made_usable(normals, run)?;
    Ok(found.map(|mut found| {
        for &(i, first) in repeated {
            if found.lacks(first as usize) {
                found.copy(i as usize, first as usize);
            }
        }
        found
    }))
}

/// `None` where there is no usable one.
fn made_usable(mut normals: Ways, run: &Run) -> Result<Option<Ways>, Stopped> {
    Ok(normals.make_usable(run)?.then_some(normals))
}
