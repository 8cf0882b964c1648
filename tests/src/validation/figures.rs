//! What many scans show of each kind: error, bias, observed deviation, what was said of them, and how often it held.

use std::collections::BTreeMap;

use scantling_core::record::Verdict;
use serde::{Deserialize, Serialize};

use super::binomial::{at_least, at_most};
use super::kept::{Line, Outcome};
use super::part::{Kind, SHARES};
use super::scanner::Scanner;

/// Figures of one kind on one part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Which scanner.
    pub scanner: Scanner,
    /// Which kind.
    pub kind: Kind,
    /// Which part; `all` for all of them.
    pub part: String,
    /// Scans with a value.
    pub scans: u64,
    /// Scans that told none.
    pub not_measured: u64,
    /// Mean error, mm: told less true.
    pub bias_mm: f64,
    /// Standard deviation of the error among scans of one made part, mm.
    pub deviation_mm: f64,
    /// Root mean square of the error, mm.
    pub rms_mm: f64,
    /// Median of the expanded uncertainty U = 2 u, mm.
    pub expanded_mm: f64,
    /// U over twice the observed deviation.
    pub ratio: f64,
    /// Median length of the 95 % intervals, mm.
    pub interval_mm: f64,
    /// Intervals that hold the truth.
    pub held: u64,
    /// The same at each share of the limit: how many held, of how many.
    pub held_by_share: Vec<[u64; 2]>,
    /// Scans that proved the opposite of what is true.
    pub proven_wrongly: u64,
}

/// What may be missed of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bar {
    /// Too many scans told no value.
    Measured,
    /// Too few intervals hold the truth, of all or at one share of the limit.
    TooFew,
    /// Too many do.
    TooMany,
    /// U is too large for what is observed.
    Ratio,
    /// Too often the opposite of what is true was proven.
    Proven,
}

/// What a row must reach.
#[derive(Clone, Copy, Debug)]
pub struct Bars;

impl Bars {
    /// Largest U over twice the observed deviation.
    pub const MOST_RATIO: f64 = 1.3;
    /// Least and largest share of intervals that hold the truth.
    pub const HELD: [f64; 2] = [0.92, 0.98];
    /// Largest share of scans without a value: a part of each scan is missing, and so may a feature be.
    pub const UNMEASURED: f64 = 0.2;
    /// Largest share of scans that prove the opposite of what is true: the risk of the decision rule.
    pub const WRONG: f64 = 0.05;
    /// A count is held against a share so that chance alone misses one bar of one row in this many runs.
    pub const ONE_IN: f64 = 1000.0;

    /// What of a row is missed beyond chance; empty where nothing is.
    pub fn missed(row: &Row) -> Vec<(Bar, String)> {
        let mut missed = Vec::new();
        let asked = row.scans + row.not_measured;
        if at_least(asked, row.not_measured, Self::UNMEASURED) < 1.0 / Self::ONE_IN {
            missed.push((Bar::Measured, format!("{} of {asked} scans told no value", row.not_measured)));
        }
        if row.scans == 0 {
            return missed;
        }
        if at_least(row.scans, row.proven_wrongly, Self::WRONG) < 1.0 / Self::ONE_IN {
            let words =
                format!("{} of {} scans proved the opposite of what is true", row.proven_wrongly, row.scans);
            missed.push((Bar::Proven, words));
        }
        for (share, [held, of]) in SHARES.into_iter().zip(&row.held_by_share) {
            if *of > 0 && at_most(*of, *held, Self::HELD[0]) < 1.0 / Self::ONE_IN {
                missed.push((
                    Bar::TooFew,
                    format!("{held} of {of} intervals hold the truth at {share} of the limit"),
                ));
            }
        }
        let (n, k) = (row.scans, row.held);
        let share = row.share_held();
        if at_most(n, k, Self::HELD[0]) < 1.0 / Self::ONE_IN {
            let words =
                format!("{share:.3} of {n} intervals hold the truth, at least {} should", Self::HELD[0]);
            missed.push((Bar::TooFew, words));
        }
        // Fewer than 342 scans cannot show it: all of them hold by chance often enough.
        if at_least(n, k, Self::HELD[1]) < 1.0 / Self::ONE_IN {
            let words =
                format!("{share:.3} of {n} intervals hold the truth, at most {} should", Self::HELD[1]);
            missed.push((Bar::TooMany, words));
        }
        // Of a standard deviation by n scans the relative standard error is 1 / sqrt(2 n) (normal errors).
        let slack = 1.0 + 3.0 / (2.0 * n.max(1) as f64).sqrt();
        if !(row.ratio <= Self::MOST_RATIO * slack) {
            let words = format!(
                "U is {:.2} times twice the observed deviation, at most {}",
                row.ratio,
                Self::MOST_RATIO
            );
            missed.push((Bar::Ratio, words));
        }
        missed
    }
}

impl Row {
    /// Share of the intervals that hold the truth.
    pub fn share_held(&self) -> f64 {
        self.held as f64 / self.scans.max(1) as f64
    }

    fn of(scanner: Scanner, kind: Kind, part: &str, all: &[(&Line, &Outcome)]) -> Option<Self> {
        let told: Vec<&(&Line, &Outcome)> = all.iter().filter(|(_, o)| whole(o).is_some()).collect();
        let error = |o: &Outcome| whole(o).map_or(0.0, |(value, ..)| value - o.truth_mm);
        let n = told.len() as f64;
        if all.is_empty() {
            return None;
        }
        let mean =
            |values: &mut dyn Iterator<Item = f64>| if n > 0.0 { values.sum::<f64>() / n } else { 0.0 };
        let bias_mm = mean(&mut told.iter().map(|(_, o)| error(o)));
        let rms_mm = mean(&mut told.iter().map(|(_, o)| error(o) * error(o))).sqrt();
        // Within one made part: what differs among them is bias, not scatter.
        let mut groups: BTreeMap<(&str, u64, u64), Vec<f64>> = BTreeMap::new();
        for (line, o) in &told {
            groups.entry((&line.part, line.share.to_bits(), line.variant)).or_default().push(error(o));
        }
        let (mut squares, mut freedoms) = (0.0, 0.0);
        for errors in groups.values() {
            let mean = errors.iter().sum::<f64>() / errors.len() as f64;
            squares += errors.iter().map(|e| (e - mean) * (e - mean)).sum::<f64>();
            freedoms += errors.len() as f64 - 1.0;
        }
        let deviation_mm = if freedoms > 0.0 { (squares / freedoms).sqrt() } else { 0.0 };
        let of = |which: &dyn Fn(f64, [f64; 2], f64) -> f64| {
            median(told.iter().filter_map(|(_, o)| whole(o).map(|(v, i, u)| which(v, i, u))).collect())
        };
        let expanded_mm = of(&|_, _, u| 2.0 * u);
        let held = |all: &mut dyn Iterator<Item = &Outcome>| all.filter(|o| holds(o)).count() as u64;
        let held_by_share = SHARES.map(|share| {
            let there: Vec<&Outcome> =
                told.iter().filter(|(l, _)| l.share == share).map(|(_, o)| *o).collect();
            [held(&mut there.iter().copied()), there.len() as u64]
        });
        let wrong = |o: &Outcome| match o.verdict {
            Verdict::Conforms => !o.conforms,
            Verdict::DoesNotConform => o.conforms,
            _ => false,
        };
        Some(Self {
            scanner,
            kind,
            part: part.into(),
            scans: told.len() as u64,
            not_measured: (all.len() - told.len()) as u64,
            bias_mm,
            deviation_mm,
            rms_mm,
            expanded_mm,
            ratio: if deviation_mm > 0.0 { expanded_mm / (2.0 * deviation_mm) } else { f64::INFINITY },
            interval_mm: of(&|_, [low, high], _| high - low),
            held: held(&mut told.iter().map(|(_, o)| *o)),
            held_by_share: held_by_share.to_vec(),
            proven_wrongly: told.iter().filter(|(_, o)| wrong(o)).count() as u64,
        })
    }
}

/// Value, interval and standard uncertainty, where all were told.
pub(super) fn whole(o: &Outcome) -> Option<(f64, [f64; 2], f64)> {
    Some((o.value_mm?, o.interval_mm?, o.standard_mm?))
}

/// Whether the interval holds the truth.
pub(super) fn holds(o: &Outcome) -> bool {
    o.interval_mm.is_some_and(|[low, high]| low <= o.truth_mm && o.truth_mm <= high)
}

/// 0 of none.
pub(super) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    match values.len() {
        0 => 0.0,
        n if n % 2 == 1 => values[n / 2],
        n => 0.5 * (values[n / 2 - 1] + values[n / 2]),
    }
}

/// The rows of each scanner: every kind on all parts together, then on each by itself.
pub fn rows(lines: &[Line]) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut parts: Vec<&str> = lines.iter().map(|l| l.part.as_str()).collect();
    parts.sort_unstable();
    parts.dedup();
    for scanner in [Scanner::White, Scanner::Unkind] {
        for kind in Kind::ALL {
            let of = |part: Option<&str>| {
                let there = lines.iter().filter(|l| l.scanner == scanner && part.is_none_or(|p| l.part == p));
                let all: Vec<(&Line, &Outcome)> = there
                    .flat_map(|l| l.outcomes.iter().filter(|o| o.kind == kind).map(move |o| (l, o)))
                    .collect();
                Row::of(scanner, kind, part.unwrap_or("all"), &all)
            };
            rows.extend(of(None));
            rows.extend(parts.iter().filter_map(|part| of(Some(part))));
        }
    }
    rows
}

/// Figures with how they came about.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Figures {
    /// Version of this form.
    pub version: u32,
    /// Version of the program.
    pub program: String,
    /// The command that makes them again.
    pub command: String,
    /// First seed.
    pub seed: u64,
    /// Scans of each part by each scanner: the fewest.
    pub scans: u64,
    /// The rows.
    pub rows: Vec<Row>,
}

impl Figures {
    /// Of all scans kept.
    pub fn of(lines: &[Line]) -> Self {
        let seed = lines.iter().map(|l| l.seed).min().unwrap_or(0);
        let mut counts: BTreeMap<(&str, Scanner), u64> = BTreeMap::new();
        for line in lines {
            *counts.entry((&line.part, line.scanner)).or_default() += 1;
        }
        let scans = counts.values().copied().min().unwrap_or(0);
        let scanner = match [Scanner::White, Scanner::Unkind].map(|s| counts.keys().any(|k| k.1 == s)) {
            [true, false] => "white",
            [false, true] => "unkind",
            _ => "both",
        };
        let command = format!(
            "cargo run --release -p scantling-tests --example validation -- --scanner {scanner} --seed {seed} --scans {scans} --out DIR"
        );
        Self {
            version: 1,
            program: env!("CARGO_PKG_VERSION").into(),
            command,
            seed,
            scans,
            rows: rows(lines),
        }
    }

    /// As a file: a row a line, so that changes are seen.
    pub fn to_json(&self) -> String {
        let mut text =
            serde_json::to_string(&Self { rows: Vec::new(), ..self.clone() }).expect("numbers and words");
        let rows = self.rows.iter().map(|r| serde_json::to_string(&r.short()).expect("numbers and words"));
        text.truncate(text.len() - "]}".len());
        format!("{text}\n{}\n]}}\n", rows.collect::<Vec<_>>().join(",\n"))
    }
}

impl Row {
    /// With as many digits as so many scans tell.
    fn short(&self) -> Self {
        let short = |v: f64, to: f64| (v / to).round() * to;
        let mm = |v: f64| (v * 1e5).round() / 1e5 + 0.0;
        Self {
            bias_mm: mm(self.bias_mm),
            deviation_mm: mm(self.deviation_mm),
            rms_mm: mm(self.rms_mm),
            expanded_mm: mm(self.expanded_mm),
            interval_mm: mm(self.interval_mm),
            ratio: (short(self.ratio, 0.001) * 1e3).round() / 1e3,
            ..self.clone()
        }
    }
}
