//! Normals of points: from the triangles about them, or from the file.

use crate::geometry::{Direction, Point, Vector, math};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Normals of vertices: those of their triangles weighted by the angle at the vertex, which does not
/// change with the triangulation. Thuermer and Wuethrich, "Computing Vertex Normals from Polygonal
/// Facets", Journal of Graphics Tools 3(1), 1998. Repeated points share one normal, kept at the first.
/// `None` when no triangle has an area; a point without one has no normal.
pub(super) fn of_triangles(
    points: &[Point],
    triangles: &[[u32; 3]],
    first: &[u32],
    run: &Run,
) -> Result<Option<Vec<Option<Direction>>>, Stopped> {
    if triangles.is_empty() {
        return Ok(None);
    }
    let mut sums = vec![Vector::zeros(); points.len()];
    for (i, triangle) in triangles.iter().enumerate() {
        if i % CHECK_EVERY == 0 {
            run.check()?;
        }
        let corner = triangle.map(|c| points[c as usize]);
        let cross = (corner[1] - corner[0]).cross(&(corner[2] - corner[0]));
        let Some(normal) = Direction::new(cross) else { continue };
        for k in 0..3 {
            let a = corner[(k + 1) % 3] - corner[k];
            let b = corner[(k + 2) % 3] - corner[k];
            // The cross product of any two edges has the length of twice the area.
            let angle = math::atan2(cross.norm(), a.dot(&b));
            sums[first[triangle[k] as usize] as usize] += normal.vector() * angle;
        }
    }
    Ok(some_usable(sums.into_iter().map(usable).collect()))
}

/// Normals of the file made unit length; repeated points take the first usable one among them.
pub(super) fn of_file(normals: &[Vector], first: &[u32]) -> Option<Vec<Option<Direction>>> {
    let mut found = vec![None; normals.len()];
    for (normal, &first) in normals.iter().zip(first) {
        let place = &mut found[first as usize];
        *place = place.or(usable(*normal));
    }
    some_usable(found)
}

/// A sum of unit normals, or a file's normal, is usable when it is longer than what rounding leaves of
/// normals that cancel (single precision).
fn usable(v: Vector) -> Option<Direction> {
    if v.norm() > 1e-6 { Direction::new(v) } else { None }
}

fn some_usable(normals: Vec<Option<Direction>>) -> Option<Vec<Option<Direction>>> {
    normals.iter().any(Option::is_some).then_some(normals)
}
