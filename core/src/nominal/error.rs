//! Why a mesh is no nominal.

use crate::geometry::Point;
use crate::run::Stopped;

/// Why a mesh is no nominal, and what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NominalError {
    /// Points without triangles.
    #[error("the nominal has no triangles: export it as a mesh, not as points")]
    NoTriangles,
    /// A STEP file of whose faces none could be used.
    #[error(
        "the nominal has no face that can be used; {missing} could not be understood or filled{}: export it anew",
        listed(first)
    )]
    NoFaces {
        /// Faces that could not be understood or filled.
        missing: usize,
        /// The first of them, `#id` and why.
        first: Vec<(u64, String)>,
    },
    /// Parts of a STEP file that are placed too often.
    #[error(
        "the file's parts as they are placed have more than {limit} triangles: name the part that is meant (`part` of the plan's nominal)"
    )]
    TooMany {
        /// Most allowed.
        limit: u64,
    },
    /// Every triangle has two equal corners.
    #[error(
        "all {triangles} triangles of the nominal are degenerate at a tolerance of {tolerance_mm} mm: check the length unit and the export"
    )]
    NoArea {
        /// How many triangles the file has.
        triangles: usize,
        /// Closer vertices are one.
        tolerance_mm: f64,
    },
    /// A coordinate that is no number or too far out.
    #[error(
        "vertex {vertex} (from 0) of the nominal lies more than {limit_mm} mm from the origin or nowhere: check the length unit"
    )]
    TooFar {
        /// Number of the vertex.
        vertex: usize,
        /// The limit.
        limit_mm: f64,
    },
    /// Corners beyond the vertices, or more of them than can be numbered. Readers do not make such.
    #[error(
        "triangle {triangle} (from 0) of the nominal names a vertex that does not exist, or there are too many"
    )]
    Inconsistent {
        /// Number of the triangle.
        triangle: usize,
    },
    /// An open sheet whose material could be on either side.
    #[error(
        "the nominal is an open sheet ({open_edges} open edges, the first near {near}): add `side_of_material` (`behind_normal` or `in_front_of_normal`) to the plan's nominal, or export a closed solid"
    )]
    SideNeeded {
        /// Edges with a triangle on one side only.
        open_edges: usize,
        /// The middle of the first of them, mm.
        near: Point,
    },
    /// A one-sided surface.
    #[error(
        "the nominal's surface has one side only (like a Moebius strip) near {near}: its triangles cannot be turned to agree; repair the mesh there"
    )]
    OneSided {
        /// The middle of an edge where the triangles disagree, mm.
        near: Point,
    },
    /// A closed shell that holds nothing.
    #[error(
        "a closed shell of the nominal near {near} encloses no volume, so its outside is unknown: repair or remove it"
    )]
    NoVolume {
        /// A vertex of it, mm.
        near: Point,
    },
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// The first faces, each with its reason.
fn listed(first: &[(u64, String)]) -> String {
    let told: Vec<String> = first.iter().map(|(id, why)| format!("#{id} ({why})")).collect();
    if told.is_empty() { String::new() } else { format!(", such as {}", told.join(", ")) }
}
