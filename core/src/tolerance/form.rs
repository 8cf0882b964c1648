//! What the rules of form have in common: the reference, and the worst of several places.

use super::{Against, Found, Instance, Number};
use crate::geometry::Point;
use crate::plan::Association;

/// From what a form is told (ISO 1101:2017, association of the reference feature; from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference {
    /// The narrowest zone of all, C: the default of ISO 1101.
    MinimumZone,
    /// About the least-squares feature, G.
    LeastSquares,
}

impl Reference {
    /// `None` for an association that is none for a form.
    pub fn of(association: Association) -> Option<Self> {
        match association {
            Association::MinimumZone => Some(Self::MinimumZone),
            Association::LeastSquares => Some(Self::LeastSquares),
            Association::LeastSquaresOutside
            | Association::MinimaxOutside
            | Association::MaximumInscribed
            | Association::MinimumCircumscribed => None,
        }
    }

    pub(super) fn word(self) -> &'static str {
        match self {
            Self::MinimumZone => "minimum zone",
            Self::LeastSquares => "least squares",
        }
    }

    /// A form from the lowest and the highest residual, mm, each with the index of its point.
    pub(super) fn found(self, points: &[Point], low: (f64, usize), high: (f64, usize), what: &str) -> Found {
        let (value, at) = peak_to_valley(low, high);
        let place = |name: &str, (value_mm, index): (f64, usize)| Instance {
            name: name.to_string(),
            value_mm,
            at: points.get(index).copied(),
        };
        Found {
            numbers: vec![Number { value, against: Against::Upper, at: points.get(at).copied() }],
            instances: vec![place("lowest", low), place("highest", high)],
            operators: vec![("reference", format!("{} {what}", self.word()))],
            ..Found::default()
        }
    }
}

/// Highest less lowest residual, and the index of the point that is further off.
pub(super) fn peak_to_valley(low: (f64, usize), high: (f64, usize)) -> (f64, usize) {
    (high.0 - low.0, if -low.0 > high.0 { low.1 } else { high.1 })
}

/// Values of sections or lines and the largest of them; the first of equals. There must be one.
pub(super) struct Worst {
    instances: Vec<Instance>,
    worst: Option<(f64, Point)>,
}

impl Worst {
    pub(super) fn new() -> Self {
        Self { instances: Vec::new(), worst: None }
    }

    /// Adds one value, mm, with the place it is told at and its worst point.
    pub(super) fn add(&mut self, name: String, value_mm: f64, at: Point, worst_at: Point) {
        if self.worst.is_none_or(|w| value_mm > w.0) {
            self.worst = Some((value_mm, worst_at));
        }
        self.instances.push(Instance { name, value_mm, at: Some(at) });
    }

    pub(super) fn count(&self) -> usize {
        self.instances.len()
    }

    pub(super) fn found(self, operators: Vec<(&'static str, String)>) -> Found {
        let number = |(value, at): (f64, Point)| Number { value, against: Against::Upper, at: Some(at) };
        Found {
            numbers: self.worst.map(number).into_iter().collect(),
            instances: self.instances,
            operators,
            ..Found::default()
        }
    }
}

#[cfg(test)]
#[path = "form_tests.rs"]
mod tests;
