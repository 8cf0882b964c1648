//! What an inspection leaves behind: every value with its evidence, in one canonical form.
//! One file, although long: it is one schema.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Counts up when the form of [`Record`] changes. Version 2 brought several sources, measured points and
/// readings; version 4 conformity, the whole of an angle's uncertainty, thickness, why parts were not seen, and scan
/// advice.
pub const RECORD_VERSION: u32 = 4;

/// The answer about one characteristic, or about a part. Absence never reads as a pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Inside the limits by more than the uncertainty, by the plan's decision rule.
    Conforms,
    /// Outside the limits by more than the uncertainty, by the plan's decision rule.
    DoesNotConform,
    /// Too close to a limit, or too coarse a measurement, to say either.
    Undecided,
    /// Not measured, or not completely enough; the reason says what is missing.
    NotMeasured,
}

/// A signed extreme and where it was found.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Extreme {
    /// Signed value, mm; positive is outside the material.
    pub value_mm: f64,
    /// Place on the part, mm, in the part's axes.
    pub at_mm: [f64; 3],
}

/// A deviation by axes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Components {
    /// Along x of the part's axes, mm.
    pub dx_mm: f64,
    /// Along y, mm.
    pub dy_mm: f64,
    /// Along z, mm.
    pub dz_mm: f64,
    /// Along the nominal normal or across the nominal axis, mm.
    pub dn_mm: f64,
}

/// An interval said to hold the true value with 95 % probability.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Lower end, mm.
    pub low_mm: f64,
    /// Upper end, mm.
    pub high_mm: f64,
}

/// One line of an uncertainty budget.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// Where it comes from: `noise`, `sampling`, `alignment`.
    pub source: String,
    /// Standard uncertainty of the characteristic from this source, mm.
    pub standard_uncertainty_mm: f64,
}

/// How much of a feature was seen.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Coverage {
    /// Seen fraction of the feature's area (of the full turn for a hole), 0 to 1.
    pub fraction: f64,
    /// Diameter of the largest disc on the feature in which nothing was seen, mm.
    pub largest_unseen_disc_mm: f64,
    /// Points used.
    pub points: u64,
    /// x, y, z of the middle of that disc, mm, in the part's axes; empty where everything was seen.
    pub unseen_at_mm: Vec<f64>,
    /// Points on each cm2 of what was seen; absent where nothing was.
    pub points_per_cm2: Option<f64>,
    /// Share of the feature's area in the strip along its rim, which is neither measured nor counted, 0 to 1; absent
    /// where no strip is left out.
    pub strip_fraction: Option<f64>,
    /// Why the rest was not seen: shares of what was looked at.
    pub missing: Vec<MissingShare>,
    /// Its largest unseen parts, the largest first.
    pub gaps: Vec<Gap>,
}

/// A reason and its share.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MissingShare {
    /// `unseen` (no point lies there), `faces_away` (points lie there that face another way), `stands_off` (points stand
    /// further off than can be measured), `too_few` (points lie there, too few for a value), `other_side` (it was seen, but
    /// not the other side of the wall), `apart` (both sides were seen, by scans of which it is not known how they lie to
    /// each other), `no_other_side` (the nominal has nothing that faces it across the material).
    pub why: String,
    /// Share of what was looked at, 0 to 1.
    pub fraction: f64,
}

/// A part of a feature that was not seen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// Why, as in [`MissingShare`].
    pub why: String,
    /// Share of what was looked at, 0 to 1.
    pub fraction: f64,
    /// The middle of the largest disc in it, mm, in the part's axes.
    pub at_mm: [f64; 3],
    /// x, y, z out of the material there.
    pub facing: [f64; 3],
    /// Diameter of that disc, mm.
    pub disc_mm: f64,
}

/// A range of accepted values; an absent limit does not limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Smallest accepted value, mm.
    pub lower_mm: Option<f64>,
    /// Largest accepted value, mm.
    pub upper_mm: Option<f64>,
}

/// One characteristic, evaluated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evaluation {
    /// Number on the ballooned drawing.
    pub number: String,
    /// What is required, as the plan's file writes it: `surface_profile`, `diameter`, ...
    pub requirement: String,
    /// The feature it is required of.
    pub feature: String,
    /// The datum system it refers to.
    pub datum_system: Option<String>,
    /// Whether the part's verdict needs it.
    pub required: bool,
    /// The customer's class symbol.
    pub class: Option<String>,
    /// Limits of `value_mm`; for a surface profile, of the signed extremes.
    pub limits: Limits,
    /// The measured value, mm; absent when it could not be measured.
    pub value_mm: Option<f64>,
    /// Smallest signed deviation, mm, and its place.
    pub minimum: Option<Extreme>,
    /// Largest signed deviation, mm, and its place.
    pub maximum: Option<Extreme>,
    /// Deviation of the feature's location by axes.
    pub components: Option<Components>,
    /// 95 % interval of the value.
    pub interval: Option<Interval>,
    /// Combined standard uncertainty, mm.
    pub standard_uncertainty_mm: Option<f64>,
    /// Where the uncertainty comes from.
    pub budget: Vec<Contribution>,
    /// What a perfect part would read here because of noise alone, mm.
    pub noise_floor_mm: Option<f64>,
    /// How much of the feature was seen.
    pub coverage: Option<Coverage>,
    /// Association, filter, standard and whatever else defines the value, by name.
    pub operators: BTreeMap<String, String>,
    /// The answer.
    pub verdict: Verdict,
    /// Why, in words.
    pub reason: String,
    /// What it was measured by: `scan`, `points`, `reading`; empty when it was not measured.
    pub measured_by: String,
    /// The reading, where one was used.
    pub reading: Option<ReadingResult>,
    /// The value and its limits where they are an angle; the fields in mm are then absent.
    pub angle: Option<AngleResult>,
    /// Where the value is the worst of several: each section, each feature of a group.
    pub instances: Vec<InstanceResult>,
    /// How likely it conforms, and what would decide; absent without a value or its uncertainty.
    #[serde(default)]
    pub conformity: Option<ConformityResult>,
    /// Groups of results that err together with this one: those on one datum system, those of one scan's length scale.
    #[serde(default)]
    pub correlated_groups: Vec<String>,
    /// Of a thickness, what was found over the whole wall.
    pub thickness: Option<ThicknessResult>,
    /// The offsets along a trimmed edge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edge: Option<EdgeResult>,
}

/// How likely a characteristic conforms, what a decision about it risks, and what would decide (JCGM 106:2012).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ConformityResult {
    /// Probability that the true value lies within the limits, 0 to 1 (7).
    pub probability: f64,
    /// Probability that it does not conform although it is accepted (3.3.13); absent where it was rejected.
    pub specific_consumer_risk: Option<f64>,
    /// Probability that it conforms although it is rejected (3.3.14); absent where it was accepted.
    pub specific_producer_risk: Option<f64>,
    /// Smallest value that would be accepted at this uncertainty, in the unit of the value (mm, of an angle degrees, of a
    /// reading its own); absent without a lower limit, and where no value would be accepted.
    pub acceptance_lower: Option<f64>,
    /// The largest such value.
    pub acceptance_upper: Option<f64>,
    /// Of an undecided one, how many times as many points would decide, where points would.
    pub points_times: Option<f64>,
    /// Of an undecided one, what would decide, in words.
    pub would_decide: Option<String>,
}

/// A wall's thickness over all places where both sides were seen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThicknessResult {
    /// Which thickness: `along_normal`, `inscribed_ball`.
    pub definition: String,
    /// Radius of the patch of points on either side that stands for a place, mm.
    pub patch_radius_mm: f64,
    /// Mean over all places with a value, mm: fair to area.
    pub mean_mm: f64,
    /// The thinnest place as it was measured, mm, with its noise.
    pub thinnest: Extreme,
    /// The thickest place likewise.
    pub thickest: Extreme,
    /// Standard deviation of one place by the noise of its points, mm: root mean square over all places.
    pub place_noise_mm: f64,
    /// Points of the feature's own side that were used.
    pub points: u64,
    /// Points of the other side.
    pub points_opposite: u64,
    /// Each zone of nominal thickness, those without one of their own last.
    pub zones: Vec<ThicknessZoneResult>,
    /// The map: x, y, z in the part's axes and thickness, mm, of places spread over the wall, one after the other;
    /// of more than a thousand, means over places that lie together.
    pub map_mm: Vec<f64>,
}

/// One zone of nominal thickness.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThicknessZoneResult {
    /// Which: the id of the zone's feature, a place in words, `elsewhere` or `whole`.
    pub name: String,
    /// Nominal thickness, mm; absent where it is the nominal's own at each place.
    pub nominal_mm: Option<f64>,
    /// Lower limit deviation, mm.
    pub lower_deviation_mm: Option<f64>,
    /// Upper limit deviation, mm.
    pub upper_deviation_mm: Option<f64>,
    /// Places with a value.
    pub places: u64,
    /// Area that they stand for, mm2.
    pub area_mm2: f64,
    /// Share of the zone that was seen on both sides, 0 to 1.
    pub fraction: f64,
    /// Mean thickness, mm.
    pub mean_mm: Option<f64>,
    /// The place that is thinnest against its nominal thickness: thickness there, mm, corrected for the bias of noise.
    pub minimum: Option<Extreme>,
    /// The place that is thickest against it.
    pub maximum: Option<Extreme>,
    /// The answer about the zone.
    pub verdict: Verdict,
    /// Why, in words.
    pub reason: String,
}

/// A trimmed edge along its line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EdgeResult {
    /// Length of the nominal edge, mm.
    pub length_mm: f64,
    /// Distance of the stations told, mm. Where there are more than a thousand, each told is the one furthest out of place
    /// (of a gap or step: from the nominal one) of several.
    pub step_mm: f64,
    /// The stations, in the order of the line; corners of the line are left out.
    pub stations: Vec<EdgeStation>,
}

/// A station of a trimmed edge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EdgeStation {
    /// Its place along the line, mm, from where the line begins.
    pub along_mm: f64,
    /// Where the edge was found, in the part's axes, mm; where the nominal has it if it was not seen.
    pub at_mm: [f64; 3],
    /// Filtered offset out of the nominal edge, mm, positive outside the material; of a gap or step its size there. Absent
    /// where it was not seen.
    pub offset_mm: Option<f64>,
    /// Its standard uncertainty from noise and spacing of the points, mm.
    pub standard_uncertainty_mm: Option<f64>,
    /// What told it: `wall`, `mesh_border`, `surface`, of a step `skin`; empty where it was not seen.
    pub by: String,
}

/// An angle, degrees.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AngleResult {
    /// The measured angle; absent when it could not be measured.
    pub value_deg: Option<f64>,
    /// Smallest accepted value.
    pub lower_limit_deg: f64,
    /// Largest accepted value.
    pub upper_limit_deg: f64,
    /// Combined standard uncertainty.
    pub standard_uncertainty_deg: Option<f64>,
    /// Ends of the 95 % interval: low and high; empty where it is not known.
    #[serde(default)]
    pub interval_deg: Vec<f64>,
    /// Where the uncertainty comes from.
    #[serde(default)]
    pub budget: Vec<AngleContribution>,
    /// What a perfect part would read here because of noise alone.
    #[serde(default)]
    pub noise_floor_deg: Option<f64>,
}

/// One line of the uncertainty budget of an angle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AngleContribution {
    /// Where it comes from.
    pub source: String,
    /// Standard uncertainty of the angle from this source, degrees.
    pub standard_uncertainty_deg: f64,
}

/// One of several values of a characteristic.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InstanceResult {
    /// Which: the id of a feature, or a section in words.
    pub name: String,
    /// Its value, mm.
    pub value_mm: f64,
    /// Its place in the part's axes, mm; empty where it has none.
    pub at_mm: Vec<f64>,
}

/// A reading as it was used.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadingResult {
    /// The value in its unit.
    pub value: Option<f64>,
    /// Whether the gauge passed.
    pub passed: Option<bool>,
    /// Unit of value, limits and uncertainty; empty for a gauge.
    pub unit: String,
    /// Smallest accepted value.
    pub lower_limit: Option<f64>,
    /// Largest accepted value.
    pub upper_limit: Option<f64>,
    /// Expanded uncertainty (k = 2).
    pub expanded_uncertainty: Option<f64>,
    /// The instrument.
    pub instrument: String,
    /// Who read.
    pub operator: String,
}

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

/// Deviation and coverage at each vertex of the nominal, for pictures and maps.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct DeviationMap {
    /// Signed distance of the measured surface at each nominal vertex, mm; `None` where nothing was seen.
    pub deviation_mm: Vec<Option<f32>>,
    /// Seen fraction of each vertex's surroundings, 0 to 1.
    pub coverage: Vec<f32>,
}

impl DeviationMap {
    /// As a blob: `SCDV`, version 1 (32 bits) and the number of vertices (64 bits), then per vertex deviation
    /// (NaN where nothing was seen) and coverage in single precision; all little endian.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(16 + 8 * self.deviation_mm.len());
        bytes.extend(DEVIATION_MAGIC);
        bytes.extend(1u32.to_le_bytes());
        bytes.extend((self.deviation_mm.len() as u64).to_le_bytes());
        for (i, d) in self.deviation_mm.iter().enumerate() {
            bytes.extend(d.unwrap_or(f32::NAN).to_le_bytes());
            bytes.extend(self.coverage.get(i).copied().unwrap_or(0.0).to_le_bytes());
        }
        bytes
    }

    /// Reads what [`DeviationMap::to_bytes`] wrote; `None` for anything else.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (head, rest) = bytes.split_at_checked(16)?;
        let version = u32::from_le_bytes(head[4..8].try_into().ok()?);
        let count = u64::from_le_bytes(head[8..16].try_into().ok()?);
        if head[..4] != DEVIATION_MAGIC || version != 1 || rest.len() as u64 != count.checked_mul(8)? {
            return None;
        }
        let number = |b: &[u8]| b.try_into().map_or(f32::NAN, f32::from_le_bytes);
        let pairs = rest.chunks_exact(8).map(|pair| (number(&pair[..4]), number(&pair[4..])));
        let (deviation_mm, coverage) =
            pairs.map(|(d, c)| (d.is_finite().then_some(d), if c.is_finite() { c } else { 0.0 })).unzip();
        Some(Self { deviation_mm, coverage })
    }
}

const DEVIATION_MAGIC: [u8; 4] = *b"SCDV";
