//! The nearest points of every point of a cloud, for tens of millions of them.
//!
//! A balanced kd-tree whose points lie leaf by leaf in one array (after Bentley, "Multidimensional binary
//! search trees used for associative searching", Communications of the ACM 18(9), 1975; split at the median
//! across the longest side of the box, as Friedman, Bentley and Finkel, ACM TOMS 3(3), 1977, section 3).
//! The points of a leaf are asked for together (`group.rs`).

mod group;
#[cfg(test)]
mod tests;

use rayon::prelude::*;

use crate::geometry::{Aabb, Point};
use crate::run::{Run, Stopped};

use group::Groups;
pub(super) use group::Near;

/// Most points of a leaf: enough to share a descent, few enough that most candidates are neighbours.
const LEAF: usize = 16;
/// Fewer points than this are split by one thread.
const ALONE: usize = 1 << 14;
/// Leaves that one thread asks for one after the other.
const CHUNK: usize = 1 << 6;
/// Chunks whose answers are held at once.
const TOGETHER: usize = 1 << 6;

/// A kd-tree over points; what it answers depends on the points only. Points that are not finite are left
/// out.
#[derive(Clone, Debug)]
pub struct PointTree {
    /// Points with their numbers, leaf by leaf, ascending within a leaf.
    points: Vec<(Point, u32)>,
    /// Boxes of the nodes, level by level; the children of node `i` are `2 i + 1` and `2 i + 2`.
    boxes: Vec<Aabb>,
    /// Levels below the root: there are `2^depth` leaves.
    depth: u32,
    /// How many points were given.
    given: usize,
}

/// Up to `k` neighbours of each point, nearest first, equally near ones by their number.
#[derive(Clone, Debug, PartialEq)]
pub struct Neighbours {
    k: usize,
    flat: Vec<u32>,
}

/// Stands for no neighbour.
const NOBODY: u32 = u32::MAX;

impl Neighbours {
    /// The neighbours of a point; none for one that is not finite.
    pub fn of(&self, point: usize) -> &[u32] {
        let all = &self.flat[point * self.k..(point + 1) * self.k];
        &all[..all.partition_point(|&n| n != NOBODY)]
    }
}

/// A point found: squared distance, number, place in the tree. They are compared in this order, so that of
/// equally near ones the lowest number comes first.
type Found = (f64, u32, u32);

#[inline]
fn squared(x: f64, y: f64, z: f64) -> f64 {
    x * x + y * y + z * z
}

/// Squared distance from a place to a box, 0 inside.
#[inline]
fn squared_to(p: &Point, b: &Aabb) -> f64 {
    let along = |k: usize| (b.low[k] - p[k]).max(p[k] - b.high[k]).max(0.0);
    squared(along(0), along(1), along(2))
}

impl PointTree {
    /// Builds it in parallel; `points` may be at most 2^32 - 1.
    pub fn new(points: &[Point]) -> Self {
        let given = points.len().min(NOBODY as usize);
        let mut sorted = Vec::with_capacity(given);
        sorted.extend(
            (0u32..)
                .zip(&points[..given])
                .filter(|(_, p)| p.iter().all(|c| c.is_finite()))
                .map(|(number, p)| (*p, number)),
        );
        let depth = sorted.len().div_ceil(LEAF).max(1).next_power_of_two().trailing_zeros();
        let all = sorted.len();
        split(&mut sorted, all, 0, 0, depth);
        let mut tree = Self { points: sorted, boxes: Vec::new(), depth, given };
        let leaves = 1usize << depth;
        let of_leaves: Vec<Aabb> = (0..leaves)
            .into_par_iter()
            .map(|leaf| Aabb::of(tree.leaf(leaf).iter().map(|(p, _)| p)))
            .collect();
        tree.boxes = vec![Aabb::empty(); leaves - 1];
        tree.boxes.extend(of_leaves);
        for node in (0..leaves - 1).rev() {
            let mut both = tree.boxes[2 * node + 1];
            let other = tree.boxes[2 * node + 2];
            if !other.is_empty() {
                both.add(&other.low);
                both.add(&other.high);
            }
            tree.boxes[node] = both;
        }
        tree
    }

    /// Points that can be neighbours: the finite ones.
    pub fn len(&self) -> usize {
        self.points.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.points.is_empty()
    }

    /// Where the points of a leaf lie.
    fn range(&self, leaf: usize) -> std::ops::Range<usize> {
        cut(self.points.len(), leaf, self.depth)..cut(self.points.len(), leaf + 1, self.depth)
    }

    fn leaf(&self, leaf: usize) -> &[(Point, u32)] {
        &self.points[self.range(leaf)]
    }

    /// The `k` points nearest to a place, nearest first, with their distances in mm; equally near ones by
    /// their number. Fewer when there are fewer; none for a place that is not finite.
    pub fn nearest(&self, p: &Point, k: usize) -> Vec<(u32, f64)> {
        let (mut best, mut open) = (Vec::new(), Vec::new());
        if p.iter().all(|c| c.is_finite()) {
            self.best(p, k, &mut best, &mut open);
        }
        best.into_iter().map(|(d2, number, _)| (number, d2.sqrt())).collect()
    }

    /// Fills `best` with the `k` nearest, ascending.
    fn best(&self, p: &Point, k: usize, best: &mut Vec<Found>, open: &mut Vec<usize>) {
        best.clear();
        let k = k.min(self.points.len());
        if k == 0 {
            return;
        }
        let first_leaf = (1usize << self.depth) - 1;
        open.clear();
        open.push(0);
        while let Some(node) = open.pop() {
            // Equally far ones are looked at too: one of them may have a lower number.
            if best.len() == k && squared_to(p, &self.boxes[node]) > best[k - 1].0 {
                continue;
            }
            if node < first_leaf {
                let (a, b) = (2 * node + 1, 2 * node + 2);
                let a_first = squared_to(p, &self.boxes[a]) <= squared_to(p, &self.boxes[b]);
                open.extend(if a_first { [b, a] } else { [a, b] });
                continue;
            }
            let range = self.range(node - first_leaf);
            for (place, (q, number)) in (range.start as u32..).zip(&self.points[range]) {
                let item = (squared(q.x - p.x, q.y - p.y, q.z - p.z), *number, place);
                if best.len() == k {
                    if item >= best[k - 1] {
                        continue;
                    }
                    best.pop();
                }
                let mut at = best.len();
                best.push(item);
                while at > 0 && best[at - 1] > item {
                    best[at] = best[at - 1];
                    at -= 1;
                }
                best[at] = item;
            }
        }
    }

    /// For every point its `k` nearest others.
    pub fn k_nearest(&self, k: usize, run: &Run) -> Result<Neighbours, Stopped> {
        let k = k.min(self.points.len().saturating_sub(1));
        let mut flat = vec![NOBODY; self.given * k];
        if k > 0 {
            let work = |near: &mut Near, made: &mut Vec<u32>| {
                // Among many at one place the point itself may not be one of the lowest numbers.
                let own = near.number;
                let others = near.ranked().iter().map(|r| r.1).filter(|&n| n != own);
                made.extend(others.take(k));
            };
            self.each(k + 1, k, work, run, |number, found| {
                let at = number as usize * k;
                flat[at..at + k].copy_from_slice(found);
            })?;
        }
        Ok(Neighbours { k, flat })
    }

    /// Gives `work` the `k` points nearest to each point, itself counted (of those equally near the lowest
    /// numbers), and `keep` the `width` items that it makes of them, leaf by leaf.
    pub(super) fn each<T: Send>(
        &self,
        k: usize,
        width: usize,
        work: impl Fn(&mut Near, &mut Vec<T>) + Sync,
        run: &Run,
        mut keep: impl FnMut(u32, &[T]),
    ) -> Result<(), Stopped> {
        let k = k.min(self.points.len());
        if k == 0 {
            return Ok(());
        }
        let leaves = 1usize << self.depth;
        for first in (0..leaves).step_by(CHUNK * TOGETHER) {
            run.check()?;
            let last = leaves.min(first + CHUNK * TOGETHER);
            let found: Vec<(Vec<u32>, Vec<T>)> = (0..(last - first).div_ceil(CHUNK))
                .into_par_iter()
                .map(|chunk| {
                    run.check()?;
                    let mut groups = Groups::new(self, k);
                    let (mut numbers, mut made) = (Vec::new(), Vec::new());
                    for leaf in first + chunk * CHUNK..last.min(first + (chunk + 1) * CHUNK) {
                        groups.ask(leaf, |near| {
                            numbers.push(near.number);
                            work(near, &mut made);
                        });
                    }
                    Ok((numbers, made))
                })
                .collect::<Result<_, Stopped>>()?;
            for (numbers, made) in found {
                numbers.iter().zip(made.chunks_exact(width)).for_each(|(&n, made)| keep(n, made));
            }
        }
        Ok(())
    }
}

/// Where part `part` of `2^level` equal parts of `all` begins.
fn cut(all: usize, part: usize, level: u32) -> usize {
    ((all as u64 * part as u64) >> level) as usize
}

/// Splits the points of node `part` of `level` at the median, and so on down to the leaves.
fn split(points: &mut [(Point, u32)], all: usize, part: usize, level: u32, depth: u32) {
    if level == depth {
        // Selecting leaves no order that is promised, so a leaf gets that of the numbers.
        points.sort_unstable_by_key(|(_, number)| *number);
        return;
    }
    let axis = Aabb::of(points.iter().map(|(p, _)| p)).size().imax();
    let middle = cut(all, 2 * part + 1, level + 1) - cut(all, part, level);
    if middle < points.len() {
        points.select_nth_unstable_by(middle, |(p, i), (q, j)| p[axis].total_cmp(&q[axis]).then(i.cmp(j)));
    }
    let (low, high) = points.split_at_mut(middle);
    if low.len() + high.len() < ALONE {
        split(low, all, 2 * part, level + 1, depth);
        split(high, all, 2 * part + 1, level + 1, depth);
    } else {
        rayon::join(
            || split(low, all, 2 * part, level + 1, depth),
            || split(high, all, 2 * part + 1, level + 1, depth),
        );
    }
}
