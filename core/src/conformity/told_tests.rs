//! What is told beside a verdict, against closed forms of the normal distribution.

use serde_json::{Value, json};

use super::{tell, tell_known};
use crate::conformity::Known;
use crate::plan::Decision;
use crate::record::{ConformityResult, Evaluation, Verdict};

/// Quantile of 0.95 of the normal distribution.
const Q95: f64 = 1.644_853_627;
/// Its distribution function at -2.
const BELOW_MINUS_2: f64 = 0.022_750_132;

/// An evaluation with an upper limit of 1 mm and an uncertainty of 0.05 mm, by a scan.
fn evaluation(more: &Value) -> Evaluation {
    let mut whole = json!({
        "number": "1", "requirement": "flatness", "feature": "sill", "required": true,
        "limits": {"lower_mm": null, "upper_mm": 1.0}, "standard_uncertainty_mm": 0.05, "budget": [], "operators": {},
        "verdict": "undecided", "reason": "near", "measured_by": "scan", "instances": [],
    });
    let (whole_map, more) = (whole.as_object_mut().unwrap(), more.as_object().unwrap());
    whole_map.extend(more.clone());
    serde_json::from_value(whole).unwrap()
}

fn told(more: &Value) -> (ConformityResult, String) {
    let mut evaluation = evaluation(more);
    tell(&Decision::Proven, &mut evaluation);
    (evaluation.conformity.expect("it is told"), evaluation.reason)
}

fn near(found: Option<f64>, expected: f64) -> bool {
    found.is_some_and(|f| (f - expected).abs() < 1e-6)
}

#[test]
fn who_accepts_risks_the_consumers_part_and_who_rejects_the_producers() {
    // JCGM 106:2012, 9.3.2: the specific consumer's risk is 1 - p, the producer's p (3.3.13, 3.3.14). Two standard
    // uncertainties from the limit.
    let (inside, reason) = told(&json!({"value_mm": 0.9, "verdict": "conforms"}));
    assert!((inside.probability - (1.0 - BELOW_MINUS_2)).abs() < 1e-8, "{inside:?}");
    assert!(
        near(inside.specific_consumer_risk, BELOW_MINUS_2) && inside.specific_producer_risk.is_none(),
        "{inside:?}"
    );
    assert_eq!((inside.would_decide, inside.points_times, reason.as_str()), (None, None, "near"));
    // ISO 14253-1:2017: accepted up to 1.65 u below the limit.
    assert!(near(inside.acceptance_upper, 1.0 - Q95 * 0.05) && inside.acceptance_lower.is_none());
    let (outside, _) = told(&json!({"value_mm": 1.1, "verdict": "does_not_conform"}));
    assert!((outside.probability - BELOW_MINUS_2).abs() < 1e-8, "{outside:?}");
    assert!(near(outside.specific_producer_risk, BELOW_MINUS_2) && outside.specific_consumer_risk.is_none());
    let (between, _) = told(&json!({"value_mm": 1.0}));
    assert!(
        near(between.specific_consumer_risk, 0.5) && near(between.specific_producer_risk, 0.5),
        "{between:?}"
    );
    let least =
        told(&json!({"value_mm": 9.0, "limits": {"lower_mm": 1.0, "upper_mm": null}, "verdict": "conforms"}))
            .0;
    assert!(near(least.acceptance_lower, 1.0 + Q95 * 0.05) && least.acceptance_upper.is_none(), "{least:?}");
}

#[test]
fn all_that_points_make_smaller_is_told_to_be_mended_by_points() {
    // 0.05 below the limit: u has to be 0.05 / 1.645. Noise, alignment, lean and join add to 0.05, so 1.645^2 times the points.
    let part = |source: &str, u: f64| json!({"source": source, "standard_uncertainty_mm": u});
    let points = json!([
        part("noise", 0.03),
        part("alignment", 0.02),
        part("lean", 0.02),
        part("join", f64::sqrt(8e-4))
    ]);
    let coverage = json!({"fraction": 1.0, "largest_unseen_disc_mm": 0.0, "points": 10_000, "unseen_at_mm": [],
        "points_per_cm2": null, "strip_fraction": null, "missing": [], "gaps": []});
    let (found, reason) = told(&json!({"value_mm": 0.95, "budget": points, "coverage": coverage}));
    assert!(near(found.points_times, Q95 * Q95), "{found:?}");
    let words = "about 2.8 times as many points, 28000 in all, on it and on its datum features, would decide";
    assert_eq!(found.would_decide.as_deref(), Some(words));
    assert_eq!(reason, format!("near; {words}"));
    // Of an instrument they mend nothing: the instrument, its scale, its probing and the temperature add to 0.05 here.
    let instrument = json!([
        part("instrument", 0.03),
        part("length_scale", 0.02),
        part("probing", 0.02),
        part("temperature", f64::sqrt(8e-4))
    ]);
    let (found, _) = told(&json!({"value_mm": 0.95, "budget": instrument}));
    assert_eq!(found.points_times, None);
    let words = found.would_decide.expect("an instrument would");
    assert!(
        words.starts_with("points would not decide, a standard uncertainty of 0.0304 mm would"),
        "{words}"
    );
    // What is neither is mended by neither.
    let (found, _) = told(&json!({"value_mm": 0.95, "budget": [part("sampling", 0.05)]}));
    let words = found.would_decide.expect("nothing would");
    assert!(words.starts_with("the value lies so near to its limit"), "{words}");
}

#[test]
fn what_few_points_err_by_is_their_instruments() {
    let part = |source: &str, u: f64| json!({"source": source, "standard_uncertainty_mm": u});
    for budget in [json!([part("noise", 0.03), part("probing", 0.04)]), json!([])] {
        let (found, _) = told(&json!({"value_mm": 0.95, "budget": budget, "measured_by": "points"}));
        let words = found.would_decide.expect("an instrument would");
        assert!(
            words.starts_with("points would not decide, a standard uncertainty of 0.0304 mm would"),
            "{words}"
        );
    }
}

#[test]
fn small_parts_of_points_and_instrument_add_as_squares() {
    // 0.01 each of 0.05: what is neither needs more than half of the 0.0304 that would decide.
    let part = |source: &str| json!({"source": source, "standard_uncertainty_mm": 0.01});
    let budget = json!([part("noise"), part("probing")]);
    let (found, _) = told(&json!({"value_mm": 0.95, "budget": budget, "measured_by": "points"}));
    let words = found.would_decide.expect("nothing would");
    assert!(words.starts_with("the value lies so near to its limit"), "{words}");
}

#[test]
fn angles_and_readings_are_told_in_their_own_units() {
    let part = json!({"source": "noise", "standard_uncertainty_deg": 0.05});
    let angle = json!({"value_deg": 9.95, "lower_limit_deg": 8.0, "upper_limit_deg": 10.0, "standard_uncertainty_deg": 0.05,
        "budget": [part]});
    let (found, _) = told(&json!({"angle": angle}));
    // One standard uncertainty below the limit; the other limit is far.
    assert!((found.probability - 0.841_344_746).abs() < 1e-6, "{found:?}");
    assert!(
        near(found.points_times, Q95 * Q95) && near(found.acceptance_lower, 8.0 + Q95 * 0.05),
        "{found:?}"
    );
    // A floor of 0.75 degrees is to come down to a quarter of 2: 2.25 times the points.
    let angle = json!({"value_deg": 9.0, "lower_limit_deg": 8.0, "upper_limit_deg": 10.0, "standard_uncertainty_deg": 0.05,
        "budget": [part], "noise_floor_deg": 0.75});
    let (found, _) = told(&json!({"angle": angle}));
    assert!(near(found.points_times, 2.25), "{found:?}");
    // An expanded uncertainty is twice a standard one (JCGM 106:2012, k = 2).
    let reading = json!({"value": 0.95, "unit": "g", "lower_limit": null, "upper_limit": 1.0, "expanded_uncertainty": 0.1,
        "passed": null, "instrument": "scale", "operator": ""});
    let (found, _) = told(&json!({"reading": reading, "measured_by": "reading", "value_mm": null}));
    assert!((found.probability - 0.841_344_746).abs() < 1e-6, "{found:?}");
    let words = found.would_decide.expect("an instrument would");
    assert!(words.contains("a standard uncertainty of 0.0304 g would"), "{words}");
}

#[test]
fn a_noise_floor_is_held_against_the_width_of_the_tolerance() {
    // A floor of 0.4 mm in a tolerance of 1 mm is to come down to a quarter of it: 2.56 times the points; of one limit alone
    // that limit is the width, whatever its sign.
    for (lower, upper, value) in
        [(Some(1.0), Some(2.0), 1.5), (None, Some(1.0), 0.0), (Some(1.0), None, 9.0), (Some(-1.0), None, 9.0)]
    {
        let (found, _) = told(&json!({"value_mm": value, "limits": {"lower_mm": lower, "upper_mm": upper},
            "noise_floor_mm": 0.4, "budget": [{"source": "noise", "standard_uncertainty_mm": 0.05}]}));
        assert!(near(found.points_times, 2.56), "{lower:?} {upper:?}: {found:?}");
    }
}

#[test]
fn nothing_is_told_of_what_was_not_measured_and_nothing_twice() {
    for more in [json!({"value_mm": 0.9, "verdict": "not_measured"}), json!({"value_mm": null})] {
        let mut nothing = evaluation(&more);
        tell(&Decision::Proven, &mut nothing);
        assert_eq!(nothing.conformity, None);
    }
    let mut unmeasured = evaluation(&json!({"value_mm": 0.9, "verdict": "not_measured"}));
    let known = Known::Normal { value: 0.9, standard: 0.05 };
    tell_known(&Decision::Proven, &known, &mut unmeasured);
    assert_eq!((unmeasured.conformity, unmeasured.verdict), (None, Verdict::NotMeasured));
    // By another distribution first: a floor that is too high, and the limits of the evaluation.
    let mut first = evaluation(&json!({"value_mm": 0.95, "noise_floor_mm": 0.5,
        "budget": [{"source": "noise", "standard_uncertainty_mm": 0.05}]}));
    let known = Known::Normal { value: 0.3, standard: 0.01 };
    tell_known(&Decision::Proven, &known, &mut first);
    let conformity = first.conformity.clone().expect("it is told");
    assert!(
        near(conformity.points_times, 4.0) && (conformity.probability - 1.0).abs() < 1e-9,
        "{conformity:?}"
    );
    let reason = first.reason.clone();
    tell(&Decision::Proven, &mut first);
    assert_eq!((first.conformity, first.reason), (Some(conformity), reason));
}
