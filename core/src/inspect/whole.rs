//! The record as a whole: the verdict over all characteristics, and what must be known of it.

use super::Job;
use crate::conformity::over_all;
use crate::plan::Decision;
use crate::record::{Evaluation, RECORD_VERSION, Record, SourceRecord, Verdict};

fn decision_words(rule: &Decision) -> String {
    match rule {
        Decision::Proven => "conformity or nonconformity must be proven at 95 % (ISO 14253-1:2017)".into(),
        Decision::Simple { ratio } => {
            format!(
                "simple acceptance with expanded uncertainty at most {ratio} of the tolerance (JCGM 106:2012, 8.2)"
            )
        }
        Decision::Probability { conforms } => {
            format!("probability of conformity at least {conforms} (JCGM 106:2012)")
        }
    }
}

/// What the uncertainty holds and what not, for every way in which something was measured; where nothing was, nothing
/// is said of it.
fn by_what(evaluations: &[Evaluation]) -> Vec<String> {
    let by = |way: &str| evaluations.iter().filter(|e| e.measured_by == way).count() > 0;
    let mut cautions: Vec<String> = Vec::new();
    if by("scan") {
        cautions.push("Where measured on a scan, the uncertainty holds noise, sampling and alignment as seen in the scan itself; the instrument's own verification, temperature and restraint are not part of it.".into());
    }
    if by("points") {
        cautions.push("Where measured by points, the uncertainty holds what was stated of each point, what fits leave over and the alignment on the datums; form between the points taken, temperature and restraint are not part of it.".into());
    }
    if by("reading") {
        cautions.push("Where told by readings, the uncertainty is what was stated with each; nothing of it was checked here.".into());
    }
    let alone: Vec<&str> = evaluations
        .iter()
        .filter(|e| e.measured_by == "reading" && matches!(e.requirement.as_str(), "flatness" | "position"))
        .filter(|e| e.verdict != Verdict::NotMeasured)
        .map(|e| e.number.as_str())
        .collect();
    if !alone.is_empty() {
        cautions.push(format!(
            "Told by one reading by hand, which is not held to coverage of the feature: {}.",
            alone.join(", ")
        ));
    }
    cautions
}

/// The record of these evaluations, before it is told where they come from.
pub(super) fn record(job: &Job, evaluations: Vec<Evaluation>) -> Record {
    let required: Vec<&Evaluation> = evaluations.iter().filter(|e| e.required).collect();
    let verdict = over_all(required.iter().map(|e| e.verdict));
    let of = |v: Verdict| {
        let numbers: Vec<&str> =
            required.iter().filter(|e| e.verdict == v).map(|e| e.number.as_str()).collect();
        numbers.join(", ")
    };
    let reason = match verdict {
        _ if required.is_empty() => "no required characteristic is in the scope".into(),
        Verdict::Conforms => format!("all {} required characteristics conform", required.len()),
        Verdict::DoesNotConform => format!("does not conform: {}", of(verdict)),
        Verdict::Undecided => format!("undecided: {}", of(verdict)),
        Verdict::NotMeasured => {
            // One cause for all of them says more than their numbers.
            let missing: Vec<&&Evaluation> = required.iter().filter(|e| e.verdict == verdict).collect();
            match missing.first() {
                Some(first)
                    if missing.len() == required.len()
                        && missing.iter().all(|e| e.reason == first.reason) =>
                {
                    first.reason.clone()
                }
                _ => format!("not measured: {}", of(verdict)),
            }
        }
    };
    let mut cautions = vec![
        "Acceptance of safety-relevant parts rests with the responsible quality authority, the customer's requirements and local rules."
            .to_string(),
    ];
    cautions.extend(by_what(&evaluations));
    if !job.scope.is_empty() {
        cautions
            .push(format!("A verdict over group {} only, not a release of the part.", job.scope.join(", ")));
    }
    Record {
        record_version: RECORD_VERSION,
        program_version: env!("CARGO_PKG_VERSION").into(),
        nominal_sha256: job.nominal_sha256.clone(),
        plan_sha256: job.plan.sha256(),
        sources: Vec::<SourceRecord>::new(),
        scope: job.scope.to_vec(),
        decision: decision_words(&job.plan.decision),
        alignment: None,
        datum_systems: Vec::new(),
        deviation_sha256: None,
        evaluations,
        verdict,
        reason,
        cautions,
        advice: Vec::new(),
    }
}
