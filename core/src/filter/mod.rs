//! Filtering of deviations on a curved, trimmed surface, and what noise would do to the result.
//!
//! An extreme or a contact taken on raw points measures the noise of the scanner. Every operator that
//! takes one therefore works on values filtered here.

mod correlated;
mod gaussian;
mod neighbourhood;

pub use correlated::{Correlated, CorrelatedField, SharedNoise};
pub use gaussian::{
    Draws, Extremes, FilterError, Filtered, Gaussian, REHEARSALS, Rehearsal, add_correlated, drawn_noise,
};
