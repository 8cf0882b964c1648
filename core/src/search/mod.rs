//! Closest points on triangles and neighbours among points: exact in f64, ties to the lowest index.

mod clusters;
mod grid;
mod neighbours;
mod surface_normals;
mod tree;

pub use clusters::{clusters, without_small_clusters};
pub use grid::{PointGrid, thin};
pub use neighbours::{Neighbours, PointTree};
pub use surface_normals::normals;
pub use tree::SurfaceTree;
