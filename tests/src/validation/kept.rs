//! Scans as they are kept: a JSON line each, so that runs can be split, joined and taken up again.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::path::Path;

use scantling_core::record::{Evaluation, Verdict};
use serde::{Deserialize, Serialize};

use super::part::{Kind, True};
use super::scanner::{Scanner, Taken};

/// One characteristic of one scan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Its kind.
    pub kind: Kind,
    /// True value of what was told, mm.
    pub truth_mm: f64,
    /// What was told, mm; absent where it was not measured.
    pub value_mm: Option<f64>,
    /// Ends of the 95 % interval, mm.
    pub interval_mm: Option<[f64; 2]>,
    /// Combined standard uncertainty, mm.
    pub standard_mm: Option<f64>,
    /// Lines of the budget: source and standard uncertainty, mm.
    #[serde(default)]
    pub budget: Vec<(String, f64)>,
    /// The verdict.
    pub verdict: Verdict,
    /// Whether the true values lie within the limits.
    pub conforms: bool,
    /// Why it was not measured; empty otherwise.
    #[serde(default)]
    pub reason: String,
}

impl Outcome {
    pub(super) fn of(kind: Kind, e: &Evaluation, truth: &True) -> Self {
        let within =
            |v: f64| e.limits.lower_mm.is_none_or(|l| v >= l) && e.limits.upper_mm.is_none_or(|l| v <= l);
        let conforms = truth.ends.unwrap_or([truth.value; 2]).into_iter().all(within);
        let reason = if e.value_mm.is_none() { e.reason.clone() } else { String::new() };
        Self {
            kind,
            truth_mm: truth.told(e),
            value_mm: e.value_mm,
            interval_mm: e.interval.map(|i| [i.low_mm, i.high_mm]),
            standard_mm: e.standard_uncertainty_mm,
            budget: e.budget.iter().map(|c| (c.source.clone(), c.standard_uncertainty_mm)).collect(),
            verdict: e.verdict,
            conforms,
            reason,
        }
    }
}

/// One scan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Name of the part.
    pub part: String,
    /// Which scanner.
    pub scanner: Scanner,
    /// What all of it was drawn by.
    pub seed: u64,
    /// Share of the limits at which it was made.
    pub share: f64,
    /// Which of the parts made so.
    pub variant: u64,
    /// How it was scanned.
    pub taken: Taken,
    /// What was found.
    pub outcomes: Vec<Outcome>,
}

/// All scans of a file; a last line that was not written whole is dropped from it.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    /// By part, scanner, seed; each once.
    pub lines: Vec<Line>,
}

/// Reads what is kept; nothing where there is no file.
///
/// # Errors
/// A file that cannot be read, or a line, other than the last, that is no scan.
pub fn read(path: &Path) -> Result<Kept, String> {
    let told = |e: &dyn std::fmt::Display| format!("{}: {e}", path.display());
    let mut text = String::new();
    match File::open(path) {
        Ok(mut file) => file.read_to_string(&mut text).map_err(|e| told(&e))?,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Kept::default()),
        Err(e) => return Err(told(&e)),
    };
    let whole = text.rfind('\n').map_or(0, |at| at + 1);
    if whole < text.len() {
        let file = OpenOptions::new().write(true).open(path).map_err(|e| told(&e))?;
        file.set_len(whole as u64).map_err(|e| told(&e))?;
    }
    let mut lines = Vec::new();
    for (number, line) in text[..whole].lines().enumerate() {
        let one: Line = serde_json::from_str(line).map_err(|e| told(&format!("line {}: {e}", number + 1)))?;
        lines.push(one);
    }
    let key = |l: &Line| (l.part.clone(), l.scanner, l.seed);
    lines.sort_by_key(key);
    lines.dedup_by_key(|l| key(l));
    Ok(Kept { lines })
}

/// Adds one scan to a file.
///
/// # Errors
/// A file that cannot be written.
pub fn append(file: &mut File, line: &Line) -> Result<(), String> {
    let mut text = serde_json::to_string(line).map_err(|e| e.to_string())?;
    text.push('\n');
    file.write_all(text.as_bytes()).map_err(|e| e.to_string())
}
