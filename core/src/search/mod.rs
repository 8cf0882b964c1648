//! Closest points on triangles and neighbours among points: exact in f64, ties to the lowest index.

mod batch;
mod grid;
mod side;
mod tree;

pub use batch::Facing;
pub use grid::{PointGrid, thin};
pub use side::{Sided, Sides};
pub use tree::{Cursor, SurfaceTree};
