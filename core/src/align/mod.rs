//! Where a scan lies on its nominal: found from any pose ([`locate`]), then refined on the surface
//! ([`fine`]).

#[cfg(test)]
mod bracket;
mod challenge;
mod decide;
mod distance_field;
mod evidence;
mod fine;
mod locate;
mod refine;
mod sample;
mod search;
mod starts;

pub use fine::{AlignError, Alignment, FineSettings, Stop, fine};
pub use locate::{LocateError, LocateSettings, Located, locate, locate_points, settle};
