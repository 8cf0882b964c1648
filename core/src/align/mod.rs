//! Where a scan lies on the nominal: found without a guess, then refined on the surface.

mod fine;

pub use fine::{AlignError, Alignment, FineSettings, Stop, fine};
