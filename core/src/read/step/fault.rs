//! Why one face has no triangles.

use super::graph::EntityFault;
use super::loops::LayoutFault;
use super::triangulate::FillFault;

/// Why a face has no triangles. Its id stands beside it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FaceFault {
    /// Something it needs cannot be understood.
    #[error(transparent)]
    Entity(#[from] EntityFault),
    /// An edge whose curve and vertices have nothing to do with each other.
    #[error("edge #{id} cannot be followed from vertex to vertex")]
    Edge {
        /// The edge.
        id: u64,
    },
    /// An edge of more points than allowed.
    #[error("edge #{id} needs more than {limit} points for its chord error")]
    LongEdge {
        /// The edge.
        id: u64,
        /// How many were allowed.
        limit: usize,
    },
    /// Edges that do not follow each other.
    #[error("edge #{id} ends {gap_mm} mm from where the next begins")]
    Gap {
        /// The edge.
        id: u64,
        /// How far, mm.
        gap_mm: f64,
    },
    /// A boundary that belongs to another surface.
    #[error("its boundary lies up to {gap_mm} mm off its surface")]
    OffSurface {
        /// How far, mm.
        gap_mm: f64,
    },
    /// Its loops cannot be laid out.
    #[error(transparent)]
    Layout(#[from] LayoutFault),
    /// Its loops cannot be filled.
    #[error(transparent)]
    Fill(FillFault),
    /// No loops, on a surface that has no end.
    #[error("it has no boundary, and its surface no end")]
    Endless,
}
