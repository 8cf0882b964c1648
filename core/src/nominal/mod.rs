//! The nominal part: a welded mesh whose triangles belong to faces, some with an analytic carrier.

mod beside;
mod carrier;
mod edges;
mod error;
mod faces;
mod loops;
mod orient;
mod patches;
mod pieces;
#[cfg(test)]
mod tests;
mod trimmed;
mod weld;

pub use error::NominalError;
pub use loops::BorderEdge;
pub use trimmed::{TrimmedEdge, TrimmedRun, WallHere};

use crate::geometry::{Direction, Point, TriangleMesh};
use crate::read::RawScan;
use crate::run::Run;
use crate::scan::{FURTHEST_MM, LengthUnit, into_mm};

/// On which side of an open sheet the material is, as seen from the normals of the file (which follow
/// from the order of the corners of its triangles).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The normals of the file point out of the material.
    BehindNormal,
    /// They point into it.
    InFrontOfNormal,
}

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
    /// Makes a nominal of a mesh as read: into mm, vertices welded, degenerate and repeated triangles
    /// dropped, normals turned out of the material, faces found. `side` is needed for, and only used on,
    /// shells that are not closed. Edges where more than two triangles meet count as borders.
    pub fn from_mesh(
        raw: RawScan,
        unit: LengthUnit,
        side: Option<Side>,
        run: &Run,
    ) -> Result<Self, NominalError> {
        let RawScan { mut points, triangles, .. } = raw;
        if triangles.is_empty() {
            return Err(NominalError::NoTriangles);
        }
        let mm = unit.mm();
        if let Some(vertex) = into_mm(&mut points, mm, run)? {
            return Err(NominalError::TooFar { vertex, limit_mm: FURTHEST_MM });
        }
        // Edges are numbered in 32 bits, three to a triangle.
        const MOST: usize = u32::MAX as usize / 4;
        let beyond = |t: &[u32; 3]| t.iter().any(|&c| c as usize >= points.len().min(MOST));
        if let Some(triangle) = triangles.iter().position(beyond) {
            return Err(NominalError::Inconsistent { triangle });
        }
        if triangles.len() > MOST {
            return Err(NominalError::Inconsistent { triangle: MOST });
        }
        let mut welded = weld::weld(&points, &triangles, run)?;
        drop((points, triangles));
        let mut edges = edges::edges(welded.vertices.len(), &welded.triangles, run)?;
        if edges.repeated {
            weld::drop_repeated(&mut welded.triangles);
            run.check()?;
            edges = edges::edges(welded.vertices.len(), &welded.triangles, run)?;
        }
        let closed = orient::outwards(&welded.vertices, &mut welded.triangles, &mut edges, side, run)?;
        let given = welded.triangles.len();
        let mesh = TriangleMesh::new(welded.vertices, welded.triangles)
            .map_err(|_| NominalError::Inconsistent { triangle: given })?;
        let (faces, face_of_triangle) = faces::faces(&mesh, &edges.across, welded.tolerance_mm, run)?;
        Ok(Self { mesh, faces, face_of_triangle, across: edges.across, closed })
    }

    /// The edges between some triangles and all others, and the open edges of those triangles: both ends
    /// of each, mm, in the order and direction of the triangles. Numbers beyond the mesh are left out.
    pub fn rim(&self, triangles: &[u32]) -> Vec<[Point; 2]> {
        let mut chosen = vec![false; self.across.len()];
        for &t in triangles {
            if let Some(c) = chosen.get_mut(t as usize) {
                *c = true;
            }
        }
        let mut rim = Vec::new();
        for t in (0..self.across.len()).filter(|&t| chosen[t]) {
            let corners = self.mesh.corners(t as u32);
            for k in 0..3 {
                if self.across[t][k].is_none_or(|o| !chosen[o as usize]) {
                    rim.push([corners[k], corners[(k + 1) % 3]]);
                }
            }
        }
        rim
    }

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
