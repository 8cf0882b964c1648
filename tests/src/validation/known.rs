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
    why: &'static str,
}

const KNOWN: &[Known] = &[Known {
    scanner: Scanner::Unkind,
    kind: Kind::SurfaceProfile,
    part: "surround",
    bar: Bar::Ratio,
    why: "how much of the noise that neighbours share is in a scan its points do not tell, so the bias of an extreme lies between wide bounds: U is 1.9 \
              times twice the observed deviation (28 scans), of all three parts 1.2",
}];

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
        let excused = |bar: Bar| known.iter().any(|k| k.bar == bar);
        let open = missed.iter().filter(|(bar, _)| !excused(*bar));
        all.extend(open.map(|(_, words)| format!("{name}: {words}")));
        for gap in known.iter().filter(|k| row.scans >= MANY && missed.iter().all(|(bar, _)| *bar != k.bar)) {
            all.push(format!("{name}: reaches its bars now; take it off the list ({})", gap.why));
        }
    }
    all
}
