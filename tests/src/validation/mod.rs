//! Scans of several parts by a scanner that is not kind, and how well what is said of them holds: error, bias, observed
//! deviation, interval coverage and size of each kind of characteristic.
//!
//! The truth is the same operator on a dense scan of the made surface with hardly any error, never the parameter that was put in;
//! that both agree for sizes, thickness, trims and places of holes is a test of its own (`tests/tests/validation.rs`).

mod binomial;
mod bracket;
mod figures;
mod kept;
mod known;
mod panel;
mod part;
mod picture;
mod run;
mod scanner;
mod sheet;
mod surround;
mod table;

pub use figures::{Bar, Bars, Figures, Row, rows};
pub use kept::{Kept, Line, Outcome, append, read};
pub use known::surprises;
pub use part::{Kind, Part, SHARES, True};
pub use picture::pictures;
pub use run::{scan, truths};
pub use scanner::{Scanner, Taken, WHAT_IS_STATED};
pub use table::{table, table_of_kinds};

/// The parts, by name.
pub fn parts() -> Vec<Part> {
    vec![bracket::part(), panel::part(), surround::part()]
}
