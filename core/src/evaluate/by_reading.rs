//! A characteristic by the reading of a hand instrument or a gauge.

use crate::conformity::{Decided, Known, Question, Unit, decide, decide_on};
use crate::plan::{Characteristic, Decision, Plan, Requirement};
use crate::readings::{Reading, angle_deg, length_mm, one_place, refused};
use crate::record::{Evaluation, Interval, Limits, ReadingResult, Verdict};
use crate::uncertainty::{Budget, Source};

use super::by_rule::as_angle;
use super::{Outcome, own_datum, settle};

/// What a value may be decided by when its uncertainty is not known: nothing (ISO 14253-1:2017 asks for it).
pub(super) const UNKNOWN: &str = "its uncertainty is not known, so nothing is proven: state it";

/// What a flatness or position by hand is told with: nobody knows how much of the feature it stands for.
const ONE_READING: &str = "one reading by hand, not held to coverage";

/// What a reading of one place among many is told with.
const ONE_PLACE: &str = "one reading by hand, at one place";

/// Why such a reading within the limits proves nothing.
const WITHIN_THERE: &str = "within its limits where it was read, which proves nothing of all other places: measure it by a scan, or let \
     the plan ask a `reading`";

/// Decides by a reading that was checked against the plan.
pub(super) fn evaluate(
    plan: &Plan,
    characteristic: &Characteristic,
    reading: &Reading,
    evaluation: &mut Evaluation,
) {
    let rule = &plan.decision;
    evaluation.measured_by = "reading".into();
    let mut result = ReadingResult {
        value: reading.value,
        passed: reading.passed,
        unit: reading.unit.clone(),
        lower_limit: None,
        upper_limit: None,
        expanded_uncertainty: reading.expanded_uncertainty,
        instrument: reading.instrument.clone(),
        operator: reading.operator.clone(),
    };
    match &characteristic.requirement {
        Requirement::Gauge { procedure } => {
            evaluation.operators.insert("gauge".into(), procedure.clone());
            match reading.passed {
                Some(true) => {
                    evaluation.verdict = Verdict::Conforms;
                    evaluation.reason = format!("passed by gauge: {}", reading.instrument);
                }
                Some(false) => {
                    evaluation.verdict = Verdict::DoesNotConform;
                    evaluation.reason = format!("failed by gauge: {}", reading.instrument);
                }
                None => evaluation.reason = "the reading says neither passed nor failed".into(),
            }
        }
        Requirement::Reading { quantity, unit, lower_limit, upper_limit } => {
            evaluation.operators.insert("quantity".into(), quantity.clone());
            (result.lower_limit, result.upper_limit) = (*lower_limit, *upper_limit);
            // Told in the unit of the limits, whatever length unit it was read in.
            let Some(factor) = factor(&reading.unit, unit) else {
                evaluation.reason = format!("read in {}, but the limits are told in {unit}", reading.unit);
                return;
            };
            let (value, expanded) =
                (reading.value.map(|v| v * factor), reading.expanded_uncertainty.map(|u| u * factor));
            result.unit.clone_from(unit);
            (result.value, result.expanded_uncertainty) = (value, expanded);
            let limits = Limits { lower_mm: *lower_limit, upper_mm: *upper_limit };
            let Some(value) = value else {
                evaluation.reason = "the reading has no value".into();
                return;
            };
            let tolerance = match (lower_limit, upper_limit) {
                (Some(low), Some(high)) => high - low,
                // One limit alone leaves a tolerance only by convention; nothing but the rule `simple` asks.
                (Some(one), None) | (None, Some(one)) => one.abs(),
                (None, None) => 0.0,
            };
            let decided = match expanded {
                Some(u) => {
                    let question =
                        Question { rule, limits: &limits, tolerance, floor: None, unit: Unit::Other(unit) };
                    decide_on(&question, &Known::Normal { value, standard: 0.5 * u })
                }
                None => Decided { verdict: Verdict::Undecided, reason: UNKNOWN.into() },
            };
            evaluation.verdict = decided.verdict;
            evaluation.reason = decided.reason;
        }
        Requirement::Angle { nominal_rad, upper_deviation_rad, lower_deviation_rad, .. } => {
            let limits = [nominal_rad + lower_deviation_rad, nominal_rad + upper_deviation_rad];
            of_angle(rule, reading, limits, evaluation);
        }
        _ => in_mm(plan, characteristic, reading, evaluation),
    }
    evaluation.reading = Some(result);
}

/// An angle, between limits in rad.
fn of_angle(rule: &Decision, reading: &Reading, [low, high]: [f64; 2], evaluation: &mut Evaluation) {
    let (Some(read), Some(factor)) = (reading.value, angle_deg(&reading.unit)) else {
        evaluation.reason = "the reading has no value in a unit of angle".into();
        return;
    };
    let value = (read * factor).to_radians();
    match reading.expanded_uncertainty {
        Some(expanded) => {
            let budget = Budget::new().with(Source::Instrument, (0.5 * expanded * factor).to_radians());
            let standard = budget.combined_mm();
            let limits = Limits { lower_mm: Some(low), upper_mm: Some(high) };
            let tolerance = high - low;
            let question = Question { rule, limits: &limits, tolerance, floor: None, unit: Unit::Radian };
            let decided = decide_on(&question, &Known::Normal { value, standard });
            let interval = Interval { low_mm: value - 1.96 * standard, high_mm: value + 1.96 * standard };
            let (missing, part_proves) = (None, true);
            settle(evaluation, Outcome { value_mm: value, budget, interval, decided, missing, part_proves });
        }
        None => {
            evaluation.value_mm = Some(value);
            evaluation.verdict = Verdict::Undecided;
            evaluation.reason = UNKNOWN.into();
        }
    }
    as_angle(evaluation);
}

/// A requirement in millimetres, read by hand instead of measured on the scan.
fn in_mm(plan: &Plan, characteristic: &Characteristic, reading: &Reading, evaluation: &mut Evaluation) {
    let (Some(value), Some(factor)) = (reading.value, length_mm(&reading.unit)) else {
        evaluation.reason = "the reading has no value in a unit of length".into();
        return;
    };
    if let Some(reason) = own_datum(plan, characteristic) {
        evaluation.reason = reason;
        return;
    }
    if let Some(problem) = refused(plan, characteristic, value) {
        evaluation.reason = format!("the reading {problem}");
        return;
    }
    let value_mm = value * factor;
    evaluation.value_mm = Some(value_mm);
    if characteristic.requirement.is_zone() {
        evaluation.operators.insert("coverage".into(), ONE_READING.into());
    }
    let Some(expanded) = reading.expanded_uncertainty else {
        evaluation.verdict = Verdict::Undecided;
        evaluation.reason = UNKNOWN.into();
        return;
    };
    let budget = Budget::new().with(Source::Instrument, 0.5 * expanded * factor);
    let u = budget.combined_mm();
    let tolerance_mm = match (evaluation.limits.lower_mm, evaluation.limits.upper_mm) {
        (Some(low), Some(high)) => high - low,
        (Some(one), None) | (None, Some(one)) => one.abs(),
        (None, None) => 0.0,
    };
    let mut decided = decide(&plan.decision, value_mm, u, &evaluation.limits, tolerance_mm, None);
    if one_place(characteristic) {
        evaluation.operators.insert("coverage".into(), ONE_PLACE.into());
        if decided.verdict == Verdict::Conforms {
            decided = Decided { verdict: Verdict::Undecided, reason: WITHIN_THERE.into() };
        }
    }
    let signed = matches!(
        characteristic.requirement,
        Requirement::SurfaceProfile { .. }
            | Requirement::LineProfile { .. }
            | Requirement::Gap { .. }
            | Requirement::Step { .. }
            | Requirement::Protrusion { .. }
    );
    let least = if signed { f64::NEG_INFINITY } else { 0.0 };
    let interval = Interval { low_mm: (value_mm - 1.96 * u).max(least), high_mm: value_mm + 1.96 * u };
    settle(evaluation, Outcome { value_mm, budget, interval, decided, missing: None, part_proves: true });
}

/// From one unit to another: 1 for the same, the quotient for two lengths.
fn factor(from: &str, to: &str) -> Option<f64> {
    if from == to { Some(1.0) } else { Some(length_mm(from)? / length_mm(to)?) }
}
