//! Nominal geometry from STEP files (ISO 10303-21 with the shapes of AP203, AP214 and AP242).
//!
//! ```text
//! bytes -> lexer, part21 -> graph -> assembly: topology, tessellated, units
//!       -> part -> shapes -> lines: edges, seat -> face: loops, chart, triangulate -> mesh
//! ```
//!
//! Every face is kept by its `#id`, with its exact surface. A face that cannot be understood or filled is
//! told by its id, and the others live. Lengths become mm and angles rad, whatever units each representation
//! states.
//!
//! # What is read and what is refused
//!
//! What is refused is named, with its `#id`: as the fault of its face, in [`StepFile::notes`], or as the
//! error of the file.
//!
//! | | read | refused |
//! | --- | --- | --- |
//! | file | ISO 10303-21 clear text, editions 1 to 3, several DATA sections, all escapes of texts | XML and other encodings; what stands in other files |
//! | units | SI units with prefix and units by conversion, each representation's own | a representation without a length unit |
//! | structure | PRODUCT, NEXT_ASSEMBLY_USAGE_OCCURRENCE, MAPPED_ITEM; places by axes or by CARTESIAN_TRANSFORMATION_OPERATOR_3D, mirrors with them | places that scale; SPECIFIED_HIGHER_USAGE_OCCURRENCE in the place of an occurrence |
//! | bodies | MANIFOLD_SOLID_BREP, BREP_WITH_VOIDS, FACETED_BREP, SHELL_BASED_ and FACE_BASED_SURFACE_MODEL; TESSELLATED_SOLID and TESSELLATED_SHELL where their product has no other | swept, revolved, boolean and primitive solids; sets of points, curves and surfaces, which are not named |
//! | faces | ADVANCED_FACE, FACE_SURFACE, ORIENTED_FACE; loops of edges, of points, of one vertex; TRIANGULATED_FACE and COMPLEX_TRIANGULATED_FACE | SUBFACE; CUBIC_BEZIER_TRIANGULATED_FACE |
//! | surfaces | PLANE, CYLINDRICAL_, CONICAL_, SPHERICAL_ and TOROIDAL_SURFACE, B-splines (BEZIER, UNIFORM, QUASI_UNIFORM, with knots; rational), SURFACE_OF_LINEAR_EXTRUSION, SURFACE_OF_REVOLUTION; the basis of RECTANGULAR_TRIMMED_ and CURVE_BOUNDED_SURFACE | OFFSET_SURFACE, RECTANGULAR_COMPOSITE_SURFACE, SURFACE_REPLICA, the inner side of a DEGENERATE_TOROIDAL_SURFACE, a whole torus that meets itself |
//! | curves of edges | LINE, CIRCLE, ELLIPSE, PARABOLA, HYPERBOLA, POLYLINE, B-splines as above; of SURFACE_CURVE, SEAM_CURVE and INTERSECTION_CURVE the one in space; the basis of a TRIMMED_CURVE | COMPOSITE_CURVE, OFFSET_CURVE_3D, CURVE_REPLICA, PCURVE alone |
//!
//! Sizes, tolerances, datums and other annotations are not looked at here.
//!
//! # How near the triangles lie
//!
//! Within the chord error of their surface, corner and middle, as far as the file allows: files hold edges
//! that lie some hundredths of a mm off their surfaces ([`StepFace::gap_mm`]). Vertices of such edges are put
//! where both surfaces meet; where those do not, in the middle, and what is left is told
//! ([`StepFace::left_mm`]). Distances are asked of the surface itself ([`FaceSurface::foot`]) and know no
//! chord error.

mod assembly;
mod bspline;
mod carrier;
mod chart;
mod curves;
mod edge_line;
mod edges;
mod error;
mod face;
mod fault;
mod graph;
mod lexer;
mod lines;
mod loops;
mod mesh;
mod nearest;
mod open_edges;
mod part;
mod part21;
mod placement;
mod plain;
mod seat;
mod shapes;
mod spline;
mod surfaces;
mod tessellated;
#[cfg(test)]
mod tests;
mod text;
mod topology;
mod triangulate;
mod turned;
mod units;
mod whole;

use std::ops::Range;

pub use assembly::Placed;
pub use carrier::{Carrier, FaceSurface, SurfaceFoot};
pub use edge_line::{EdgeLine, EdgeSide};
pub use error::StepError;
pub use fault::FaceFault;
pub use graph::EntityFault;
pub use loops::LayoutFault;
pub use part21::FileLimits;
pub use triangulate::FillFault;

use crate::geometry::Point;
use crate::run::{Run, Stage};
use assembly::Structure;
use graph::Graph;

/// How a STEP file is read.
#[derive(Clone, Debug, PartialEq)]
pub struct StepSettings {
    /// Triangles lie this near to the surfaces, mm.
    pub chord_mm: f64,
    /// The part wanted, by the name of its product; all where none is told.
    pub part: Option<String>,
    /// How much the file may hold.
    pub limits: FileLimits,
}

impl Default for StepSettings {
    fn default() -> Self {
        // A tenth of the tightest tolerances on moulded parts.
        Self { chord_mm: 0.01, part: None, limits: FileLimits::default() }
    }
}

/// What a STEP file holds.
#[derive(Clone, Debug)]
pub struct StepFile {
    /// The schema that the header names.
    pub schema: String,
    /// Each part once, in its own axes.
    pub parts: Vec<StepPart>,
    /// Where the parts lie in the whole file; one each where the file is no assembly. A part that was asked for by name
    /// comes once, in its own axes.
    pub placed: Vec<Placed>,
    /// What was left aside, in words.
    pub notes: Vec<String>,
}

/// One part.
#[derive(Clone, Debug)]
pub struct StepPart {
    /// Of its product, or of its representation where it belongs to none.
    pub name: String,
    /// Solids, and surfaces where they stand for themselves.
    pub bodies: Vec<StepBody>,
    /// In the order of the file's shells.
    pub faces: Vec<StepFace>,
    /// Shared by the faces, mm.
    pub vertices: Vec<Point>,
    /// Counter-clockwise seen from outside the material.
    pub triangles: Vec<[u32; 3]>,
    /// Edges of the file and the faces (indices) on both sides, by the edge's id.
    pub edges: Vec<(u64, Vec<usize>)>,
    /// The same edges as lines of vertices with the normals of the faces beside them, but for edges of faces
    /// that could not be filled only.
    pub edge_lines: Vec<EdgeLine>,
    /// Edges of triangles that no other triangle continues, vertices within 0.0001 mm being one.
    pub open_edges: usize,
    /// Largest distance of an edge from the surface of a face that it bounds, mm.
    pub surface_gap_mm: f64,
    /// Largest distance of a vertex from the curve of an edge that it ends, mm.
    pub curve_gap_mm: f64,
}

/// A solid or a model of surfaces.
#[derive(Clone, Debug, PartialEq)]
pub struct StepBody {
    /// `#id` in the file.
    pub id: u64,
    /// As the file calls it.
    pub label: String,
    /// Whether it encloses material; surfaces beside solids are supplemental geometry.
    pub solid: bool,
    /// Among the faces of the part.
    pub faces: Range<usize>,
}

/// One face.
#[derive(Clone, Debug)]
pub struct StepFace {
    /// `#id` in the file: the key.
    pub id: u64,
    /// As the file calls it; seldom unique.
    pub label: String,
    /// Its exact surface; `None` where that could not be understood.
    pub surface: Option<FaceSurface>,
    /// Its triangles among those of the part, or why there are none.
    pub triangles: Result<Range<usize>, FaceFault>,
    /// Largest distance of its boundary, as the file has it, from its surface, mm.
    pub gap_mm: f64,
    /// Largest distance of a vertex of its triangles from its surface, mm: what of the gap could not be mended.
    pub left_mm: f64,
}

/// Whether the bytes begin as a STEP file does.
pub fn is_step(bytes: &[u8]) -> bool {
    part21::is_step(bytes)
}

/// Reads a STEP file.
///
/// # Errors
/// What is no STEP file, damaged, larger than allowed or without a part; a settings' number that makes no sense.
pub fn read(run: &Run, bytes: &[u8], settings: &StepSettings) -> Result<StepFile, StepError> {
    run.check()?;
    run.tell(Stage::Read, 0.0);
    let chord_mm = settings.chord_mm;
    if !(chord_mm.is_finite() && chord_mm >= 1e-5) {
        return Err(StepError::Chord { chord_mm });
    }
    if bytes.len() as u64 > run.limits.file_bytes {
        return Err(StepError::FileTooLarge { bytes: bytes.len() as u64, limit: run.limits.file_bytes });
    }
    let exchange = part21::parse(bytes, &settings.limits, run)?;
    run.tell(Stage::Read, 0.3);
    let graph = Graph { exchange: &exchange };
    let structure = Structure::read(&graph, run)?;
    let chosen = structure.chosen(settings.part.as_deref())?;
    let mut file = StepFile {
        schema: schema(&exchange),
        parts: Vec::new(),
        placed: Vec::new(),
        notes: structure.notes.clone(),
    };
    let mut triangles = 0;
    for (n, part) in chosen.iter().enumerate() {
        let part = &structure.parts[*part];
        let most = run.limits.triangles.saturating_sub(triangles);
        let read = part::read(run, &graph, part, chord_mm, most)?;
        triangles += read.triangles.len() as u64;
        file.parts.push(read);
        run.tell(Stage::Read, 0.3 + 0.7 * (n + 1) as f64 / chosen.len() as f64);
    }
    file.placed = match settings.part {
        Some(_) => vec![Placed::alone()],
        None => structure.placed(&chosen, run)?,
    };
    Ok(file)
}

fn schema(exchange: &part21::Exchange) -> String {
    let named = exchange.header.iter().find(|r| r.name == "FILE_SCHEMA").and_then(|r| r.values.first());
    match named {
        Some(part21::Value::List(list)) => {
            list.iter().filter_map(|v| v.text()).collect::<Vec<_>>().join(", ")
        }
        _ => String::new(),
    }
}
