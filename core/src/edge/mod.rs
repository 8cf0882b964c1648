//! Trimmed edges as a scan shows them: at stations along the line, how far the edge lies out of its nominal place.
//!
//! ```text
//! frames     where along the line a place lies, and how far out, up and down the wall
//! near       the points of skin, wall and other side beside the line
//! wall       skin and wall as lines of a section, the arris where they meet
//! pattern    the rows in which a scanner took the skin
//! surface    the end of a skin between its last point and the first that is missing
//! strips     what is left out along an arris
//! measured   what is found
//! section    the points at one station as lines, and the offset and the height of the skin by them
//! stations   where stations lie, and how all are looked at
//! along      the offsets filtered along the edge, and their noise
//! ```
//!
//! Scanners round an arris and lose points beside it, so nothing within a stated strip is used: both faces are prolonged to
//! where they meet. Where the wall was not seen there is only the end of the skin, which lies between the last point that
//! was taken and the first that would have been: a whole step of the rows where they run along the edge, a small part of one
//! where many rows end at it.

mod along;
mod frames;
mod measured;
mod near;
mod pattern;
mod section;
mod stations;
mod strips;
mod surface;
mod wall;

pub use along::Filtered;
pub use measured::{By, Found, MeasuredEdge, Rise, Station};
pub use stations::{EdgeInput, measure};
