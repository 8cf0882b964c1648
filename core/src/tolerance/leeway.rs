//! What the datum system leaves the part to move.

use crate::geometry::{Direction, Point, Twist};

/// Motions that a tolerance may use to its best: those that no datum locks, and those that loose datums allow within
/// their boundaries (ISO 5459:2011; ISO 2692:2021).
#[derive(Clone, Debug, PartialEq)]
pub struct Leeway {
    /// The point about which the twists turn, mm.
    pub centre: Point,
    /// Independent motions; none where the part is held.
    pub free: Vec<Twist>,
    /// Boundaries that the features of loose datums keep.
    pub bounds: Vec<Bound>,
    /// Whether the zone may be shifted against the datums and their boundaries, which keep their own places: the datums orient
    /// it and do not place it (`><` of ISO 5459:2011; the lower segment of a composite position, ASME Y14.5-2018, 10; from
    /// memory).
    pub zone_shifts: bool,
}

impl Leeway {
    /// A part that its datums hold.
    pub fn none() -> Self {
        Self { centre: Point::origin(), free: Vec::new(), bounds: Vec::new(), zone_shifts: false }
    }

    /// Whether the part is held.
    pub fn is_none(&self) -> bool {
        self.free.is_empty() && !self.zone_shifts
    }
}

/// The boundary of one loose datum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bound {
    /// Index of its surface among those that the rule is given.
    pub surface: usize,
    /// What the surface does not pass.
    pub boundary: Boundary,
}

/// A boundary of perfect form at its true place: the virtual size of a feature of size. mm, in the part's axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Boundary {
    /// Of a hole or shaft.
    Cylinder {
        /// A place on its axis.
        at: Point,
        /// Its axis.
        axis: Direction,
        /// Its diameter.
        diameter_mm: f64,
        /// Whether the points must stay outside it: the maximum-material boundary of a hole, the least-material
        /// boundary of a shaft.
        outside: bool,
    },
    /// Of a sphere.
    Sphere {
        /// Its centre.
        at: Point,
        /// Its diameter.
        diameter_mm: f64,
        /// Whether the points must stay outside it.
        outside: bool,
    },
    /// Of a groove or tongue.
    Slab {
        /// A place in its middle.
        at: Point,
        /// Across it.
        across: Direction,
        /// Its width.
        width_mm: f64,
        /// Whether the points must stay outside it.
        outside: bool,
    },
}
