//! What an evaluation tells of its conformity: probability, risks, acceptance limits, what would decide.

use super::{Known, Question, Unit, acceptance, would_decide};
use crate::plan::Decision;
use crate::record::{ConformityResult, Evaluation, Limits, Verdict};

/// Sources of uncertainty that more points of a scan make smaller; of scans joined, where they overlap.
const BY_POINTS: [&str; 4] = ["noise", "alignment", "lean", "join"];

/// Sources that are the instrument's, its export's or the temperature's.
const BY_INSTRUMENT: [&str; 6] =
    ["instrument", "length_scale", "distortion", "probing", "temperature", "smoothing"];

/// Tells of an evaluation how likely it conforms, as far as it has a value with an uncertainty. Does nothing where it was told
/// before, as it is of what is not known by a normal distribution.
pub fn tell(rule: &Decision, evaluation: &mut Evaluation) {
    if evaluation.conformity.is_some() || evaluation.verdict == Verdict::NotMeasured {
        return;
    }
    let told = if let Some(angle) = &evaluation.angle {
        let limits = Limits { lower_mm: Some(angle.lower_limit_deg), upper_mm: Some(angle.upper_limit_deg) };
        let budget: Vec<(&str, f64)> =
            angle.budget.iter().map(|c| (c.source.as_str(), c.standard_uncertainty_deg)).collect();
        let known = (angle.value_deg, angle.standard_uncertainty_deg);
        of(rule, evaluation, known, (limits, angle.noise_floor_deg, Unit::Other("deg")), &budget)
    } else if let (Some(reading), None) = (&evaluation.reading, evaluation.value_mm) {
        let limits = Limits { lower_mm: reading.lower_limit, upper_mm: reading.upper_limit };
        let known = (reading.value, reading.expanded_uncertainty.map(|u| 0.5 * u));
        of(rule, evaluation, known, (limits, None, Unit::Other(&reading.unit)), &[])
    } else {
        let budget: Vec<(&str, f64)> =
            evaluation.budget.iter().map(|c| (c.source.as_str(), c.standard_uncertainty_mm)).collect();
        let known = (evaluation.value_mm, evaluation.standard_uncertainty_mm);
        let limits = (evaluation.limits, evaluation.noise_floor_mm, Unit::Millimetre);
        of(rule, evaluation, known, limits, &budget)
    };
    take(evaluation, told);
}

/// The same for what is known by another distribution: `known` with the limits of the evaluation, in mm.
pub(crate) fn tell_known(rule: &Decision, known: &Known, evaluation: &mut Evaluation) {
    if evaluation.verdict == Verdict::NotMeasured {
        return;
    }
    let budget: Vec<(&str, f64)> =
        evaluation.budget.iter().map(|c| (c.source.as_str(), c.standard_uncertainty_mm)).collect();
    let question = Question {
        rule,
        limits: &evaluation.limits,
        tolerance: width(&evaluation.limits),
        floor: evaluation.noise_floor_mm,
        unit: Unit::Millimetre,
    };
    let told = Some(result(evaluation, &question, known, &budget));
    take(evaluation, told);
}

/// Writes it, and what would decide into the reason too.
fn take(evaluation: &mut Evaluation, told: Option<ConformityResult>) {
    if let Some(words) = told.as_ref().and_then(|t| t.would_decide.as_ref()) {
        evaluation.reason = format!("{}; {words}", evaluation.reason);
    }
    evaluation.conformity = told;
}

/// The width of a tolerance; of one limit alone that limit.
fn width(limits: &Limits) -> f64 {
    match (limits.lower_mm, limits.upper_mm) {
        (Some(low), Some(high)) => high - low,
        (Some(one), None) | (None, Some(one)) => one.abs(),
        (None, None) => 0.0,
    }
}

fn of(
    rule: &Decision,
    evaluation: &Evaluation,
    (value, standard): (Option<f64>, Option<f64>),
    (limits, floor, unit): (Limits, Option<f64>, Unit),
    budget: &[(&str, f64)],
) -> Option<ConformityResult> {
    let known = Known::Normal { value: value?, standard: standard? };
    let question = Question { rule, limits: &limits, tolerance: width(&limits), floor, unit };
    Some(result(evaluation, &question, &known, budget))
}

fn result(
    evaluation: &Evaluation,
    question: &Question,
    known: &Known,
    budget: &[(&str, f64)],
) -> ConformityResult {
    let probability = known.within(question.limits);
    let by_scan = evaluation.measured_by == "scan";
    let share = |names: &[&str]| {
        budget.iter().filter(|(s, _)| names.contains(s)).map(|(_, u)| u * u).sum::<f64>().sqrt()
    };
    // What few points or a reading err by is the instrument's, also where they align.
    let (noise, instrument) = match (by_scan, budget.is_empty()) {
        (true, _) => (share(&BY_POINTS), share(&BY_INSTRUMENT)),
        (false, true) => (0.0, known.standard()),
        (false, false) => {
            let (points, instrument) = (share(&BY_POINTS), share(&BY_INSTRUMENT));
            (0.0, (points * points + instrument * instrument).sqrt())
        }
    };
    let undecided = evaluation.verdict == Verdict::Undecided;
    let deciding = undecided.then(|| would_decide(question, known, noise, instrument)).flatten();
    let points = evaluation.coverage.as_ref().map(|c| c.points);
    let accepted = acceptance(question, known);
    ConformityResult {
        probability,
        specific_consumer_risk: (evaluation.verdict != Verdict::DoesNotConform).then_some(1.0 - probability),
        specific_producer_risk: (evaluation.verdict != Verdict::Conforms).then_some(probability),
        acceptance_lower: accepted.and_then(|a| a.lower_mm),
        acceptance_upper: accepted.and_then(|a| a.upper_mm),
        points_times: match deciding {
            Some(super::WouldDecide::MorePoints { times }) => Some(times),
            _ => None,
        },
        would_decide: deciding.map(|d| d.words(question, points)),
    }
}

#[cfg(test)]
#[path = "told_tests.rs"]
mod tests;
