//! An inspection with every characteristic, and on one line.

use scantling_proto::v1::{FailureReason, Inspection, InspectionState, Purpose, Verdict};

use super::{Entry, Look, evaluations, facts, strong, time, words};
use crate::names::{id, short_revision};

/// The whole inspection.
pub(crate) fn whole(inspection: &Inspection, look: &Look) -> String {
    let mut text = facts(&about(inspection), look);
    text.push('\n');
    text.push_str(&evaluations::all(&inspection.evaluations, look));
    text.push_str(&evaluations::advice(&inspection.advice, look));
    text.push_str(&facts(&outcome(inspection), look));
    text
}

fn about(inspection: &Inspection) -> Vec<(&'static str, String)> {
    let attempt = match (&inspection.repeat_of, inspection.attempt) {
        (Some(first), n) => format!("{n}, repeats {first}"),
        (None, n) if n > 1 => n.to_string(),
        _ => String::new(),
    };
    vec![
        ("inspection", inspection.name.clone()),
        (
            "part",
            format!("{}, serial number {}", short_revision(&inspection.revision), inspection.serial_number),
        ),
        ("purpose", purpose(inspection.purpose()).to_owned()),
        ("scope", inspection.scope_groups.join(", ")),
        ("attempt", attempt),
    ]
}

fn outcome(inspection: &Inspection) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    match inspection.state() {
        InspectionState::Done => {
            lines.push(("verdict", with_reason(inspection)));
        }
        InspectionState::Failed => {
            let why = failure(inspection.failure());
            lines.push(("state", format!("FAILED, no verdict: {why}")));
            lines.push(("why", inspection.reason.clone()));
        }
        _ => lines.push(("state", state_with_progress(inspection))),
    }
    if inspection.finish_time.is_some() {
        lines.push(("finished", time(inspection.finish_time.as_ref())));
    }
    lines.push(("result", inspection.result_sha256.clone()));
    lines.extend(inspection.cautions.iter().map(|caution| ("caution", caution.clone())));
    lines
}

/// The verdict and why, without saying it twice. A verdict over some groups says so.
fn with_reason(inspection: &Inspection) -> String {
    let word = scoped(inspection);
    reasoned(&word, verdict(inspection.verdict()), &inspection.reason)
}

/// The verdict's word, with the groups that it is over where it is not over the whole plan: what passed a quick
/// check of one group must not read as a release.
fn scoped(inspection: &Inspection) -> String {
    over(verdict(inspection.verdict()), &inspection.scope_groups)
}

/// A word of a verdict with the groups that it is over.
pub(crate) fn over(word: &str, groups: &[String]) -> String {
    match groups {
        [] => word.to_owned(),
        groups => format!("{word} ({} only)", groups.join(", ")),
    }
}

/// `shown` and why; what the reason repeats of `word` is left out.
pub(crate) fn reasoned(shown: &str, word: &str, reason: &str) -> String {
    let same = reason.get(..word.len()).is_some_and(|start| start.eq_ignore_ascii_case(word));
    let rest = if same { reason[word.len()..].trim_start_matches([':', ' ']) } else { reason };
    if rest.is_empty() { shown.to_owned() } else { format!("{shown}: {rest}") }
}

/// How far, in words.
pub(crate) fn state_with_progress(inspection: &Inspection) -> String {
    match inspection.state() {
        InspectionState::Queued => "queued, no verdict yet".to_owned(),
        InspectionState::Running => format!("running, {} %, no verdict yet", inspection.progress_percent),
        InspectionState::Done => "done".to_owned(),
        InspectionState::Failed => "failed, no verdict".to_owned(),
        InspectionState::Unspecified => "unknown to this program".to_owned(),
    }
}

/// The answer of a finished inspection in one entry, or how far it is.
pub(crate) fn answer(inspection: &Inspection) -> Entry {
    match inspection.state() {
        InspectionState::Done => match inspection.verdict() {
            Verdict::Conforms => words(scoped(inspection)),
            _ => strong(scoped(inspection)),
        },
        InspectionState::Failed => strong(format!("FAILED: {}", failure(inspection.failure()))),
        _ => words(state_with_progress(inspection)),
    }
}

pub(super) fn verdict_entry(is: Verdict) -> Entry {
    match is {
        Verdict::Conforms => words(verdict(is)),
        _ => strong(verdict(is)),
    }
}

/// A verdict in words.
pub(crate) fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Conforms => "CONFORMS",
        Verdict::DoesNotConform => "DOES NOT CONFORM",
        Verdict::Undecided => "UNDECIDED",
        Verdict::NotMeasured => "NOT MEASURED",
        Verdict::Unspecified => "NO VERDICT",
    }
}

fn failure(reason: FailureReason) -> &'static str {
    match reason {
        FailureReason::ScanUnreadable => "the scan cannot be read",
        FailureReason::LimitExceeded => "the scan is too large",
        FailureReason::LengthUnit => "the scan seems to be in another length unit",
        FailureReason::PointsUnreadable => "the measured points cannot be used",
        FailureReason::Internal => "a fault of the program",
        FailureReason::Unspecified => "for a reason that this program does not know",
    }
}

/// A purpose in words.
pub(crate) fn purpose(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Production => "production",
        Purpose::FirstArticle => "first article",
        Purpose::Study => "study",
        Purpose::Rehearsal => "rehearsal",
        Purpose::Unspecified => "",
    }
}

/// An inspection on one line of a list that is written as it grows.
pub(crate) fn line(sequence: i64, inspection: &Inspection) -> String {
    let answer = match inspection.state() {
        InspectionState::Done => scoped(inspection),
        InspectionState::Failed => format!("FAILED: {}", failure(inspection.failure())),
        _ => state_with_progress(inspection),
    };
    format!(
        "{sequence:>6}  {}  {}  {}  serial number {}  {}  {answer}\n",
        time(inspection.finish_time.as_ref()),
        id(&inspection.name),
        short_revision(&inspection.revision),
        inspection.serial_number,
        purpose(inspection.purpose()),
    )
}

#[cfg(test)]
#[path = "inspection_tests.rs"]
mod tests;
