//! The rules of ISO 1101, ISO 5458, ISO 2692, ISO 14405-1 and ASME Y14.5 on measured surfaces: each a pure function from
//! points to the number that is held against the limits.
//!
//! A rule looks at surfaces that lie in the part's axes, on the datum system if it has one; what the datums leave
//! free, or loose within a boundary, it is told as [`Leeway`]. It knows nothing of noise, uncertainty or decisions:
//! whoever asks applies it to the measured surfaces and to rehearsed ones.

#![allow(clippy::neg_cmp_op_on_partial_ord, reason = "`!(x <= limit)` also refuses what is no number")]
#![allow(clippy::needless_range_loop, reason = "matrix algebra reads best with its indices")]

mod angle;
mod axis;
mod centre_plane;
mod centre_position;
mod coaxiality;
mod countersink;
mod cylindricity;
mod distance;
mod flanks;
mod flatness;
mod form;
mod joint;
mod leeway;
mod line_profile;
mod location;
#[cfg(test)]
mod location_samples;
#[cfg(test)]
mod made_tests;
mod material;
pub mod movement;
mod orientation;
mod parallel_planes;
mod placed;
mod position;
mod profile;
mod protrusion;
mod radius;
mod roundness;
mod rule;
mod runout;
mod sections;
mod size;
mod slot_with_rims;
mod skin_plane;
mod small_programme;
mod straightness;
mod subject;
mod symmetry;
mod thickness;
mod together;
mod two_point;

pub use angle::Angle;
pub use centre_position::{CentreMember, CentrePosition};
pub use coaxiality::Coaxiality;
pub use countersink::{Countersink, SinkSize};
pub use cylindricity::Cylindricity;
pub use distance::Distance;
pub use flanks::has_straight_middle;
pub use flatness::Flatness;
pub use form::Reference;
pub use joint::Joint;
pub use leeway::{Bound, Boundary, Leeway};
pub use line_profile::LineProfile;
pub use location::{Level, Projected};
pub use material::MaterialCondition;
pub use orientation::Orientation;
pub use position::{Position, PositionMember};
pub use profile::SurfaceProfile;
pub use protrusion::Protrusion;
pub use radius::Radius;
pub use roundness::Roundness;
pub use rule::{Against, Found, Held, Instance, Number, Rule, RuleError, Surface, Zoned};
pub use runout::Runout;
pub use size::Size;
pub use skin_plane::SkinPlane;
pub use slot_with_rims::SlotWithRims;
pub use straightness::Straightness;
pub use subject::Subject;
pub use symmetry::Symmetry;
pub use thickness::Thickness;
pub use together::{Together, TogetherMember};
