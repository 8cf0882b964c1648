//! Neighbours of a place among many points, by a grid of cells.

use std::ops::Range;

use rayon::prelude::*;

use crate::geometry::{Aabb, Point};

/// Points sorted into cubic cells; neighbours come in a fixed order.
#[derive(Clone, Debug)]
pub struct PointGrid {
    low: Point,
    cell_mm: f64,
    size: [u64; 3],
    /// Keys of the occupied cells, ascending.
    keys: Vec<u64>,
    /// Where each cell's points begin in `order`; one more than `keys`.
    starts: Vec<u32>,
    /// Point indices, cell by cell, ascending within a cell.
    order: Vec<u32>,
    /// The points in that order.
    sorted: Vec<Point>,
}

/// No axis gets more cells than this, so that three of them fit one key.
const MOST_CELLS: f64 = 2_000_000.0;

impl PointGrid {
    /// Sorts `points` into cells of about `cell_mm` (larger when the points spread over more than two
    /// million cells along an axis). Points that are not finite are left out.
    pub fn new(points: &[Point], cell_mm: f64) -> Self {
        let finite = |p: &&Point| p.iter().all(|c| c.is_finite());
        let bounds = Aabb::of(points.iter().filter(finite));
        let longest = bounds.size().max();
        let cell_mm =
            if cell_mm > 0.0 && cell_mm.is_finite() { cell_mm } else { 1.0 }.max(longest / MOST_CELLS);
        let low = if bounds.is_empty() { Point::origin() } else { bounds.low };
        let mut grid = Self {
            low,
            cell_mm,
            size: [0; 3],
            keys: Vec::new(),
            starts: vec![0],
            order: Vec::new(),
            sorted: Vec::new(),
        };
        if bounds.is_empty() {
            return grid;
        }
        for axis in 0..3 {
            grid.size[axis] = ((bounds.high[axis] - low[axis]) / cell_mm) as u64 + 1;
        }
        let mut keyed: Vec<(u64, u32)> = points
            .par_iter()
            .enumerate()
            .filter(|(_, p)| finite(p))
            .map(|(i, p)| {
                let c = std::array::from_fn(|axis| ((p[axis] - low[axis]) / cell_mm) as u64);
                (grid.key(c), i as u32)
            })
            .collect();
        // Every item differs in its index, so an unstable sort has one possible result.
        keyed.par_sort_unstable();
        for (n, &(key, index)) in keyed.iter().enumerate() {
            if grid.keys.last() != Some(&key) {
                if n > 0 {
                    grid.starts.push(n as u32);
                }
                grid.keys.push(key);
            }
            grid.order.push(index);
            grid.sorted.push(points[index as usize]);
        }
        grid.starts.push(keyed.len() as u32);
        grid
    }

    /// The indices of each occupied cell's points, ascending within a cell; the cells in a fixed order.
    pub fn cells(&self) -> impl Iterator<Item = &[u32]> {
        (0..self.keys.len()).map(|c| &self.order[self.starts[c] as usize..self.starts[c + 1] as usize])
    }

    /// Points that are alone in their cell and further than `radius_mm` from its border: no other point is
    /// within that of them.
    pub(crate) fn lonely(&self, radius_mm: f64) -> impl Iterator<Item = u32> {
        // Rounding of the cell's number is far below a thousandth of a cell.
        let margin = radius_mm / self.cell_mm + 1e-3;
        (0..self.keys.len()).filter_map(move |c| {
            let [from, to] = [self.starts[c], self.starts[c + 1]].map(|s| s as usize);
            let inside = |k: usize| {
                let along = (self.sorted[from][k] - self.low[k]) / self.cell_mm;
                let within = along - along.floor();
                within > margin && within < 1.0 - margin
            };
            (to - from == 1 && (0..3).all(inside)).then(|| self.order[from])
        })
    }

    /// Point indices cell by cell, ascending within a cell; a *position* is a place in this order.
    pub(crate) fn order(&self) -> &[u32] {
        &self.order
    }

    /// The points in that order.
    pub(crate) fn sorted(&self) -> &[Point] {
        &self.sorted
    }

    /// How many cells hold points.
    pub(crate) fn cell_count(&self) -> usize {
        self.keys.len()
    }

    /// The positions of a cell's points.
    pub(crate) fn cell(&self, cell: usize) -> Range<usize> {
        self.starts[cell] as usize..self.starts[cell + 1] as usize
    }

    /// The cells that may hold points within `radius_mm` of a point of `cell`, as runs, in a fixed order.
    pub(crate) fn cells_around(&self, cell: usize, radius_mm: f64) -> impl Iterator<Item = Range<usize>> {
        let steps = (radius_mm / self.cell_mm).ceil() as u64;
        let key = self.keys[cell];
        let at = [key % self.size[0], key / self.size[0] % self.size[1], key / self.size[0] / self.size[1]];
        let from = at.map(|c| c.saturating_sub(steps));
        let to: [u64; 3] = std::array::from_fn(|k| (at[k] + steps).min(self.size[k] - 1));
        (from[2]..=to[2]).flat_map(move |z| (from[1]..=to[1]).map(move |y| (y, z))).map(move |(y, z)| {
            // Cells of one row have consecutive keys.
            let first = self.keys.partition_point(|&k| k < self.key([from[0], y, z]));
            let last = self.key([to[0], y, z]);
            first..first + self.keys[first..].iter().take_while(|&&k| k <= last).count()
        })
    }

    fn key(&self, c: [u64; 3]) -> u64 {
        (c[2] * self.size[1] + c[1]) * self.size[0] + c[0]
    }

    /// Whether there is no point.
    pub fn is_empty(&self) -> bool {
        self.order.is_empty()
    }

    /// Calls `each(index, squared distance)` for every point within `radius_mm` of `p`, in an order that
    /// depends only on the points.
    pub fn within(&self, p: &Point, radius_mm: f64, mut each: impl FnMut(u32, f64)) {
        if self.is_empty() || !p.iter().all(|c| c.is_finite()) || !(radius_mm >= 0.0) {
            return;
        }
        let mut from = [0u64; 3];
        let mut to = [0u64; 3];
        for axis in 0..3 {
            let a = (p[axis] - radius_mm - self.low[axis]) / self.cell_mm;
            let b = (p[axis] + radius_mm - self.low[axis]) / self.cell_mm;
            if b < 0.0 || a >= self.size[axis] as f64 {
                return;
            }
            from[axis] = a.max(0.0) as u64;
            to[axis] = (b as u64).min(self.size[axis] - 1);
        }
        let r2 = radius_mm * radius_mm;
        for z in from[2]..=to[2] {
            for y in from[1]..=to[1] {
                // Cells of one row have consecutive keys, and their points lie side by side.
                let first = self.keys.partition_point(|&k| k < self.key([from[0], y, z]));
                let last_key = self.key([to[0], y, z]);
                let mut cell = first;
                while cell < self.keys.len() && self.keys[cell] <= last_key {
                    for i in self.starts[cell] as usize..self.starts[cell + 1] as usize {
                        let d2 = (self.sorted[i] - p).norm_squared();
                        if d2 <= r2 {
                            each(self.order[i], d2);
                        }
                    }
                    cell += 1;
                }
            }
        }
    }

    /// The nearest point no further than `radius_mm`, other than number `skip`; ties go to the lowest index.
    pub fn nearest(&self, p: &Point, radius_mm: f64, skip: Option<u32>) -> Option<(u32, f64)> {
        let mut best: Option<(u32, f64)> = None;
        self.within(p, radius_mm, |i, d2| {
            if Some(i) != skip && best.is_none_or(|(j, b2)| d2 < b2 || (d2 == b2 && i < j)) {
                best = Some((i, d2));
            }
        });
        best.map(|(i, d2)| (i, d2.sqrt()))
    }
}

/// Indices of some of the `points`, ascending: in each cube of edge `cell_mm` that holds any, the one with
/// the lowest index. What remains is about equally dense everywhere, so that dense patches do not pull.
pub fn thin(points: &[Point], cell_mm: f64) -> Vec<u32> {
    let grid = PointGrid::new(points, cell_mm);
    let mut kept: Vec<u32> = grid.cells().map(|cell| cell[0]).collect();
    kept.sort_unstable();
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn neighbours_are_those_of_brute_force() {
        let mut random = Random::seeded(3);
        let mut points: Vec<Point> = (0..2000)
            .map(|_| Point::new(random.range(-9.0, 9.0), random.range(-9.0, 9.0), random.range(-1.0, 1.0)))
            .collect();
        points.push(points[5]);
        points.push(Point::new(f64::NAN, 0.0, 0.0));
        let grid = PointGrid::new(&points, 0.7);
        for _ in 0..300 {
            let p = Point::new(random.range(-12.0, 12.0), random.range(-12.0, 12.0), random.range(-2.0, 2.0));
            let r = random.range(0.0, 3.0);
            let mut found = Vec::new();
            grid.within(&p, r, |i, _| found.push(i));
            found.sort_unstable();
            let slow: Vec<u32> =
                (0..2001u32).filter(|&i| (points[i as usize] - p).norm_squared() <= r * r).collect();
            assert_eq!(found, slow);
        }
    }

    #[test]
    fn no_points_have_no_neighbours() {
        let grid = PointGrid::new(&[], 1.0);
        assert!(grid.is_empty());
        assert_eq!(grid.nearest(&Point::origin(), 5.0, None), None);
    }
}
