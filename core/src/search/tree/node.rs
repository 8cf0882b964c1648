//! Eight boxes side by side, and how far a point is from each of them: never more than the truth.

use super::eight::{Eight, Plain};

/// Children of a node.
pub(super) const WIDTH: usize = 8;
/// Most triangles of one leaf: what fits three bits of a reference.
pub(super) const MOST_IN_LEAF: usize = 8;

const LEAF: u32 = 1 << 31;

/// Eight boxes in coordinates relative to the tree's origin, rounded outward; an empty place has a box
/// that is infinitely far. Arrays of one axis lie together so that eight boxes are tested at once.
#[derive(Clone, Debug)]
#[repr(C, align(32))]
pub(super) struct Node {
    low: [[f32; WIDTH]; 3],
    high: [[f32; WIDTH]; 3],
    child: [Child; WIDTH],
}

/// Another node, or a leaf: a run of at most [`MOST_IN_LEAF`] triangles in the tree's order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Child(u32);

impl Child {
    pub(super) fn node(index: usize) -> Self {
        Self(index as u32)
    }

    /// The first of `count` triangles, of which the tree may have 2^28.
    pub(super) fn leaf(first: usize, count: usize) -> Self {
        Self(LEAF | (first as u32) << 3 | (count - 1) as u32)
    }

    #[inline(always)]
    pub(super) fn is_leaf(self) -> bool {
        self.0 & LEAF != 0
    }

    #[inline(always)]
    pub(super) fn index(self) -> usize {
        self.0 as usize
    }

    #[inline(always)]
    pub(super) fn triangles(self) -> std::ops::Range<usize> {
        let first = (self.0 & !LEAF) as usize >> 3;
        first..first + (self.0 & 7) as usize + 1
    }

    /// The first of the leaf's triangles and their number; no number for a node.
    #[inline(always)]
    pub(super) fn run(self) -> (u32, usize) {
        let leaf = self.0 >> 31;
        ((self.0 & !LEAF) >> 3, (leaf + (self.0 & 7) * leaf) as usize)
    }

    /// The same child in a list of nodes that starts `nodes` later.
    pub(super) fn moved(self, nodes: u32) -> Self {
        if self.is_leaf() { self } else { Self(self.0 + nodes) }
    }
}

/// A child with its squared distance, as one number: positive floats sort as their bits do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Entry(u64);

impl Entry {
    pub(super) const NONE: Self = Self(0);

    #[inline(always)]
    fn new(distance2: f32, child: Child) -> Self {
        Self(u64::from(distance2.to_bits()) << 32 | u64::from(child.0))
    }

    #[inline(always)]
    pub(super) fn distance2(self) -> f32 {
        f32::from_bits((self.0 >> 32) as u32)
    }

    #[inline(always)]
    pub(super) fn child(self) -> Child {
        Child(self.0 as u32)
    }
}

/// A box in f32, rounded outward.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bounds {
    pub(super) low: [f32; 3],
    pub(super) high: [f32; 3],
}

/// A point or a box between two f32 places: rounded down and rounded up.
#[derive(Clone, Copy, Debug)]
pub(super) struct Probe {
    low: [f32; 3],
    high: [f32; 3],
}

impl Probe {
    #[inline(always)]
    pub(super) fn new(low: [f64; 3], high: [f64; 3]) -> Self {
        Self { low: low.map(down), high: high.map(up) }
    }
}

/// The largest f32 not above `x`.
#[inline(always)]
pub(super) fn down(x: f64) -> f32 {
    let near = x as f32;
    if f64::from(near) > x { near.next_down() } else { near }
}

/// The smallest f32 not below `x`.
#[inline(always)]
pub(super) fn up(x: f64) -> f32 {
    let near = x as f32;
    if f64::from(near) < x { near.next_up() } else { near }
}

/// Within two steps of f32 below `x`, without asking whether it would be nearer.
#[inline(always)]
pub(super) fn below(x: f64) -> f32 {
    // 2^-23 of it is more than rounding adds, and so is the least ordinary number where there is less.
    (x - x.abs() * 1.2e-7 - 1e-37) as f32
}

/// Within two steps of f32 above `x`.
#[inline(always)]
pub(super) fn above(x: f64) -> f32 {
    (x + x.abs() * 1.2e-7 + 1e-37) as f32
}

/// What [`Node::near`] compares with for a squared distance in f64. Each squared distance in f32 is the
/// sum of three products of rounded differences: relative errors of five roundings of 2^-24, less than
/// 3e-7, and where squares underflow an absolute one below 1e-44. Both are covered with room to spare, so
/// that a box is left out only when all of it is strictly further. Infinity stays out of reach: that is
/// where empty places are.
#[inline(always)]
pub(super) fn limit(distance2: f64) -> f32 {
    let wide = distance2 * (1.0 + 2e-6) + 1e-36;
    if wide < f64::from(f32::MAX) { up(wide) } else { f32::MAX }
}

impl Node {
    pub(super) fn empty() -> Self {
        Self {
            low: [[f32::INFINITY; WIDTH]; 3],
            high: [[f32::NEG_INFINITY; WIDTH]; 3],
            child: [Child(u32::MAX); WIDTH],
        }
    }

    pub(super) fn set(&mut self, place: usize, bounds: &Bounds, child: Child) {
        for axis in 0..3 {
            self.low[axis][place] = bounds.low[axis];
            self.high[axis][place] = bounds.high[axis];
        }
        self.child[place] = child;
    }

    pub(super) fn set_child(&mut self, place: usize, child: Child) {
        self.child[place] = child;
    }

    pub(super) fn copy(&mut self, place: usize, from: &Self, its: usize) {
        for axis in 0..3 {
            self.low[axis][place] = from.low[axis][its];
            self.high[axis][place] = from.high[axis][its];
        }
        self.child[place] = from.child[its];
    }

    /// Empties one place.
    pub(super) fn clear(&mut self, place: usize) {
        for axis in 0..3 {
            self.low[axis][place] = f32::INFINITY;
            self.high[axis][place] = f32::NEG_INFINITY;
        }
        self.child[place] = Child(u32::MAX);
    }

    #[inline(always)]
    pub(super) fn child(&self, place: usize) -> Child {
        self.child[place % WIDTH]
    }

    /// The sum of the edges of one box.
    pub(super) fn girth(&self, place: usize) -> f32 {
        (0..3).map(|axis| self.high[axis][place] - self.low[axis][place]).sum()
    }

    /// Moves references to nodes by `nodes`.
    pub(super) fn shift(&mut self, nodes: u32) {
        self.child = self.child.map(|c| if c.0 == u32::MAX { c } else { c.moved(nodes) });
    }

    /// Squared distances from the point to the boxes, 0 inside.
    #[inline(always)]
    fn distances2<E: Eight>(&self, e: E, probe: &Probe) -> E::Lanes {
        let zero = e.splat(0.0);
        let mut sum = zero;
        for axis in 0..3 {
            let below = e.sub(e.load(&self.low[axis]), e.splat(probe.high[axis]));
            let above = e.sub(e.splat(probe.low[axis]), e.load(&self.high[axis]));
            let d = e.most(e.most(below, above), zero);
            sum = e.add(sum, e.mul(d, d));
        }
        sum
    }

    /// Every box that the line from `from` along `way` (in the nodes' axes) meets within a range of its length: how
    /// near, and which. Slabs in f64; boxes are rounded outward by more than these sums are rounded.
    pub(super) fn each_on_line(
        &self,
        from: &[f64; 3],
        way: &[f64; 3],
        [least, most]: [f64; 2],
        mut each: impl FnMut(f64, usize),
    ) {
        'places: for place in 0..WIDTH {
            let (mut enter, mut leave) = (least, most);
            for axis in 0..3 {
                let (low, high) = (f64::from(self.low[axis][place]), f64::from(self.high[axis][place]));
                let beside = way[axis] == 0.0 && !(low <= from[axis] && from[axis] <= high);
                // An empty place's low end lies above its high one.
                if beside || !(low <= high) {
                    continue 'places;
                }
                if way[axis] == 0.0 {
                    continue;
                }
                let (a, b) = ((low - from[axis]) / way[axis], (high - from[axis]) / way[axis]);
                enter = enter.max(a.min(b));
                leave = leave.min(a.max(b));
            }
            if enter <= leave {
                each(enter, place);
            }
        }
    }

    /// Which boxes are no further than the limit, lowest bit first, and their squared distances.
    #[inline(always)]
    pub(super) fn near_by<E: Eight>(&self, e: E, probe: &Probe, limit: f32) -> (u32, [f32; WIDTH]) {
        let lanes = self.distances2(e, probe);
        let mut d = [0.0; WIDTH];
        e.store(lanes, &mut d);
        (e.not_above(lanes, e.splat(limit)), d)
    }

    /// The same by the instructions that every processor has.
    #[inline(always)]
    pub(super) fn near(&self, probe: &Probe, limit: f32) -> (u32, [f32; WIDTH]) {
        self.near_by(Plain, probe, limit)
    }

    #[inline(always)]
    pub(super) fn entry(&self, place: usize, distances2: &[f32; WIDTH]) -> Entry {
        Entry::new(distances2[place % WIDTH], self.child[place % WIDTH])
    }
}
