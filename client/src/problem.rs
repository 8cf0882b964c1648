//! Errors in words: what went wrong, every field that is wrong on a line of its own, what to do next.

use tonic::Status;
use tonic_types::StatusExt;

use crate::exit::reason;
use scantling_proto::v1::ErrorReason;

/// The text for stderr, without a newline at its end.
pub(crate) fn text(error: &anyhow::Error) -> String {
    let mut lines = Vec::new();
    let mut said = String::new();
    for cause in error.chain() {
        if let Some(status) = cause.downcast_ref::<Status>() {
            join(&mut said, status.message());
            lines.extend(details(status));
            // What follows a status is the transport's own account of it.
            if status.message().is_empty() || reason(status) == ErrorReason::Unspecified {
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

fn details(status: &Status) -> Vec<String> {
    let mut lines = Vec::new();
    let details = status.get_error_details();
    if let Some(bad) = details.bad_request() {
        lines.extend(bad.field_violations.iter().map(|v| violation(&v.field, &v.description)));
    }
    if let Some(failure) = details.precondition_failure() {
        lines.extend(failure.violations.iter().map(|v| violation(&v.subject, &v.description)));
    }
    if let Some(next) = next(reason(status)) {
        lines.push(format!("  {next}"));
    }
    if let Some(delay) = details.retry_info().and_then(|info| info.retry_delay) {
        lines.push(format!("  try again in {:.0} s", delay.as_secs_f64().ceil()));
    }
    lines
}

/// A place and what is wrong there.
pub(crate) fn violation(place: &str, problem: &str) -> String {
    if place.is_empty() { format!("  {problem}") } else { format!("  {place}: {problem}") }
}

/// What to do about a reason whose message alone does not say it on the command line.
fn next(reason: ErrorReason) -> Option<&'static str> {
    match reason {
        ErrorReason::RequestIdReused => Some("take another --request-id, or repeat the request as it was"),
        ErrorReason::AlreadyInspected => {
            Some("to measure it once more, name the first with --repeat-of; to see it: scantling record show")
        }
        ErrorReason::RevisionNotReleased => {
            Some("release it with `scantling part release`, or state another --purpose")
        }
        ErrorReason::SimulatedScan => Some("state --purpose rehearsal"),
        ErrorReason::Stopping => Some("try again in a moment; what was accepted is not lost"),
        ErrorReason::Internal => Some("the log of the service says more (SCANTLING_LOG=debug)"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use anyhow::Context;
    use tonic::Code;
    use tonic_types::ErrorDetails;

    #[test]
    fn every_violation_has_its_line() {
        let mut details = ErrorDetails::new();
        details.set_error_info("PLAN_REFUSED", "scantling", std::collections::HashMap::new());
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
    fn an_error_of_the_client_says_its_causes() {
        let error = anyhow::anyhow!("no such file").context("cannot read scan.ply");
        assert_eq!(text(&error), "error: cannot read scan.ply: no such file");
    }
}
