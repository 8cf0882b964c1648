//! Points, directions, motions between named frames, triangle meshes, small exact algebra.
//!
//! Lengths are millimetres and angles radians. Vectors and points are nalgebra's; where a wrong value
//! must not be buildable there is a thin type: [`Direction`] (unit length), [`Motion`] (frames).

mod aabb;
mod algebra;
mod corner_normals;
pub mod dense;
mod direction;
mod displacement;
pub mod math;
mod mesh;
pub(crate) mod morton;
mod motion;
pub mod random;
mod seen_by;
pub mod sum;
mod triangle;
mod twist;

pub use aabb::Aabb;
pub(crate) use algebra::symmetric_eigen3_each;
pub use algebra::{Cholesky, symmetric_eigen, symmetric_eigen3};
pub use corner_normals::CornerNormals;
pub use direction::Direction;
pub use displacement::Displacement;
pub use mesh::{MeshError, TriangleMesh};
pub use motion::{Frame, Motion, PartFrame, ScanFrame};
pub use seen_by::SeenBy;
pub use triangle::{Feature, Foot, closest_on_triangle, closest_point_on_triangle};
pub(crate) use triangle::{closest_on_sliver, closest_on_well_shaped, is_sliver};
pub use twist::Twist;

/// A place, mm.
pub type Point = nalgebra::Point3<f64>;
/// A difference of places, mm.
pub type Vector = nalgebra::Vector3<f64>;
/// A 3 x 3 matrix.
pub type Matrix3 = nalgebra::Matrix3<f64>;
