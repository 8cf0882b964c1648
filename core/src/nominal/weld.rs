//! Vertices that are meant to be one become one; triangles that are none, or repeated, are dropped.

use super::NominalError;
use crate::geometry::{Aabb, Point};
use crate::run::{CHECK_EVERY, Run};
use crate::search::PointGrid;

/// A mesh in mm whose vertices are all used, no two closer than the tolerance, and whose triangles have
/// three different corners each; two may have the same three.
pub(super) struct Welded {
    pub vertices: Vec<Point>,
    pub triangles: Vec<[u32; 3]>,
    /// Which of the triangles given each one was, ascending; empty where nobody asked.
    pub source: Vec<u32>,
    /// Vertices closer than this were one, mm.
    pub tolerance_mm: f64,
}

/// Closer vertices are one: 0.01 micrometres, or 1e-7 of the box diagonal where that is larger, which is
/// the rounding of single-precision coordinates.
pub(super) fn tolerance_mm(bounds: &Aabb) -> f64 {
    (1e-7 * bounds.diagonal()).max(1e-5)
}

/// Edges of the cells in which vertices are looked for, in tolerances: so many that few vertices are near the
/// border of theirs, so few that most have one to themselves.
const CELL: f64 = 128.0;

/// Welds vertices in mm that are closer than `tolerance_mm`. The vertex with the lowest index stays where it is and
/// takes those around it. With `sources` the triangles that are kept tell which they were.
pub(super) fn weld(
    points: &[Point],
    triangles: &[[u32; 3]],
    tolerance_mm: f64,
    sources: bool,
    run: &Run,
) -> Result<Welded, NominalError> {
    let grid = PointGrid::new(points, CELL * tolerance_mm);
    const OPEN: u32 = u32::MAX;
    let mut taken_by = vec![OPEN; points.len()];
    for i in grid.lonely(tolerance_mm) {
        taken_by[i as usize] = i;
    }
    for i in 0..points.len() {
        if i % CHECK_EVERY == 0 {
            run.check()?;
        }
        if taken_by[i] == OPEN {
            grid.within(&points[i], tolerance_mm, |j, _| {
                if taken_by[j as usize] == OPEN {
                    taken_by[j as usize] = i as u32;
                }
            });
        }
    }
    let moved = || triangles.iter().map(|t| t.map(|c| taken_by[c as usize]));
    let stays = |t: &[u32; 3]| t[0] != t[1] && t[1] != t[2] && t[2] != t[0];
    let kept: Vec<[u32; 3]> = moved().filter(stays).collect();
    let source = if sources {
        (0u32..).zip(moved()).filter(|(_, t)| stays(t)).map(|(i, _)| i).collect()
    } else {
        Vec::new()
    };
    run.check()?;
    if kept.is_empty() {
        return Err(NominalError::NoArea { triangles: triangles.len(), tolerance_mm });
    }
    // Number the vertices that are left in the order of the file.
    let mut number = vec![OPEN; points.len()];
    for &c in kept.iter().flatten() {
        number[c as usize] = 0;
    }
    let mut vertices = Vec::new();
    for (i, n) in number.iter_mut().enumerate() {
        if *n != OPEN {
            *n = vertices.len() as u32;
            vertices.push(points[i]);
        }
    }
    let triangles = kept.iter().map(|t| t.map(|c| number[c as usize])).collect();
    Ok(Welded { vertices, triangles, source, tolerance_mm })
}

/// Of triangles with the same three corners, in any order, the first stays. A sheet of no thickness,
/// given once for each side, becomes one sheet by this.
/// `source` loses the same ones, unless it is empty.
pub(super) fn drop_repeated(triangles: &mut Vec<[u32; 3]>, source: &mut Vec<u32>) {
    let mut keyed: Vec<([u32; 3], u32)> = triangles
        .iter()
        .enumerate()
        .map(|(i, t)| {
            let mut key = *t;
            key.sort_unstable();
            (key, i as u32)
        })
        .collect();
    keyed.sort_unstable();
    let mut repeated = vec![false; triangles.len()];
    for pair in keyed.windows(2) {
        repeated[pair[1].1 as usize] = pair[0].0 == pair[1].0;
    }
    if repeated.contains(&true) {
        let mut left = repeated.iter().map(|r| !r);
        triangles.retain(|_| left.next().unwrap_or(true));
        let mut left = repeated.iter().map(|r| !r);
        source.retain(|_| left.next().unwrap_or(true));
    }
}
