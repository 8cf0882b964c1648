//! What a plan's file says: the one schema of its TOML and JSON form.
//!
//! The message `Plan` of the contract mirrors these types name for name; a test of the server fails when
//! the two drift apart. Nothing here is checked beyond its form: `check` does that.

use serde::{Deserialize, Serialize};

/// The value of [`PlanFile::schema_version`] that is read.
pub const SCHEMA_VERSION: i32 = 1;

/// A plan as its file says it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanFile {
    /// Version of this form; [`SCHEMA_VERSION`].
    pub schema_version: i32,
    /// Part number, free text.
    pub part: String,
    /// Name of the part, free text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// Revision label of the drawing.
    pub drawing_revision: String,
    /// Version of the plan, 1 and up.
    pub plan_version: i32,
    /// Unit of the plan's lengths.
    pub length_unit: PlanLengthUnit,
    /// What is measured.
    pub object: ObjectKind,
    /// The standard by which characteristics are read.
    pub standard: Standard,
    /// The decision rule.
    pub decision: Decision,
    /// The filter before every extreme and contact, unless a characteristic has its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter: Option<Filter>,
    /// The nominal.
    pub nominal: PlanNominal,
    /// Nominal features.
    #[serde(default)]
    pub feature: Vec<Feature>,
    /// Datum systems.
    #[serde(default)]
    pub datum_system: Vec<DatumSystem>,
    /// Characteristics, in the drawing's order.
    #[serde(default)]
    pub characteristic: Vec<Characteristic>,
}

/// Unit of a plan's lengths.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlanLengthUnit {
    /// Millimetre.
    Mm,
}

/// What is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ObjectKind {
    /// A part.
    Part,
}

/// A family of standards.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StandardSystem {
    /// ISO geometrical product specifications.
    Iso,
}

/// The standard by which characteristics are read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Standard {
    /// The family.
    pub system: StandardSystem,
    /// The edition, such as `ISO 1101:2017`.
    pub edition: String,
}

/// The decision rule; exactly one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Decision {
    /// Conformity or nonconformity must be proven (ISO 14253-1:2017).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proven: Option<DecisionProven>,
    /// Simple acceptance with a bound on the uncertainty (JCGM 106:2012, 8.2).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub simple: Option<DecisionSimple>,
    /// A probability of conformity (JCGM 106:2012).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub probability: Option<DecisionProbability>,
}

/// ISO 14253-1:2017 with its default 95 %.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DecisionProven {}

/// Simple acceptance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DecisionSimple {
    /// Largest accepted ratio of expanded uncertainty (k = 2) to the tolerance, above 0 and at most 1.
    pub ratio: f64,
}

/// A probability of conformity.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DecisionProbability {
    /// Conforms at this probability of conformity or more, does not at one minus it or less; between
    /// 0.5 and 1.
    pub conforms: f64,
}

/// The filter before every extreme and contact.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Filter {
    /// A Gaussian filter (ISO 16610-61 weighting, on the curved surface).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gaussian: Option<FilterGaussian>,
}

/// A Gaussian filter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FilterGaussian {
    /// Nesting index (cut-off), mm: 50 % transmission at this wavelength.
    pub nesting_index_mm: f64,
}

/// The nominal, as the plan names it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanNominal {
    /// Name of the file, for people; the bytes come otherwise.
    pub file: String,
    /// On which side of an open sheet's triangles the material is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side_of_material: Option<SideOfMaterial>,
}

/// On which side of an open sheet's triangles the material is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SideOfMaterial {
    /// The triangles' normals point away from it.
    BehindNormal,
    /// The triangles' normals point into it.
    InFrontOfNormal,
}

/// What kind of feature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FeatureKind {
    /// A plane.
    Plane,
    /// A round hole.
    Hole,
    /// A surface of any shape.
    Surface,
}

impl FeatureKind {
    /// As the file writes it.
    pub fn word(self) -> &'static str {
        match self {
            FeatureKind::Plane => "plane",
            FeatureKind::Hole => "hole",
            FeatureKind::Surface => "surface",
        }
    }
}

/// A nominal feature.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Feature {
    /// Id, unique in the plan.
    pub id: String,
    /// Kind.
    pub kind: FeatureKind,
    /// Where it is on the nominal.
    pub pick: Pick,
}

/// Where a feature is on the nominal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pick {
    /// x, y, z of a place near it, mm.
    #[serde(default)]
    pub near_mm: Vec<f64>,
    /// x, y, z of its outward normal there, roughly; empty when `near_mm` is clear enough.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub facing: Vec<f64>,
    /// Grows a surface over neighbouring triangles that turn by no more than this, degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grow_to_angle_deg: Option<f64>,
}

/// A datum system (ISO 5459).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DatumSystem {
    /// Id, unique in the plan.
    pub id: String,
    /// Datums, in order of precedence.
    #[serde(default)]
    pub datum: Vec<Datum>,
}

/// How a datum or a reference is associated with its measured feature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Association {
    /// Total least squares.
    LeastSquares,
    /// Minimum zone (Chebyshev).
    MinimumZone,
}

/// One datum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Datum {
    /// Letter on the drawing.
    pub letter: String,
    /// The datum feature.
    pub feature: String,
    /// How it is associated.
    pub association: Association,
}

/// When a characteristic is required.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum When {
    /// Of every part.
    Every,
    /// Never: reported only.
    ReportOnly,
}

/// A characteristic; exactly one requirement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Characteristic {
    /// Number on the ballooned drawing.
    pub number: String,
    /// What people call it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// The feature it is required of.
    pub feature: String,
    /// Profile of a surface (ISO 1660).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface_profile: Option<SurfaceProfile>,
    /// Diameter of a hole (ISO 14405-1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter: Option<Diameter>,
    /// Position of a hole (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Flatness of a plane (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flatness: Option<Flatness>,
    /// Id of the datum system.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub datum_system: Option<String>,
    /// The customer's class symbol.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// When it is required; every part if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<When>,
    /// Groups, for quick checks of a few characteristics.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub group: Vec<String>,
    /// What must have been seen; defaults if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub needs: Option<Needs>,
    /// Overrides the plan's filter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter: Option<Filter>,
}

/// Profile of a surface: two limits of the signed deviation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurfaceProfile {
    /// Largest deviation outside the material, mm.
    pub limit_outside_mm: f64,
    /// Largest deviation inside the material, mm, as a positive number.
    pub limit_inside_mm: f64,
}

/// Which size of a hole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SizeOperator {
    /// Least-squares size, (GG) of ISO 14405-1.
    LeastSquares,
}

/// Diameter of a hole.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Diameter {
    /// Nominal diameter, mm.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed.
    pub upper_deviation_mm: f64,
    /// Lower limit deviation, mm, signed.
    pub lower_deviation_mm: f64,
    /// Which size.
    pub size: SizeOperator,
}

/// Position of a hole, regardless of its size.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// Diameter of the cylindrical zone, mm.
    pub zone_diameter_mm: f64,
}

/// Flatness of a plane.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Flatness {
    /// Width of the zone, mm.
    pub zone_width_mm: f64,
    /// The reference plane.
    pub association: Association,
}

/// What must have been seen for a characteristic to be decided.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Needs {
    /// Smallest seen fraction of the feature's area (of the full turn for a hole), above 0, at most 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coverage: Option<f64>,
    /// Largest disc in which nothing was seen, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub largest_unseen_disc_mm: Option<f64>,
}
