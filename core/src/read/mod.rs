//! Bytes of a file become points, normals and triangles, within limits and without trust.

use crate::geometry::{Point, Vector};

/// What a file holds, in the file's own length unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RawScan {
    /// Points or mesh vertices; all finite.
    pub points: Vec<Point>,
    /// One normal a point where the file has them; finite, not necessarily of unit length, may be zero.
    pub normals: Option<Vec<Vector>>,
    /// Corner indices, all in range; empty for a point cloud.
    pub triangles: Vec<[u32; 3]>,
}
