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

/// Triangles of one face that lie on each other back to back go both: slivers whose other vertices became one, folded. One
/// of them alone would stand out of its face as a flap. `face` of each triangle as it was given, by `source`.
pub(super) fn drop_folded(triangles: &mut Vec<[u32; 3]>, source: &mut Vec<u32>, face: &[u32]) {
    let mut keyed: Vec<([u32; 3], u32, bool, u32)> = triangles
        .iter()
        .zip(source.iter())
        .zip(0u32..)
        .map(|((t, s), i)| {
            let mut key = *t;
            key.sort_unstable();
            // Turned about, three corners are still the same way round.
            let turned = [[key[0], key[1], key[2]], [key[1], key[2], key[0]], [key[2], key[0], key[1]]];
            (key, face[*s as usize], turned.contains(t), i)
        })
        .collect();
    keyed.sort_unstable();
    let mut folded = vec![false; triangles.len()];
    for one in keyed.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)).filter(|c| c.len() > 1) {
        let first_turned = one.partition_point(|k| !k.2);
        for (a, b) in one[..first_turned].iter().zip(&one[first_turned..]) {
            folded[a.3 as usize] = true;
            folded[b.3 as usize] = true;
        }
    }
    if folded.contains(&true) {
        let mut left = folded.iter().map(|f| !f);
        triangles.retain(|_| left.next().unwrap_or(true));
        let mut left = folded.iter().map(|f| !f);
        source.retain(|_| left.next().unwrap_or(true));
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_folds_onto_itself_within_a_face_goes_and_what_lies_on_another_face_stays() {
        // A fold of face 0, a pair the same way round of it, and a pair back to back of faces 1 and 2.
        let given = [[0, 1, 2], [2, 1, 0], [3, 4, 5], [4, 5, 3], [6, 7, 8], [8, 7, 6]];
        let face = [0, 0, 0, 0, 1, 2];
        let (mut triangles, mut source) = (given.to_vec(), (0..6).collect::<Vec<u32>>());
        drop_folded(&mut triangles, &mut source, &face);
        assert_eq!((triangles.as_slice(), source.as_slice()), (&given[2..], &[2, 3, 4, 5][..]));
        // Of three, one is left.
        let (mut triangles, mut source) = (vec![[0, 1, 2], [2, 1, 0], [1, 2, 0]], vec![0, 1, 2]);
        drop_folded(&mut triangles, &mut source, &face);
        assert_eq!((triangles.len(), source.len()), (1, 1));
    }
}
