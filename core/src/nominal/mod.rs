//! The nominal part: a welded mesh whose triangles belong to faces, some with an analytic carrier.

mod beside;
mod carrier;
mod chords;
mod edges;
mod error;
mod exact;
mod faces;
mod file;
mod fingerprint;
mod from_step;
mod joint;
mod loops;
mod orient;
mod patches;
mod pieces;
mod spread;
#[cfg(test)]
mod tests;
mod trimmed;
mod weld;

pub use error::NominalError;
pub use exact::{Exact, Exactness};
pub use file::{NominalFile, NominalFileError, NominalPart, read, read_with_parts};
pub use fingerprint::{FaceChange, Fingerprint, SAME_PLACE_MM, SurfaceKind, compare};
pub use joint::{FURTHEST_JOINT_MM, Joint, LinePlace, NeighbourEdges};
pub use loops::BorderEdge;
pub use spread::Spread;
pub use trimmed::{TrimmedEdge, TrimmedRun, WallHere};

use crate::geometry::{Aabb, Direction, Foot, Point, TriangleMesh};
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
    /// A circular cone; from a file that tells its surfaces.
    Cone {
        /// Its tip.
        apex: Point,
        /// From the tip to where it grows wide.
        axis: Direction,
        /// Between axis and surface, rad; above zero.
        half_angle_rad: f64,
        /// True when the material is outside: a countersink.
        hollow: bool,
    },
    /// A sphere; from a file that tells its surfaces.
    Sphere {
        /// Its centre.
        centre: Point,
        /// Radius, mm.
        radius_mm: f64,
        /// True when the material is outside.
        hollow: bool,
    },
    /// A torus, a tube along a circle; from a file that tells its surfaces.
    Torus {
        /// Its centre.
        centre: Point,
        /// Along its axis.
        axis: Direction,
        /// Of the circle in the middle of the tube, mm.
        radius_mm: f64,
        /// Of the tube, mm.
        tube_radius_mm: f64,
        /// True when the material is outside the tube: an inner corner.
        hollow: bool,
    },
}

impl Carrier {
    /// What kind of surface it is, in one word.
    pub fn word(&self) -> &'static str {
        match self {
            Carrier::Plane { .. } => "plane",
            Carrier::Cylinder { .. } => "cylinder",
            Carrier::Cone { .. } => "cone",
            Carrier::Sphere { .. } => "sphere",
            Carrier::Torus { .. } => "torus",
        }
    }
}

/// By what a file knows a face.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct FaceKey {
    /// `#id` in the file.
    pub id: u64,
    /// Which instance of its part it belongs to, from 0, where the part is placed several times.
    pub instance: u32,
}

impl std::fmt::Display for FaceKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.instance {
            0 => write!(f, "#{}", self.id),
            n => write!(f, "#{}/{n}", self.id),
        }
    }
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
    /// By what its file knows it; `None` for a face that was found on a mesh.
    pub key: Option<FaceKey>,
    /// As its file calls it; often nothing, seldom unique.
    pub label: String,
    /// Its exact surface, from a file that tells it.
    pub exact: Option<Exact>,
}

/// The nominal of a part.
#[derive(Clone, Debug, PartialEq)]
pub struct Nominal {
    mesh: TriangleMesh,
    faces: Vec<Face>,
    face_of_triangle: Vec<u32>,
    across: Vec<[Option<u32>; 3]>,
    closed: bool,
    /// Faces of the file that could not be taken over, each with the reason.
    missing: Vec<(u64, String)>,
    /// What else there is to know about how it was read.
    notes: Vec<String>,
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
        let tolerance_mm = weld::tolerance_mm(&Aabb::of(&points));
        let mut welded = weld::weld(&points, &triangles, tolerance_mm, false, run)?;
        drop((points, triangles));
        let mut edges = edges::edges(welded.vertices.len(), &welded.triangles, run)?;
        if edges.repeated {
            weld::drop_repeated(&mut welded.triangles, &mut welded.source);
            run.check()?;
            edges = edges::edges(welded.vertices.len(), &welded.triangles, run)?;
        }
        let bodies = orient::Bodies::default();
        let closed =
            orient::outwards(&welded.vertices, &mut welded.triangles, &mut edges, bodies, side, run)?.closed;
        let given = welded.triangles.len();
        let mesh = TriangleMesh::new(welded.vertices, welded.triangles)
            .map_err(|_| NominalError::Inconsistent { triangle: given })?;
        let (faces, face_of_triangle) = faces::faces(&mesh, &edges.across, welded.tolerance_mm, run)?;
        Ok(Self {
            mesh,
            faces,
            face_of_triangle,
            across: edges.across,
            closed,
            missing: Vec::new(),
            notes: Vec::new(),
        })
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
    /// Faces of the file that are not part of the nominal because they could not be understood or filled: `#id` and why.
    pub fn missing(&self) -> &[(u64, String)] {
        &self.missing
    }
    /// What else is to be known about how the file was read, in words.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }
    /// The faces that a file knows by this id, ascending: several where their part is placed several times.
    pub fn faces_of(&self, id: u64) -> Vec<u32> {
        let is = |f: &Face| f.key.is_some_and(|k| k.id == id);
        (0u32..).zip(&self.faces).filter(|(_, f)| is(f)).map(|(i, _)| i).collect()
    }

    /// The place on the exact surface under `p`, whose foot on the mesh is `foot`; `None` where the file told no surface
    /// or the mesh's foot lies on the rim of its face, which the surface goes beyond: there the mesh is right.
    pub fn exact_foot(&self, p: &Point, foot: &Foot) -> Option<crate::read::step::SurfaceFoot> {
        let face = self.face_of_triangle.get(foot.triangle as usize)?;
        self.faces[*face as usize].exact.as_ref()?.foot(p, foot)
    }
}
