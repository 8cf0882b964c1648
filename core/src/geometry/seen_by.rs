//! Which of several scans of a part saw what: the share of each among the points about a place that face as it does.

use rayon::prelude::*;

use super::{Aabb, Point, Vector};

/// Cells of one facing hold what is turned less than this away from its first point: the two sides of a skin, and a wall and
/// the skin beside it, are never mixed.
const SAME_FACING: f64 = 0.9;

/// No axis gets more cells than this, so that three of them fit one key.
const MOST_CELLS: f64 = 2_000_000.0;

/// Cells around an empty one are asked this far, in cells.
const RINGS: i64 = 3;

/// Points of one cell that face alike.
#[derive(Clone, Debug, PartialEq)]
struct Group {
    /// Of its first point; zero where that has none.
    facing: Vector,
    /// How many of each scan.
    counts: Vec<u32>,
}

/// For every place of a part the share that each scan has in what was measured there.
///
/// A result that is a mean of points of several scans moves with each of them by its share; one that rests on points of one of
/// them moves with that one. Told by cells, so that places between points have their share too.
#[derive(Clone, Debug, PartialEq)]
pub struct SeenBy {
    low: Point,
    cell_mm: f64,
    scans: usize,
    keys: Vec<u64>,
    /// Groups of each cell, in the order of their first points.
    cells: Vec<Vec<Group>>,
    /// The share of each scan in all points.
    whole: Vec<f64>,
}

impl SeenBy {
    /// Of points with the unit normal of what they lie on (zero where it is not known) and the scan that took each, from 0 to
    /// `scans` - 1; points of other scans and such that are not finite are left out. Cells are about `cell_mm` wide.
    pub fn new(points: &[(Point, Vector, usize)], scans: usize, cell_mm: f64) -> Self {
        let usable = |p: &&(Point, Vector, usize)| p.2 < scans && p.0.iter().all(|c| c.is_finite());
        let bounds = Aabb::of(points.iter().filter(usable).map(|p| &p.0));
        let stated = if cell_mm > 0.0 && cell_mm.is_finite() { cell_mm } else { 1.0 };
        let empty = bounds.is_empty();
        let longest = if empty { 0.0 } else { bounds.size().max() };
        let low = if empty { Point::origin() } else { bounds.low };
        let mut found = Self {
            low,
            cell_mm: stated.max(longest / MOST_CELLS),
            scans,
            keys: Vec::new(),
            cells: Vec::new(),
            whole: vec![0.0; scans],
        };
        let mut keyed: Vec<(u64, u32)> = points
            .par_iter()
            .enumerate()
            .filter(|(_, p)| usable(p))
            .filter_map(|(i, p)| Some((key(found.cell(&p.0))?, i as u32)))
            .collect();
        // Every item differs in its index, so an unstable sort has one possible result.
        keyed.par_sort_unstable();
        for &(key, i) in &keyed {
            if found.keys.last() != Some(&key) {
                found.keys.push(key);
                found.cells.push(Vec::new());
            }
            let (_, facing, scan) = points[i as usize];
            found.whole[scan] += 1.0;
            let Some(groups) = found.cells.last_mut() else { continue };
            let alike = |g: &Group| {
                (g.facing == Vector::zeros() && facing == Vector::zeros())
                    || g.facing.dot(&facing) > SAME_FACING
            };
            match groups.iter_mut().find(|g| alike(g)) {
                Some(group) => group.counts[scan] += 1,
                None => {
                    let mut counts = vec![0; scans];
                    counts[scan] = 1;
                    groups.push(Group { facing, counts });
                }
            }
        }
        let all: f64 = found.whole.iter().sum();
        found.whole.iter_mut().for_each(|w| *w /= all.max(1.0));
        found
    }

    /// How many scans there are.
    pub fn scans(&self) -> usize {
        self.scans
    }

    /// The share of each scan in what was measured at a place that faces `facing` (a unit normal, or zero where any facing
    /// will do); they sum to 1. Where nothing lies in its cell the nearest cells are asked, and where nothing faces as it does,
    /// all that lies there; far from everything the shares are those of the whole.
    pub fn shares(&self, place: &Point, facing: &Vector) -> Vec<f64> {
        let at = self.cell(place);
        // What faces as the place does counts more than what lies a cell nearer.
        for any in [false, true] {
            for ring in 0..=RINGS {
                let mut sums = vec![0.0; self.scans];
                for z in -ring..=ring {
                    for y in -ring..=ring {
                        for x in -ring..=ring {
                            if x.abs().max(y.abs()).max(z.abs()) == ring {
                                let beside = [x, y, z];
                                let near = std::array::from_fn(|k| at[k].saturating_add(beside[k]));
                                self.add(near, facing, any, &mut sums);
                            }
                        }
                    }
                }
                let all: f64 = sums.iter().sum();
                if all > 0.0 {
                    sums.iter_mut().for_each(|s| *s /= all);
                    return sums;
                }
            }
        }
        self.whole.clone()
    }

    fn add(&self, cell: [i64; 3], facing: &Vector, any: bool, sums: &mut [f64]) {
        let Some(found) = key(cell).and_then(|k| self.keys.binary_search(&k).ok()) else { return };
        let all = any || *facing == Vector::zeros();
        for group in self.cells[found].iter().filter(|g| all || g.facing.dot(facing) > 0.7) {
            sums.iter_mut().zip(&group.counts).for_each(|(s, c)| *s += f64::from(*c));
        }
    }

    fn cell(&self, p: &Point) -> [i64; 3] {
        std::array::from_fn(|k| ((p[k] - self.low[k]) / self.cell_mm).floor() as i64)
    }
}

/// One number for a cell; `None` beyond the bounds.
fn key(cell: [i64; 3]) -> Option<u64> {
    const BITS: u32 = 21;
    let fits = cell.iter().all(|c| (0..1 << BITS).contains(c));
    fits.then(|| cell.iter().fold(0, |key, c| (key << BITS) | c.unsigned_abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_side_of_a_skin_has_the_share_of_those_that_saw_it() {
        let mut points = Vec::new();
        for i in 0..1000u32 {
            let (x, y) = (f64::from(i % 50), f64::from(i / 50));
            // Above two scans in turn, beyond x = 25 the first alone; below the second alone.
            let scan = usize::from(x < 25.0 && i % 4 == 0);
            points.push((Point::new(x, y, 2.0), Vector::z(), scan));
            points.push((Point::new(x, y, 0.0), -Vector::z(), 1));
        }
        let seen = SeenBy::new(&points, 2, 4.0);
        let at = |x: f64, n: Vector| seen.shares(&Point::new(x, 10.0, 1.0), &n);
        assert!((at(6.0, Vector::z())[1] - 0.25).abs() < 0.05, "{:?}", at(6.0, Vector::z()));
        assert_eq!(at(40.0, Vector::z()), [1.0, 0.0]);
        assert_eq!(at(40.0, -Vector::z()), [0.0, 1.0]);
        assert_eq!(at(40.0, Vector::zeros()), [0.5, 0.5]);
        // Beside it the nearest cells, far away the whole.
        assert_eq!(at(52.0, Vector::z()), [1.0, 0.0]);
        let far = at(1e9, Vector::z());
        assert!((far[0] - (1000.0 - 125.0) / 2000.0).abs() < 0.01 && (far[0] + far[1] - 1.0).abs() < 1e-12);
        assert_eq!(at(f64::NAN, Vector::z()).len(), 2);
    }

    #[test]
    fn nothing_seen_has_no_share() {
        let seen = SeenBy::new(&[(Point::new(f64::NAN, 0.0, 0.0), Vector::z(), 0)], 2, 1.0);
        assert_eq!(seen.shares(&Point::origin(), &Vector::z()), [0.0, 0.0]);
    }
}
