//! The nearest points of every point of a cloud, for tens of millions of them.
//!
//! A balanced kd-tree whose points lie leaf by leaf in one array (after Bentley, "Multidimensional binary
//! search trees used for associative searching", Communications of the ACM 18(9), 1975; split at the median
//! across the longest side of the box, as Friedman, Bentley and Finkel, ACM TOMS 3(3), 1977, section 3).
//! The points of a leaf are asked for together: their centre's k-th nearest point bounds theirs by the
//! triangle inequality, so one descent finds the candidates of all.

use rayon::prelude::*;

use crate::geometry::{Aabb, Point, Vector};
use crate::run::{Run, Stopped};

/// Most points of a leaf: enough to share a descent, few enough that most candidates are neighbours.
const LEAF: usize = 16;
/// Fewer points than this are split by one thread.
const ALONE: usize = 1 << 14;
/// Leaves asked for between two looks at whether to stop.
const TOGETHER: usize = 1 << 12;
/// Rounding of a sum of three squares and of a root is far below this part of it.
const SLACK: f64 = 1.0 + 1e-9;

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

/// The nearest points of one point, itself among them, in no order that means anything but a fixed one.
pub(super) struct Near<'a> {
    pub(super) number: u32,
    pub(super) point: Point,
    chosen: &'a [u32],
    all: &'a Candidates,
}

impl Near<'_> {
    /// From the point to each of the nearest ones.
    pub(super) fn offsets(&self) -> impl Iterator<Item = Vector> {
        self.chosen.iter().map(|&c| {
            let c = c as usize;
            Vector::new(
                self.all.x[c] - self.point.x,
                self.all.y[c] - self.point.y,
                self.all.z[c] - self.point.z,
            )
        })
    }

    /// Squared distance and number of each.
    fn ranked(&self) -> impl Iterator<Item = (f64, u32)> {
        self.offsets().zip(self.chosen).map(|(d, &c)| (squared(d.x, d.y, d.z), self.all.number[c as usize]))
    }
}

/// Points near a leaf, and what is worked out for one of its points after the other.
#[derive(Default)]
struct Candidates {
    x: Vec<f64>,
    y: Vec<f64>,
    z: Vec<f64>,
    number: Vec<u32>,
}

#[derive(Default)]
struct Work {
    candidates: Candidates,
    squared: Vec<f64>,
    near: Vec<u32>,
    keys: Vec<u64>,
    chosen: Vec<u32>,
    best: Vec<(f64, u32)>,
    open: Vec<usize>,
}

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

    fn leaf(&self, leaf: usize) -> &[(Point, u32)] {
        &self.points[cut(self.points.len(), leaf, self.depth)..cut(self.points.len(), leaf + 1, self.depth)]
    }

    /// The `k` points nearest to a place, nearest first, with their distances in mm; equally near ones by
    /// their number. Fewer when there are fewer; none for a place that is not finite.
    pub fn nearest(&self, p: &Point, k: usize) -> Vec<(u32, f64)> {
        let (mut best, mut open) = (Vec::new(), Vec::new());
        if p.iter().all(|c| c.is_finite()) {
            self.best(p, k, &mut best, &mut open);
        }
        best.into_iter().map(|(d2, number)| (number, d2.sqrt())).collect()
    }

    /// Fills `best` with squared distance and number of the `k` nearest, ascending.
    fn best(&self, p: &Point, k: usize, best: &mut Vec<(f64, u32)>, open: &mut Vec<usize>) {
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
            for (q, number) in self.leaf(node - first_leaf) {
                let item = (squared(q.x - p.x, q.y - p.y, q.z - p.z), *number);
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
            let work = |near: &Near| {
                let mut ranked: Vec<(f64, u32)> = near.ranked().collect();
                ranked.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
                // Among many at one place the point itself may not be one of the lowest numbers.
                ranked.into_iter().map(|r| r.1).filter(|&n| n != near.number).take(k).collect::<Vec<u32>>()
            };
            self.each(k + 1, work, run, |number, found| {
                let at = number as usize * k;
                flat[at..at + found.len()].copy_from_slice(&found);
            })?;
        }
        Ok(Neighbours { k, flat })
    }

    /// Gives `work` the `k` points nearest to each point, itself counted (of those equally near the lowest
    /// numbers), and `keep` what it makes of them, leaf by leaf.
    pub(super) fn each<T: Send>(
        &self,
        k: usize,
        work: impl Fn(&Near) -> T + Sync,
        run: &Run,
        mut keep: impl FnMut(u32, T),
    ) -> Result<(), Stopped> {
        let k = k.min(self.points.len());
        if k == 0 {
            return Ok(());
        }
        let leaves = 1usize << self.depth;
        for first in (0..leaves).step_by(TOGETHER) {
            run.check()?;
            let found: Vec<Vec<(u32, T)>> = (first..leaves.min(first + TOGETHER))
                .into_par_iter()
                .map_init(Work::default, |space, leaf| self.ask(leaf, k, space, &work, run))
                .collect::<Result<_, Stopped>>()?;
            found.into_iter().flatten().for_each(|(number, made)| keep(number, made));
        }
        Ok(())
    }

    fn ask<T>(
        &self,
        leaf: usize,
        k: usize,
        space: &mut Work,
        work: impl Fn(&Near) -> T,
        run: &Run,
    ) -> Result<Vec<(u32, T)>, Stopped> {
        run.check()?;
        let members = self.leaf(leaf);
        let mut made = Vec::with_capacity(members.len());
        let own = self.boxes[(1 << self.depth) - 1 + leaf];
        if members.is_empty() {
            return Ok(made);
        }
        let centre = Point::from(own.low.coords * 0.5 + own.high.coords * 0.5);
        self.best(&centre, k, &mut space.best, &mut space.open);
        let reach = space.best[k - 1].0.sqrt();
        let away = |p: &Point| squared(p.x - centre.x, p.y - centre.y, p.z - centre.z).sqrt();
        let furthest = members.iter().map(|(p, _)| away(p)).fold(0.0, f64::max);
        self.gather(&centre, (reach + 2.0 * furthest) * SLACK, space);
        let Work { candidates, squared: distances, near, keys, chosen, .. } = space;
        let count = candidates.number.len();
        near.resize(count, 0);
        for (p, number) in members {
            distances.clear();
            distances.extend(
                candidates
                    .x
                    .iter()
                    .zip(&candidates.y)
                    .zip(&candidates.z)
                    .map(|((x, y), z)| squared(x - p.x, y - p.y, z - p.z)),
            );
            let bound = (reach + away(p)) * SLACK;
            let bound = bound * bound;
            let mut within = 0;
            for (c, &d2) in distances.iter().enumerate() {
                near[within] = c as u32;
                within += usize::from(d2 <= bound);
            }
            let near = &near[..within];
            keys.clear();
            // Numbers that are not negative are in the order of their bits.
            keys.extend(near.iter().map(|&c| distances[c as usize].to_bits()));
            let last = f64::from_bits(*keys.select_nth_unstable(k - 1).1);
            chosen.clear();
            chosen.extend(near.iter().filter(|&&c| distances[c as usize] <= last));
            if chosen.len() > k {
                chosen.sort_unstable_by(|&a, &b| {
                    let key = |c: u32| (distances[c as usize].to_bits(), candidates.number[c as usize]);
                    key(a).cmp(&key(b))
                });
                chosen.truncate(k);
            }
            made.push((*number, work(&Near { number: *number, point: *p, chosen, all: candidates })));
        }
        Ok(made)
    }

    /// Takes in all points within `radius` of `centre`, leaf by leaf.
    fn gather(&self, centre: &Point, radius: f64, space: &mut Work) {
        let Candidates { x, y, z, number } = &mut space.candidates;
        [&mut *x, &mut *y, &mut *z].into_iter().for_each(Vec::clear);
        number.clear();
        let most = radius * radius;
        let first_leaf = (1usize << self.depth) - 1;
        space.open.clear();
        space.open.push(0);
        while let Some(node) = space.open.pop() {
            if squared_to(centre, &self.boxes[node]) > most {
                continue;
            }
            if node < first_leaf {
                space.open.extend([2 * node + 2, 2 * node + 1]);
                continue;
            }
            for (p, n) in self.leaf(node - first_leaf) {
                if squared(p.x - centre.x, p.y - centre.y, p.z - centre.z) <= most {
                    x.push(p.x);
                    y.push(p.y);
                    z.push(p.z);
                    number.push(*n);
                }
            }
        }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::quiet;

    fn clouds() -> Vec<Vec<Point>> {
        let mut random = Random::seeded(6);
        let mut sheet: Vec<Point> = (0..700)
            .map(|_| Point::new(random.range(-9.0, 9.0), random.range(-9.0, 9.0), random.range(-0.1, 0.1)))
            .collect();
        sheet.extend_from_within(3..60);
        sheet.push(Point::new(f64::NAN, 0.0, 0.0));
        sheet.push(Point::new(1e6, f64::INFINITY, 0.0));
        sheet.push(Point::new(1e6, 1e6, -1e6));
        // A lattice is full of equal distances.
        let lattice = (0..600).map(|i| Point::from([i % 10, i / 10 % 10, i / 100].map(f64::from)));
        let same = vec![Point::new(1.0, 2.0, 3.0); 90];
        vec![sheet, lattice.collect(), same, vec![Point::origin()], vec![]]
    }

    fn slow(points: &[Point], p: &Point, k: usize) -> Vec<(f64, u32)> {
        let mut all: Vec<(f64, u32)> = (0..)
            .zip(points)
            .filter(|(_, q)| q.iter().all(|c| c.is_finite()))
            .map(|(i, q)| (squared(q.x - p.x, q.y - p.y, q.z - p.z), i))
            .collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        all.truncate(k);
        all
    }

    #[test]
    fn neighbours_are_those_of_brute_force() {
        for points in clouds() {
            let tree = PointTree::new(&points);
            for k in [0, 1, 2, 7, 20, 100, 5000] {
                let found = tree.k_nearest(k, &quiet()).unwrap();
                for (i, p) in points.iter().enumerate().step_by(if k > 50 { 17 } else { 1 }) {
                    let mut wanted: Vec<u32> = Vec::new();
                    if p.iter().all(|c| c.is_finite()) {
                        let all = slow(&points, p, usize::MAX);
                        wanted.extend(all.iter().map(|r| r.1).filter(|&n| n as usize != i).take(k));
                    }
                    assert_eq!(found.of(i), wanted, "{k} of {i} among {}", points.len());
                }
            }
            let mut random = Random::seeded(7);
            for _ in 0..100 {
                let p =
                    Point::new(random.range(-12.0, 12.0), random.range(-12.0, 12.0), random.range(-2.0, 2.0));
                let wanted: Vec<(u32, f64)> =
                    slow(&points, &p, 9).into_iter().map(|(d2, i)| (i, d2.sqrt())).collect();
                assert_eq!(tree.nearest(&p, 9), wanted);
            }
            assert!(tree.nearest(&Point::new(f64::NAN, 0.0, 0.0), 3).is_empty());
        }
    }

    #[test]
    fn threads_change_nothing() {
        let points = &clouds()[0];
        let answer = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| PointTree::new(points).k_nearest(8, &quiet()).unwrap())
        };
        assert_eq!(answer(1), answer(5));
    }
}
