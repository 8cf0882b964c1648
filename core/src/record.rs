//! What an inspection leaves behind: every value with its evidence, in one canonical form.
//!
//! ```text
//! evaluation      what is found of one characteristic
//! sources         what went in, how it was taken, how it lies on part and datums
//! deviation_map   deviations all over the nominal, beside the record
//! ```

use serde::{Deserialize, Serialize};

mod deviation_map;
mod evaluation;
mod sources;

pub use deviation_map::DeviationMap;
pub use evaluation::{
    AngleContribution, AngleResult, Components, ConformityResult, Contribution, Coverage, EdgeResult,
    EdgeStation, Evaluation, Extreme, Gap, InstanceResult, Interval, Limits, MissingShare, ReadingResult,
    ThicknessResult, ThicknessZoneResult, Verdict,
};
pub use sources::{
    AlignmentRecord, ConditionsRecord, DatumRecord, DatumSystemRecord, NeighbourRecord, SourceRecord,
};

/// Counts up when the form of [`Record`] changes. Version 2 brought several sources, measured points and
/// readings; version 4 conformity, the whole of an angle's uncertainty, thickness, why parts were not seen, and scan
/// advice.
pub const RECORD_VERSION: u32 = 4;

/// Everything that was found, without ids or times: same input, same bytes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// [`RECORD_VERSION`] when it was made.
    pub record_version: u32,
    /// Version of the program that made it.
    pub program_version: String,
    /// SHA-256 of the nominal's file; empty for a plan without one.
    pub nominal_sha256: String,
    /// The neighbours' nominals to which gaps and steps were taken, in the plan's order; absent where there are none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub neighbours: Vec<NeighbourRecord>,
    /// SHA-256 of the plan's canonical form.
    pub plan_sha256: String,
    /// Scans and files of points, in the order of the sources.
    pub sources: Vec<SourceRecord>,
    /// SHA-256 of the deviation and coverage per vertex of the nominal, in the form of the deviation blob;
    /// absent where nothing was scanned.
    pub deviation_sha256: Option<String>,
    /// Groups asked for; empty for the whole plan.
    pub scope: Vec<String>,
    /// The decision rule in words.
    pub decision: String,
    /// Best fit of all scans on the surface, in the axes of the first; absent when none could be aligned.
    pub alignment: Option<AlignmentRecord>,
    /// The datum systems that were used.
    pub datum_systems: Vec<DatumSystemRecord>,
    /// Every characteristic in the scope, in the plan's order.
    pub evaluations: Vec<Evaluation>,
    /// The verdict over the scope.
    pub verdict: Verdict,
    /// Why, in words.
    pub reason: String,
    /// What a reader must know before relying on it.
    pub cautions: Vec<String>,
    /// What would help what was not measured or is undecided, in the plan's order.
    pub advice: Vec<Advice>,
    /// Another registered revision of the part that fits the scans clearly better; absent where none does, and where the
    /// part conforms or is undecided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub better_revision: Option<BetterRevision>,
}

/// A revision that fits the scans better than the one measured by, with the evidence: what the same points say of both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BetterRevision {
    /// Its drawing revision.
    pub drawing_revision: String,
    /// The version of its plan.
    pub plan_version: i32,
    /// SHA-256 of its plan's canonical form.
    pub plan_sha256: String,
    /// SHA-256 of its nominal's file.
    pub nominal_sha256: String,
    /// Points that lie on at least one of the two nominals.
    pub points: u64,
    /// A point speaks for one of the two where it lies nearer to it by more than this, mm.
    pub apart_mm: f64,
    /// Share of the points that lie that near to this revision's nominal, 0 to 1; absent where a scan could not be aligned on it.
    pub near_this: Option<f64>,
    /// The same of the other revision.
    pub near_other: f64,
    /// Root mean square distance of the points from this revision's nominal, mm, none counted beyond 3 mm; absent likewise.
    pub rms_this_mm: Option<f64>,
    /// The same of the other revision.
    pub rms_other_mm: f64,
    /// Points that speak for this revision.
    pub speak_for_this: u64,
    /// Points that speak for the other.
    pub speak_for_other: u64,
    /// Where most of these lie, on the other nominal.
    pub places: Vec<SpeakingPlace>,
    /// Which features lie otherwise from this revision to the other, in words.
    pub changes: Vec<String>,
    /// Numbers of the characteristics of such features that do not conform, or were not measured.
    pub characteristics: Vec<String>,
}

/// A place where points speak for another revision.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SpeakingPlace {
    /// Their middle, mm, in the part's axes.
    pub at_mm: [f64; 3],
    /// How many.
    pub points: u64,
}

/// What would help a characteristic that was not measured or is undecided.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// Numbers of the characteristics that it serves.
    pub characteristics: Vec<String>,
    /// `scan_there`, `more_points`, `look_at_part` (what is seen there is no lack of scanning), `no_scan` (nothing that a
    /// scan can do).
    pub action: String,
    /// The feature that it is about; empty for a reading of the whole part.
    pub feature: String,
    /// x, y, z of the place, mm, in the part's axes; empty where it is no one place.
    pub at_mm: Vec<f64>,
    /// x, y, z from the place towards the scanner, in the part's axes: nothing of the part hides it from there; empty
    /// where it is not known.
    pub from: Vec<f64>,
    /// Diameter of the place, mm.
    pub width_mm: Option<f64>,
    /// How many times the points on the feature would decide, if its value stays what it is.
    pub times_points: Option<f64>,
    /// The same as a number of points more.
    pub more_points: Option<u64>,
    /// In words.
    pub words: String,
}

impl Record {
    /// The canonical JSON text.
    pub fn canonical_json(&self) -> String {
        crate::canonical::json(self)
    }

    /// SHA-256 of the canonical JSON.
    pub fn digest(&self) -> String {
        crate::canonical::sha256_hex(self.canonical_json().as_bytes())
    }
}
