//! The record as a whole: the verdict over all characteristics, and what must be known of it.

use super::Job;
use crate::conformity::over_all;
use crate::plan::{BoundNeighbour, Decision};
use crate::record::{Evaluation, NeighbourRecord, RECORD_VERSION, Record, SourceRecord, Verdict};
use crate::uncertainty::Conditions;

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
        Decision::Guarded { factor } => {
            format!(
                "guarded acceptance and rejection, guard band {factor} times the expanded uncertainty (JCGM 106:2012, 8.3)"
            )
        }
    }
}

/// What the uncertainty of values on scans holds, and what is in none of them because nobody stated it of every scan.
fn on_scans(job: &Job) -> String {
    let of: Vec<Conditions> = (0..job.scans.len()).map(|s| job.condition(s)).collect();
    let temperature = |c: &Conditions| {
        let material = job.plan.material.as_ref().is_some_and(|m| m.expansion_standard_per_k.is_some());
        material && c.temperature_c.is_some() && c.temperature_standard_k.is_some()
    };
    type Held<'a> = (&'a str, &'a dyn Fn(&Conditions) -> bool);
    let all: [Held; 6] = [
        ("noise of a point as verified", &|c| c.errors.point_noise_mm.is_some()),
        ("noise that neighbouring points or passes share", &|c| {
            c.errors.correlated_noise_mm.is_some() || c.errors.pass_seam_mm.is_some()
        }),
        ("length scale", &|c| c.errors.length_scale_mm_per_m.is_some()),
        ("distortion", &|c| c.errors.distortion_mm.is_some()),
        ("probing", &|c| c.errors.probing_mm.is_some()),
        ("temperature", &temperature),
    ];
    let held = |(_, is): &Held| !of.is_empty() && of.iter().all(is);
    let names = |wanted: bool| -> Vec<&str> {
        all.iter().filter(|one| held(one) == wanted).map(|(name, _)| *name).collect()
    };
    let (stated, missing) = (names(true), names(false));
    let stated =
        if stated.is_empty() { String::new() } else { format!(", and as stated {}", stated.join(", ")) };
    let missing = missing.iter().map(|m| format!("{m}, ")).collect::<String>();
    format!(
        "Where measured on a scan, the uncertainty holds noise, sampling and alignment as seen in the scan itself{stated}; {missing}restraint and gravity are not part of it."
    )
}

/// Whether the temperature of all points is known with its uncertainty.
fn by_points_warm(job: &Job) -> bool {
    let material = job.plan.material.as_ref().is_some_and(|m| m.expansion_standard_per_k.is_some());
    let of = (0..job.points.len()).map(|p| job.condition(job.scans.len() + p));
    material && of.into_iter().all(|c| c.temperature_c.is_some() && c.temperature_standard_k.is_some())
}

/// What the uncertainty holds and what not, for every way in which something was measured; where nothing was, nothing
/// is said of it.
fn by_what(job: &Job, evaluations: &[Evaluation]) -> Vec<String> {
    let by = |way: &str| evaluations.iter().filter(|e| e.measured_by == way).count() > 0;
    let mut cautions: Vec<String> = Vec::new();
    if by("scan") {
        cautions.push(on_scans(job));
    }
    if by("points") {
        cautions.push(format!(
            "Where measured by points, the uncertainty holds what was stated of each point, what fits leave over and the alignment on the datums; form between the points taken{} and restraint are not part of it.",
            if by_points_warm(job) { "" } else { ", temperature" }
        ));
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

/// The neighbours' nominals that were given.
fn neighbours(job: &Job) -> Vec<NeighbourRecord> {
    let of = |n: &BoundNeighbour| NeighbourRecord { id: n.id.clone(), sha256: n.sha256.clone() };
    job.faces.neighbours.iter().map(of).collect()
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
    cautions.extend(by_what(job, &evaluations));
    if !job.scope.is_empty() {
        cautions
            .push(format!("A verdict over group {} only, not a release of the part.", job.scope.join(", ")));
    }
    Record {
        record_version: RECORD_VERSION,
        program_version: env!("CARGO_PKG_VERSION").into(),
        nominal_sha256: job.nominal_sha256.clone(),
        neighbours: neighbours(job),
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
        better_revision: None,
    }
}
