//! Datum systems (ISO 5459), their targets, best fits and holding fixtures.

use serde::{Deserialize, Serialize};

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
