//! The nominal part: a welded mesh whose triangles belong to faces, some with an analytic carrier.

use crate::geometry::{Direction, Point, TriangleMesh};

/// The exact surface under a face.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Carrier {
    /// A plane through `point`; `normal` points out of the material.
    Plane {
        /// A point of the plane, mm.
        point: Point,
        /// Out of the material.
        normal: Direction,
    },
    /// A circular cylinder.
    Cylinder {
        /// A point of the axis, mm.
        point: Point,
        /// Along the axis.
        axis: Direction,
        /// Radius, mm.
        radius_mm: f64,
        /// True when the material is outside the cylinder: the wall of a hole.
        hollow: bool,
    },
}

/// A part of the surface that belongs together.
#[derive(Clone, Debug, PartialEq)]
pub struct Face {
    /// Triangles, ascending.
    pub triangles: Vec<u32>,
    /// The exact surface, where the face has one.
    pub carrier: Option<Carrier>,
    /// Area, mm2.
    pub area_mm2: f64,
    /// Centroid of its area, mm.
    pub centroid: Point,
    /// Faces that share an edge with it, ascending.
    pub neighbours: Vec<u32>,
}

/// The nominal of a part.
#[derive(Clone, Debug, PartialEq)]
pub struct Nominal {
    mesh: TriangleMesh,
    faces: Vec<Face>,
    face_of_triangle: Vec<u32>,
    across: Vec<[Option<u32>; 3]>,
    closed: bool,
}

impl Nominal {
    /// The welded mesh, mm; normals point out of the material.
    pub fn mesh(&self) -> &TriangleMesh {
        &self.mesh
    }
    /// All faces.
    pub fn faces(&self) -> &[Face] {
        &self.faces
    }
    /// The face of each triangle.
    pub fn face_of_triangle(&self) -> &[u32] {
        &self.face_of_triangle
    }
    /// For each triangle the neighbour across its edges 0-1, 1-2, 2-0; `None` at the border of an open sheet.
    pub fn across(&self) -> &[[Option<u32>; 3]] {
        &self.across
    }
    /// Whether the surface encloses a volume; an open sheet does not.
    pub fn closed(&self) -> bool {
        self.closed
    }
}

/// On which side of an open sheet's triangles the material is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The triangles' normals point away from it.
    BehindNormal,
    /// The triangles' normals point into it.
    InFrontOfNormal,
}
