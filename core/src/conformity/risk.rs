//! Risks of wrong decisions over a production (JCGM 106:2012, 9).
//!
//! The specific risks of one measured part need nothing but what is known of it: one minus the probability of conformity when it
//! is accepted, that probability when it is rejected (3.3.13, 3.3.14, 9.3.2). The global ones ask how parts spread.

use crate::geometry::math::{normal_cdf, normal_density};
use crate::record::Limits;

/// What a rule does to a production.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GlobalRisks {
    /// Share of parts that conform.
    pub conform: f64,
    /// Share of all parts that do not conform and are accepted: the consumer's risk.
    pub consumer: f64,
    /// Share of all parts that conform and are rejected: the producer's risk.
    pub producer: f64,
}

/// Panels of Simpson's rule over twelve deviations of the production on either side.
const PANELS: usize = 40_000;

/// Global risks of parts that are spread normally about `mean` with `spread`, measured with a normal error of `standard`, and
/// accepted while the measured value lies within `acceptance` (JCGM 106:2012, 9.5, by integration over the true values).
/// `None` where a figure is no number or not above 0.
pub fn global_risks(
    mean: f64,
    spread: f64,
    standard: f64,
    tolerance: &Limits,
    acceptance: &Limits,
) -> Option<GlobalRisks> {
    if !(mean.is_finite() && spread.is_finite() && standard.is_finite() && spread > 0.0 && standard > 0.0) {
        return None;
    }
    let accepted = |truth: f64| {
        let below = |l: f64| normal_cdf((l - truth) / standard);
        acceptance.upper_mm.map_or(1.0, below) - acceptance.lower_mm.map_or(0.0, below)
    };
    // Between two neighbouring ends the integrand is smooth.
    let span = 12.0 * spread;
    let clamp = |l: f64| l.clamp(mean - span, mean + span);
    let (low, high) = (
        clamp(tolerance.lower_mm.unwrap_or(f64::NEG_INFINITY)),
        clamp(tolerance.upper_mm.unwrap_or(f64::INFINITY)),
    );
    let over = |from: f64, to: f64, share: &dyn Fn(f64) -> f64| {
        if !(to > from) {
            return 0.0;
        }
        let h = (to - from) / PANELS as f64;
        let at = |x: f64| share(x) * normal_density((x - mean) / spread) / spread;
        let inner: f64 =
            (1..PANELS).map(|i| at(from + h * i as f64) * if i % 2 == 1 { 4.0 } else { 2.0 }).sum();
        (at(from) + at(to) + inner) * h / 3.0
    };
    let rejected = |x: f64| 1.0 - accepted(x);
    let below = |l: f64| normal_cdf((l - mean) / spread);
    Some(GlobalRisks {
        conform: tolerance.upper_mm.map_or(1.0, below) - tolerance.lower_mm.map_or(0.0, below),
        consumer: over(mean - span, low, &accepted) + over(high, mean + span, &accepted),
        producer: over(low, high, &rejected),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conformity::{Known, Unit, decide_on};
    use crate::conformity::{Question, probability_of_conformity};
    use crate::plan::Decision;

    fn limits(lower: f64, upper: f64) -> Limits {
        Limits { lower_mm: Some(lower), upper_mm: Some(upper) }
    }

    #[test]
    fn the_production_of_resistors_has_the_risks_of_the_guide() {
        // JCGM 106:2012, 9.5: resistors of 1500 ohm, spread 0.12, tolerance 1499.8 to 1500.2, accepted within 1499.82 to
        // 1500.18, uncertainty 0.04: conforming 0.90, producer's risk 0.07, consumer's risk 0.01 (results from memory,
        // recomputed 0.904419, 0.069027, 0.009878).
        let found =
            global_risks(1500.0, 0.12, 0.04, &limits(1499.8, 1500.2), &limits(1499.82, 1500.18)).unwrap();
        assert!((found.conform - 0.904_419).abs() < 1e-6, "{found:?}");
        assert!((found.producer - 0.069_027).abs() < 1e-6, "{found:?}");
        assert!((found.consumer - 0.009_878).abs() < 1e-6, "{found:?}");
        // Everything is accepted or rejected, conforming or not.
        let open =
            global_risks(1500.0, 0.12, 0.04, &limits(1499.8, 1500.2), &limits(1490.0, 1510.0)).unwrap();
        assert!((open.consumer - (1.0 - open.conform)).abs() < 1e-9 && open.producer < 1e-9, "{open:?}");
        assert_eq!(global_risks(0.0, 0.0, 1.0, &limits(-1.0, 1.0), &limits(-1.0, 1.0)), None);
    }

    #[test]
    fn risks_know_no_unit_and_no_side() {
        // Only distances in spreads count: the same in micrometres, moved along the scale, and mirrored, also with one limit
        // alone. Of one limit on the mean, accepted there, with an error as large as the spread, each eighth is a wrong
        // decision: both deviates of a pair that share half their variance have opposite signs in a quarter of all cases.
        let one = |mean: f64, scale: f64, side: f64| {
            let at = |l: f64| {
                let limit = Some(mean + side * scale * l);
                if side > 0.0 {
                    Limits { lower_mm: None, upper_mm: limit }
                } else {
                    Limits { lower_mm: limit, upper_mm: None }
                }
            };
            let found = [(0.0, 0.0, 1.0), (1.0, 0.8, 0.5)].map(|(tolerance, acceptance, u)| {
                global_risks(mean, scale, u * scale, &at(tolerance), &at(acceptance)).unwrap()
            });
            found.map(|r| [r.conform, r.consumer, r.producer])
        };
        let first = one(0.0, 1.0, 1.0);
        for (found, expected) in first[0].into_iter().zip([0.5, 0.125, 0.125]) {
            assert!((found - expected).abs() < 1e-9, "{first:?}");
        }
        for (mean, scale, side) in
            [(0.0, 1.0, -1.0), (0.0, 1e3, 1.0), (0.0, 1e-3, -1.0), (50.0, 10.0, 1.0), (-50.0, 10.0, -1.0)]
        {
            let other = one(mean, scale, side);
            for (found, expected) in other.into_iter().flatten().zip(first.into_iter().flatten()) {
                assert!((found - expected).abs() < 1e-9, "{mean} {scale} {side}: {other:?} {first:?}");
            }
        }
    }

    #[test]
    fn figures_without_meaning_have_no_risk() {
        let of = |mean: f64, spread: f64, standard: f64| {
            global_risks(mean, spread, standard, &limits(-1.0, 1.0), &limits(-1.0, 1.0))
        };
        for (mean, spread, standard) in [
            (f64::NAN, 1.0, 1.0),
            (f64::INFINITY, 1.0, 1.0),
            (0.0, f64::NAN, 1.0),
            (0.0, 1.0, f64::NAN),
            (0.0, f64::INFINITY, 1.0),
            (0.0, 1.0, f64::INFINITY),
            (0.0, -1.0, 1.0),
            (0.0, 1.0, -1.0),
            (0.0, 1.0, 0.0),
            (0.0, 0.0, 1.0),
        ] {
            assert_eq!(of(mean, spread, standard), None, "{mean} {spread} {standard}");
        }
        assert!(of(0.0, 1.0, 1.0).is_some());
    }

    #[test]
    fn guard_bands_leave_the_risk_that_their_guideline_prints() {
        // ILAC-G8:09/2019, table 1: guard band r U with U = 2 u, probability of false accept of a value on the acceptance
        // limit: r 3: below 1 ppm; 1.5: below 0.16 %; 1: below 2.5 %; 0.83: 5 %; 0: 50 %. Printed figures are rounded up.
        for (r, most, exact) in [
            (3.0, 1e-6, 9.9e-10),
            (1.5, 0.0016, 0.001_35),
            (1.0, 0.025, 0.022_75),
            (0.83, 0.05, 0.0485),
            (0.0, 0.5, 0.5),
        ] {
            let upper = Limits { lower_mm: None, upper_mm: Some(1.0) };
            let on_it = 1.0 - 2.0 * r * 0.01;
            // JCGM 106:2012, 9.5.2: the risk is 1 - Phi((TU - y) / u).
            let risk = 1.0 - probability_of_conformity(on_it, 0.01, &upper);
            assert!(risk <= most * 1.001 && (risk / exact - 1.0).abs() < 0.01, "{r}: {risk}");
            if r > 0.0 {
                let rule = Decision::Guarded { factor: r };
                let question = Question {
                    rule: &rule,
                    limits: &upper,
                    tolerance: 1.0,
                    floor: None,
                    unit: Unit::Millimetre,
                };
                let at = |value| decide_on(&question, &Known::Normal { value, standard: 0.01 }).verdict;
                assert_eq!(at(on_it - 1e-9), crate::record::Verdict::Conforms);
                assert_eq!(at(on_it + 1e-9), crate::record::Verdict::Undecided);
            }
        }
    }
}
