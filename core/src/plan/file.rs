//! What a plan's file says: the one schema of its TOML and JSON form.
//!
//! The message `Plan` of the contract mirrors these types name for name; a test of the server fails when
//! the two drift apart. Nothing here is checked beyond its form: `check` does that.

mod characteristics;
mod datums;
mod features;
mod neighbours;
mod thickness;
mod tolerances;

pub use characteristics::*;
pub use datums::*;
pub use features::*;
pub use neighbours::*;
pub use thickness::*;
pub use tolerances::*;

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
    /// What stands beside the part where it goes: its gaps and steps are taken to these.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub neighbour: Vec<Neighbour>,
    /// What the part is made of: needed where lengths are to be brought to 20 degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub material: Option<Material>,
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
    /// Guarded acceptance and rejection (JCGM 106:2012, 8.3).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub guarded: Option<DecisionGuarded>,
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

/// Guarded acceptance and rejection.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DecisionGuarded {
    /// The guard band in expanded uncertainties (k = 2), above 0 and at most 5: conforms inside the limits by it, does not
    /// outside by it.
    pub factor: f64,
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

/// What the part is made of.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Material {
    /// Linear thermal expansion along the part, 1/K, within 0.001; of laminates it may be below zero.
    pub expansion_per_k: f64,
    /// Its standard uncertainty, 1/K.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expansion_standard_uncertainty_per_k: Option<f64>,
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
    /// The part that is meant, by name, of a STEP file that holds several; all of them, as they are placed, if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<String>,
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
