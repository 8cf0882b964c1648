//! Closest points on triangles and neighbours among points: exact in f64, ties to the lowest index.

mod batch;
mod clusters;
mod grid;
mod neighbours;
mod side;
mod surface_normals;
mod tree;

pub use batch::{Facing, TOGETHER};
pub use clusters::{clusters, without_small_clusters};
pub use grid::{PointGrid, thin};
pub use neighbours::{Neighbours, PointTree};
pub use side::{Sided, Sides};
pub use surface_normals::normals;
pub use tree::{Crossing, Cursor, SurfaceTree};
