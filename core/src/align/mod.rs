//! Where a scan lies on its nominal: one part found from any pose ([`locate`]) or all that lie in a scan
//! ([`locate_all`]), then refined on the surface ([`fine`]); and which way the
//! surfaces of a scan without normals face ([`outward`]).

#[cfg(test)]
mod bracket;
mod challenge;
mod clusters;
mod decide;
mod distance_field;
mod draw;
mod evidence;
mod fine;
mod groups;
mod hunt;
mod instances;
mod judge;
mod locate;
mod locate_error;
mod mirror;
mod outward;
mod owners;
mod placed;
mod refine;
mod sample;
mod samples;
mod scene;
mod search;
mod seen;
mod standing;
mod starts;
mod support;
mod unit;

pub(crate) use clusters::clusters;
pub use fine::{AlignError, Alignment, FineSettings, Sides, Stop, fine};
pub use instances::{
    Finding, Instance, Instances, InstancesError, InstancesSettings, OpenPlace, OtherPart, locate_all,
};
pub use locate::{LocateSettings, Located, locate, locate_points, settle};
pub use locate_error::LocateError;
pub use outward::{Outward, outward};
pub use placed::{PlacedError, Stands, stands};
