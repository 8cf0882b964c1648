//! Where a scan lies on its nominal: found from any pose ([`locate`]).

#[cfg(test)]
mod bracket;
mod challenge;
mod decide;
mod distance_field;
mod evidence;
mod locate;
mod refine;
mod sample;
mod search;
mod starts;

pub use locate::{LocateError, LocateSettings, Located, locate, locate_points, settle};
