//! The rules of ISO 1101, ISO 5458, ISO 2692, ISO 14405-1 and ASME Y14.5 on measured surfaces: each a pure function from
//! points to the number that is held against the limits.
//!
//! A rule looks at surfaces that lie in the part's axes, on the datum system if it has one; what the datums leave
//! free, or loose within a boundary, it is told as [`Leeway`]. It knows nothing of noise, uncertainty or decisions:
//! whoever asks applies it to the measured surfaces and to rehearsed ones.

#![allow(clippy::neg_cmp_op_on_partial_ord, reason = "`!(x <= limit)` also refuses what is no number")]
#![allow(clippy::needless_range_loop, reason = "matrix algebra reads best with its indices")]

mod leeway;
mod rule;
pub mod movement;
mod axis;
mod material;
mod symmetry;
mod location;
mod position;
mod coaxiality;
mod orientation;
mod profile;
mod line_profile;
mod runout;
#[cfg(test)]
mod location_samples;

pub use coaxiality::Coaxiality;
pub use leeway::{Bound, Boundary, Leeway};
pub use line_profile::LineProfile;
pub use location::Projected;
pub use material::MaterialCondition;
pub use orientation::Orientation;
pub use position::{Position, PositionMember};
pub use profile::SurfaceProfile;
pub use rule::{Against, Found, Instance, Number, Rule, RuleError, Surface};
pub use runout::Runout;
pub use symmetry::Symmetry;
