//! The record in words: every cell of the page's tables as text, missing values as a dash with a reason.

use super::numbers::{self, DASH};
use scantling_core::record::{
    AlignmentRecord, DatumSystemRecord, Evaluation, Extreme, Limits, Record, Verdict,
};
use std::collections::BTreeMap;

/// A verdict in words.
pub(super) fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Conforms => "Conforms",
        Verdict::DoesNotConform => "Does not conform",
        Verdict::Undecided => "Undecided",
        Verdict::NotMeasured => "Not measured",
    }
}

/// Name of a verdict for the style sheet.
fn verdict_class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Conforms => "conforms",
        Verdict::DoesNotConform => "fails",
        Verdict::Undecided => "undecided",
        Verdict::NotMeasured => "unmeasured",
    }
}

/// The scope in words.
pub(super) fn scope_words(groups: &[String]) -> String {
    match groups {
        [] => "the whole inspection plan".into(),
        [one] => format!("group {one} only; not a release of the part"),
        many => format!("groups {} only; not a release of the part", many.join(", ")),
    }
}

/// How many characteristics had which verdict.
pub(super) fn tally(record: &Record) -> String {
    let order = [Verdict::DoesNotConform, Verdict::NotMeasured, Verdict::Undecided, Verdict::Conforms];
    let parts: Vec<String> = order
        .into_iter()
        .map(|v| (record.evaluations.iter().filter(|e| e.verdict == v).count(), v))
        .filter(|(n, _)| *n > 0)
        .map(|(n, v)| match (v, n) {
            (Verdict::Conforms, 1) => "1 conforms".to_string(),
            (Verdict::Conforms, n) => format!("{n} conform"),
            (Verdict::DoesNotConform, 1) => "1 does not conform".to_string(),
            (Verdict::DoesNotConform, n) => format!("{n} do not conform"),
            (Verdict::Undecided, n) => format!("{n} undecided"),
            (Verdict::NotMeasured, n) => format!("{n} not measured"),
        })
        .collect();
    let total = match record.evaluations.len() {
        0 => return "No characteristic was evaluated.".into(),
        1 => "1 characteristic".to_string(),
        n => format!("{n} characteristics"),
    };
    format!("{total}: {}.", parts.join(", "))
}

/// A requirement's name in words.
pub(super) fn requirement_words(requirement: &str) -> String {
    match requirement {
        "surface_profile" => "profile of a surface".into(),
        other => other.replace('_', " "),
    }
}

/// The limits there are, mm.
pub(super) fn known_limits(limits: &Limits) -> Vec<f64> {
    [limits.lower_mm, limits.upper_mm].into_iter().flatten().collect()
}

/// Whether values are deviations to both sides, so that their sign is always shown.
pub(super) fn signed(evaluation: &Evaluation) -> bool {
    evaluation.requirement == "surface_profile"
}

fn limits_words(evaluation: &Evaluation) -> String {
    let write = if signed(evaluation) { numbers::signed_limit } else { numbers::limit };
    match (evaluation.limits.lower_mm, evaluation.limits.upper_mm) {
        (Some(low), Some(high)) => format!("{} to {}", write(low), write(high)),
        (Some(low), None) => format!("at least {}", write(low)),
        (None, Some(high)) => format!("at most {}", write(high)),
        (None, None) => format!("{DASH} none stated"),
    }
}

/// One characteristic of the verdict table.
pub(super) struct Row {
    pub(super) number: String,
    pub(super) title: Option<String>,
    pub(super) feature: String,
    pub(super) requirement: String,
    /// Customer's class, or that it is for information only.
    pub(super) notes: Vec<String>,
    pub(super) limits: String,
    pub(super) datum_system: String,
    /// Lines of the measured value.
    pub(super) measured: Vec<String>,
    pub(super) interval: String,
    pub(super) noise_floor: String,
    pub(super) coverage: String,
    pub(super) largest_unseen: Option<String>,
    pub(super) verdict: &'static str,
    pub(super) class: &'static str,
    pub(super) not_measured: bool,
    pub(super) reason: String,
    /// Association, filter and the like.
    pub(super) operators: String,
}

impl Row {
    pub(super) fn new(e: &Evaluation, titles: &BTreeMap<String, String>) -> Self {
        let not_measured = e.verdict == Verdict::NotMeasured;
        let why = if not_measured { "not measured" } else { "not given" };
        let missing = || format!("{DASH} {why}");
        let limits = known_limits(&e.limits);
        let write = |v: f64| {
            if signed(e) {
                numbers::signed_beside_limits(v, &limits)
            } else {
                numbers::beside_limits(v, &limits)
            }
        };
        let mut notes = Vec::new();
        if let Some(class) = &e.class {
            notes.push(format!("class {class}"));
        }
        if !e.required {
            notes.push("for information, not part of the verdict".into());
        }
        let interval = match e.interval {
            Some(i) if i.low_mm.is_finite() && i.high_mm.is_finite() => {
                numbers::interval(i.low_mm, i.high_mm, &known_limits(&e.limits))
            }
            _ => missing(),
        };
        Self {
            number: e.number.clone(),
            title: titles.get(&e.number).cloned(),
            feature: e.feature.clone(),
            requirement: requirement_words(&e.requirement),
            notes,
            limits: limits_words(e),
            datum_system: e.datum_system.clone().unwrap_or_else(|| format!("{DASH} none")),
            measured: measured(e, &write, &missing),
            interval,
            noise_floor: e.noise_floor_mm.map_or_else(missing, |f| numbers::significant(f, 2)),
            coverage: e.coverage.map_or_else(missing, |c| numbers::percent(c.fraction)),
            largest_unseen: e.coverage.map(|c| numbers::fixed(c.largest_unseen_disc_mm, 1)),
            verdict: verdict_words(e.verdict),
            class: verdict_class(e.verdict),
            not_measured,
            reason: if e.reason.is_empty() { format!("{DASH} no reason recorded") } else { e.reason.clone() },
            operators: e
                .operators
                .iter()
                .map(|(name, value)| format!("{}: {value}", name.replace('_', " ")))
                .collect::<Vec<_>>()
                .join("; "),
        }
    }
}

/// Profiles by their extremes, everything else by its value, position with its components.
fn measured(e: &Evaluation, write: &dyn Fn(f64) -> String, missing: &dyn Fn() -> String) -> Vec<String> {
    let mut lines = Vec::new();
    if signed(e) {
        let extreme = |x: &Option<Extreme>| x.map_or_else(missing, |x| write(x.value_mm));
        if e.minimum.is_some() || e.maximum.is_some() {
            lines.push(format!("min {}", extreme(&e.minimum)));
            lines.push(format!("max {}", extreme(&e.maximum)));
        }
    }
    if lines.is_empty() {
        lines.push(e.value_mm.map_or_else(missing, write));
    }
    if let Some(c) = e.components.filter(|_| e.requirement == "position") {
        let limits = known_limits(&e.limits);
        let write = |v: f64| numbers::signed_beside_limits(v, &limits);
        lines.push(format!("dx {}", write(c.dx_mm)));
        lines.push(format!("dy {}", write(c.dy_mm)));
        lines.push(format!("dz {}", write(c.dz_mm)));
    }
    lines
}

/// The lines of one uncertainty budget.
pub(super) struct Budget {
    pub(super) number: String,
    pub(super) feature: String,
    /// Source and standard uncertainty.
    pub(super) lines: Vec<(String, String)>,
    pub(super) combined: String,
    pub(super) missing: bool,
}

impl Budget {
    pub(super) fn new(e: &Evaluation) -> Self {
        let line = |(source, u): (&String, f64)| (source.replace('_', " "), numbers::significant(u, 2));
        let missing = if e.verdict == Verdict::NotMeasured { "not measured" } else { "not given" };
        Self {
            number: e.number.clone(),
            feature: format!("{} {}", e.feature, requirement_words(&e.requirement)),
            lines: e.budget.iter().map(|c| line((&c.source, c.standard_uncertainty_mm))).collect(),
            combined: e
                .standard_uncertainty_mm
                .map_or_else(|| format!("{DASH} {missing}"), |u| numbers::significant(u, 2)),
            missing: e.budget.is_empty(),
        }
    }
}

/// A motion, row by row: rotation and shift.
fn motion(rotation: &[[f64; 3]; 3], shift: &[f64; 3]) -> Vec<[String; 4]> {
    (0..3)
        .map(|r| {
            let turn = |c: usize| numbers::fixed(rotation[r][c], 8);
            [turn(0), turn(1), turn(2), numbers::fixed(shift[r], 4)]
        })
        .collect()
}

/// The alignment in words.
pub(super) struct Alignment {
    pub(super) facts: Vec<(&'static str, String)>,
    pub(super) motion: Vec<[String; 4]>,
}

impl Alignment {
    pub(super) fn new(a: &AlignmentRecord) -> Self {
        Self {
            facts: vec![
                ("Ended", a.stop.replace('_', " ")),
                ("Points used", numbers::count(a.points)),
                ("Root mean square distance", format!("{} mm", numbers::significant(a.rms_mm, 3))),
                ("Estimated point noise", format!("{} mm", numbers::significant(a.noise_mm, 2))),
                (
                    "Points that tell this pose from the next best",
                    format!(
                        "{} for, {} against",
                        numbers::count(a.evidence_for),
                        numbers::count(a.evidence_against)
                    ),
                ),
                ("Points on no surface of the nominal", numbers::count(a.points_unexplained)),
            ],
            motion: motion(&a.rotation, &a.translation_mm),
        }
    }
}

/// A datum system in words.
pub(super) struct DatumSystem {
    pub(super) id: String,
    pub(super) rounds: u32,
    /// Letter, feature, freedoms locked, residual.
    pub(super) datums: Vec<[String; 4]>,
    pub(super) motion: Vec<[String; 4]>,
}

impl DatumSystem {
    pub(super) fn new(d: &DatumSystemRecord) -> Self {
        Self {
            id: d.id.clone(),
            rounds: d.rounds,
            datums: d
                .datums
                .iter()
                .map(|d| {
                    let locks = if d.locks.is_empty() { format!("{DASH} none") } else { d.locks.join(", ") };
                    [
                        d.letter.clone(),
                        d.feature.clone(),
                        locks,
                        d.residual_mm.map_or_else(|| DASH.into(), |r| numbers::significant(r, 2)),
                    ]
                })
                .collect(),
            motion: motion(&d.rotation, &d.translation_mm),
        }
    }
}
