//! Filtering of deviations on a curved, trimmed surface, and what noise would do to the result.
//!
//! An extreme or a contact taken on raw points measures the noise of the scanner. Every operator that
//! takes one therefore works on values filtered here.

mod balanced;
mod correlated;
mod gaussian;
mod likely;
mod neighbourhood;
mod on_fit;
mod smoothing;
mod thinned;

pub use balanced::balance;
pub use correlated::{Correlated, CorrelatedField, SharedNoise};
pub use gaussian::{
    Draws, Extremes, FilterError, Filtered, Gaussian, REHEARSALS, add_correlated, drawn_noise,
};
pub use likely::{Cells, Likely, likely};
pub use on_fit::{OnFit, left_over, on_fit};
pub use smoothing::averaged_over_mm2;
pub use thinned::{MOST_POINTS, thinned};
