//! What is found of one characteristic, with its evidence.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

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
