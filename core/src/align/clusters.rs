//! Points that hang together: connected cubes of a grid.

use super::sample::{KEY_X, KEY_Y, key};
use crate::geometry::{Aabb, Point};
use crate::run::{CHECK_EVERY, Run, Stopped};
use rayon::prelude::*;

/// Cubes along an axis that a key has room for; fewer by far than 2^21, so that neighbours never overflow.
const MOST_CUBES: f64 = 1_000_000.0;

/// Points whose cubes hang together.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Cluster {
    /// Indices of the points, ascending.
    pub(crate) members: Vec<u32>,
    /// Occupied cubes.
    pub(crate) cubes: usize,
}

/// Parts the points into clusters: points in the same cube of edge `edge_mm`, or in cubes that touch (26
/// neighbours), hang together. Most cubes first; ties go to the lower first point. The points must be
/// finite; where they spread over more than a million cubes along an axis, the cubes are larger.
pub(crate) fn clusters(run: &Run, points: &[Point], edge_mm: f64) -> Result<Vec<Cluster>, Stopped> {
    if points.is_empty() {
        return Ok(Vec::new());
    }
    run.check()?;
    let bounds = Aabb::of(points);
    let edge = edge_mm.max(bounds.diagonal() / MOST_CUBES).max(1e-9);
    let mut keyed: Vec<(u64, u32)> =
        points.par_iter().enumerate().map(|(i, p)| (key(p, &bounds, edge), i as u32)).collect();
    keyed.par_sort_unstable();
    run.check()?;
    let mut cubes: Vec<u64> = keyed.iter().map(|k| k.0).collect();
    cubes.dedup();
    // Of each cube the neighbours that come before it.
    let before: Vec<Vec<u32>> = cubes
        .par_iter()
        .map(|&cube| {
            let mut found = Vec::new();
            // Rows of three cubes along z have consecutive keys; the last row is the cube's own.
            for n in 0..5u64 {
                let low = cube + (n % 3) * KEY_Y + (n / 3) * KEY_X - (KEY_X + KEY_Y + 1);
                let from = cubes.partition_point(|&k| k < low);
                let row = cubes[from..].iter().take_while(|&&k| k <= low + 2 && k < cube);
                found.extend(row.enumerate().map(|(at, _)| (from + at) as u32));
            }
            found
        })
        .collect();
    run.check()?;
    let mut roots: Vec<u32> = (0..cubes.len() as u32).collect();
    for (cube, neighbours) in before.iter().enumerate() {
        if cube % CHECK_EVERY == 0 {
            run.check()?;
        }
        for &n in neighbours {
            let (a, b) = (root(&mut roots, cube as u32), root(&mut roots, n));
            let (low, high) = (a.min(b), a.max(b));
            roots[high as usize] = low;
        }
    }
    let mut place: Vec<Option<usize>> = vec![None; cubes.len()];
    let mut found: Vec<Cluster> = Vec::new();
    let mut cube = 0;
    let mut last = None;
    for (k, index) in keyed {
        while cubes[cube] != k {
            cube += 1;
        }
        let root = root(&mut roots, cube as u32) as usize;
        let at = *place[root].get_or_insert_with(|| {
            found.push(Cluster { members: Vec::new(), cubes: 0 });
            found.len() - 1
        });
        found[at].members.push(index);
        if last != Some(k) {
            found[at].cubes += 1;
            last = Some(k);
        }
    }
    found.par_iter_mut().for_each(|c| c.members.sort_unstable());
    found.sort_by(|a, b| b.cubes.cmp(&a.cubes).then(a.members.first().cmp(&b.members.first())));
    Ok(found)
}

/// The root of a set of cubes; every other one on the way is hung to its grandparent (path halving,
/// Tarjan and van Leeuwen, Journal of the ACM 31(2), 1984).
fn root(roots: &mut [u32], mut at: u32) -> u32 {
    while roots[at as usize] != at {
        let up = roots[roots[at as usize] as usize];
        roots[at as usize] = up;
        at = up;
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::quiet;

    #[test]
    fn clusters_are_those_of_brute_force_flooding() {
        let mut random = Random::seeded(8);
        let points: Vec<Point> = (0..600)
            .map(|_| Point::new(random.range(-9.0, 9.0), random.range(-9.0, 9.0), random.range(-4.0, 4.0)))
            .collect();
        let low = Aabb::of(&points).low;
        let cube = |p: &Point| ((p - low) / 0.8).map(|c| c as i64);
        let mut label: Vec<usize> = (0..points.len()).collect();
        loop {
            let mut changed = false;
            for i in 0..points.len() {
                for j in 0..points.len() {
                    let near = (cube(&points[i]) - cube(&points[j])).abs().max() <= 1;
                    if near && label[j] < label[i] {
                        label[i] = label[j];
                        changed = true;
                    }
                }
            }
            if !changed {
                break;
            }
        }
        let found = clusters(&quiet(), &points, 0.8).unwrap();
        assert!(found.len() > 10, "{}", found.len());
        assert_eq!(found.iter().map(|c| c.members.len()).sum::<usize>(), points.len());
        for c in &found {
            let first = label[c.members[0] as usize];
            let slow: Vec<u32> = (0..points.len()).filter(|&i| label[i] == first).map(|i| i as u32).collect();
            assert_eq!(c.members, slow);
        }
    }

    #[test]
    fn no_points_one_point_and_points_far_apart_are_handled() {
        assert!(clusters(&quiet(), &[], 1.0).unwrap().is_empty());
        let far = [Point::origin(), Point::new(1e7, 0.0, 0.0), Point::new(0.0, 0.0, 0.0)];
        let found = clusters(&quiet(), &far, 1e-6).unwrap();
        assert_eq!(found.iter().map(|c| c.members.clone()).collect::<Vec<_>>(), [vec![0, 2], vec![1]]);
    }
}
