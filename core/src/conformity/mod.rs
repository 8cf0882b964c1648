//! From what is known of a true value to a verdict, by the plan's decision rule.
//!
//! ISO 14253-1:2017: conformity is proven where the probability of it is at least 95 %, nonconformity where that of
//! nonconformity is. With one limit in reach that is a guard band of 1.65 standard uncertainties, with both up to 1.96: the
//! probability knows. JCGM 106:2012: simple acceptance (8.2), guarded acceptance (8.3), probability of conformity (7).

mod acceptance;
mod known;
mod risk;
mod told;
mod would_decide;

use crate::plan::Decision;
use crate::record::{Limits, Verdict};

pub use acceptance::acceptance;
pub use known::{Known, Unit};
pub use risk::{GlobalRisks, global_risks};
pub use told::tell;
pub(crate) use told::tell_known;
pub use would_decide::{WouldDecide, would_decide};

/// Probability of conformity needed to prove it: the default of ISO 14253-1:2017.
const PROVEN: f64 = 0.95;

/// A noise floor above this part of the tolerance cannot prove conformity: what a perfect part would read
/// takes too much of the room (the gauge maker's rule of one quarter; common practice, no source).
const MOST_FLOOR: f64 = 0.25;

/// A verdict and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Decided {
    /// The verdict.
    pub verdict: Verdict,
    /// Why, in words.
    pub reason: String,
}

/// What a value is asked.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// The decision rule.
    pub rule: &'a Decision,
    /// Accepted values, in the value's unit.
    pub limits: &'a Limits,
    /// Width of the tolerance, against which an uncertainty or a noise floor is held.
    pub tolerance: f64,
    /// What a perfect part would read because of noise alone.
    pub floor: Option<f64>,
    /// The unit of all of these, for words.
    pub unit: Unit<'a>,
}

/// Probability that the true value lies within the limits, for a normal distribution about `value_mm`
/// (JCGM 106:2012, 7.2 to 7.4). With no uncertainty it is 0 or 1.
pub fn probability_of_conformity(value_mm: f64, standard_mm: f64, limits: &Limits) -> f64 {
    Known::Normal { value: value_mm, standard: standard_mm }.within(limits)
}

/// Decides about one value in mm with `limits`, known with a normal distribution.
pub fn decide(
    rule: &Decision,
    value_mm: f64,
    standard_mm: f64,
    limits: &Limits,
    tolerance_mm: f64,
    floor_mm: Option<f64>,
) -> Decided {
    let question =
        Question { rule, limits, tolerance: tolerance_mm, floor: floor_mm, unit: Unit::Millimetre };
    decide_on(&question, &Known::Normal { value: value_mm, standard: standard_mm })
}

/// Decides about what is known of one value.
pub fn decide_on(question: &Question, known: &Known) -> Decided {
    let Question { limits: _, tolerance, floor, unit, .. } = *question;
    if !known.value().is_finite() || !known.standard().is_finite() {
        let reason = "the value or its uncertainty is not known".into();
        return Decided { verdict: Verdict::Undecided, reason };
    }
    let decided = by_rule(question, known);
    if decided.verdict == Verdict::Conforms
        && let Some(floor) = floor
        && !(floor <= MOST_FLOOR * tolerance)
    {
        return Decided {
            verdict: Verdict::Undecided,
            reason: format!(
                "inside the limits, but noise alone reads {} on a perfect part, more than a quarter of the tolerance of {}: measure with less noise or more points",
                unit.words(floor),
                unit.limit_words(tolerance)
            ),
        };
    }
    decided
}

/// Whether a value lies inside; one on a limit does.
fn inside(value: f64, limits: &Limits) -> bool {
    limits.upper_mm.is_none_or(|l| value <= l) && limits.lower_mm.is_none_or(|l| value >= l)
}

fn by_rule(question: &Question, known: &Known) -> Decided {
    let Question { rule, limits, tolerance, unit, .. } = *question;
    let (value, standard) = (known.value(), known.standard());
    let inside = inside(value, limits);
    let word = if inside { "inside" } else { "outside" };
    let (needed, name) = match rule {
        Decision::Proven => (PROVEN, "ISO 14253-1:2017"),
        Decision::Probability { conforms } => (*conforms, "the plan"),
        Decision::Simple { ratio } => {
            let expanded = 2.0 * standard;
            if !(expanded <= ratio * tolerance) {
                return Decided {
                    verdict: Verdict::Undecided,
                    reason: format!(
                        "the expanded uncertainty {} exceeds {ratio} of the tolerance {}",
                        unit.words(expanded),
                        unit.limit_words(tolerance)
                    ),
                };
            }
            let verdict = if inside { Verdict::Conforms } else { Verdict::DoesNotConform };
            return Decided { verdict, reason: format!("{word} the limits (simple acceptance)") };
        }
        Decision::Guarded { factor } => return guarded(question, known, *factor),
    };
    let probability = known.within(limits);
    if probability >= needed {
        Decided {
            verdict: Verdict::Conforms,
            reason: format!("inside the limits by more than the uncertainty ({name})"),
        }
    } else if !inside && probability <= 1.0 - needed {
        Decided {
            verdict: Verdict::DoesNotConform,
            reason: format!("outside the limits by more than the uncertainty ({name})"),
        }
    } else {
        Decided {
            verdict: Verdict::Undecided,
            reason: format!(
                "{word} the limits by less than the uncertainty ({name}): probability of conformity {probability:.3}"
            ),
        }
    }
}

/// Guarded acceptance and guarded rejection (JCGM 106:2012, 8.3.2 and 8.3.3): both limits are moved by the guard band, inwards
/// to accept, outwards to reject.
fn guarded(question: &Question, known: &Known, factor: f64) -> Decided {
    let Question { limits, unit, .. } = *question;
    let (value, band) = (known.value(), 2.0 * factor * known.standard());
    let moved = |by: f64| Limits {
        lower_mm: limits.lower_mm.map(|l| l + by),
        upper_mm: limits.upper_mm.map(|l| l - by),
    };
    let word = if inside(value, limits) { "inside" } else { "outside" };
    let (verdict, how) = if inside(value, &moved(band)) {
        (Verdict::Conforms, "more")
    } else if !inside(value, &moved(-band)) {
        (Verdict::DoesNotConform, "more")
    } else {
        (Verdict::Undecided, "less")
    };
    let reason = format!(
        "{word} the limits by {how} than the guard band of {} (the plan, JCGM 106:2012)",
        unit.words(band)
    );
    Decided { verdict, reason }
}

/// The verdict over several: one that fails, then one that is missing, then one that is undecided settles
/// it; only if none is left does the whole conform. Nothing at all is not measured.
pub fn over_all(verdicts: impl IntoIterator<Item = Verdict>) -> Verdict {
    let rank = |v: Verdict| match v {
        Verdict::DoesNotConform => 3,
        Verdict::NotMeasured => 2,
        Verdict::Undecided => 1,
        Verdict::Conforms => 0,
    };
    verdicts.into_iter().max_by_key(|v| rank(*v)).unwrap_or(Verdict::NotMeasured)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ONE: Limits = Limits { lower_mm: None, upper_mm: Some(1.0) };

    #[test]
    fn probabilities_are_those_of_the_guide() {
        // JCGM 106:2012, 7.4: y 13.6, u 1.8, limits 12.5 and 16.3 give 0.66 (0.662630 recomputed).
        let l = Limits { lower_mm: Some(12.5), upper_mm: Some(16.3) };
        assert!((probability_of_conformity(13.6, 1.8, &l) - 0.662_630).abs() < 1e-6);
    }

    #[test]
    fn the_guard_band_of_the_standard_is_one_point_six_five() {
        // ISO 14253-1:2017: 1.65 u at one limit.
        let at = |k: f64| decide(&Decision::Proven, 1.0 + 0.1 * k, 0.1, &ONE, 1.0, None).verdict;
        assert_eq!(at(-1.66), Verdict::Conforms);
        assert_eq!(at(-1.63), Verdict::Undecided);
        assert_eq!(at(1.63), Verdict::Undecided);
        assert_eq!(at(1.66), Verdict::DoesNotConform);
    }

    #[test]
    fn a_high_floor_or_an_unknown_value_never_conforms() {
        assert_eq!(decide(&Decision::Proven, 0.1, 0.01, &ONE, 1.0, Some(0.3)).verdict, Verdict::Undecided);
        assert_eq!(
            decide(&Decision::Proven, 0.1, 0.01, &ONE, 1.0, Some(f64::NAN)).verdict,
            Verdict::Undecided
        );
        assert_eq!(
            decide(&Decision::Proven, 9.0, 0.01, &ONE, 1.0, Some(0.3)).verdict,
            Verdict::DoesNotConform
        );
        assert_eq!(decide(&Decision::Proven, f64::NAN, 0.01, &ONE, 1.0, None).verdict, Verdict::Undecided);
        // A value inside never proves that the part is outside, however uncertain it is.
        let both = Limits { lower_mm: Some(-0.1), upper_mm: Some(0.1) };
        assert_eq!(decide(&Decision::Proven, 0.0, 2.0, &both, 0.2, None).verdict, Verdict::Undecided);
        assert_eq!(
            decide(&Decision::Simple { ratio: 0.1 }, 0.1, 0.06, &ONE, 1.0, None).verdict,
            Verdict::Undecided
        );
        assert_eq!(
            decide(&Decision::Simple { ratio: 0.1 }, 1.0, 0.04, &ONE, 1.0, None).verdict,
            Verdict::Conforms
        );
    }

    #[test]
    fn without_uncertainty_a_limit_belongs_to_the_inside() {
        let both = Limits { lower_mm: Some(-0.5), upper_mm: Some(0.5) };
        let certain = |value: f64, limits: &Limits| probability_of_conformity(value, 0.0, limits);
        for (value, inside) in [(-0.51, 0.0), (-0.5, 1.0), (0.0, 1.0), (0.5, 1.0), (0.51, 0.0)] {
            assert_eq!(certain(value, &both), inside, "{value}");
        }
        let least = Limits { lower_mm: Some(1.0), upper_mm: None };
        assert_eq!([0.9, 1.0, 9.0].map(|v| certain(v, &least)), [0.0, 1.0, 1.0]);
        assert_eq!(certain(9.0, &Limits { lower_mm: None, upper_mm: None }), 1.0);
        // Two limits share the distribution: what is above one and below the other.
        let half = probability_of_conformity(0.5, 0.01, &both);
        assert!((half - 0.5).abs() < 1e-12, "{half}");
        assert!((probability_of_conformity(0.0, 0.5, &both) - 0.682_689_492_137).abs() < 1e-9);
    }

    #[test]
    fn an_uncertainty_that_is_no_number_decides_nothing() {
        for (value, standard) in [(0.1, f64::NAN), (0.1, f64::INFINITY), (f64::INFINITY, 0.1)] {
            let found = decide(&Decision::Simple { ratio: 1.0 }, value, standard, &ONE, 1.0, None);
            assert_eq!(found.verdict, Verdict::Undecided, "{value} {standard}");
            assert!(found.reason.contains("not known"), "{}", found.reason);
        }
    }

    #[test]
    fn a_floor_of_a_quarter_is_no_obstacle_and_one_above_is() {
        let with = |floor| decide(&Decision::Proven, 0.1, 0.01, &ONE, 2.0, Some(floor)).verdict;
        assert_eq!([0.5, 0.500_001].map(with), [Verdict::Conforms, Verdict::Undecided]);
    }

    #[test]
    fn simple_acceptance_asks_for_the_ratio_and_then_for_the_side() {
        let simple = Decision::Simple { ratio: 0.1 };
        let of = |value, standard, tolerance| decide(&simple, value, standard, &ONE, tolerance, None).verdict;
        // Twice 0.125 is a tenth of 2.5 to the last bit.
        assert_eq!(of(0.9, 0.125, 2.5), Verdict::Conforms);
        assert_eq!(of(1.1, 0.125, 2.5), Verdict::DoesNotConform);
        assert_eq!(of(0.9, 0.125, 2.499), Verdict::Undecided);
    }

    #[test]
    fn a_stated_probability_decides_as_it_says() {
        let rule = Decision::Probability { conforms: 0.8 };
        // The quantile of 0.8 is 0.8416 standard deviations.
        let at = |bands: f64| decide(&rule, 1.0 + 0.1 * bands, 0.1, &ONE, 1.0, None);
        let verdicts = [-0.85, -0.83, 0.83, 0.85].map(|b| at(b).verdict);
        use Verdict::{Conforms, DoesNotConform, Undecided};
        assert_eq!(verdicts, [Conforms, Undecided, Undecided, DoesNotConform]);
        assert!(at(-0.83).reason.contains("inside") && at(0.83).reason.contains("outside"));
        assert!(at(0.0).reason.contains("probability of conformity 0.500"), "{}", at(0.0).reason);
        // A certain value on the limit lies inside.
        assert_eq!(decide(&rule, 1.0, 0.0, &ONE, 1.0, None).verdict, Conforms);
    }

    #[test]
    fn precedence_is_fails_missing_undecided_conforms() {
        use Verdict::*;
        assert_eq!(over_all([Conforms, Undecided, NotMeasured, DoesNotConform]), DoesNotConform);
        assert_eq!(over_all([Conforms, Undecided, NotMeasured]), NotMeasured);
        assert_eq!(over_all([Conforms, Undecided]), Undecided);
        assert_eq!(over_all([Conforms]), Conforms);
        assert_eq!(over_all([]), NotMeasured);
    }

    #[test]
    fn both_limits_in_reach_need_more_than_one() {
        // ISO 14253-1:2017: 1.65 u where the other limit is far; where both are as near, 95 % lie between 1.96 u either way.
        let within = |half: f64| Limits { lower_mm: Some(-half), upper_mm: Some(half) };
        let at =
            |value: f64, half: f64| decide(&Decision::Proven, value, 1.0, &within(half), 2.0 * half, None);
        assert_eq!(at(0.0, 1.961).verdict, Verdict::Conforms);
        assert_eq!(at(0.0, 1.959).verdict, Verdict::Undecided);
        assert_eq!(at(20.0 - 1.646, 20.0).verdict, Verdict::Conforms);
        assert_eq!(at(20.0 - 1.644, 20.0).verdict, Verdict::Undecided);
        // Proven to lie outside: by 1.65 u from the nearer limit.
        assert_eq!(at(20.0 + 1.646, 20.0).verdict, Verdict::DoesNotConform);
    }

    #[test]
    fn a_guard_band_decides_in_thirds() {
        // ISO 14253-1 (from memory): conformity inside TL + g to TU - g, nonconformity outside TL - g to TU + g, between
        // them neither. With g = U as in the edition of 2013.
        let rule = Decision::Guarded { factor: 1.0 };
        let both = Limits { lower_mm: Some(-1.0), upper_mm: Some(1.0) };
        let at = |value: f64| decide(&rule, value, 0.0625, &both, 2.0, None);
        use Verdict::{Conforms, DoesNotConform, Undecided};
        for (value, verdict) in [
            (0.0, Conforms),
            (0.875, Conforms),
            (0.876, Undecided),
            (1.125, Undecided),
            (1.126, DoesNotConform),
            (-0.875, Conforms),
            (-0.876, Undecided),
            (-1.126, DoesNotConform),
        ] {
            assert_eq!(at(value).verdict, verdict, "{value}: {}", at(value).reason);
        }
        assert!(at(0.9).reason.contains("inside the limits by less than the guard band of 0.1250 mm"));
    }

    #[test]
    fn an_angle_is_told_in_degrees_and_a_reading_in_its_unit() {
        let rule = Decision::Simple { ratio: 0.1 };
        let half = 0.5f64.to_radians();
        let limits = Limits { lower_mm: Some(-half), upper_mm: Some(half) };
        let question =
            Question { rule: &rule, limits: &limits, tolerance: 2.0 * half, floor: None, unit: Unit::Radian };
        let known = Known::Normal { value: 0.0, standard: 0.1f64.to_radians() };
        let told = decide_on(&question, &known);
        assert_eq!(told.reason, "the expanded uncertainty 0.2000 deg exceeds 0.1 of the tolerance 1 deg");
        let grams = Question { unit: Unit::Other("g"), ..question };
        assert!(decide_on(&grams, &known).reason.contains(" g exceeds"));
    }
}
