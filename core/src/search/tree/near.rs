//! The triangles near a group of points, side by side, and how far from a point each of them is at least.
//!
//! A bound takes four directions of a triangle: across it, and away from each edge within its plane. No
//! point of the triangle lies further along a direction than its corners do, whatever the direction, so
//! that directions need not be exact: what is more than the corners reach, along two directions at right
//! angles, is never more than the distance. Own derivation (separating axes).

use wide::f32x8;

use super::node::{WIDTH, up};
use super::{SurfaceTree, Triangle};
use crate::geometry::Point;

/// Most triangles at once.
pub(super) const MOST: usize = 64;
/// Most points that ask about them.
pub(super) const MOST_MEMBERS: usize = 32;
const GROUPS: usize = MOST / WIDTH;

/// Coordinates in the group's own axes beyond this many mm would leave the range of f32 in products.
pub(super) const FARTHEST_MM: f64 = 1e5;

/// Offset of a place without a triangle: its square is further than any limit that matters, and a number.
const NOWHERE: f32 = 1e18;

/// Bits of a squared bound that give way to its place, where the least is looked for.
const PLACE: u32 = MOST as u32 - 1;

/// What rounding coordinates to f32 and products of two of them can amount to, as part of the largest
/// coordinate: less than twenty roundings of 2^-24.
const ROUNDING: f32 = 2e-6;

type Lanes = [f32x8; GROUPS];

/// The number of each place in the lowest bits of a float.
const PLACES: Lanes = {
    let mut all = [f32x8::ZERO; GROUPS];
    let mut g = 0;
    while g < GROUPS {
        let mut lanes = [0.0; WIDTH];
        let mut i = 0;
        while i < WIDTH {
            lanes[i] = f32::from_bits((g * WIDTH + i) as u32);
            i += 1;
        }
        all[g] = f32x8::new(lanes);
        g += 1;
    }
    all
};

/// Eight triangles of a group are handled at once; places without a triangle are infinitely far.
#[derive(Clone, Debug)]
pub(super) struct Near {
    count: usize,
    slot: [u32; MOST],
    /// Of the three corners, from the middle of the group.
    corner: [[f32; MOST]; 9],
    /// Unit direction across, and between which offsets the triangle lies along it.
    across: [Lanes; 3],
    low: Lanes,
    high: Lanes,
    /// For each edge the unit direction away from it, and how far the triangle reaches that way.
    away: [[Lanes; 3]; 3],
    reach: [Lanes; 3],
    /// Squared bounds of each point.
    least: [Lanes; MOST_MEMBERS],
}

/// Points are looked for between these corners, mm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Span {
    pub(super) low: Point,
    pub(super) high: Point,
}

impl Near {
    pub(super) fn new() -> Self {
        let none = [f32x8::ZERO; GROUPS];
        Self {
            count: 0,
            slot: [0; MOST],
            corner: [[0.0; MOST]; 9],
            across: [none; 3],
            low: none,
            high: none,
            away: [[none; 3]; 3],
            reach: [none; 3],
            least: [none; MOST_MEMBERS],
        }
    }

    pub(super) fn clear(&mut self) {
        self.count = 0;
    }

    pub(super) fn count(&self) -> usize {
        self.count
    }

    fn groups(&self) -> usize {
        self.count.div_ceil(WIDTH)
    }

    /// Takes a triangle in when its box meets the span; false when there is no room.
    #[inline(always)]
    pub(super) fn add(&mut self, tree: &SurfaceTree, slot: usize, span: &Span, middle: &Point) -> bool {
        let at = self.count;
        if at >= MOST {
            return false;
        }
        let t: &Triangle = &tree.triangles[slot];
        let corners = tree.corners(t);
        let mut meets = true;
        for k in 0..3 {
            let [a, b, c] = corners.map(|p| p[k]);
            let least = if a < b { a } else { b };
            let least = if c < least { c } else { least };
            let most = if a > b { a } else { b };
            let most = if c > most { c } else { most };
            meets &= (least <= span.high[k]) & (most >= span.low[k]);
            self.corner[k][at] = (a - middle[k]) as f32;
            self.corner[3 + k][at] = (b - middle[k]) as f32;
            self.corner[6 + k][at] = (c - middle[k]) as f32;
        }
        self.slot[at] = slot as u32;
        self.count += usize::from(meets);
        true
    }

    /// Works out the bounds of what was added, for points no further than `size_mm` from the middle.
    /// `margin_mm` is what feet may be off by themselves. False where coordinates are too large.
    #[inline(always)]
    pub(super) fn prepare(&mut self, size_mm: f64, margin_mm: f64) -> bool {
        let (size, margin) = (f32x8::splat(up(size_mm)), f32x8::splat(up(margin_mm)));
        for at in self.count..self.groups() * WIDTH {
            for axis in &mut self.corner {
                axis[at] = 0.0;
            }
        }
        let mut largest = f32x8::ZERO;
        for g in 0..self.groups() {
            let lane = |k: usize| f32x8::new(self.corner[k].as_chunks::<WIDTH>().0[g % GROUPS]);
            let corners: [[f32x8; 3]; 3] = std::array::from_fn(|c| std::array::from_fn(|k| lane(3 * c + k)));
            let mut far = size;
            for k in 0..9 {
                far = far.fast_max(corners[k / 3][k % 3].abs());
            }
            largest = largest.fast_max(far);
            let off = far * f32x8::splat(ROUNDING) + margin;
            let edges: [[f32x8; 3]; 3] =
                std::array::from_fn(|e| std::array::from_fn(|k| corners[(e + 1) % 3][k] - corners[e][k]));
            let across = unit(cross(&edges[0], &edges[1]), f32x8::ZERO);
            let along = corners.map(|c| dot(&across, &c));
            self.low[g] = along[0].fast_min(along[1]).fast_min(along[2]) - off;
            self.high[g] = along[0].fast_max(along[1]).fast_max(along[2]) + off;
            for k in 0..3 {
                self.across[k][g] = across[k];
            }
            for (e, edge) in edges.iter().enumerate() {
                // Less than half the edge's length is left where the direction across is none.
                let away = unit(cross(edge, &across), dot(edge, edge) * f32x8::splat(0.25));
                let along = corners.map(|c| dot(&away, &c));
                self.reach[e][g] = along[0].fast_max(along[1]).fast_max(along[2]) + off;
                for k in 0..3 {
                    self.away[e][k][g] = away[k];
                }
            }
        }
        if let Some(last) = self.groups().checked_sub(1) {
            let mut low = self.low[last].to_array();
            for at in self.count..self.groups() * WIDTH {
                low[at % WIDTH] = NOWHERE;
            }
            self.low[last] = f32x8::new(low);
        }
        largest.to_array().iter().all(|&l| f64::from(l) < FARTHEST_MM)
    }

    /// Fills in the bounds of a point and returns the place of the least, about. There must be a triangle.
    #[inline(always)]
    pub(super) fn ask(&mut self, point: usize, local: [f32; 3]) -> usize {
        let bounds = &mut self.least[point % MOST_MEMBERS];
        let groups = self.count.div_ceil(WIDTH);
        let p = local.map(f32x8::splat);
        let mut least = f32x8::splat(f32::MAX);
        let keep = f32x8::splat(f32::from_bits(!PLACE));
        for g in 0..groups {
            let along = self.across[0][g] * p[0] + self.across[1][g] * p[1] + self.across[2][g] * p[2];
            let gap = (along - self.high[g]).fast_max(self.low[g] - along).fast_max(f32x8::ZERO);
            let mut beside = f32x8::ZERO;
            for e in 0..3 {
                let way = &self.away[e];
                let s = way[0][g] * p[0] + way[1][g] * p[1] + way[2][g] * p[2] - self.reach[e][g];
                beside = beside.fast_max(s);
            }
            let squared = gap * gap + beside * beside;
            bounds[g] = squared;
            // Positive floats sort as their bits do, so the lowest bits can tell the place.
            least = least.fast_min((squared & keep) | PLACES[g % GROUPS]);
        }
        let lanes = least.to_array().map(f32::to_bits);
        let least = lanes[0].min(lanes[1]).min(lanes[2].min(lanes[3]));
        let others = lanes[4].min(lanes[5]).min(lanes[6].min(lanes[7]));
        (least.min(others) & PLACE) as usize
    }

    /// The places whose bound is not above the limit, one bit each.
    #[inline(always)]
    pub(super) fn within(&self, point: usize, limit: f32) -> u64 {
        let bounds = &self.least[point % MOST_MEMBERS];
        let limit = f32x8::splat(limit);
        let mut all = 0;
        for g in 0..self.groups() {
            all |= u64::from(bounds[g].simd_le(limit).to_bitmask()) << (g * WIDTH);
        }
        all & (u64::MAX >> (MOST - self.count.max(1)))
    }

    #[inline(always)]
    pub(super) fn slot(&self, place: usize) -> usize {
        self.slot[place % MOST] as usize
    }
}

/// What bounds are compared with for a squared distance in f64. Directions are unit vectors and at right
/// angles but for 1e-6, squares are those of rounded numbers: 4e-6 of the square in all.
#[inline(always)]
pub(super) fn limit(distance2: f64) -> f32 {
    let wide = distance2 * (1.0 + 2e-5) + 1e-36;
    if wide < f64::from(f32::MAX) { up(wide) } else { f32::MAX }
}

#[inline(always)]
fn cross(a: &[f32x8; 3], b: &[f32x8; 3]) -> [f32x8; 3] {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

#[inline(always)]
fn dot(a: &[f32x8; 3], b: &[f32x8; 3]) -> f32x8 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// The vector at unit length; zero, which bounds nothing, where its square is below `least` or nearly 0.
#[inline(always)]
fn unit(v: [f32x8; 3], least: f32x8) -> [f32x8; 3] {
    let squared = dot(&v, &v);
    let usable = squared.simd_gt(least.fast_max(f32x8::splat(1e-30)));
    let by = usable.select(f32x8::ONE / squared.sqrt(), f32x8::ZERO);
    v.map(|x| x * by)
}
