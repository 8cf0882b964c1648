//! What the values rest on, in words: sources, alignments, datum systems, uncertainty budgets.

use super::numbers::{self, DASH};
use super::rows::of_words;
use scantling_core::record::{AlignmentRecord, DatumSystemRecord, Evaluation, SourceRecord, Verdict};

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
            feature: of_words(e),
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
        }
    }
}
