//! Several parts on one table, with clamps and supports, scanned together.

use super::capture::{Body, capture};
use super::made::Made;
use super::scanner::{Scanner, ScannerError};
use crate::geometry::{Direction, MeshError};
use crate::geometry::{Frame, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector};
use crate::run::Run;

/// The axes of the table: its top is the plane z = 0, z up, the origin in its middle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TableFrame;
impl Frame for TableFrame {}

/// A part on the table.
#[derive(Clone, Debug)]
pub struct ScenePart {
    /// The part.
    pub made: Made,
    /// How it lies.
    pub table_from_part: Motion<TableFrame, PartFrame>,
}

/// The top of the table: a rectangle about the origin, without thickness.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Table {
    /// Length along x and width along y, mm.
    pub size_mm: [f64; 2],
    /// Standard deviation of its surface about the plane, mm, white; 0 for none.
    pub roughness_mm: f64,
}

/// A box that stands on the table: a clamp, a finger that reaches over an edge, a stop, a support.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clamp {
    /// Middle of its lower face, mm.
    pub foot: Point,
    /// Sizes along its own x, its own y and up, mm.
    pub size_mm: [f64; 3],
    /// Its turn about z, rad.
    pub turn_rad: f64,
}

/// What lies before the scanner.
#[derive(Clone, Debug, Default)]
pub struct Scene {
    /// The parts.
    pub parts: Vec<ScenePart>,
    /// The table; `None` for parts in the air.
    pub table: Option<Table>,
    /// Clamps, stops and supports.
    pub clamps: Vec<Clamp>,
}

/// What a point was taken from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Origin {
    /// A part, by its index in the scene.
    Part(u32),
    /// The table.
    Table,
    /// A clamp, by its index in the scene.
    Clamp(u32),
}

/// What was there where a point was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// The surface itself.
    Surface,
    /// A reference target on it.
    Target,
    /// Nothing: the exporter closed an opening.
    Filling,
}

/// A scan of a scene, with the truth about each point.
#[derive(Clone, Debug, PartialEq)]
pub struct SceneScan {
    /// In the scanner's axes, mm; by views, then by stripes.
    pub points: Vec<Point>,
    /// One a point, out of the material.
    pub normals: Vec<Direction>,
    /// What each point was taken from.
    pub origin: Vec<Origin>,
    /// The view (pass) that took each point, an index into the scanner's views.
    pub view: Vec<u32>,
    /// What was there.
    pub taken: Vec<Taken>,
}

impl Clamp {
    /// The box as a closed mesh in the table's axes.
    ///
    /// # Errors
    /// A size or place that is no number.
    pub fn mesh(&self) -> Result<TriangleMesh, MeshError> {
        let turn: Motion<TableFrame, TableFrame> =
            Motion::from_turn_and_shift(Vector::z() * self.turn_rad, self.foot.coords);
        let [x, y, z] = self.size_mm;
        let corner = |i: u32| {
            let half = |bit: u32, size: f64| if i & bit == 0 { -0.5 * size } else { 0.5 * size };
            turn.point(&Point::new(half(1, x), half(2, y), if i & 4 == 0 { 0.0 } else { z }))
        };
        let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
        let triangles = quads.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
        TriangleMesh::new((0..8).map(corner).collect(), triangles)
    }
}

impl Table {
    /// The rectangle as a mesh in the table's axes.
    ///
    /// # Errors
    /// A size that is no number.
    pub fn mesh(&self) -> Result<TriangleMesh, MeshError> {
        let [x, y] = self.size_mm.map(|v| 0.5 * v);
        let vertices = [[-x, -y], [x, -y], [x, y], [-x, y]].map(|[x, y]| Point::new(x, y, 0.0));
        TriangleMesh::new(vertices.to_vec(), vec![[0, 1, 2], [0, 2, 3]])
    }

    fn sound(&self) -> bool {
        let size = |v: f64| v.is_finite() && v > 0.0;
        self.size_mm.iter().all(|v| size(*v)) && self.roughness_mm.is_finite() && self.roughness_mm >= 0.0
    }
}

impl Scanner {
    /// Scans a scene. The views are directions in the table's axes; every part, the table and every clamp
    /// hides what lies behind it. The same bits on any number of threads.
    ///
    /// # Errors
    /// Settings that make no scan, sizes that are no lengths, an empty scene; a stop.
    pub fn scan_scene(
        &self,
        run: &Run,
        scene: &Scene,
        scan_from_table: &Motion<ScanFrame, TableFrame>,
    ) -> Result<SceneScan, ScannerError> {
        let mut fixtures = Vec::new();
        if let Some(table) = &scene.table {
            let mesh = table.mesh().ok().filter(|_| table.sound()).ok_or(ScannerError::Table)?;
            fixtures.push((Origin::Table, Made::of_mesh(mesh, Vec::new(), Vec::new()), table.roughness_mm));
        }
        for (i, clamp) in scene.clamps.iter().enumerate() {
            let sound = clamp.size_mm.iter().all(|v| v.is_finite() && *v > 0.0);
            let mesh = clamp.mesh().ok().filter(|_| sound).ok_or(ScannerError::Clamp(i))?;
            fixtures.push((Origin::Clamp(i as u32), Made::of_mesh(mesh, Vec::new(), Vec::new()), 0.0));
        }
        let mut origins = Vec::new();
        let mut bodies = Vec::new();
        for (i, part) in scene.parts.iter().enumerate() {
            origins.push(Origin::Part(i as u32));
            let pose = Some(part.table_from_part);
            bodies.push(Body { made: &part.made, pose, roughness_mm: 0.0, part: true });
        }
        for (origin, made, roughness_mm) in &fixtures {
            origins.push(*origin);
            bodies.push(Body { made, pose: None, roughness_mm: *roughness_mm, part: false });
        }
        if bodies.is_empty() {
            return Err(ScannerError::EmptyScene);
        }
        let captured = capture(run, self, &bodies, scan_from_table)?;
        let origin = captured.body.iter().map(|b| origins[*b as usize]).collect();
        Ok(SceneScan {
            points: captured.points,
            normals: captured.normals,
            origin,
            view: captured.view,
            taken: captured.taken,
        })
    }
}
