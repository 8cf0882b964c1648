//! What went in, how it was taken, and how it was brought onto the part and its datums.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// One scan or file of points that went in, and how it was brought onto the part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SourceRecord {
    /// SHA-256 of its file.
    pub sha256: String,
    /// `scan` or `points`.
    pub content: String,
    /// Which part of it was used, and in which axes it was told, in words.
    pub used: String,
    /// Points used of it.
    pub points: u64,
    /// Best fit on the surface; absent for points and where it could not be aligned.
    pub alignment: Option<AlignmentRecord>,
    /// How it was taken, as far as it was stated.
    #[serde(default)]
    pub conditions: ConditionsRecord,
}

/// How a source was taken; what is absent was not stated. Results in free state and in a fixture are not to be compared.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ConditionsRecord {
    /// The instrument.
    pub instrument: Option<String>,
    /// Its name in the register of instruments, where one was named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub registered_instrument: Option<String>,
    /// What was stated of its errors, or is by its verification, by name, as standard uncertainties.
    pub instrument_errors: BTreeMap<String, f64>,
    /// The verification that was in force on the day; absent where none was, and where none was looked for.
    pub verification: Option<String>,
    /// The day on which that was made.
    pub verified_on: Option<String>,
    /// The last day on which it holds.
    pub verification_valid_until: Option<String>,
    /// The day for which it was looked up: on which the source was taken.
    pub taken_on: Option<String>,
    /// How the part was held: `free_state` or `fixture`.
    pub restraint: Option<String>,
    /// On what it lay or hung.
    pub supports: Option<String>,
    /// Direction in which weight pulled, in the part's axes; empty where it was not stated.
    pub gravity: Vec<f64>,
    /// Whether it was sprayed matt.
    pub matt_spray: Option<bool>,
    /// How its surface takes light: `dull`, `dark`, `gloss`.
    pub surface_class: Option<String>,
    /// What was done to the points: `raw`, `smoothed`, `holes_filled`.
    pub mesh_history: Option<String>,
    /// How many passes make the scan.
    pub passes: Option<u32>,
    /// Temperature of the part, degrees Celsius.
    pub temperature_c: Option<f64>,
    /// Its standard uncertainty, K.
    pub temperature_standard_uncertainty_k: Option<f64>,
    /// What measured lengths were multiplied by, to be those at 20 degrees Celsius (ISO 1); absent where they were not.
    pub length_factor: Option<f64>,
    /// Relative standard uncertainty of that.
    pub length_factor_relative_standard_uncertainty: Option<f64>,
}

/// How the scan was brought onto the part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlignmentRecord {
    /// Rotation matrix, row by row, of the motion from scan axes to part axes (best fit on the surface).
    pub rotation: [[f64; 3]; 3],
    /// Shift of that motion, mm.
    pub translation_mm: [f64; 3],
    /// Root mean square distance of the points used, mm.
    pub rms_mm: f64,
    /// Points used.
    pub points: u64,
    /// How it ended, one word.
    pub stop: String,
    /// Points that tell this pose from the next best one, and speak for it.
    pub evidence_for: u64,
    /// Points that tell the two apart and speak against it.
    pub evidence_against: u64,
    /// Estimated standard deviation of the point noise, mm.
    pub noise_mm: f64,
    /// Points of the scan that belong to no part of the nominal within reach.
    pub points_unexplained: u64,
}

/// How a datum system was established on the measured features.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DatumSystemRecord {
    /// Id in the plan.
    pub id: String,
    /// Rotation matrix, row by row, of the motion from scan axes to part axes on these datums.
    pub rotation: [[f64; 3]; 3],
    /// Shift of that motion, mm.
    pub translation_mm: [f64; 3],
    /// What it was taken from: `scan`, or `points`.
    pub taken_from: String,
    /// Per datum or target: letter, feature, and the freedoms it locked, in words.
    pub datums: Vec<DatumRecord>,
    /// Rounds of extracting and aligning until it rested.
    pub rounds: u32,
}

/// One datum of a datum system.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DatumRecord {
    /// Letter on the drawing.
    pub letter: String,
    /// The datum feature or target.
    pub feature: String,
    /// Freedoms it locked: `tz`, `rx`, ... in the datum's own axes.
    pub locks: Vec<String>,
    /// What the datum leaves over, mm: for a plane the largest distance of its cells from it, for the hole that
    /// locks the last turn how much further than nominal it lies from the first hole (signed); absent where
    /// nothing is left over by construction.
    pub residual_mm: Option<f64>,
}

/// A neighbour's nominal that served.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NeighbourRecord {
    /// Id in the plan.
    pub id: String,
    /// SHA-256 of its nominal's file.
    pub sha256: String,
}
