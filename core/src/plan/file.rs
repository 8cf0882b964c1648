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
    /// ASME Y14.5 and Y14.5.1.
    Asme,
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
    /// A cylinder: the wall of a bore or the outside of a pin.
    Cylinder,
    /// A cone.
    Cone,
    /// A sphere.
    Sphere,
    /// A torus: a tube along a circle.
    Torus,
    /// Two parallel planes that face each other or away from each other, with their size between them.
    Width,
    /// Features that are judged together (ISO 5458): a pattern of holes, faces under one tolerance.
    Group,
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
            FeatureKind::Cylinder => "cylinder",
            FeatureKind::Cone => "cone",
            FeatureKind::Sphere => "sphere",
            FeatureKind::Torus => "torus",
            FeatureKind::Width => "width",
            FeatureKind::Group => "group",
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
    /// The two planes of a width.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width: Option<Members>,
    /// The features of a group.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub group: Option<Members>,
}

/// Features that another is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Members {
    /// Their ids: two planes for a width, two or more features for a group.
    #[serde(default)]
    pub of: Vec<String>,
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
    /// Best fit for what the datums leave free: of all six freedoms where there are none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub best_fit: Option<BestFit>,
}

/// What a best fit makes least.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BestFitCriterion {
    /// The sum of squared deviations, fair to area.
    LeastSquares,
    /// The largest deviation: the fit that brings the part within the narrowest zone.
    Minimax,
}

/// A best fit on chosen features.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BestFit {
    /// Ids of the features.
    #[serde(default)]
    pub feature: Vec<String>,
    /// A weight for each, above 0; equal ones if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub weight: Vec<f64>,
    /// What is made least.
    pub criterion: BestFitCriterion,
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

/// A freedom of the part: a shift along or a turn about an axis (ISO 5459).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Lock {
    /// Shift along x.
    X,
    /// Shift along y.
    Y,
    /// Shift along z.
    Z,
    /// Turn about x.
    Rx,
    /// Turn about y.
    Ry,
    /// Turn about z.
    Rz,
}

/// Material condition of a tolerance or a datum (ISO 2692, ASME Y14.5).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// Whatever the size is.
    Regardless,
    /// Maximum material.
    MaximumMaterial,
    /// Least material.
    LeastMaterial,
}

/// A datum target (ISO 5459): a pad, a point or a line at a stated place.
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
    /// x, y, z of the other end of a target line, mm; empty for a point or a pad.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub line_to_mm: Vec<f64>,
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
    /// Least squares, constrained to lie outside the material.
    LeastSquaresOutside,
    /// The largest distance least, outside the material: a tangent feature.
    MinimaxOutside,
    /// The largest inscribed.
    MaximumInscribed,
    /// The smallest circumscribed.
    MinimumCircumscribed,
}

/// One datum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Datum {
    /// Letter on the drawing.
    pub letter: String,
    /// The datum feature; absent where the datum has targets or several features.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feature: Option<String>,
    /// Several datum features that make one datum together: a common datum A-B, a pattern of holes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub features: Vec<String>,
    /// How the feature is associated; absent where the datum has targets.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub association: Option<Association>,
    /// Datum targets instead of a whole feature.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub targets: Vec<DatumTarget>,
    /// The only freedoms that it may lock (customised datum); all that it can if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub locks: Vec<Lock>,
    /// Material condition of a datum feature of size; regardless of size if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condition: Option<Condition>,
    /// Size of its boundary at that condition, mm: the drawing's virtual size.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub boundary_mm: Option<f64>,
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
    /// Profile of a surface, plane, check point or group (ISO 1660).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface_profile: Option<SurfaceProfile>,
    /// Profile of a line: of a section of a surface (ISO 1660).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line_profile: Option<LineProfile>,
    /// Diameter of a hole, cylinder or sphere (ISO 14405-1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter: Option<Size>,
    /// Width of a slot, or between the two planes of a width (ISO 14405-1).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width: Option<Size>,
    /// Radius of a cylinder or a sphere, or of the tube of a torus.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub radius: Option<Length>,
    /// Distance of one feature from another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance: Option<Distance>,
    /// Angle between two features, or the apex angle of a cone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle: Option<Angle>,
    /// Straightness (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub straightness: Option<Straightness>,
    /// Flatness of a plane (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flatness: Option<Form>,
    /// Roundness of each section of a cylinder, cone or sphere (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roundness: Option<Form>,
    /// Cylindricity (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cylindricity: Option<Form>,
    /// Parallelism (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parallelism: Option<Orientation>,
    /// Perpendicularity (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub perpendicularity: Option<Orientation>,
    /// Angularity (ISO 1101): the angle is that of the nominal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angularity: Option<Orientation>,
    /// Position (ISO 1101, ISO 5458).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Coaxiality with the axis of the datum system, or concentricity with its point (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coaxiality: Option<Coaxiality>,
    /// Symmetry about the median plane of the datum system (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub symmetry: Option<Symmetry>,
    /// Circular run-out about the axis of the datum system (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub circular_runout: Option<Runout>,
    /// Total run-out about the axis of the datum system (ISO 1101).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub total_runout: Option<Runout>,
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
    /// Overrides the plan's standard.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub standard: Option<Standard>,
}

/// Profile of a surface: two limits of the signed deviation, or the width of the zone as the drawing writes it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurfaceProfile {
    /// Largest deviation outside the material, mm; together with the one inside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_outside_mm: Option<f64>,
    /// Largest deviation inside the material, mm, as a positive number; together with the one outside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_inside_mm: Option<f64>,
    /// Instead of the limits: width of the zone, mm, half on either side of the nominal unless it is shifted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_width_mm: Option<f64>,
    /// ISO, UZ: how far the middle of the zone lies outside the nominal's material, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_offset_mm: Option<f64>,
    /// ASME, U: how much of the width lies outside the nominal's material, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_outside_mm: Option<f64>,
    /// ISO, OZ: the zone may be offset by one constant, whatever it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset_zone: Option<bool>,
    /// The datum system orients the zone and does not place it (ISO 5459, `><`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub orientation_only: Option<bool>,
}

/// A plane that cuts the part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Section {
    /// x, y, z of a place on it, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
    /// x, y, z square to it.
    #[serde(default)]
    pub normal: Vec<f64>,
}

/// A place, mm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceOnLine {
    /// x, y, z, mm.
    #[serde(default)]
    pub at_mm: Vec<f64>,
}

/// Profile of a line: the section of a feature by a plane.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineProfile {
    /// Largest deviation outside the material, mm.
    pub limit_outside_mm: f64,
    /// Largest deviation inside the material, mm, as a positive number.
    pub limit_inside_mm: f64,
    /// The plane of the section.
    pub section: Section,
    /// Where the line begins and ends; the whole section if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub between: Vec<PlaceOnLine>,
    /// The datum system orients the zone and does not place it (ISO 5459, `><`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub orientation_only: Option<bool>,
}

/// Which size of a feature of size (ISO 14405-1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SizeOperator {
    /// Least-squares size, (GG).
    LeastSquares,
    /// Minimax (Chebyshev) size, (GC).
    MinimumZone,
    /// Maximum inscribed size, (GX).
    MaximumInscribed,
    /// Minimum circumscribed size, (GN).
    MinimumCircumscribed,
    /// Two-point sizes, (LP), each of which must keep the limits.
    TwoPoint,
    /// Envelope requirement, (E): two-point sizes at the least material side, the mating size at the other.
    Envelope,
}

/// A size; its limits in exactly one of three ways.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Size {
    /// Nominal size, mm.
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

/// A length with its limits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Length {
    /// Nominal value, mm.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed.
    pub upper_deviation_mm: f64,
    /// Lower limit deviation, mm, signed.
    pub lower_deviation_mm: f64,
}

/// Distance of one feature from another: between their points, axes or planes as associated by least squares.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Distance {
    /// Id of the other feature.
    pub to: String,
    /// Nominal value, mm.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_deviation_mm: Option<f64>,
    /// Lower limit deviation, mm, signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_deviation_mm: Option<f64>,
    /// Instead of the deviations: a general tolerance of ISO 2768-1:1989.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub general_tolerance: Option<GeneralTolerance>,
    /// x, y, z: only the part of the distance along this direction counts; the whole if empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub along: Vec<f64>,
}

/// An angle with its limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Angle {
    /// Id of the other feature; absent for the apex angle of a cone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Nominal value, degrees.
    pub nominal_deg: f64,
    /// Upper limit deviation, degrees, signed.
    pub upper_deviation_deg: f64,
    /// Lower limit deviation, degrees, signed.
    pub lower_deviation_deg: f64,
}

/// Of what a straightness is required.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StraightnessOf {
    /// The median line of a cylinder.
    Axis,
    /// The lines of a surface: those along the axis of a cylinder or cone.
    Lines,
}

/// Straightness; one of the two zones.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Straightness {
    /// Width of the zone between two parallel lines, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_width_mm: Option<f64>,
    /// Diameter of the cylindrical zone of an axis, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_diameter_mm: Option<f64>,
    /// Of what.
    pub of: StraightnessOf,
    /// The reference line.
    pub association: Association,
}

/// A form tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Form {
    /// Width of the zone, mm.
    pub zone_width_mm: f64,
    /// The reference feature.
    pub association: Association,
}

/// An orientation tolerance; one of the two zones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Orientation {
    /// Width of the zone between two parallel planes, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_width_mm: Option<f64>,
    /// Diameter of the cylindrical zone of an axis, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_diameter_mm: Option<f64>,
    /// x, y, z across the zone of an axis between two planes; absent for a plane, whose zone is its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub across: Vec<f64>,
    /// Material condition; regardless of size if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condition: Option<Condition>,
    /// Number of the characteristic that limits the size; needed with a material condition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size_characteristic: Option<String>,
    /// Judges the tangent plane outside the material instead of the surface, (T).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tangent_plane: Option<bool>,
}

/// Position; one of the two zones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// Diameter of the zone, mm: cylindrical about an axis, spherical about the centre of a sphere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_diameter_mm: Option<f64>,
    /// Width of the zone between two parallel planes, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone_width_mm: Option<f64>,
    /// x, y, z across that zone; for a plane or a width it is its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub across: Vec<f64>,
    /// Material condition; regardless of size if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condition: Option<Condition>,
    /// Number of the characteristic that limits the size; needed with a material condition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size_characteristic: Option<String>,
    /// Length of a projected zone, mm, out of the material.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub projected_length_mm: Option<f64>,
    /// The datum system orients the zone and does not place it (ISO 5459, `><`): the lower tier of a composite position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub orientation_only: Option<bool>,
}

/// Coaxiality or concentricity.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coaxiality {
    /// Diameter of the zone, mm.
    pub zone_diameter_mm: f64,
}

/// Symmetry.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Symmetry {
    /// Width of the zone, mm.
    pub zone_width_mm: f64,
}

/// Which way a run-out is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RunoutDirection {
    /// Square to the axis.
    Radial,
    /// Along the axis.
    Axial,
}

/// Run-out.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Runout {
    /// Width of the zone, mm.
    pub zone_width_mm: f64,
    /// Which way it is read.
    pub direction: RunoutDirection,
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
