//! Bars that are missed, and why: known gaps, each of which complains when it is missed no more.

use super::figures::{Bar, Bars, Row};
use super::part::Kind;
use super::scanner::Scanner;

/// A bar that is missed.
struct Known {
    scanner: Scanner,
    kind: Kind,
    part: &'static str,
    bar: Bar,
    /// Whatever the cause, U is no more than so many times too large.
    most_ratio: f64,
    why: &'static str,
}

/// What passes that lie off each other scatter on a hole's wall is in the budget as noise that neighbours share, and once more as
/// the wall's form (`associate/hole.rs`, `sampling`): of the hole itself, and of datum holes in the alignment.
const FORM_AND_PASSES: &str =
    "passes off each other count twice on the wall of a hole, as shared noise and as its form";

const fn passes(part: &'static str) -> Known {
    let (scanner, kind) = (Scanner::Unkind, Kind::HolePosition);
    Known { scanner, kind, part, bar: Bar::Ratio, most_ratio: 4.0, why: FORM_AND_PASSES }
}

const KNOWN: &[Known] = &[
    passes("all"),
    passes("bracket"),
    passes("panel"),
    Known {
        scanner: Scanner::Unkind,
        kind: Kind::HoleSize,
        part: "surround",
        bar: Bar::TooFew,
        most_ratio: Bars::MOST_RATIO,
        why: "an export that smooths over 2.6 mm draws the wall of a hole of 9 mm inwards, and nobody states by how much",
    },
];

/// Fewer scans may well not show what more do.
const MANY: u64 = 500;

/// What rows miss that is not known, and what is known and is missed no more.
pub fn surprises(rows: &[Row]) -> Vec<String> {
    let mut all = Vec::new();
    for row in rows {
        let known: Vec<&Known> = KNOWN
            .iter()
            .filter(|k| (k.scanner, k.kind, k.part) == (row.scanner, row.kind, row.part.as_str()))
            .collect();
        let missed = Bars::missed(row);
        let name = format!("{}, {}, {}", row.scanner.word(), row.kind.word(), row.part);
        // Known is one bar, not whatever a row may miss.
        let excused =
            |bar: Bar| known.iter().any(|k| k.bar == bar && (bar != Bar::Ratio || row.ratio <= k.most_ratio));
        let open = missed.iter().filter(|(bar, _)| !excused(*bar));
        all.extend(open.map(|(_, words)| format!("{name}: {words}")));
        for gap in known.iter().filter(|k| row.scans >= MANY && missed.iter().all(|(bar, _)| *bar != k.bar)) {
            all.push(format!("{name}: reaches its bars now; take it off the list ({})", gap.why));
        }
    }
    all
}
