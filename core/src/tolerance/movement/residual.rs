//! What a movement makes small: distances of places that go along with the part from things at rest.

use super::super::{Boundary, Leeway, RuleError, Surface};
use crate::geometry::{Motion, PartFrame, Point, Vector};

/// A thing at rest in the part's axes; mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Gauge {
    /// A plane: distances are signed, positive on the side of its normal, a unit vector.
    Plane {
        /// A place on it.
        at: Point,
        /// Its normal.
        normal: Vector,
    },
    /// The same of a zone that may be offset by itself ([`Own::offset`]): all planes of one zone go along their normals by the same.
    Offset {
        /// A place on it.
        at: Point,
        /// Its normal.
        normal: Vector,
        /// Which of the zones, from 0.
        zone: usize,
    },
    /// A straight line: distances are never negative.
    Axis {
        /// A place on it.
        at: Point,
        /// A unit vector along it.
        axis: Vector,
    },
    /// A point.
    Centre {
        /// It.
        at: Point,
    },
}

/// A function of the movement: `factor` times the distance of a place from a gauge, less a constant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// The place as it was measured, mm, in the part's axes.
    pub place: Point,
    /// From what.
    pub gauge: Gauge,
    /// Times this.
    pub factor: f64,
    /// Less this, mm.
    pub less: f64,
}

/// Most zones that may be offset, each by its own amount, and share a movement.
pub const MOST_OFFSETS: usize = 3;

/// Most freedoms of the zones themselves: three shifts of all, and offsets of some.
pub(super) const MOST_OWN: usize = 3 + MOST_OFFSETS;

/// Freedoms of the zone itself, which move what it is told of against the gauges, and not the datums.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Own {
    /// Whether every plane may be offset along its normal by the same amount: the first of the freedoms.
    along: bool,
    /// Directions along which it may shift, as many as `shifts` says.
    ways: [Vector; 3],
    shifts: usize,
    /// How many zones may be offset, each by its own amount: the last of the freedoms.
    offsets: usize,
}

impl Own {
    /// It stays in its place.
    pub const NONE: Self =
        Self { along: false, ways: [Vector::new(0.0, 0.0, 0.0); 3], shifts: 0, offsets: 0 };
    /// Every plane may be offset along its normal by the same amount.
    pub const ALONG: Self = Self { along: true, ..Self::NONE };

    /// It may shift along two directions.
    pub fn across([a, b]: [Vector; 2]) -> Self {
        Self { ways: [a, b, Vector::zeros()], shifts: 2, ..Self::NONE }
    }

    /// Some zones may be offset, each by its own amount: no more than [`MOST_OFFSETS`].
    pub fn offset(zones: usize) -> Self {
        Self { offsets: zones.min(MOST_OFFSETS), ..Self::NONE }
    }

    /// The same, and it may shift any way.
    #[must_use]
    pub fn shifting(self) -> Self {
        Self { ways: [Vector::x(), Vector::y(), Vector::z()], shifts: 3, ..self }
    }

    /// How many there are.
    pub(super) fn count(&self) -> usize {
        usize::from(self.along) + self.shifts + self.offsets
    }

    /// By what a place shifts for each unit of one of them.
    pub(super) fn shift(&self, which: usize, gauge: &Gauge) -> Vector {
        match (which.checked_sub(usize::from(self.along)), gauge) {
            (Some(k), _) if k < self.shifts => self.ways[k],
            (Some(k), Gauge::Offset { normal, zone, .. }) if k - self.shifts == *zone => *normal,
            (None, Gauge::Plane { normal, .. }) => *normal,
            _ => Vector::zeros(),
        }
    }

    /// How far the zone has shifted, but for the offset of its planes, mm.
    pub(super) fn shifted(&self, own: &[f64; MOST_OWN]) -> Vector {
        let first = usize::from(self.along);
        (0..self.shifts).fold(Vector::zeros(), |sum, k| sum + self.ways[k] * own[first + k])
    }
}

/// How a residual bends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Bend {
    /// Linear: a signed distance from a plane.
    Straight,
    /// The largest of linear functions.
    Up,
    /// The smallest of linear functions.
    Down,
}

/// Where part and zone are.
#[derive(Clone, Copy, Debug)]
pub(super) struct State {
    pub(super) motion: Motion<PartFrame, PartFrame>,
    pub(super) own: [f64; MOST_OWN],
}

impl Residual {
    pub(super) fn bend(&self) -> Bend {
        match self.gauge {
            Gauge::Plane { .. } | Gauge::Offset { .. } => Bend::Straight,
            _ if self.factor >= 0.0 => Bend::Up,
            _ => Bend::Down,
        }
    }

    /// From the gauge to the place, as far as it counts; and the place itself.
    pub(super) fn offset(&self, state: &State, own: Own) -> (Vector, Point) {
        let moved = state.motion.point(&self.place);
        let mut seen = moved;
        for k in 0..own.count() {
            seen += own.shift(k, &self.gauge) * state.own[k];
        }
        let offset = match self.gauge {
            Gauge::Plane { at, normal } | Gauge::Offset { at, normal, .. } => {
                normal * normal.dot(&(seen - at))
            }
            Gauge::Axis { at, axis } => {
                let d = seen - at;
                d - axis * axis.dot(&d)
            }
            Gauge::Centre { at } => seen - at,
        };
        (offset, moved)
    }

    /// Its value, mm.
    pub(super) fn value(&self, state: &State, own: Own) -> f64 {
        let (offset, _) = self.offset(state, own);
        let distance = match self.gauge {
            Gauge::Plane { normal, .. } | Gauge::Offset { normal, .. } => normal.dot(&offset),
            _ => offset.norm(),
        };
        self.factor * distance - self.less
    }

    /// The unit vector along which the distance grows; of a place on an axis or centre any that can be.
    pub(super) fn away(&self, offset: &Vector) -> Vector {
        let length = offset.norm();
        match self.gauge {
            Gauge::Plane { normal, .. } | Gauge::Offset { normal, .. } => normal,
            _ if length > 1e-300 => offset / length,
            Gauge::Axis { axis, .. } => square_to(&axis),
            Gauge::Centre { .. } => Vector::x(),
        }
    }

    /// Directions that hold a round gauge from all sides, beside `away`.
    pub(super) fn round_about(&self, away: &Vector) -> Vec<Vector> {
        match self.gauge {
            Gauge::Plane { .. } | Gauge::Offset { .. } => Vec::new(),
            Gauge::Axis { axis, .. } => {
                let side = axis.cross(away);
                vec![-away, side, -side]
            }
            Gauge::Centre { .. } => {
                let a = square_to(away);
                let b = away.cross(&a);
                vec![-away, a, -a, b, -b]
            }
        }
    }
}

/// A unit vector square to another.
fn square_to(unit: &Vector) -> Vector {
    let other = if unit.x.abs() < 0.6 { Vector::x() } else { Vector::y() };
    unit.cross(&other).normalize()
}

/// The boundaries of loose datums as residuals that must not rise above zero.
pub(super) fn of_bounds(leeway: &Leeway, surfaces: &[Surface]) -> Result<Vec<Residual>, RuleError> {
    let mut all = Vec::new();
    for bound in &leeway.bounds {
        let missing = || {
            RuleError::Missing(format!("the surface of a loose datum (number {}) is missing", bound.surface))
        };
        let points = &surfaces.get(bound.surface).ok_or_else(missing)?.points;
        if points.is_empty() {
            return Err(RuleError::Missing("a loose datum has no points; measure it".into()));
        }
        let sign = |outside: bool| if outside { -1.0 } else { 1.0 };
        match bound.boundary {
            Boundary::Cylinder { at, axis, diameter_mm, outside } => {
                let (gauge, factor) = (Gauge::Axis { at, axis: axis.vector() }, sign(outside));
                let less = factor * 0.5 * diameter_mm;
                all.extend(points.iter().map(|&place| Residual { place, gauge, factor, less }));
            }
            Boundary::Sphere { at, diameter_mm, outside } => {
                let (gauge, factor) = (Gauge::Centre { at }, sign(outside));
                let less = factor * 0.5 * diameter_mm;
                all.extend(points.iter().map(|&place| Residual { place, gauge, factor, less }));
            }
            Boundary::Slab { at, across, width_mm, outside } => {
                let normal = across.vector();
                let gauge = Gauge::Plane { at, normal };
                for &place in points {
                    if outside {
                        // Each flank stays on its side.
                        let side = if normal.dot(&(place - at)) >= 0.0 { 1.0 } else { -1.0 };
                        all.push(Residual { place, gauge, factor: -side, less: -0.5 * width_mm });
                    } else {
                        let less = 0.5 * width_mm;
                        all.push(Residual { place, gauge, factor: 1.0, less });
                        all.push(Residual { place, gauge, factor: -1.0, less });
                    }
                }
            }
        }
    }
    Ok(all)
}
