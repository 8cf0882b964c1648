//! The triangles near a group of points, side by side, and how far from a point each of them is at least.
//!
//! A bound takes four directions of a triangle: across it, and away from each edge within its plane. No
//! point of the triangle lies further along a direction than its corners do, whatever the direction, so
//! that directions need not be exact: what is more than the corners reach, along two directions at right
//! angles, is never more than the distance. Own derivation (separating axes).

use super::eight::{Eight, Row};
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

type Rows = [Row; GROUPS];

/// The number of each place in the lowest bits of a float.
const PLACES: Rows = {
    let mut all = [Row::ZERO; GROUPS];
    let mut g = 0;
    while g < GROUPS {
        let mut i = 0;
        while i < WIDTH {
            all[g].0[i] = f32::from_bits((g * WIDTH + i) as u32);
            i += 1;
        }
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
    across: [Rows; 3],
    low: Rows,
    high: Rows,
    /// For each edge the unit direction away from it, and how far the triangle reaches that way.
    away: [[Rows; 3]; 3],
    reach: [Rows; 3],
    /// Squared bounds of each point.
    least: [Rows; MOST_MEMBERS],
}

/// Points are looked for between these corners, mm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Span {
    pub(super) low: Point,
    pub(super) high: Point,
}

impl Near {
    pub(super) fn new() -> Self {
        let none = [Row::ZERO; GROUPS];
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
    pub(super) fn prepare<E: Eight>(&mut self, e: E, size_mm: f64, margin_mm: f64) -> bool {
        let (size, margin) = (e.splat(up(size_mm)), e.splat(up(margin_mm)));
        for at in self.count..self.groups() * WIDTH {
            for axis in &mut self.corner {
                axis[at] = 0.0;
            }
        }
        let zero = e.splat(0.0);
        let mut largest = zero;
        for g in 0..self.groups() {
            let (corner, g) = (&self.corner, g % GROUPS);
            let corners =
                [corner_of(e, corner, 0, g), corner_of(e, corner, 3, g), corner_of(e, corner, 6, g)];
            let mut far = size;
            for k in 0..9 {
                let c = corners[k / 3][k % 3];
                far = e.most(far, e.most(c, e.sub(zero, c)));
            }
            largest = e.most(largest, far);
            let off = e.add(e.mul(far, e.splat(ROUNDING)), margin);
            let [a, b, c] = &corners;
            let edges = [minus(e, b, a), minus(e, c, b), minus(e, a, c)];
            let across = unit(e, cross(e, &edges[0], &edges[1]), zero);
            let along = [dot(e, &across, a), dot(e, &across, b), dot(e, &across, c)];
            let low = e.sub(e.least(e.least(along[0], along[1]), along[2]), off);
            let high = e.add(e.most(e.most(along[0], along[1]), along[2]), off);
            e.store(low, &mut self.low[g].0);
            e.store(high, &mut self.high[g].0);
            for k in 0..3 {
                e.store(across[k], &mut self.across[k][g].0);
            }
            for (i, edge) in edges.iter().enumerate() {
                // Less than half the edge's length is left where the direction across is none.
                let away = unit(e, cross(e, edge, &across), e.mul(dot(e, edge, edge), e.splat(0.25)));
                let along = [dot(e, &away, a), dot(e, &away, b), dot(e, &away, c)];
                let reach = e.add(e.most(e.most(along[0], along[1]), along[2]), off);
                e.store(reach, &mut self.reach[i][g].0);
                for k in 0..3 {
                    e.store(away[k], &mut self.away[i][k][g].0);
                }
            }
        }
        if let Some(last) = self.groups().checked_sub(1) {
            for at in self.count..self.groups() * WIDTH {
                self.low[last].0[at % WIDTH] = NOWHERE;
            }
        }
        let mut lanes = [0.0; WIDTH];
        e.store(largest, &mut lanes);
        lanes.iter().all(|&l| f64::from(l) < FARTHEST_MM)
    }

    /// Fills in the bounds of a point and returns the place of the least, about. There must be a triangle.
    #[inline(always)]
    pub(super) fn ask<E: Eight>(&mut self, e: E, point: usize, local: [f32; 3]) -> usize {
        let bounds = &mut self.least[point % MOST_MEMBERS];
        let groups = self.count.div_ceil(WIDTH);
        let p = [e.splat(local[0]), e.splat(local[1]), e.splat(local[2])];
        let zero = e.splat(0.0);
        let mut least = e.splat(f32::MAX);
        let keep = e.splat(f32::from_bits(!PLACE));
        for g in 0..groups {
            let along = dot(e, &rows(e, &self.across, g), &p);
            let (low, high) = (e.load(&self.low[g].0), e.load(&self.high[g].0));
            let gap = e.most(e.most(e.sub(along, high), e.sub(low, along)), zero);
            let mut beside = zero;
            for i in 0..3 {
                beside = e
                    .most(beside, e.sub(dot(e, &rows(e, &self.away[i], g), &p), e.load(&self.reach[i][g].0)));
            }
            let squared = e.add(e.mul(gap, gap), e.mul(beside, beside));
            e.store(squared, &mut bounds[g].0);
            // Positive floats sort as their bits do, so the lowest bits can tell the place.
            least = e.least(least, e.or(e.and(squared, keep), e.load(&PLACES[g % GROUPS].0)));
        }
        let mut lanes = [0.0; WIDTH];
        e.store(least, &mut lanes);
        let lanes = lanes.map(f32::to_bits);
        let least = lanes[0].min(lanes[1]).min(lanes[2].min(lanes[3]));
        let others = lanes[4].min(lanes[5]).min(lanes[6].min(lanes[7]));
        (least.min(others) & PLACE) as usize
    }

    /// The places whose bound is not above the limit, one bit each.
    #[inline(always)]
    pub(super) fn within<E: Eight>(&self, e: E, point: usize, limit: f32) -> u64 {
        let bounds = &self.least[point % MOST_MEMBERS];
        let limit = e.splat(limit);
        let mut all = 0;
        for g in 0..self.groups() {
            all |= u64::from(e.not_above(e.load(&bounds[g].0), limit)) << (g * WIDTH);
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

// All of these are written out without closures, which are compiled for the plainest processor where they are not
// inlined in time.

/// One corner of eight triangles.
#[inline(always)]
fn corner_of<E: Eight>(e: E, all: &[[f32; MOST]; 9], first: usize, g: usize) -> [E::Lanes; 3] {
    let [x, y, z] = [&all[first], &all[first + 1], &all[first + 2]];
    [e.load(&x.as_chunks().0[g]), e.load(&y.as_chunks().0[g]), e.load(&z.as_chunks().0[g])]
}

/// Eight directions.
#[inline(always)]
fn rows<E: Eight>(e: E, way: &[Rows; 3], g: usize) -> [E::Lanes; 3] {
    [e.load(&way[0][g].0), e.load(&way[1][g].0), e.load(&way[2][g].0)]
}

#[inline(always)]
fn minus<E: Eight>(e: E, a: &[E::Lanes; 3], b: &[E::Lanes; 3]) -> [E::Lanes; 3] {
    [e.sub(a[0], b[0]), e.sub(a[1], b[1]), e.sub(a[2], b[2])]
}

#[inline(always)]
fn cross<E: Eight>(e: E, a: &[E::Lanes; 3], b: &[E::Lanes; 3]) -> [E::Lanes; 3] {
    [
        e.sub(e.mul(a[1], b[2]), e.mul(a[2], b[1])),
        e.sub(e.mul(a[2], b[0]), e.mul(a[0], b[2])),
        e.sub(e.mul(a[0], b[1]), e.mul(a[1], b[0])),
    ]
}

#[inline(always)]
fn dot<E: Eight>(e: E, a: &[E::Lanes; 3], b: &[E::Lanes; 3]) -> E::Lanes {
    e.add(e.add(e.mul(a[0], b[0]), e.mul(a[1], b[1])), e.mul(a[2], b[2]))
}

/// The vector at unit length; zero, which bounds nothing, where its square is below `least` or nearly 0.
#[inline(always)]
fn unit<E: Eight>(e: E, v: [E::Lanes; 3], least: E::Lanes) -> [E::Lanes; 3] {
    let squared = dot(e, &v, &v);
    let by = e.div(e.splat(1.0), e.sqrt(squared));
    let by = e.where_above(squared, e.most(least, e.splat(1e-30)), by);
    [e.mul(v[0], by), e.mul(v[1], by), e.mul(v[2], by)]
}
