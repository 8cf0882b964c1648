//! Bars that are missed, and why: known gaps, each of which complains when it is missed no more.

use super::figures::{Bars, Row};
use super::part::Kind;
use super::scanner::Scanner;

/// A bar that is missed.
struct Known {
    scanner: Scanner,
    kind: Kind,
    part: &'static str,
    why: &'static str,
}

/// What passes that lie off each other scatter on a hole's wall is in the budget as noise that neighbours share, and once more as
/// the wall's form (`associate/hole.rs`, `sampling`): of the hole itself, and of datum holes in the alignment.
const FORM_AND_PASSES: &str =
    "passes off each other count twice on the wall of a hole, as shared noise and as its form";

const KNOWN: &[Known] = &[
    Known { scanner: Scanner::Unkind, kind: Kind::HolePosition, part: "all", why: FORM_AND_PASSES },
    Known { scanner: Scanner::Unkind, kind: Kind::HolePosition, part: "bracket", why: FORM_AND_PASSES },
    Known { scanner: Scanner::Unkind, kind: Kind::HolePosition, part: "panel", why: FORM_AND_PASSES },
    Known {
        scanner: Scanner::Unkind,
        kind: Kind::HoleSize,
        part: "surround",
        why: "an export that smooths over 2.6 mm draws the wall of a hole of 9 mm inwards, and nobody states by how much",
    },
];

/// Fewer scans may well not show what more do.
const MANY: u64 = 500;

/// What rows miss that is not known, and what is known and is missed no more.
pub fn surprises(rows: &[Row]) -> Vec<String> {
    let mut all = Vec::new();
    for row in rows {
        let is = |k: &&Known| (k.scanner, k.kind, k.part) == (row.scanner, row.kind, row.part.as_str());
        let missed = Bars::missed(row);
        let name = format!("{}, {}, {}", row.scanner.word(), row.kind.word(), row.part);
        match KNOWN.iter().find(is) {
            None => all.extend(missed.into_iter().map(|m| format!("{name}: {m}"))),
            Some(known) if missed.is_empty() && row.scans >= MANY => {
                all.push(format!("{name}: reaches its bars now; take it off the list ({})", known.why));
            }
            Some(_) => {}
        }
    }
    all
}
