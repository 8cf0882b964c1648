//! What is wrong with a plan, and where.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::fmt;

/// One thing wrong with a plan.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct Fault {
    /// Where, as a path: `characteristic[3].datum_system` (indices from 0), or `line 12, column 4` when
    /// the text cannot be read; empty for the plan as a whole.
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
pub(super) const MOST_FAULTS: usize = 1000;

/// Gathers faults and remembers which places hold a placeholder instead of a value.
#[derive(Debug, Default)]
pub(super) struct Faults {
    all: RefCell<Vec<Fault>>,
    unsound: RefCell<BTreeSet<String>>,
}

impl Faults {
    /// Records a fault, unless its place (or what holds it) was already found unusable.
    pub(super) fn add(&self, place: impl Into<String>, problem: impl Into<String>) {
        let place = place.into();
        if self.sound(&place) {
            self.push(place, problem.into());
        }
    }

    /// Records a fault of form: what stands at `place` cannot be used, and nothing more is said about it.
    pub(super) fn add_unusable(&self, place: &str, problem: impl Into<String>) {
        self.push(place.to_owned(), problem.into());
        if self.unsound.borrow().len() < MOST_FAULTS {
            self.unsound.borrow_mut().insert(place.to_owned());
        }
    }

    fn push(&self, place: String, problem: String) {
        let mut all = self.all.borrow_mut();
        match all.len() {
            0..MOST_FAULTS => all.push(Fault { place, problem }),
            MOST_FAULTS => all.push(Fault {
                place: String::new(),
                problem: format!("there are more than {MOST_FAULTS} faults; mend these first"),
            }),
            _ => {}
        }
    }

    /// Whether the value at `place` came from the file, not from a placeholder.
    pub(super) fn sound(&self, place: &str) -> bool {
        let unsound = self.unsound.borrow();
        let ends = place.char_indices().filter(|(_, c)| matches!(c, '.' | '[')).map(|(i, _)| i);
        !ends.chain([0, place.len()]).any(|end| unsound.contains(&place[..end]))
    }

    /// Whether every value at places of the form `list[i].key` came from the file.
    pub(super) fn all_sound(&self, list: &str, key: &str) -> bool {
        !self.unsound.borrow().iter().any(|place| {
            place.is_empty()
                || place.strip_prefix(list).is_some_and(|rest| {
                    rest.is_empty()
                        || rest.starts_with('[')
                            && rest.split_once(']').is_some_and(|(_, tail)| {
                                tail.is_empty() || tail.strip_prefix('.').is_some_and(|t| t == key)
                            })
                })
        })
    }

    pub(super) fn is_empty(&self) -> bool {
        self.all.borrow().is_empty()
    }

    pub(super) fn into_vec(self) -> Vec<Fault> {
        self.all.into_inner()
    }
}
