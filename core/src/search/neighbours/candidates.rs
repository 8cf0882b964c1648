//! Points around the box of a leaf, and their distances from one point after the other: in 32 bits, eight at once,
//! with a bound of how wrong that is.

use wide::f32x8;

use super::{PointTree, squared, squared_to};
use crate::geometry::{Aabb, Point};

/// Rounding of sums of three squares is far below this part of them.
const SLACK: f64 = 1.0 + 1e-9;
/// Half the distance from 1 to the next 32-bit number.
const HALF_BIT: f64 = 1.0 / (1u64 << 24) as f64;
/// Coordinates up to this have squares that are numbers in 32 bits.
const LARGEST: f64 = 1e15;

/// Points around some box.
#[derive(Default)]
pub(super) struct Candidates {
    /// From the middle of the box; what is needed to fill eight is infinitely far.
    offset: [Vec<f32>; 3],
    place: Vec<u32>,
    count: usize,
    middle: Point,
    /// All points within this of the box are there.
    pub(super) reach: f64,
    /// Squared distances up to that of the reach are this right.
    pub(super) error: f64,
    /// Squared distances from one point.
    squared: Vec<f32x8>,
}

impl Candidates {
    /// Takes in all points within `reach` of a box; false, and of no use, when there are more than `most`.
    pub(super) fn gather(
        &mut self,
        tree: &PointTree,
        around: &Aabb,
        reach: f64,
        most: usize,
        open: &mut Vec<usize>,
    ) -> bool {
        self.count = 0;
        self.reach = reach;
        self.middle = around.centre();
        // Coordinates from the middle are rounded once, their differences once more, and squares and sums:
        // a distance is wrong by at most four half bits of the largest coordinate along each axis.
        let largest = 0.5 * around.diagonal() + reach;
        self.error = if largest < LARGEST {
            16.0 * HALF_BIT * largest * reach
                + 64.0 * HALF_BIT * HALF_BIT * largest * largest
                + 8.0 * HALF_BIT * reach * reach
                + 4.0 * f64::from(f32::MIN_POSITIVE)
        } else {
            f64::INFINITY
        };
        let within = reach * reach * SLACK;
        let first_leaf = (1usize << tree.depth) - 1;
        open.clear();
        open.push(0);
        while let Some(node) = open.pop() {
            if squared_between(around, &tree.boxes[node]) > within {
                continue;
            }
            if node < first_leaf {
                open.extend([2 * node + 2, 2 * node + 1]);
                continue;
            }
            let range = tree.range(node - first_leaf);
            let room = self.count + range.len() + 8;
            if self.place.len() < room {
                self.offset.iter_mut().for_each(|o| o.resize(2 * room, 0.0));
                self.place.resize(2 * room, 0);
            }
            let [x, y, z] = &mut self.offset;
            for (place, (p, _)) in (range.start as u32..).zip(&tree.points[range]) {
                x[self.count] = (p.x - self.middle.x) as f32;
                y[self.count] = (p.y - self.middle.y) as f32;
                z[self.count] = (p.z - self.middle.z) as f32;
                self.place[self.count] = place;
                self.count += usize::from(squared_to(p, around) <= within);
            }
            if self.count > most {
                return false;
            }
        }
        for i in self.count..self.count.next_multiple_of(8) {
            self.offset.iter_mut().for_each(|o| o[i] = f32::INFINITY);
        }
        true
    }

    /// Works out all squared distances from a point.
    pub(super) fn measure(&mut self, point: &Point) {
        let from = (point - self.middle).map(|c| f32x8::splat(c as f32));
        let blocks = self.count.div_ceil(8);
        let [x, y, z] = self.offset.each_ref().map(|o| &o.as_chunks::<8>().0[..blocks]);
        self.squared.clear();
        self.squared.extend(x.iter().zip(y).zip(z).map(|((x, y), z)| {
            let (x, y, z) = (f32x8::new(*x) - from.x, f32x8::new(*y) - from.y, f32x8::new(*z) - from.z);
            x * x + y * y + z * z
        }));
    }

    /// How many lie no further than a squared distance.
    #[inline]
    pub(super) fn within(&self, level: f32) -> u32 {
        let (level, one) = (f32x8::splat(level), f32x8::ONE);
        // Whole numbers far below 2^24, so the sum is exact.
        let mut count = f32x8::ZERO;
        for d in &self.squared {
            count += d.simd_le(level) & one;
        }
        count.reduce_add() as u32
    }

    /// Where in the tree those lie, ascending; at most `most`.
    pub(super) fn list(&self, level: f32, most: usize, chosen: &mut Vec<u32>) {
        chosen.clear();
        let level = f32x8::splat(level);
        for (begin, blocks) in (0..).step_by(64).zip(self.squared.chunks(8)) {
            let mut bits = 0u64;
            for (i, d) in blocks.iter().enumerate() {
                bits |= u64::from(d.simd_le(level).to_bitmask()) << (8 * i);
            }
            while bits != 0 && chosen.len() < most {
                chosen.push(self.place[begin + bits.trailing_zeros() as usize]);
                bits &= bits - 1;
            }
        }
    }
}

/// Squared distance between two boxes, 0 where they meet.
#[inline]
fn squared_between(a: &Aabb, b: &Aabb) -> f64 {
    let along = |k: usize| (b.low[k] - a.high[k]).max(a.low[k] - b.high[k]).max(0.0);
    squared(along(0), along(1), along(2))
}
