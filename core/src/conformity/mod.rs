//! From a value and its uncertainty to a verdict, by the plan's decision rule.

use crate::geometry::math::normal_cdf;
use crate::plan::Decision;
use crate::record::{Limits, Verdict};

/// Probability of conformity needed to prove it: the default of ISO 14253-1:2017 (for one limit and a
/// normal distribution a guard band of 1.65 standard uncertainties).
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

/// Probability that the true value lies within the limits, for a normal distribution about `value_mm`
/// (JCGM 106:2012, 7.2 to 7.4). With no uncertainty it is 0 or 1.
pub fn probability_of_conformity(value_mm: f64, standard_mm: f64, limits: &Limits) -> f64 {
    let below = |limit: f64| {
        if standard_mm > 0.0 {
            normal_cdf((limit - value_mm) / standard_mm)
        } else if value_mm <= limit {
            1.0
        } else {
            0.0
        }
    };
    let upper = limits.upper_mm.map_or(1.0, below);
    // A value on the lower limit is inside.
    let lower =
        limits.lower_mm.map_or(0.0, |l| if standard_mm > 0.0 { below(l) } else { f64::from(value_mm < l) });
    (upper - lower).max(0.0)
}

/// Decides about one value with `limits`. `tolerance_mm` is the width of the tolerance, against which an
/// uncertainty or a noise floor is held.
pub fn decide(
    rule: &Decision,
    value_mm: f64,
    standard_mm: f64,
    limits: &Limits,
    tolerance_mm: f64,
    floor_mm: Option<f64>,
) -> Decided {
    if !value_mm.is_finite() || !standard_mm.is_finite() {
        let reason = "the value or its uncertainty is not known".into();
        return Decided { verdict: Verdict::Undecided, reason };
    }
    let decided = by_rule(rule, value_mm, standard_mm, limits, tolerance_mm);
    if decided.verdict == Verdict::Conforms
        && let Some(floor) = floor_mm
        && !(floor <= MOST_FLOOR * tolerance_mm)
    {
        return Decided {
            verdict: Verdict::Undecided,
            reason: format!(
                "inside the limits, but noise alone reads {floor:.4} mm on a perfect part, more than a quarter of the tolerance of {tolerance_mm} mm: measure with less noise or more points"
            ),
        };
    }
    decided
}

fn by_rule(rule: &Decision, value: f64, standard: f64, limits: &Limits, tolerance: f64) -> Decided {
    let probability = probability_of_conformity(value, standard, limits);
    let inside = probability_of_conformity(value, 0.0, limits) > 0.5;
    let (needed, name) = match rule {
        Decision::Proven => (PROVEN, "ISO 14253-1:2017"),
        Decision::Probability { conforms } => (*conforms, "the plan"),
        Decision::Simple { ratio } => {
            let expanded = 2.0 * standard;
            if !(expanded <= ratio * tolerance) {
                return Decided {
                    verdict: Verdict::Undecided,
                    reason: format!(
                        "the expanded uncertainty {expanded:.4} mm exceeds {ratio} of the tolerance {tolerance} mm"
                    ),
                };
            }
            let (verdict, word) =
                if inside { (Verdict::Conforms, "inside") } else { (Verdict::DoesNotConform, "outside") };
            return Decided { verdict, reason: format!("{word} the limits (simple acceptance)") };
        }
    };
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
        let word = if inside { "inside" } else { "outside" };
        Decided {
            verdict: Verdict::Undecided,
            reason: format!(
                "{word} the limits by less than the uncertainty ({name}): probability of conformity {probability:.3}"
            ),
        }
    }
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
}
