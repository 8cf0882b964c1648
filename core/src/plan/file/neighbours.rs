//! Neighbours: what stands beside the part where it goes.

use super::{FaceFingerprint, Pick, SideOfMaterial};
use serde::{Deserialize, Serialize};

/// A neighbour of which only the nominal is known, in the same axes as the part's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Neighbour {
    /// Id, unique among neighbours and features.
    pub id: String,
    /// Name of its file; the bytes come otherwise.
    pub file: String,
    /// The part that is meant, by name, of a STEP file that holds several; all of them, as they are placed, if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<String>,
    /// On which side of an open sheet's triangles the material is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side_of_material: Option<SideOfMaterial>,
    /// Its skin that stands beside the part's, as a surface is picked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pick: Option<Pick>,
    /// Instead: the faces of that skin in a STEP file by their numbers, `#1187` or several parted by spaces.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub face: Option<String>,
    /// What those faces are known by, one for each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fingerprint: Vec<FaceFingerprint>,
}

/// Gap or step between the part's trimmed edge and a neighbour's, with its limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Joint {
    /// Id of the neighbour.
    pub to: String,
    /// Nominal value, mm, signed: a step is positive where the part stands proud.
    pub nominal_mm: f64,
    /// Upper limit deviation, mm, signed.
    pub upper_deviation_mm: f64,
    /// Lower limit deviation, mm, signed.
    pub lower_deviation_mm: f64,
}
