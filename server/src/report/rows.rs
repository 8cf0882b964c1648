//! The record in words: every cell of the page's tables as text, missing values as a dash with a reason.

use super::numbers::{self, DASH};
use super::picture::Mark;
use scantling_core::geometry::Point;
use scantling_core::record::{
    AlignmentRecord, DatumSystemRecord, Evaluation, Extreme, Limits, Record, Verdict,
};
use std::collections::BTreeMap;

/// More marks than this would cover the part.
const MOST_MARKS: usize = 10;

/// A verdict in words.
pub fn verdict_words(verdict: Verdict) -> &'static str {
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
pub fn scope_words(groups: &[String]) -> String {
    match groups {
        [] => "the whole inspection plan".into(),
        [one] => format!("group {one} only; not a release of the part"),
        many => format!("groups {} only; not a release of the part", many.join(", ")),
    }
}

/// How many characteristics had which verdict.
pub fn tally(record: &Record) -> String {
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

fn requirement_words(requirement: &str) -> String {
    match requirement {
        "surface_profile" => "profile of a surface".into(),
        other => other.replace('_', " "),
    }
}

fn known_limits(limits: &Limits) -> Vec<f64> {
    [limits.lower_mm, limits.upper_mm].into_iter().flatten().collect()
}

/// Whether values are deviations to both sides, so that their sign is always shown.
fn signed(evaluation: &Evaluation) -> bool {
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
pub struct Row {
    pub number: String,
    pub title: Option<String>,
    pub feature: String,
    pub requirement: String,
    /// Customer's class, or that it is for information only.
    pub notes: Vec<String>,
    pub limits: String,
    pub datum_system: String,
    /// Lines of the measured value.
    pub measured: Vec<String>,
    pub interval: String,
    pub noise_floor: String,
    pub coverage: String,
    pub largest_unseen: Option<String>,
    pub verdict: &'static str,
    pub class: &'static str,
    pub not_measured: bool,
    pub reason: String,
    /// Association, filter and the like.
    pub operators: String,
}

impl Row {
    pub fn new(e: &Evaluation, titles: &BTreeMap<String, String>) -> Self {
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
                format!("{} to {}", write(i.low_mm), write(i.high_mm))
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
            datum_system: e.datum_system.clone().unwrap_or_else(|| format!("{DASH} none needed")),
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

/// A worst place: marked on the picture and listed beside it.
pub struct Worst {
    pub mark: Mark,
    pub feature: String,
    pub value: String,
    pub place: String,
    pub verdict: &'static str,
}

/// The worst place of each characteristic, most of its limits used first (common practice; compared as
/// value over limit, for a range as the share of its half), at most ten.
pub fn worst(record: &Record, places: &BTreeMap<String, Point>) -> Vec<Worst> {
    let mut found: Vec<(f64, Worst)> = Vec::new();
    for e in &record.evaluations {
        let limits = known_limits(&e.limits);
        let extremes: Vec<Extreme> = [e.minimum, e.maximum].into_iter().flatten().collect();
        let extreme = extremes
            .into_iter()
            .filter(|x| x.value_mm.is_finite())
            .max_by(|a, b| used(a.value_mm, &e.limits).total_cmp(&used(b.value_mm, &e.limits)));
        let (value, at) = match (extreme.filter(|_| signed(e)), e.value_mm, places.get(&e.feature)) {
            (Some(x), _, _) => (x.value_mm, Point::from(x.at_mm)),
            (None, Some(value), Some(at)) if value.is_finite() => (value, *at),
            // Flatness has extremes but its value is their distance: the place of the larger one.
            (None, Some(value), None) if value.is_finite() => match extreme {
                Some(x) => (value, Point::from(x.at_mm)),
                None => continue,
            },
            _ => continue,
        };
        let text = if signed(e) {
            numbers::signed_beside_limits(value, &limits)
        } else {
            numbers::beside_limits(value, &limits)
        };
        found.push((
            used(value, &e.limits),
            Worst {
                mark: Mark { number: e.number.clone(), at },
                feature: format!("{} {}", e.feature, requirement_words(&e.requirement)),
                value: text,
                place: at.iter().map(|c| numbers::fixed(*c, 1)).collect::<Vec<_>>().join(", "),
                verdict: verdict_words(e.verdict),
            },
        ));
    }
    // Stable: equal shares stay in the plan's order.
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.into_iter().take(MOST_MARKS).map(|(_, w)| w).collect()
}

/// The used share of the limits: 0 at their middle, 1 on a limit, more beyond.
fn used(value: f64, limits: &Limits) -> f64 {
    match (limits.lower_mm, limits.upper_mm) {
        (Some(low), Some(high)) if high > low => (value - 0.5 * (low + high)).abs() / (0.5 * (high - low)),
        (None, Some(high)) if high > 0.0 => value / high,
        (Some(low), None) if value > 0.0 => low / value,
        _ => 0.0,
    }
}

/// The lines of one uncertainty budget.
pub struct Budget {
    pub number: String,
    pub feature: String,
    /// Source and standard uncertainty.
    pub lines: Vec<(String, String)>,
    pub combined: String,
    pub missing: bool,
}

impl Budget {
    pub fn new(e: &Evaluation) -> Self {
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
pub struct Alignment {
    pub facts: Vec<(&'static str, String)>,
    pub motion: Vec<[String; 4]>,
}

impl Alignment {
    pub fn new(a: &AlignmentRecord) -> Self {
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
pub struct DatumSystem {
    pub id: String,
    pub rounds: u32,
    /// Letter, feature, freedoms locked, residual.
    pub datums: Vec<[String; 4]>,
    pub motion: Vec<[String; 4]>,
}

impl DatumSystem {
    pub fn new(d: &DatumSystemRecord) -> Self {
        Self {
            id: d.id.clone(),
            rounds: d.rounds,
            datums: d
                .datums
                .iter()
                .map(|d| {
                    let locks = if d.locks.is_empty() { format!("{DASH} none") } else { d.locks.join(", ") };
                    [d.letter.clone(), d.feature.clone(), locks, numbers::significant(d.residual_mm, 2)]
                })
                .collect(),
            motion: motion(&d.rotation, &d.translation_mm),
        }
    }
}
