//! Where each characteristic is worst: what the picture marks and the list beside it says.

use super::marks::Mark;
use super::numbers;
use super::rows::{by_extremes, known_limits, of_words, signed, verdict_words};
use scantling_core::geometry::Point;
use scantling_core::record::{Evaluation, Extreme, Limits, Record, Verdict};
use std::collections::BTreeMap;

/// More marks than this would cover the part.
const MOST_MARKS: usize = 10;

/// A worst place: marked on the picture and listed beside it.
pub(super) struct Worst {
    pub(super) mark: Mark,
    pub(super) feature: String,
    pub(super) value: String,
    pub(super) place: String,
    pub(super) verdict: &'static str,
}

/// The worst place of each characteristic, most of its limits used first (common practice; compared as
/// value over limit, for a range as the share of its half), at most ten; and why the others have none.
pub(super) fn worst(record: &Record, places: &BTreeMap<String, Point>) -> (Vec<Worst>, Vec<String>) {
    let mut found: Vec<(f64, Worst)> = Vec::new();
    let mut without = Vec::new();
    for e in &record.evaluations {
        let limits = known_limits(&e.limits);
        let (value, at) = match place(e, places) {
            Ok(place) => place,
            Err(why) => {
                without.push(format!("{} ({why})", e.number));
                continue;
            }
        };
        let text = if signed(e) {
            numbers::signed_beside_limits(value, &limits)
        } else {
            numbers::beside_limits(value, &limits)
        };
        found.push((
            used(value, &e.limits),
            Worst {
                mark: Mark { number: e.number.clone(), at },
                feature: of_words(e),
                value: text,
                place: at.iter().map(|c| numbers::fixed(*c, 1)).collect::<Vec<_>>().join(", "),
                verdict: verdict_words(e.verdict),
            },
        ));
    }
    // Stable: equal shares stay in the plan's order.
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let more = found.split_off(found.len().min(MOST_MARKS));
    without.extend(more.into_iter().map(|(_, w)| format!("{} (more room than those marked)", w.mark.number)));
    (found.into_iter().map(|(_, w)| w).collect(), without)
}

/// The value that is marked and its place: that of an extreme before the middle of the feature.
fn place(e: &Evaluation, places: &BTreeMap<String, Point>) -> Result<(f64, Point), &'static str> {
    let without = match (e.verdict, e.measured_by.as_str()) {
        (Verdict::NotMeasured, _) => "not measured",
        (_, "reading") => "a reading",
        _ => "no place recorded",
    };
    let extremes = [e.minimum, e.maximum].into_iter().flatten().filter(|x| x.value_mm.is_finite());
    if by_extremes(e) {
        let most =
            |a: &Extreme, b: &Extreme| used(a.value_mm, &e.limits).total_cmp(&used(b.value_mm, &e.limits));
        return extremes.max_by(most).map(|x| (x.value_mm, Point::from(x.at_mm))).ok_or(without);
    }
    let value = e.value_mm.filter(|v| v.is_finite()).ok_or(without)?;
    // A flatness is the distance of its extremes: the place of the larger one.
    let larger = extremes.max_by(|a, b| a.value_mm.abs().total_cmp(&b.value_mm.abs()));
    let at = larger.map(|x| Point::from(x.at_mm)).or_else(|| places.get(&e.feature).copied());
    at.map(|at| (value, at)).ok_or("its feature has no place on the nominal")
}

/// The used share of the limits: 0 at their middle, 1 on a limit, more beyond.
fn used(value: f64, limits: &Limits) -> f64 {
    match (limits.lower_mm, limits.upper_mm) {
        (Some(low), Some(high)) if high > low => (value - 0.5 * (low + high)).abs() / (0.5 * (high - low)),
        (None, Some(high)) if high > 0.0 => value / high,
        (Some(low), None) if value > 0.0 => low / value,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limits(lower_mm: Option<f64>, upper_mm: Option<f64>) -> Limits {
        Limits { lower_mm, upper_mm }
    }

    #[test]
    fn on_a_limit_exactly_all_of_it_is_used() {
        assert_eq!(used(0.5, &limits(None, Some(0.5))), 1.0);
        assert_eq!(used(-0.25, &limits(Some(-0.25), Some(0.5))), 1.0);
        assert_eq!(used(0.5, &limits(Some(-0.25), Some(0.5))), 1.0);
        assert_eq!(used(0.125, &limits(Some(-0.25), Some(0.5))), 0.0);
        assert_eq!(used(4.0, &limits(Some(4.0), None)), 1.0);
        assert!(used(3.0, &limits(Some(4.0), None)) > 1.0);
    }

    #[test]
    fn limits_that_limit_nothing_are_never_used_up() {
        assert_eq!(used(7.0, &limits(None, None)), 0.0);
        assert_eq!(used(7.0, &limits(Some(1.0), Some(1.0))), 0.0);
        assert_eq!(used(7.0, &limits(None, Some(f64::NAN))), 0.0);
    }
}
