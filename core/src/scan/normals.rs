//! Normals of points: from the triangles about them, or from the file. A point without one has zeros.

use rayon::prelude::*;

use super::repeats::first_of_each;
use crate::geometry::{Direction, Point, Vector, math};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Normals of vertices: those of their triangles weighted by the angle at the vertex, which does not
/// change with the triangulation. Thuermer and Wuethrich, "Computing Vertex Normals from Polygonal
/// Facets", Journal of Graphics Tools 3(1), 1998. Repeated points (with the first at their place) share one
/// normal, kept at the first. `None` when no triangle has an area.
pub(super) fn of_triangles(
    points: &[Point],
    triangles: &[[u32; 3]],
    repeated: &[(u32, u32)],
    run: &Run,
) -> Result<Option<Vec<Vector>>, Stopped> {
    if triangles.is_empty() {
        return Ok(None);
    }
    let first = first_of_each(points.len(), repeated);
    // What a triangle gives to each of its corners.
    let shares = |triangle: &[u32; 3]| {
        let corner = triangle.map(|c| points[c as usize]);
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
    made_unit(sums, run)
}

/// Normals of the file made unit length; repeated points take the first usable one among them.
pub(super) fn of_file(
    normals: Vec<Vector>,
    repeated: &[(u32, u32)],
    run: &Run,
) -> Result<Option<Vec<Vector>>, Stopped> {
    let found = made_unit(normals, run)?;
    Ok(found.map(|mut found| {
        for &(i, first) in repeated {
            if found[first as usize] == Vector::zeros() {
                found[first as usize] = found[i as usize];
            }
        }
        found
    }))
}

/// Each made unit length in its place. A sum of unit normals, or a file's normal, is usable when it is longer
/// than what rounding leaves of normals that cancel (single precision); others become zeros. `None` where
/// there is no usable one.
fn made_unit(mut normals: Vec<Vector>, run: &Run) -> Result<Option<Vec<Vector>>, Stopped> {
    let any = |chunk: &mut [Vector]| {
        run.check()?;
        let mut any = false;
        for v in chunk {
            let usable = if v.norm() > 1e-6 { Direction::new(*v) } else { None };
            *v = usable.map_or(Vector::zeros(), Direction::vector);
            any |= usable.is_some();
        }
        Ok(any)
    };
    let any = normals.par_chunks_mut(CHECK_EVERY).map(any).try_reduce(|| false, |a, b| Ok(a | b))?;
    Ok(any.then_some(normals))
}
