//! Errors in words: what went wrong, every field that is wrong on a line of its own, what to do next.

use tonic::Status;
use tonic_types::StatusExt;

use crate::exit::{is_foreign, metadata, reason};
use crate::names::{id, short_revision};
use scantling_proto::v1::ErrorReason;

/// The text for stderr, without a newline at its end.
pub(crate) fn text(error: &anyhow::Error) -> String {
    let mut lines = Vec::new();
    let mut said = String::new();
    for cause in error.chain() {
        if let Some(status) = cause.downcast_ref::<Status>() {
            join(&mut said, &message(status));
            lines.extend(details(status));
            // What follows a status is the transport's own account of it.
            if is_foreign(status) {
                said.push_str(" (no Scantling service answers there, or one older than this program)");
            } else if status.message().is_empty() || reason(status) == ErrorReason::Unspecified {
                said.extend(root(status).into_iter().map(|cause| format!(" ({cause})")));
            }
            break;
        }
        join(&mut said, &cause.to_string());
    }
    lines.insert(0, format!("error: {said}"));
    lines.join("\n")
}

fn join(said: &mut String, more: &str) {
    let more = more.trim_end();
    if more.is_empty() || said.ends_with(more) {
        return;
    }
    if !said.is_empty() {
        said.push_str(": ");
    }
    said.push_str(more);
}

/// The innermost cause of a status that the transport made.
fn root(status: &Status) -> Option<String> {
    let mut cause = std::error::Error::source(status)?;
    while let Some(inner) = cause.source() {
        cause = inner;
    }
    Some(cause.to_string())
}

/// Fields that are wrong, each with what to write instead.
fn violations(status: &Status) -> Vec<(String, String)> {
    let details = status.get_error_details();
    let mut all = Vec::new();
    if let Some(bad) = details.bad_request() {
        all.extend(bad.field_violations.iter().map(|v| (v.field.clone(), v.description.clone())));
    }
    if let Some(failure) = details.precondition_failure() {
        all.extend(failure.violations.iter().map(|v| (v.subject.clone(), v.description.clone())));
    }
    all
}

/// How many more there are than were sent.
fn left_out(status: &Status) -> usize {
    metadata(status, "violations_left_out").and_then(|n| n.parse().ok()).unwrap_or(0)
}

/// The message, or how many faults there are where it only repeats them.
fn message(status: &Status) -> String {
    let all = violations(status);
    let repeats = all.first().is_some_and(|(field, problem)| {
        // The service cuts a long message.
        let first: String = format!("{field}: {problem}").chars().take(60).collect();
        status.message().starts_with(&first)
    });
    if !repeats {
        return status.message().to_owned();
    }
    let count = all.len() + left_out(status);
    let (one, many) = match reason(status) {
        ErrorReason::PlanRefused => ("fault in the plan", "faults in the plan"),
        _ => ("thing is not as it must be", "things are not as they must be"),
    };
    format!("{count} {}", if count == 1 { one } else { many })
}

fn details(status: &Status) -> Vec<String> {
    let mut lines: Vec<String> = violations(status).iter().map(|(f, p)| violation(f, p)).collect();
    let more = left_out(status);
    if more > 0 {
        let how = match reason(status) {
            ErrorReason::PlanRefused => "`scantling plan check` names them all",
            _ => "mend these and try again",
        };
        lines.push(format!("  and {more} more; {how}"));
    }
    lines.extend(next(status).map(|next| format!("  {next}")));
    if let Some(delay) = status.get_error_details().retry_info().and_then(|info| info.retry_delay) {
        lines.push(format!("  try again in {:.0} s", delay.as_secs_f64().ceil()));
    }
    lines
}

/// A place and what is wrong there.
pub(crate) fn violation(place: &str, problem: &str) -> String {
    if place.is_empty() { format!("  {problem}") } else { format!("  {place}: {problem}") }
}

/// What to do about a reason whose message alone does not say it on the command line.
fn next(status: &Status) -> Option<String> {
    let named = |key: &str| metadata(status, key).map(|name| id(&name).to_owned());
    let fixed = match reason(status) {
        ErrorReason::RequestIdReused => "take another --request-id, or repeat the request as it was",
        ErrorReason::AlreadyInspected => {
            let first = named("inspection").unwrap_or_else(|| "ID".to_owned());
            return Some(format!(
                "to see it: scantling record show {first}; to measure once more: --repeat-of {first}"
            ));
        }
        ErrorReason::RevisionNotReleased => {
            let name = metadata(status, "name").unwrap_or_default();
            if metadata(status, "state").is_some_and(|state| state.eq_ignore_ascii_case("superseded")) {
                return Some("name the revision that is in force, or another --purpose".to_owned());
            }
            return Some(format!(
                "release it with `scantling part release {}`, or state another --purpose",
                short_revision(&name)
            ));
        }
        ErrorReason::NotFound => match metadata(status, "name") {
            Some(name) if name.starts_with("inspections/") => "`scantling record list` shows what there is",
            Some(name) if name.starts_with("instruments/") => {
                "`scantling instrument list` shows what there is"
            }
            Some(name) if name.starts_with("parts/") => "`scantling part list` shows what there is",
            _ => return None,
        },
        ErrorReason::SimulatedScan => "state --purpose rehearsal",
        ErrorReason::Stopping => "try again in a moment; what was accepted is not lost",
        ErrorReason::Internal => "the log of the service says more (SCANTLING_LOG=debug)",
        _ => return None,
    };
    Some(fixed.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use anyhow::Context;
    use std::collections::HashMap;
    use tonic::Code;
    use tonic_types::ErrorDetails;

    #[test]
    fn every_violation_has_its_line() {
        let mut details = ErrorDetails::new();
        details.set_error_info("PLAN_REFUSED", "scantling", HashMap::new());
        details.add_bad_request_violation("characteristic[3].feature", "no feature \"H9\"; there are H1, H2");
        details.add_bad_request_violation("decision", "is missing; write decision = { proven = {} }");
        let status = Status::with_error_details(Code::InvalidArgument, "the plan has 2 faults", details);
        let error = Err::<(), _>(status).context("cannot register ws-214").expect_err("made so");
        assert_eq!(
            text(&error),
            "error: cannot register ws-214: the plan has 2 faults\n  characteristic[3].feature: no feature \
             \"H9\"; there are H1, H2\n  decision: is missing; write decision = { proven = {} }"
        );
    }

    #[test]
    fn what_the_message_repeats_is_said_once_and_what_was_left_out_is_counted() {
        let mut details = ErrorDetails::new();
        let more: HashMap<_, _> = [("violations_left_out".to_owned(), "7".to_owned())].into();
        details.set_error_info("PLAN_REFUSED", "scantling", more);
        details.add_bad_request_violation("decision", "is missing");
        let status = Status::with_error_details(
            Code::InvalidArgument,
            "decision: is missing; feature[0].id: is empty ...",
            details,
        );
        assert_eq!(
            text(&status.into()),
            "error: 8 faults in the plan\n  decision: is missing\n  and 7 more; `scantling plan check` names them all"
        );
    }

    #[test]
    fn hints_name_what_they_speak_of() {
        let with = |reason: &str, key: &str, name: &str| {
            let metadata: HashMap<_, _> = [(key.to_owned(), name.to_owned())].into();
            let details = ErrorDetails::with_error_info(reason, "scantling", metadata);
            text(&Status::with_error_details(Code::AlreadyExists, "no", details).into())
        };
        let first = with("ALREADY_INSPECTED", "inspection", "inspections/01a2");
        assert!(first.contains("record show 01a2") && first.contains("--repeat-of 01a2"), "{first}");
        let draft = with("REVISION_NOT_RELEASED", "name", "parts/ws-214/revisions/c-4");
        assert!(draft.contains("part release ws-214/c-4`"), "{draft}");
        let none = with("NOT_FOUND", "name", "inspections/nonsense");
        assert!(none.contains("record list"), "{none}");
    }

    #[test]
    fn an_error_of_the_client_says_its_causes() {
        let error = anyhow::anyhow!("no such file").context("cannot read scan.ply");
        assert_eq!(text(&error), "error: cannot read scan.ply: no such file");
    }
}
