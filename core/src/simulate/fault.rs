//! What is wrong with a simulation's file, and where.

use std::cell::RefCell;
use std::fmt;

/// One thing wrong with a simulation's file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct Fault {
    /// Where, as a path: `deviation[2].dent.radius_mm` (indices from 0); empty for the file as a whole.
    pub place: String,
    /// What is wrong and what to write instead.
    pub problem: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.place.is_empty() {
            f.write_str(&self.problem)
        } else {
            write!(f, "{}: {}", self.place, self.problem)
        }
    }
}

/// Nobody mends more than this at once, and a hostile file cannot make an answer of any size.
const MOST_FAULTS: usize = 1000;

/// Gathers faults.
#[derive(Default)]
pub(super) struct Faults(RefCell<Vec<Fault>>);

impl Faults {
    pub(super) fn add(&self, place: impl Into<String>, problem: impl Into<String>) {
        let mut all = self.0.borrow_mut();
        if all.len() < MOST_FAULTS {
            all.push(Fault { place: place.into(), problem: problem.into() });
        }
    }

    pub(super) fn into_vec(self) -> Vec<Fault> {
        self.0.into_inner()
    }
}
