//! Acceptance limits: between which measured values a rule accepts, at a known uncertainty (JCGM 106:2012, 8).

use super::{Known, PROVEN, Question, by_rule};
use crate::plan::Decision;
use crate::record::{Limits, Verdict};

/// Halvings of an interval: to the last bits of a double.
const HALVINGS: usize = 60;

/// The measured values that would be accepted if they were known as well as `known` is; `None` where none would. An end without
/// a limit stays without one. The distance of an end from its limit is the guard band, 1.65 standard uncertainties by
/// ISO 14253-1:2017 where the other limit is far.
pub fn acceptance(question: &Question, known: &Known) -> Option<Limits> {
    let Limits { lower_mm: lower, upper_mm: upper } = *question.limits;
    let standard = known.standard();
    if !(standard.is_finite() && standard >= 0.0) {
        return None;
    }
    let accepted = |value: f64| by_rule(question, &known.at(value)).verdict == Verdict::Conforms;
    // A value that is surely accepted if any is: the middle, or far from the only limit.
    let far = 20.0 * standard + lower.into_iter().chain(upper).fold(1.0, |m: f64, l| m.max(l.abs()));
    let length = matches!(known, Known::Length { .. });
    let from = match (lower, upper) {
        (Some(l), Some(u)) => 0.5 * (l + u),
        // No length is below zero.
        (None, Some(_)) if length => 0.0,
        (None, Some(u)) => u - far,
        (Some(l), None) => l + far,
        (None, None) => return Some(Limits { lower_mm: None, upper_mm: None }),
    };
    if !accepted(from) {
        return None;
    }
    let edge = |limit: f64| {
        let (mut good, mut bad) = (from, limit);
        if accepted(limit) {
            return limit;
        }
        for _ in 0..HALVINGS {
            let middle = 0.5 * (good + bad);
            if accepted(middle) { good = middle } else { bad = middle }
        }
        good
    };
    Some(Limits { lower_mm: lower.map(edge), upper_mm: upper.map(edge) })
}

/// The probability that a rule wants; `None` where it asks for none.
pub(super) fn needed(rule: &Decision) -> Option<f64> {
    match rule {
        Decision::Proven => Some(PROVEN),
        Decision::Probability { conforms } => Some(*conforms),
        Decision::Simple { .. } | Decision::Guarded { .. } => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conformity::Unit;
    use crate::uncertainty::Offset;

    fn of(rule: &Decision, limits: Limits, standard: f64) -> Option<Limits> {
        let question =
            Question { rule, limits: &limits, tolerance: 1.0, floor: None, unit: Unit::Millimetre };
        acceptance(&question, &Known::Normal { value: 0.0, standard })
    }

    fn upper(limit: f64) -> Limits {
        Limits { lower_mm: None, upper_mm: Some(limit) }
    }

    #[test]
    fn the_guard_band_of_the_standard_is_one_point_six_five() {
        // ISO 14253-1:2017: gLA = gUA = 1.65 u = 0.825 U, one-sided.
        let found = of(&Decision::Proven, upper(1.0), 0.1).unwrap().upper_mm.unwrap();
        assert!((found - (1.0 - 0.164_485)).abs() < 1e-6, "{found}");
        let both = Limits { lower_mm: Some(-1.0), upper_mm: Some(1.0) };
        let found = of(&Decision::Proven, both, 0.1).unwrap();
        assert!((found.lower_mm.unwrap() + 0.835_515).abs() < 1e-6, "{found:?}");
        assert!((found.upper_mm.unwrap() - 0.835_515).abs() < 1e-6, "{found:?}");
        // Where 95 % do not fit between the limits, no value is accepted: T below 3.92 u.
        assert_eq!(of(&Decision::Proven, both, 2.0 / 3.91), None);
        assert!(of(&Decision::Proven, both, 2.0 / 3.93).is_some());
    }

    #[test]
    fn a_risk_from_costs_makes_its_guard_band() {
        // Decision theory (quoted, public): accept while the risk is below Cr / (Ca + Cr); of 1 : 100 about 1 %, a guard
        // band of 2.33 u.
        let (reject, accept) = (1.0, 100.0);
        let risk: f64 = reject / (accept + reject);
        assert!((risk - 0.01).abs() < 2e-4);
        let rule = Decision::Probability { conforms: 1.0 - risk };
        let found = of(&rule, upper(1.0), 0.1).unwrap().upper_mm.unwrap();
        assert!((found - (1.0 - 0.233)).abs() < 5e-4, "{found}");
    }

    #[test]
    fn guarded_and_simple_acceptance_have_theirs_in_closed_form() {
        let guarded = Decision::Guarded { factor: 1.5 };
        let found = of(&guarded, upper(1.0), 0.05).unwrap().upper_mm.unwrap();
        assert!((found - 0.85).abs() < 1e-9, "{found}");
        let simple = Decision::Simple { ratio: 0.2 };
        assert_eq!(of(&simple, upper(1.0), 0.05), Some(upper(1.0)));
        assert_eq!(of(&simple, upper(1.0), 0.11), None);
        assert_eq!(of(&simple, upper(1.0), f64::NAN), None);
        assert_eq!(of(&simple, upper(1.0), -0.05), None);
    }

    #[test]
    fn one_limit_has_its_guard_band_wherever_it_lies() {
        // 1.645 u from the limit (ISO 14253-1:2017), also below zero and where the uncertainty is far larger than the limit.
        let lower = |limit: f64| Limits { lower_mm: Some(limit), upper_mm: None };
        for (limit, u) in [(1.0, 0.1), (-1.0, 0.1), (1.0, 100.0), (-1e4, 0.1), (0.0, 1.0)] {
            let found = of(&Decision::Proven, upper(limit), u).and_then(|l| l.upper_mm);
            assert!(
                found.is_some_and(|f| (f - (limit - 1.644_854 * u)).abs() < 2e-6 * u),
                "{limit} {u}: {found:?}"
            );
            let found = of(&Decision::Proven, lower(limit), u).and_then(|l| l.lower_mm);
            assert!(
                found.is_some_and(|f| (f - (limit + 1.644_854 * u)).abs() < 2e-6 * u),
                "{limit} {u}: {found:?}"
            );
        }
    }

    #[test]
    fn a_position_is_accepted_by_the_distribution_of_its_length() {
        let offset = Offset::new([0.0, 0.01], [[1e-4, 0.0], [0.0, 1e-4]]).unwrap();
        let limits = upper(0.4);
        let question = Question {
            rule: &Decision::Proven,
            limits: &limits,
            tolerance: 0.4,
            floor: None,
            unit: Unit::Millimetre,
        };
        let found = acceptance(&question, &Known::Length { offset, factor: 2.0 }).unwrap().upper_mm.unwrap();
        // Far from zero a length is nearly normal: 0.4 - 1.645 * 0.02, less what the sideways error lengthens it by.
        assert!((found - (0.4 - 0.0329)).abs() < 0.001 && found < 0.4 - 0.0329, "{found}");
    }
}
