//! The record in words: every cell of the page's tables as text, missing values as a dash with a reason.

use super::Asked;
use super::numbers::{self, DASH};
use scantling_core::record::{Coverage, Evaluation, Extreme, Limits, ReadingResult, Record, Verdict};
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
        "line_profile" => "profile of a line".into(),
        "circular_runout" => "circular run-out".into(),
        "total_runout" => "total run-out".into(),
        "thickness" => "thickness of the wall".into(),
        "protrusion" => "protrusion over the skin".into(),
        "depth" => "depth of the countersink".into(),
        "gauge" => "gauge, pass or fail".into(),
        other => other.replace('_', " "),
    }
}

/// A characteristic in words: its feature and what is required of it.
pub(super) fn of_words(e: &Evaluation) -> String {
    let quantity = e.operators.get("quantity").filter(|_| e.requirement == "reading");
    let requirement = quantity.cloned().unwrap_or_else(|| requirement_words(&e.requirement));
    if e.feature.is_empty() { requirement } else { format!("{} {requirement}", e.feature) }
}

/// The limits there are, mm.
pub(super) fn known_limits(limits: &Limits) -> Vec<f64> {
    [limits.lower_mm, limits.upper_mm].into_iter().flatten().collect()
}

/// Whether values go to both sides, so that their sign is always shown.
pub(super) fn signed(evaluation: &Evaluation) -> bool {
    matches!(evaluation.requirement.as_str(), "surface_profile" | "line_profile" | "step" | "protrusion")
}

/// Whether it is told by its extremes.
pub(super) fn by_extremes(evaluation: &Evaluation) -> bool {
    matches!(evaluation.requirement.as_str(), "surface_profile" | "line_profile" | "step" | "gap")
}

/// Limits in the order lower, upper.
fn between(lower: Option<f64>, upper: Option<f64>, write: impl Fn(f64) -> String) -> String {
    match (lower, upper) {
        (Some(low), Some(high)) => format!("{} to {}", write(low), write(high)),
        (Some(low), None) => format!("at least {}", write(low)),
        (None, Some(high)) => format!("at most {}", write(high)),
        (None, None) => format!("{DASH} none stated"),
    }
}

fn limits_words(e: &Evaluation, asked: Option<&Asked>) -> String {
    if let Some(angle) = &e.angle {
        let write = |l: f64| format!("{}°", numbers::limit(l));
        return between(Some(angle.lower_limit_deg), Some(angle.upper_limit_deg), write);
    }
    match (e.requirement.as_str(), asked) {
        ("gauge", _) => "the gauge passes".into(),
        ("reading", Some(asked)) => {
            let unit = &asked.unit;
            between(asked.lower_limit, asked.upper_limit, |l| format!("{} {unit}", numbers::limit(l)))
        }
        _ => {
            let write = if signed(e) { numbers::signed_limit } else { numbers::limit };
            between(e.limits.lower_mm, e.limits.upper_mm, write)
        }
    }
}

/// What a reading said, in its own unit; its interval where its uncertainty is known.
fn read(reading: &ReadingResult, asked: Option<&Asked>) -> (Vec<String>, Option<String>) {
    let limits: Vec<f64> = [reading.lower_limit, reading.upper_limit]
        .into_iter()
        .chain(asked.into_iter().flat_map(|a| [a.lower_limit, a.upper_limit]))
        .flatten()
        .collect();
    let unit = &reading.unit;
    match (reading.value, reading.passed) {
        (Some(value), _) => {
            let mut lines = vec![format!("{} {unit}", numbers::beside_limits(value, &limits))];
            let interval = reading.expanded_uncertainty.map(|u| {
                lines.push(format!("U {} (k = 2)", numbers::significant(u, 2)));
                numbers::interval_beside_limits(value - u, value + u, &limits).join(" to ")
            });
            (lines, interval)
        }
        (None, Some(true)) => (vec!["passed".into()], None),
        (None, Some(false)) => (vec!["failed".into()], None),
        (None, None) => (vec![format!("{DASH} neither passed nor failed")], None),
    }
}

/// A reason of [`scantling_core::record::MissingShare`] in words.
fn why_words(why: &str) -> &str {
    match why {
        "unseen" => "not seen",
        "faces_away" => "points face away",
        "stands_off" => "points stand off",
        "too_few" => "too few points",
        "other_side" => "other side not seen",
        "apart" => "scans not joined",
        "no_other_side" => "no other side drawn",
        other => other,
    }
}

/// Density and reasons of what was not seen.
fn unseen_words(coverage: &Coverage) -> Vec<String> {
    let density = coverage.points_per_cm2.map(|d| format!("{} points/cm2", numbers::significant(d, 2)));
    // Less than a thousandth is not worth a line.
    let told = coverage.missing.iter().filter(|m| m.fraction >= 1e-3);
    let missing = told.map(|m| format!("{} {}", numbers::percent(m.fraction), why_words(&m.why)));
    let strip = coverage.strip_fraction.filter(|s| *s >= 1e-3);
    let strip = strip.map(|s| format!("{} in the edge strip, not counted", numbers::percent(s)));
    density.into_iter().chain(missing).chain(strip).collect()
}

/// By what it was measured where that is not the scan: readings with instrument and who read.
fn by_words(e: &Evaluation) -> Option<String> {
    match (e.measured_by.as_str(), &e.reading) {
        ("" | "scan", None) => None,
        ("points", _) => Some("measured by points taken of the feature".into()),
        (by, reading) => {
            let mut words = format!("by {by}");
            if let Some(r) = reading {
                for (name, value) in [("with", &r.instrument), ("read by", &r.operator)] {
                    if !value.trim().is_empty() {
                        words.push_str(&format!(", {name} {value}"));
                    }
                }
                // Told in mm beside limits in mm; as it was read, too.
                if let (true, Some(value)) = (e.requirement != "reading" && r.unit != "mm", r.value) {
                    words.push_str(&format!(", read as {value} {}", r.unit));
                }
            }
            Some(words)
        }
    }
}

/// One characteristic of the verdict table.
pub(super) struct Row {
    pub(super) number: String,
    pub(super) title: Option<String>,
    pub(super) feature: Option<String>,
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
    /// How densely it was seen, and why not all of it, line by line.
    pub(super) unseen: Vec<String>,
    pub(super) verdict: &'static str,
    pub(super) class: &'static str,
    pub(super) not_measured: bool,
    pub(super) reason: Option<String>,
    /// Association, filter and the like.
    pub(super) operators: String,
}

impl Row {
    pub(super) fn new(e: &Evaluation, titles: &BTreeMap<String, String>, asked: Option<&Asked>) -> Self {
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
        notes.extend(by_words(e));
        // What a hand instrument read has neither a noise floor nor a share that was seen.
        let missing = || if e.reading.is_some() { DASH.into() } else { missing() };
        let interval = |low: f64, high: f64| {
            if signed(e) {
                numbers::signed_interval_beside_limits(low, high, &limits).join(" to ")
            } else {
                numbers::interval_beside_limits(low, high, &limits).join(" to ")
            }
        };
        let mut interval = match e.interval {
            Some(i) if i.low_mm.is_finite() && i.high_mm.is_finite() => interval(i.low_mm, i.high_mm),
            _ => missing(),
        };
        let mut lines = measured(e, &write, &missing);
        // In its own unit, unless it was judged in mm.
        if let (None, Some(reading)) = (e.value_mm, &e.reading) {
            let (said, between) = read(reading, asked);
            lines = said;
            interval = between.unwrap_or_else(|| DASH.into());
        }
        if let Some(angle) = &e.angle {
            let limits = [angle.lower_limit_deg, angle.upper_limit_deg];
            let write = |v: f64| format!("{}°", numbers::beside_limits(v, &limits));
            lines = vec![angle.value_deg.map_or_else(missing, write)];
            interval = match angle.interval_deg[..] {
                [low, high] => numbers::interval_beside_limits(low, high, &limits).join(" to "),
                _ => missing(),
            };
        }
        let name = asked.map(|a| a.quantity.clone()).filter(|q| !q.is_empty());
        Self {
            number: e.number.clone(),
            title: titles.get(&e.number).cloned(),
            feature: (!e.feature.is_empty()).then(|| e.feature.clone()),
            requirement: name.unwrap_or_else(|| requirement_words(&e.requirement)),
            notes,
            limits: limits_words(e, asked),
            datum_system: e.datum_system.clone().unwrap_or_else(|| format!("{DASH} none")),
            measured: lines,
            interval,
            noise_floor: match (e.noise_floor_mm, e.angle.as_ref().and_then(|a| a.noise_floor_deg)) {
                (Some(floor), _) => numbers::significant(floor, 2),
                (None, Some(floor)) => format!("{}\u{b0}", numbers::significant(floor, 2)),
                (None, None) => missing(),
            },
            coverage: e.coverage.as_ref().map_or_else(missing, |c| numbers::percent(c.fraction)),
            largest_unseen: e.coverage.as_ref().map(|c| numbers::fixed(c.largest_unseen_disc_mm, 1)),
            unseen: e.coverage.as_ref().map(unseen_words).unwrap_or_default(),
            verdict: verdict_words(e.verdict),
            class: verdict_class(e.verdict),
            not_measured,
            reason: Some(if e.reason.is_empty() {
                format!("{DASH} no reason recorded")
            } else {
                e.reason.clone()
            }),
            operators: e
                .operators
                .iter()
                .map(|(name, value)| format!("{}: {value}", name.replace('_', " ")))
                .collect::<Vec<_>>()
                .join("; "),
        }
    }
}

/// The reason that two or more characteristics share that conform, and every one that does; their rows then carry none.
pub(super) fn shared_reason(record: &Record, rows: &mut [Row]) -> Option<String> {
    let conform = |e: &&Evaluation| e.verdict == Verdict::Conforms && !e.reason.is_empty();
    let mut reasons = record.evaluations.iter().filter(conform).map(|e| &e.reason);
    let first = reasons.next()?;
    if !(reasons.clone().count() > 0 && reasons.all(|r| r == first)) {
        return None;
    }
    for (row, e) in rows.iter_mut().zip(&record.evaluations) {
        if conform(&e) {
            row.reason = None;
        }
    }
    Some(first.clone())
}

/// Of several values so many are told in a row; all of them stand in the record.
const INSTANCES_TOLD: usize = 12;

/// Profiles, gaps and steps by their extremes, everything else by its value, position with its components.
fn measured(e: &Evaluation, write: &dyn Fn(f64) -> String, missing: &dyn Fn() -> String) -> Vec<String> {
    let mut lines = Vec::new();
    if by_extremes(e) {
        let extreme = |x: &Option<Extreme>| x.map_or_else(missing, |x| write(x.value_mm));
        if e.minimum.is_some() || e.maximum.is_some() {
            lines.push(format!("min {}", extreme(&e.minimum)));
            lines.push(format!("max {}", extreme(&e.maximum)));
        }
    }
    if let Some(wall) = &e.thickness {
        let extreme = |x: &Option<Extreme>| x.map_or_else(missing, |x| write(x.value_mm));
        lines.push(format!("min {}", extreme(&e.minimum)));
        lines.push(format!("max {}", extreme(&e.maximum)));
        lines.push(format!("mean {}", write(wall.mean_mm)));
        if wall.zones.len() > 1 {
            lines.extend(wall.zones.iter().take(INSTANCES_TOLD).map(|zone| {
                let ends = format!("{} to {}", extreme(&zone.minimum), extreme(&zone.maximum));
                format!("{}: {ends}, {}", zone.name, verdict_words(zone.verdict).to_lowercase())
            }));
        }
    }
    if lines.is_empty() {
        lines.push(e.value_mm.map_or_else(missing, write));
    }
    if e.instances.len() > 1 {
        let told = e.instances.iter().take(INSTANCES_TOLD);
        lines.extend(told.map(|i| format!("{} {}", i.name, write(i.value_mm))));
        let more = e.instances.len().saturating_sub(INSTANCES_TOLD);
        if more > 0 {
            lines.push(format!("and {more} more"));
        }
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
