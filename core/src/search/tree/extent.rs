//! Boxes of triangles, and of many of them together, while the tree is built.

use super::node::Bounds;

/// A triangle's box; four floats each so that the compiler handles an axis-triple as one register. The first
/// of the spare ones tells which triangle of the mesh it is, the other whether it is a sliver.
#[derive(Clone, Copy, Debug)]
#[repr(C, align(16))]
pub(super) struct Item {
    low: [f32; 4],
    high: [f32; 4],
}

/// Makes any number of a triangle, which a mesh keeps below 2^30 - 2^23, an ordinary float, which no processor is slow
/// with.
const ORDINARY: u32 = 0x4000_0000;

impl Item {
    pub(super) fn new(low: [f32; 3], high: [f32; 3], which: u32, sliver: bool) -> Self {
        let which = f32::from_bits(which | ORDINARY);
        Self { low: [low[0], low[1], low[2], which], high: [high[0], high[1], high[2], f32::from(sliver)] }
    }

    pub(super) fn sliver(&self) -> bool {
        self.high[3] > 0.0
    }

    pub(super) fn which(&self) -> u32 {
        self.low[3].to_bits() & !ORDINARY
    }

    /// Twice the middle. Halves first, so that nothing overflows.
    #[inline(always)]
    pub(super) fn middle(&self, axis: usize) -> f32 {
        0.5 * self.low[axis] + 0.5 * self.high[axis]
    }
}

/// The box of items, and how many they are.
#[derive(Clone, Copy, Debug)]
pub(super) struct Extent {
    pub(super) low: [f32; 4],
    pub(super) high: [f32; 4],
    pub(super) count: usize,
}

impl Extent {
    pub(super) const EMPTY: Self = Self { low: [f32::INFINITY; 4], high: [f32::NEG_INFINITY; 4], count: 0 };

    #[inline(always)]
    pub(super) fn add(&mut self, item: &Item) {
        for k in 0..4 {
            self.low[k] = if item.low[k] < self.low[k] { item.low[k] } else { self.low[k] };
            self.high[k] = if item.high[k] > self.high[k] { item.high[k] } else { self.high[k] };
        }
        self.count += 1;
    }

    pub(super) fn join(&mut self, other: &Self) {
        for k in 0..4 {
            self.low[k] = if other.low[k] < self.low[k] { other.low[k] } else { self.low[k] };
            self.high[k] = if other.high[k] > self.high[k] { other.high[k] } else { self.high[k] };
        }
        self.count += other.count;
    }

    pub(super) fn of(items: &[Item]) -> Self {
        let mut all = Self::EMPTY;
        for item in items {
            all.add(item);
        }
        all
    }

    /// Half the surface of the box; 0 when empty.
    pub(super) fn area(&self) -> f32 {
        if self.count == 0 {
            return 0.0;
        }
        let [x, y, z, _]: [f32; 4] = std::array::from_fn(|k| self.high[k] - self.low[k]);
        x * y + y * z + z * x
    }

    pub(super) fn bounds(&self) -> Bounds {
        Bounds {
            low: [self.low[0], self.low[1], self.low[2]],
            high: [self.high[0], self.high[1], self.high[2]],
        }
    }
}
