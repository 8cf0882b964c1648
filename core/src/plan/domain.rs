//! The checked plan: what the rest of core works with.

pub use super::file::{Association, FeatureKind};
use crate::geometry::{Direction, Point};
use crate::nominal::Side;

/// An inspection plan without faults; comes only from [`super::PlanFile::check`]. Indices are in range,
/// references resolved, limits sensible.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Part number, free text.
    pub part: String,
    /// Name of the part.
    pub title: Option<String>,
    /// Revision label of the drawing.
    pub drawing_revision: String,
    /// Version of the plan, 1 and up.
    pub plan_version: i32,
    /// The standard's edition, such as `ISO 1101:2017`.
    pub standard_edition: String,
    /// The decision rule.
    pub decision: Decision,
    /// The filter of characteristics that have none of their own.
    pub filter: Option<Filter>,
    /// Name of the nominal's file, for people.
    pub nominal_file: String,
    /// On which side of an open sheet's triangles the material is.
    pub side: Option<Side>,
    /// Nominal features.
    pub features: Vec<Feature>,
    /// Datum systems.
    pub datum_systems: Vec<DatumSystem>,
    /// Characteristics in the drawing's order; at least one is required.
    pub characteristics: Vec<Characteristic>,
    pub(super) canonical_json: String,
}

impl Plan {
    /// The plan's file as canonical JSON: the same for TOML and JSON, whatever the order and layout.
    pub fn canonical_json(&self) -> &str {
        &self.canonical_json
    }

    /// SHA-256 of the canonical JSON, 64 lower-case hexadecimal digits.
    pub fn sha256(&self) -> String {
        crate::canonical::sha256_hex(self.canonical_json.as_bytes())
    }
}

/// The decision rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Decision {
    /// Conformity or nonconformity must be proven (ISO 14253-1:2017, default probability limit 95 %).
    Proven,
    /// Simple acceptance with a bound on the uncertainty (JCGM 106:2012, 8.2).
    Simple {
        /// Largest accepted ratio of expanded uncertainty (k = 2) to the tolerance, in (0, 1].
        ratio: f64,
    },
    /// A probability of conformity (JCGM 106:2012).
    Probability {
        /// Conforms at this probability or more, does not at one minus it or less; in (0.5, 1).
        conforms: f64,
    },
}

/// A Gaussian filter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filter {
    /// Nesting index (cut-off), mm, positive.
    pub nesting_index_mm: f64,
}

/// A nominal feature and the pick that binds it.
#[derive(Clone, Debug, PartialEq)]
pub struct Feature {
    /// Id, unique in the plan.
    pub id: String,
    /// Kind.
    pub kind: FeatureKind,
    /// A place near it, mm, in the nominal's axes.
    pub near: Point,
    /// Roughly its outward normal there.
    pub facing: Option<Direction>,
    /// Grows a surface over neighbouring triangles that turn by no more than this, rad.
    pub grow_to_angle_rad: Option<f64>,
}

/// A datum system of a plane and two holes.
#[derive(Clone, Debug, PartialEq)]
pub struct DatumSystem {
    /// Id, unique in the plan.
    pub id: String,
    /// First datum, a plane: holds one shift and two turns.
    pub plane: Datum,
    /// Second datum, a hole: holds the two shifts along the plane.
    pub origin: Datum,
    /// Third datum, another hole: holds the turn about the plane's normal.
    pub clock: Datum,
}

/// One datum.
#[derive(Clone, Debug, PartialEq)]
pub struct Datum {
    /// Letter on the drawing.
    pub letter: String,
    /// Index of the datum feature in [`Plan::features`].
    pub feature: usize,
    /// How it is associated; a hole always by least squares.
    pub association: Association,
}

/// A characteristic.
#[derive(Clone, Debug, PartialEq)]
pub struct Characteristic {
    /// Number on the ballooned drawing, unique in the plan.
    pub number: String,
    /// What people call it.
    pub title: Option<String>,
    /// Index of its feature in [`Plan::features`].
    pub feature: usize,
    /// What is required.
    pub requirement: Requirement,
    /// Index of its datum system in [`Plan::datum_systems`].
    pub datum_system: Option<usize>,
    /// The customer's class symbol.
    pub class: Option<String>,
    /// Whether the part's verdict needs it.
    pub required: bool,
    /// Groups, for quick checks of a few characteristics.
    pub groups: Vec<String>,
    /// What must have been seen.
    pub needs: Needs,
    /// Its own filter, or the plan's.
    pub filter: Option<Filter>,
}

/// What a characteristic requires.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Requirement {
    /// Profile of a surface or plane (ISO 1660), in a datum system.
    SurfaceProfile {
        /// Largest deviation outside the material, mm, 0 or more.
        limit_outside_mm: f64,
        /// Largest deviation inside the material, mm, 0 or more.
        limit_inside_mm: f64,
    },
    /// Least-squares diameter of a hole, (GG) of ISO 14405-1.
    Diameter {
        /// Nominal diameter, mm.
        nominal_mm: f64,
        /// Upper limit deviation, mm, signed.
        upper_deviation_mm: f64,
        /// Lower limit deviation, mm, signed, below the upper one.
        lower_deviation_mm: f64,
    },
    /// Position of a hole (ISO 1101), in a datum system.
    Position {
        /// Diameter of the cylindrical zone, mm.
        zone_diameter_mm: f64,
    },
    /// Flatness of a plane (ISO 1101).
    Flatness {
        /// Width of the zone, mm.
        zone_width_mm: f64,
        /// The reference plane.
        association: Association,
    },
}

impl Requirement {
    /// As the file writes it.
    pub fn word(&self) -> &'static str {
        match self {
            Requirement::SurfaceProfile { .. } => "surface_profile",
            Requirement::Diameter { .. } => "diameter",
            Requirement::Position { .. } => "position",
            Requirement::Flatness { .. } => "flatness",
        }
    }
}

/// What must have been seen for a characteristic to be decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Needs {
    /// Smallest seen fraction of the feature's area (of the full turn for a hole), in (0, 1].
    pub coverage: f64,
    /// Largest disc in which nothing was seen, mm.
    pub largest_unseen_disc_mm: Option<f64>,
}
