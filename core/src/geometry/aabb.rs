//! Axis-aligned boxes.

use super::{Point, Vector};

/// The smallest axis-aligned box of some points; empty until something is added.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aabb {
    /// Smallest coordinates, mm.
    pub low: Point,
    /// Largest coordinates, mm.
    pub high: Point,
}

impl Aabb {
    /// The box of nothing.
    pub fn empty() -> Self {
        Self {
            low: Point::from(Vector::repeat(f64::INFINITY)),
            high: Point::from(Vector::repeat(f64::NEG_INFINITY)),
        }
    }

    /// The box of all points of an iterator.
    pub fn of<'a>(points: impl IntoIterator<Item = &'a Point>) -> Self {
        let mut all = Self::empty();
        for p in points {
            all.add(p);
        }
        all
    }

    /// Grows to hold `p`.
    pub fn add(&mut self, p: &Point) {
        self.low = self.low.inf(p);
        self.high = self.high.sup(p);
    }

    /// Whether `p` lies inside or on its border.
    pub fn contains(&self, p: &Point) -> bool {
        (0..3).all(|i| self.low[i] <= p[i] && p[i] <= self.high[i])
    }

    /// Square of the distance from `p`, mm2; zero inside, infinite from the box of nothing.
    pub fn distance_squared(&self, p: &Point) -> f64 {
        (0..3).map(|i| (self.low[i] - p[i]).max(p[i] - self.high[i]).max(0.0)).map(|d| d * d).sum()
    }

    /// Grown by `margin_mm` on every side.
    pub fn grown(&self, margin_mm: f64) -> Self {
        let by = Vector::repeat(margin_mm);
        Self { low: self.low - by, high: self.high + by }
    }

    /// Whether nothing was added.
    pub fn is_empty(&self) -> bool {
        self.low.x > self.high.x
    }

    /// Edge lengths, mm; zero when empty.
    pub fn size(&self) -> Vector {
        if self.is_empty() { Vector::zeros() } else { self.high - self.low }
    }

    /// The middle; the origin when empty.
    pub fn centre(&self) -> Point {
        if self.is_empty() { Point::origin() } else { nalgebra::center(&self.low, &self.high) }
    }

    /// Length of the space diagonal, mm.
    pub fn diagonal(&self) -> f64 {
        self.size().norm()
    }

    /// The eight corners.
    pub fn corners(&self) -> [Point; 8] {
        std::array::from_fn(|i| {
            let pick = |axis: usize| if i >> axis & 1 == 0 { self.low[axis] } else { self.high[axis] };
            Point::new(pick(0), pick(1), pick(2))
        })
    }
}
