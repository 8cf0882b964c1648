//! What the values rest on, in words: sources, alignments, datum systems, uncertainty budgets.

use super::numbers::{self, DASH};
use super::rows::of_words;
use scantling_core::record::{
    AlignmentRecord, ConditionsRecord, DatumSystemRecord, Evaluation, SourceRecord, Verdict,
};

/// The lines of one uncertainty budget.
pub(super) struct Budget {
    pub(super) number: String,
    pub(super) feature: String,
    /// Source and standard uncertainty.
    pub(super) lines: Vec<(String, String)>,
    pub(super) combined: String,
    pub(super) missing: bool,
    /// What it shares with others, so that they err together.
    pub(super) together: String,
}

impl Budget {
    pub(super) fn new(e: &Evaluation) -> Self {
        let missing = if e.verdict == Verdict::NotMeasured { "not measured" } else { "not given" };
        let (unit, combined, lines): (_, _, Vec<(&String, f64)>) = match &e.angle {
            Some(a) => {
                let lines = a.budget.iter().map(|c| (&c.source, c.standard_uncertainty_deg));
                ("\u{b0}", a.standard_uncertainty_deg, lines.collect())
            }
            None => {
                let lines = e.budget.iter().map(|c| (&c.source, c.standard_uncertainty_mm));
                ("", e.standard_uncertainty_mm, lines.collect())
            }
        };
        let write = |u: f64| format!("{}{unit}", numbers::significant(u, 2));
        Self {
            number: e.number.clone(),
            feature: of_words(e),
            missing: lines.is_empty(),
            lines: lines.into_iter().map(|(source, u)| (source.replace('_', " "), write(u))).collect(),
            combined: combined.map_or_else(|| format!("{DASH} {missing}"), write),
            together: if e.correlated_groups.is_empty() {
                DASH.into()
            } else {
                e.correlated_groups.join("; ")
            },
        }
    }
}

/// How likely a characteristic conforms and what a decision about it risks, in words.
pub(super) struct Conformity {
    pub(super) number: String,
    pub(super) feature: String,
    pub(super) probability: String,
    pub(super) consumer: String,
    pub(super) producer: String,
    /// Values that would be accepted at this uncertainty.
    pub(super) accepted: String,
}

impl Conformity {
    /// `None` where it has no value or no uncertainty.
    pub(super) fn new(e: &Evaluation) -> Option<Self> {
        let c = e.conformity.as_ref()?;
        let unit = match (&e.angle, &e.reading) {
            (Some(_), _) => "\u{b0}".to_owned(),
            (None, Some(r)) if e.value_mm.is_none() => format!(" {}", r.unit),
            _ => String::new(),
        };
        let digits = |v: f64| format!("{}{unit}", numbers::fixed(v, 4));
        let accepted = match (c.acceptance_lower, c.acceptance_upper) {
            (Some(low), Some(high)) => format!("{} to {}", digits(low), digits(high)),
            (Some(low), None) => format!("at least {}", digits(low)),
            (None, Some(high)) => format!("at most {}", digits(high)),
            (None, None) => format!("{DASH} none at this uncertainty"),
        };
        let risk = |r: Option<f64>| r.map_or_else(|| DASH.into(), numbers::probability);
        Some(Self {
            number: e.number.clone(),
            feature: of_words(e),
            probability: numbers::probability(c.probability),
            consumer: risk(c.specific_consumer_risk),
            producer: risk(c.specific_producer_risk),
            accepted,
        })
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
    /// How it was established.
    pub(super) how: String,
    /// Letter, feature, freedoms locked, residual.
    pub(super) datums: Vec<[String; 4]>,
    pub(super) motion: Vec<[String; 4]>,
    /// From which axes the motion leads.
    pub(super) axes: &'static str,
}

impl DatumSystem {
    pub(super) fn new(d: &DatumSystemRecord) -> Self {
        Self {
            id: d.id.clone(),
            how: match (d.taken_from.as_str(), d.rounds) {
                ("points", _) => "Established on the points taken of its features.".into(),
                ("scan", 1) => "Established on the scan, in one round.".into(),
                ("scan", n) => {
                    format!("Established on the scan; extracted and aligned in {n} rounds until it rested.")
                }
                (other, n) => format!("Established on: {other}; {n} rounds."),
            },
            axes: if d.taken_from == "points" {
                "the axes in which the points are told"
            } else {
                "scan axes"
            },
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

/// Conditions of a source as they went into its values.
fn conditions(c: &ConditionsRecord) -> String {
    let mut words = Vec::new();
    if let Some(factor) = c.length_factor {
        let relative = c.length_factor_relative_standard_uncertainty;
        let sure = relative.map_or("uncertainty not stated".into(), |u| {
            format!("standard uncertainty {} mm/m", numbers::significant(1e3 * u, 2))
        });
        words.push(format!("lengths times {factor:.7} to be those at 20 \u{b0}C ({sure})"));
    }
    for (name, value) in &c.instrument_errors {
        words.push(format!("{} {value}", name.replace('_', " ")));
    }
    if let (Some(verification), Some(until)) = (&c.verification, &c.verification_valid_until) {
        words.push(format!("verification {verification}, valid until {until}"));
    }
    if words.is_empty() { format!("{DASH} nothing stated") } else { words.join("; ") }
}

/// One source in words.
pub(super) struct Source {
    pub(super) place: usize,
    pub(super) content: String,
    pub(super) sha256: String,
    /// What was used of it.
    pub(super) used: String,
    pub(super) points: String,
    /// Root mean square distance of its own best fit, and how that ended.
    pub(super) fit: String,
    /// What was done to its lengths, and by what it was vouched for.
    pub(super) conditions: String,
}

impl Source {
    pub(super) fn new(index: usize, s: &SourceRecord) -> Self {
        let fit = match &s.alignment {
            Some(a) => format!("{} mm, {}", numbers::significant(a.rms_mm, 3), a.stop.replace('_', " ")),
            None if s.content == "scan" => format!("{DASH} not aligned"),
            None => format!("{DASH} told in the axes named"),
        };
        Self {
            place: index + 1,
            content: s.content.clone(),
            sha256: s.sha256.clone(),
            used: if s.used.is_empty() { format!("{DASH} not stated") } else { s.used.clone() },
            points: numbers::count(s.points),
            fit,
            conditions: conditions(&s.conditions),
        }
    }
}
