//! Parts of a cloud that hang together, and small ones removed.

use rayon::prelude::*;

use crate::geometry::{Aabb, Point};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// For each point the lowest number among the points that it hangs together with: two points do when steps
/// of at most `reach_mm` lead from one to the other over points of the cloud. A point that is not finite
/// hangs together with none; nor does any when `reach_mm` is not a positive number.
///
/// Points are sorted into cubes so small that all of one hang together; neighbouring cubes are joined by
/// the first pair that is near enough (the grid of Gunawan, "A faster algorithm for DBSCAN", Eindhoven 2013,
/// section 3). Joined by union-find with path halving (Tarjan and van Leeuwen, Journal of the ACM 31(2), 1984).
pub fn clusters(points: &[Point], reach_mm: f64, run: &Run) -> Result<Vec<u32>, Stopped> {
    let mut parent: Vec<u32> = (0..points.len() as u32).collect();
    if !(reach_mm.is_finite() && reach_mm > 0.0) {
        return Ok(parent);
    }
    let finite = |p: &Point| p.iter().all(|c| c.is_finite());
    let bounds = Aabb::of(points.iter().filter(|p| finite(p)));
    if bounds.is_empty() {
        return Ok(parent);
    }
    // A little less than reach / sqrt(3), so that the cube's diagonal is within reach after rounding.
    let wanted = reach_mm * 0.577;
    let edge = wanted.max(bounds.size().max() / MOST_CELLS);
    let whole = edge == wanted;
    let steps = if whole { 2 } else { 1 };
    let mut keyed: Vec<([u32; 3], u32)> = points
        .par_iter()
        .enumerate()
        .filter(|(_, p)| finite(p))
        .map(|(i, p)| {
            let cell = |axis: usize| ((p[axis] - bounds.low[axis]) / edge) as u32 + OFF;
            ([cell(2), cell(1), cell(0)], i as u32)
        })
        .collect();
    keyed.par_sort_unstable();
    run.check()?;
    let mut starts: Vec<u32> = Vec::new();
    for (n, item) in keyed.iter().enumerate() {
        if n == 0 || keyed[n - 1].0 != item.0 {
            starts.push(n as u32);
        }
    }
    starts.push(keyed.len() as u32);
    let cells = starts.len() - 1;
    let members = |cell: usize| &keyed[starts[cell] as usize..starts[cell + 1] as usize];
    let key = |cell: usize| keyed[starts[cell] as usize].0;
    let near =
        |a: u32, b: u32| (points[a as usize] - points[b as usize]).norm_squared() <= reach_mm * reach_mm;
    // Rows of cells before or at a cell's own, in which a near point may lie; each with the place where the
    // last cell's neighbours began: cells come in the order of their keys, so these only move forward.
    let mut rows: Vec<([i64; 2], usize)> = Vec::new();
    for z in -steps..=0i64 {
        for y in -steps..=steps {
            if (z, y) <= (0, 0) {
                rows.push(([z, y], 0));
            }
        }
    }
    let mut work = 0usize;
    for cell in 0..cells {
        let mine = members(cell);
        let [z, y, x] = key(cell);
        if whole {
            mine.iter().for_each(|&(_, i)| join(&mut parent, mine[0].1, i));
        }
        for (offset, begin) in &mut rows {
            let moved = |k: u32, by: i64| (i64::from(k) + by) as u32;
            let from = [moved(z, offset[0]), moved(y, offset[1]), moved(x, -steps)];
            let to = [from[0], from[1], moved(x, steps)];
            while *begin < cells && key(*begin) < from {
                *begin += 1;
            }
            for other in (*begin..cells).take_while(|&other| other <= cell && key(other) <= to) {
                let theirs = members(other);
                if whole && root(&mut parent, mine[0].1) == root(&mut parent, theirs[0].1) {
                    continue;
                }
                'pairs: for &(_, i) in mine {
                    for &(_, j) in theirs {
                        work += 1;
                        if work.is_multiple_of(CHECK_EVERY) {
                            run.check()?;
                        }
                        if near(i, j) {
                            join(&mut parent, i, j);
                            if whole {
                                break 'pairs;
                            }
                        }
                    }
                }
            }
        }
        if cell.is_multiple_of(CHECK_EVERY) {
            run.check()?;
        }
    }
    for i in 0..parent.len() as u32 {
        parent[i as usize] = root(&mut parent, i);
    }
    Ok(parent)
}

/// Numbers of the points in clusters of at least `least` points, ascending; `reach_mm` as for [`clusters`].
pub fn without_small_clusters(
    points: &[Point],
    reach_mm: f64,
    least: usize,
    run: &Run,
) -> Result<Vec<u32>, Stopped> {
    let of = clusters(points, reach_mm, run)?;
    let mut sizes = vec![0u32; points.len()];
    for &first in &of {
        sizes[first as usize] += 1;
    }
    Ok((0u32..)
        .zip(&of)
        .filter(|(_, first)| sizes[**first as usize] as usize >= least)
        .map(|(i, _)| i)
        .collect())
}

/// More cells along an axis have no room in their number.
const MOST_CELLS: f64 = 4.0e9;
/// Keeps the numbers of the cells before the first ones from being negative.
const OFF: u32 = 2;

/// The lowest number that `i` was joined with so far.
fn root(parent: &mut [u32], mut i: u32) -> u32 {
    while parent[i as usize] != i {
        parent[i as usize] = parent[parent[i as usize] as usize];
        i = parent[i as usize];
    }
    i
}

fn join(parent: &mut [u32], i: u32, j: u32) {
    let (a, b) = (root(parent, i), root(parent, j));
    parent[a.max(b) as usize] = a.min(b);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::quiet;

    /// Spreads from point to point, looking at all.
    fn slow(points: &[Point], reach: f64) -> Vec<u32> {
        let mut of = vec![u32::MAX; points.len()];
        for first in 0..points.len() {
            if of[first] != u32::MAX {
                continue;
            }
            of[first] = first as u32;
            let mut open = vec![first];
            while let Some(i) = open.pop() {
                for j in 0..points.len() {
                    let near = (points[i] - points[j]).norm_squared() <= reach * reach;
                    if of[j] == u32::MAX && near {
                        of[j] = first as u32;
                        open.push(j);
                    }
                }
            }
        }
        of
    }

    #[test]
    fn clusters_are_those_of_spreading() {
        let mut random = Random::seeded(12);
        let mut points: Vec<Point> = (0..1200)
            .map(|_| Point::new(random.range(0.0, 9.0), random.range(0.0, 9.0), random.range(0.0, 2.0)))
            .collect();
        points.extend_from_within(7..20);
        points.push(Point::new(f64::NAN, 1.0, 1.0));
        for reach in [1e-3, 0.1, 0.3, 0.4, 0.5, 0.6, 2.0, 20.0] {
            assert_eq!(clusters(&points, reach, &quiet()).unwrap(), slow(&points, reach), "{reach}");
        }
        // So far out that cells are larger than the reach.
        points.push(Point::new(1e12, -1e12, 0.0));
        for reach in [0.1, 0.4, 0.6] {
            assert_eq!(clusters(&points, reach, &quiet()).unwrap(), slow(&points, reach), "{reach}");
        }
        let alone: Vec<u32> = (0..points.len() as u32).collect();
        for reach in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(clusters(&points, reach, &quiet()).unwrap(), alone);
        }
        assert!(clusters(&[], 1.0, &quiet()).unwrap().is_empty());
    }

    #[test]
    fn small_clusters_go() {
        let at = |x: f64| Point::new(x, 0.0, 0.0);
        let points = [at(0.0), at(50.0), at(1.0), at(2.0), at(51.0), at(99.0)];
        assert_eq!(without_small_clusters(&points, 1.0, 3, &quiet()).unwrap(), [0, 2, 3]);
        assert_eq!(without_small_clusters(&points, 1.0, 2, &quiet()).unwrap(), [0, 1, 2, 3, 4]);
        assert_eq!(without_small_clusters(&points, 1.0, 7, &quiet()).unwrap(), [0u32; 0]);
    }
}
