//! Association: the ideal feature that stands for measured points.
//!
//! [`line()`], [`plane`], [`circle`], [`sphere`], [`cylinder`], [`cone`], [`torus`] and [`slot`] are total
//! (orthogonal)
//! least squares. [`line_by`], [`plane_by`], [`circle_by`], [`sphere_by`], [`cylinder_by`], [`cone_by`], [`torus_by`]
//! and [`slot_by`] take another [`Criterion`] and answer with the points that they rest on. [`associate`] is one call
//! for all of them; [`minimum_zone_line_in_plane`] is the narrowest strip of a profile. [`associate_pattern`] moves
//! several features of one datum together, at their nominal places to each other. Every fit subtracts the
//! centroid first, so a part metres away from the origin loses nothing but
//! the rounding of its own coordinates; sums run in a fixed order.
//!
//! A residual is the signed orthogonal distance, mm: positive on the side of the plane's normal, or outside
//! the circle, sphere, cylinder, cone, torus or slot (the distance from a line has no sign). What lies on which side
//! of the material is the caller's knowledge.
//! `low` and `high` are the smallest and largest residual, each with the index of its point.
//!
//! `unit_covariance` is the inverse of J'J, where J holds the derivatives of the residuals by the
//! parameters (mm, rad) in the order the field states. Multiplied by the variance of independent equal
//! noise (mm2) it is the covariance of the parameters to first order.

#![allow(clippy::neg_cmp_op_on_partial_ord, reason = "`!(x <= limit)` also refuses what is no number")]
#![allow(clippy::needless_range_loop, reason = "matrix algebra reads best with its indices")]

mod association;
mod by_criterion;
mod by_least_squares;
mod by_other_criteria;
mod carry;
mod circle;
mod cone;
mod cover;
mod criterion;
mod cylinder;
mod enclosing_circle;
mod extremal;
mod face;
mod hole;
mod levenberg;
mod line;
mod linear_by_criterion;
mod other_by_criterion;
mod outside;
mod plane;
mod plane_by_criterion;
mod rim;
mod round_by_criterion;
mod scatter;
mod slot;
mod sphere;
mod strip;
mod tilted_starts;
mod together;
mod together_extremal;
mod torus;
mod with_rim;
mod zone;
mod zone_proof;

pub(crate) use strip::hull as flat_hull;

pub use association::{Association, Extreme, OutOfPlane, Uncertain, associate, associate_by};
pub use by_criterion::Extremal;
pub use circle::{CircleFit, circle};
pub use cone::{ConeFit, cone};
pub use criterion::{Contact, Criterion, Material, Proof, Reach};
pub use cylinder::{CylinderFit, cylinder};
pub use face::{AssociatedPlane, plane_of_face};
pub use hole::{AssociatedHole, HoleError, ToldBy, hole};
pub use line::{LineFit, line};
pub use linear_by_criterion::{Cone, Cylinder, Line, cone_by, cylinder_by, line_by};
pub use other_by_criterion::{Slot, Torus, slot_by, torus_by};
pub use plane::{PlaneFit, plane};
pub use plane_by_criterion::{Plane, plane_by};
pub use rim::{RimPlace, RimsBy, rims};
pub use round_by_criterion::{Circle, Sphere, circle_by, sphere_by};
pub use slot::{SlotFit, slot};
pub use sphere::{BallFit, SphereFit, sphere, sphere_of_radius};
pub use strip::minimum_zone_line_in_plane;
pub use together::{
    Ideal, On, Pattern, PatternPoint, Together, TogetherError, associate_pattern, associate_pattern_near,
    normal_of,
};
pub use together_extremal::MOST_SIZES;
pub use torus::{TorusFit, torus};
pub use with_rim::hole_with_rims;
pub use zone::{ZoneFit, minimum_zone_plane};

use crate::geometry::{Direction, Point, Vector, sum::chunked};
use crate::run::Stopped;
use serde::{Deserialize, Serialize};

/// What is to be fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// A straight line in space.
    Line,
    /// A plane.
    Plane,
    /// A circle about a given direction, or in the plane of its points.
    Circle,
    /// A sphere.
    Sphere,
    /// A cylinder.
    Cylinder,
    /// A cone.
    Cone,
    /// A torus: a tube along a circle.
    Torus,
    /// A slot: two straight sides with round ends, in the plane of its points.
    Slot,
}

impl Shape {
    /// All shapes, simplest first.
    pub const ALL: [Self; 8] = [
        Self::Line,
        Self::Plane,
        Self::Circle,
        Self::Sphere,
        Self::Cylinder,
        Self::Cone,
        Self::Torus,
        Self::Slot,
    ];

    /// Its name as in a serialised result.
    pub fn name(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Plane => "plane",
            Self::Circle => "circle",
            Self::Sphere => "sphere",
            Self::Cylinder => "cylinder",
            Self::Cone => "cone",
            Self::Torus => "torus",
            Self::Slot => "slot",
        }
    }
}

impl std::fmt::Display for Shape {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

/// Why points leave a shape free.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Freedom {
    /// All points are one point to rounding.
    Coincident,
    /// The points lie on a line (for a circle: seen along its axis).
    Collinear,
    /// The residuals let the fit turn by more than 0.1 rad (one standard deviation).
    Turns,
    /// The residuals leave the radius open by more than a third of itself (one standard deviation).
    Radius,
    /// The root mean square residual is more than a third of the radius (cone: a fifth of the distance from the
    /// axis): a cloud, no surface.
    Cloud,
    /// Two shapes in different directions or places fit equally well.
    Ambiguous,
    /// The points lie in a plane.
    Coplanar,
    /// The residuals leave the centre open by more than a third of the radius (one standard deviation).
    Centre,
    /// The residuals leave the cone's angle open by more than a third of itself (one standard deviation).
    Untapered,
    /// The residuals leave the slot's length open by more than a third of itself (one standard deviation): an end is
    /// missing.
    Length,
    /// Half of all directions from the centre or the axis hold no point: nothing stops an inscribed or circumscribed
    /// shape on that side.
    HalfOpen,
}

impl std::fmt::Display for Freedom {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Freedom::Coincident => "all points coincide",
            Freedom::Collinear => "they lie on a line",
            Freedom::Turns => "within their residuals it can turn by more than 0.1 rad",
            Freedom::Radius => "within their residuals its radius is open by more than a third of itself",
            Freedom::Cloud => "they scatter by a large part of its radius",
            Freedom::Ambiguous => "it fits equally well in two directions or places",
            Freedom::Coplanar => "they lie in a plane",
            Freedom::Centre => "within their residuals its centre is open by more than a third of its radius",
            Freedom::Untapered => "within their residuals its angle is open by more than a third of itself",
            Freedom::Length => "within their residuals its length is open by more than a third of itself",
            Freedom::HalfOpen => {
                "half of all directions from its centre hold none, so nothing stops it there"
            }
        })
    }
}

/// Why a fit has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FitError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// Fewer points than the shape has freedoms (cylinder and torus: one more, as many fit several).
    #[error("a {shape} needs at least {need} points, got {got}")]
    TooFewPoints {
        /// The shape.
        shape: Shape,
        /// How many it needs.
        need: usize,
        /// How many there were.
        got: usize,
    },
    /// A coordinate that is no number, or beyond 1e9 mm, where nothing of a part can lie.
    #[error("point {index} has a coordinate that is not a finite number within 1e9 mm")]
    NotFinite {
        /// Index of the first such point.
        index: usize,
    },
    /// The points do not determine the shape.
    #[error("the points leave the {shape} undetermined: {freedom}; take points from more of the surface")]
    Undetermined {
        /// The shape.
        shape: Shape,
        /// In which way it is free.
        freedom: Freedom,
    },
    /// A radius that no ball has.
    #[error("a radius of {radius_mm} mm is none; give the radius of the ball, mm, greater than zero")]
    BadRadius {
        /// The radius as given, mm.
        radius_mm: f64,
    },
    /// The criterion says nothing about such a shape.
    #[error("a {shape} has no association by {criterion}; choose another criterion")]
    NoMeaning {
        /// The shape.
        shape: Shape,
        /// The criterion.
        criterion: Criterion,
    },
    /// The direction told to be out of the material lies too near to the plane to say on which side it is.
    #[error(
        "the direction out of the material is {degrees:.0} degrees from the plane's normal; give one within 60 degrees \
         of it"
    )]
    Aslant {
        /// From the nearer of both normals.
        degrees: f64,
    },
    /// The iteration ended without coming to rest.
    #[error(
        "the fit of a {shape} did not settle in {steps} steps; measure more of the surface, or associate it by another criterion"
    )]
    NotSettled {
        /// The shape.
        shape: Shape,
        /// Steps taken.
        steps: usize,
    },
}

/// Largest coordinate taken, mm: a thousand kilometres, far from overflow in fourth powers.
const LARGEST_MM: f64 = 1e9;

/// Largest standard deviation of a direction that still counts as determined, rad. At 0.2 three in a
/// hundred straight lines with round noise passed for planes; at 0.1 one in ten thousand (measured).
const LARGEST_TURN_RAD: f64 = 0.1;

/// Largest relative standard deviation of a radius: beyond it the curvature is within three standard
/// deviations of none.
const LARGEST_RADIUS_SHARE: f64 = 1.0 / 3.0;

/// Points as offsets from their centroid.
struct Centred {
    centre: Point,
    offsets: Vec<Vector>,
    /// Rounding of the coordinates as given, mm.
    floor_mm: f64,
    /// Largest distance from the centroid, mm.
    reach_mm: f64,
}

/// Checks count and coordinates and subtracts the centroid.
fn centred(shape: Shape, need: usize, points: &[Point]) -> Result<Centred, FitError> {
    if points.len() < need {
        return Err(FitError::TooFewPoints { shape, need, got: points.len() });
    }
    let good = |p: &Point| p.iter().all(|c| c.is_finite() && c.abs() <= LARGEST_MM);
    if let Some(index) = points.iter().position(|p| !good(p)) {
        return Err(FitError::NotFinite { index });
    }
    let n = points.len() as f64;
    let mean = |about: Point| {
        let total = chunked(
            points,
            Vector::zeros(),
            |_, chunk| chunk.iter().fold(Vector::zeros(), |s, p| s + (p - about)),
            |a, b| a + b,
        );
        about + total / n
    };
    // Twice: the first sum carries the rounding of the distance to the first point, the second does not.
    let centre = mean(mean(points[0]));
    let offsets: Vec<Vector> = points.iter().map(|p| p - centre).collect();
    let largest = points.iter().fold(0.0f64, |m, p| m.max(p.coords.amax()));
    let reach_mm = offsets.iter().fold(0.0f64, |m, o| m.max(o.norm()));
    let floor_mm = 4.0 * f64::EPSILON * largest;
    // Below 1e-100 mm squares vanish in f64.
    if reach_mm <= floor_mm || reach_mm < 1e-100 {
        return Err(FitError::Undetermined { shape, freedom: Freedom::Coincident });
    }
    Ok(Centred { centre, offsets, floor_mm, reach_mm })
}

/// Sum of squares and extremes of residuals.
#[derive(Clone, Copy)]
struct Residuals {
    square: f64,
    low: (f64, usize),
    high: (f64, usize),
}

impl Residuals {
    fn of<T: Sync>(items: &[T], residual: impl Fn(&T) -> f64 + Sync) -> Self {
        let none = Self { square: 0.0, low: (f64::INFINITY, 0), high: (f64::NEG_INFINITY, 0) };
        chunked(
            items,
            none,
            |first, chunk| {
                let mut all = none;
                for (i, item) in chunk.iter().enumerate() {
                    let d = residual(item);
                    all.square += d * d;
                    if d < all.low.0 {
                        all.low = (d, first + i);
                    }
                    if d > all.high.0 {
                        all.high = (d, first + i);
                    }
                }
                all
            },
            |a, b| Self {
                square: a.square + b.square,
                low: if b.low.0 < a.low.0 { b.low } else { a.low },
                high: if b.high.0 > a.high.0 { b.high } else { a.high },
            },
        )
    }

    fn rms(&self, points: usize) -> f64 {
        (self.square / points as f64).sqrt()
    }
}

/// Standard deviation of the noise as the residuals show it, mm: degrees of freedom in the divisor.
/// `None` without spare points.
fn noise(rms_mm: f64, points: usize, freedoms: usize) -> Option<f64> {
    (points > freedoms).then(|| rms_mm * (points as f64 / (points - freedoms) as f64).sqrt())
}

/// One of the two directions of an axis: that whose largest component is positive (the first of equals).
fn signed(v: Vector) -> Vector {
    let mut largest = 0;
    for i in 1..3 {
        if v[i].abs() > v[largest].abs() {
            largest = i;
        }
    }
    if v[largest] < 0.0 { -v } else { v }
}

/// A vector known to be of unit length to rounding.
fn unit(v: Vector) -> Direction {
    Direction::new(v).expect("a turned unit vector keeps its length")
}

#[cfg(test)]
mod covariance_tests;
#[cfg(test)]
mod criterion_tests;
#[cfg(test)]
mod degenerate_tests;
#[cfg(test)]
mod law_tests;
#[cfg(test)]
mod round_tests;
#[cfg(test)]
mod short_tube_tests;
#[cfg(test)]
mod thousand_tests;
#[cfg(test)]
mod torus_and_slot_tests;
