//! Closest points on triangles and neighbours among points: exact in f64, ties to the lowest index.

mod batch;
mod grid;
mod tree;

pub use batch::Facing;
pub use grid::{PointGrid, thin};
pub use tree::{Cursor, SurfaceTree};
