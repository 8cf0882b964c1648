//! Closest points on triangles and neighbours among points: exact in f64, ties to the lowest index.

mod grid;
mod tree;

pub use grid::{PointGrid, thin};
pub use tree::{Cursor, SurfaceTree};
