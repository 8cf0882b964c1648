//! What a plan's file says: the one schema of its TOML and JSON form.
//!
//! The message `Plan` of the contract mirrors these types name for name; a test of the server fails when
//! the two drift apart. Nothing here is checked beyond its form: `check` does that. One file, although
//! long: it is one schema.

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
    /// The nominal; absent where every feature says its own place, and parts come as points and readings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nominal: Option<PlanNominal>,
    /// Nominal features.
    #[serde(default)]
    pub feature: Vec<Feature>,
    /// Holding fixtures with targets of their own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fixture: Vec<Fixture>,
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
    /// A straight slot with round ends.
    Slot,
    /// A named check point.
    Point,
}

impl FeatureKind {
    /// As the file writes it.
    pub fn word(self) -> &'static str {
        match self {
            FeatureKind::Plane => "plane",
            FeatureKind::Hole => "hole",
            FeatureKind::Surface => "surface",
            FeatureKind::Slot => "slot",
            FeatureKind::Point => "point",
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
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pick: Option<Pick>,
    /// Place of a check point.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<PointPlace>,
    /// Place of a hole that is measured by points and picked on no nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hole: Option<HolePlace>,
    /// Place of a plane that is measured by points and picked on no nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plane: Option<PlanePlace>,
    /// Place of a slot that is measured by points and picked on no nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slot: Option<SlotPlace>,
}

/// On what a check point lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PointOn {
    /// On a surface.
    Surface,
    /// On a trimmed edge; its direction lies in the surface, out of the material.
    TrimEdge,
}

/// A named check point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PointPlace {
    /// x, y, z, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z out of the material; deviations are told along it.
    #[serde(default)]
    pub direction: Vec<f64>,
    /// What it lies on; a surface if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on: Option<PointOn>,
    /// Radius of the patch of scan points that stands for it, mm; needed where it is taken from scans.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patch_radius_mm: Option<f64>,
}

/// A round hole by its numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HolePlace {
    /// x, y, z of its centre, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z along its axis.
    #[serde(default)]
    pub axis: Vec<f64>,
    /// Nominal diameter, mm; where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter_mm: Option<f64>,
}

/// A plane by its numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanePlace {
    /// x, y, z of a place on it, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z out of the material.
    #[serde(default)]
    pub normal: Vec<f64>,
}

/// A straight slot with round ends by its numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SlotPlace {
    /// x, y, z of its middle, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z through the material.
    #[serde(default)]
    pub axis: Vec<f64>,
    /// x, y, z along its length.
    #[serde(default)]
    pub along: Vec<f64>,
    /// Length over all, mm; where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_mm: Option<f64>,
    /// Width, mm; where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width_mm: Option<f64>,
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
    /// Datums, in order of precedence; none where a fixture takes their place.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub datum: Vec<Datum>,
    /// Id of the holding fixture that takes the datums' place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fixture: Option<String>,
}

/// An axis of the part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Axis {
    /// The part's x axis.
    X,
    /// The part's y axis.
    Y,
    /// The part's z axis.
    Z,
}

/// A datum target (ISO 5459): a pad or a point at a stated place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DatumTarget {
    /// Id, such as A1; unique in the plan.
    pub id: String,
    /// x, y, z, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z out of the material.
    #[serde(default)]
    pub direction: Vec<f64>,
    /// Radius of the pad, mm; needed where it is taken from scans.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patch_radius_mm: Option<f64>,
    /// Axes of the part along which it locks; along its own direction if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub locks: Vec<Axis>,
    /// Weight in the least squares of more targets than needed; 1 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weight: Option<f64>,
}

/// A holding fixture: the part lies in it in a known way, and the fixture shows targets of its own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fixture {
    /// Id, such as fx-31; unique in the plan.
    pub id: String,
    /// Calibration certificate, free text.
    pub certificate: String,
    /// Expanded uncertainty (k = 2) of the targets' places, and of how the part lies in the fixture, mm. A shift of the
    /// part is as uncertain as this, however many targets there are: how the part lies does not average down.
    pub expanded_uncertainty_mm: f64,
    /// Its targets, three or more that do not lie on a line.
    #[serde(default)]
    pub target: Vec<FixtureTarget>,
}

/// A target of a holding fixture: a ball or a calibrated point, placed in the part's axes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FixtureTarget {
    /// Id, unique in the plan.
    pub id: String,
    /// x, y, z of the ball's centre or of the point, mm, in the axes of the part as it lies in the fixture.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// Diameter of the ball, mm; absent for a point, which scans do not show.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ball_diameter_mm: Option<f64>,
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
    /// The datum feature; absent where the datum has targets.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feature: Option<String>,
    /// How the feature is associated; absent where the datum has targets.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub association: Option<Association>,
    /// Datum targets instead of a whole feature.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub targets: Vec<DatumTarget>,
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
    /// The feature it is required of; absent for a reading of the whole part.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feature: Option<String>,
    /// Profile of a surface, plane or check point (ISO 1660).
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
    /// A value that a hand instrument reads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<ReadingLimits>,
    /// What a gauge passes or fails.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gauge: Option<Gauge>,
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

/// Diameter of a hole; its limits in exactly one of three ways.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Diameter {
    /// Nominal diameter, mm.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed; together with the lower one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_deviation_mm: Option<f64>,
    /// Lower limit deviation, mm, signed; together with the upper one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_deviation_mm: Option<f64>,
    /// Instead of the deviations: a tolerance class of ISO 286-1:2010, such as `H8`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerance_class: Option<String>,
    /// Instead of the deviations: a general tolerance of ISO 2768-1:1989.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub general_tolerance: Option<GeneralTolerance>,
    /// Which size.
    pub size: SizeOperator,
}

/// A class of general tolerances of ISO 2768-1:1989.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GeneralTolerance {
    /// Class f.
    Fine,
    /// Class m.
    Medium,
    /// Class c.
    Coarse,
    /// Class v.
    VeryCoarse,
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

/// A value that a hand instrument reads; at least one limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingLimits {
    /// What is read, such as mass, thickness, coating thickness.
    pub quantity: String,
    /// Unit of the limits and of the readings, such as mm, um, kg.
    pub unit: String,
    /// Smallest accepted value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_limit: Option<f64>,
    /// Largest accepted value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_limit: Option<f64>,
}

/// What a gauge passes or fails.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gauge {
    /// The gauge and how it is used, such as a thread plug gauge M6-6H, go and no-go.
    pub procedure: String,
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
    /// Fewest measured points that stand for a plane or surface; where absent, points decide nothing about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub points: Option<i32>,
}
