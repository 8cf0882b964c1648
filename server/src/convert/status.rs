//! The only place that turns what went wrong into gRPC's words: a canonical code, one `ErrorInfo` whose
//! reason is in the contract, and every bad field at once.

use std::collections::HashMap;
use std::time::Duration;

/// Why a call is refused, in the contract's words.
pub(crate) use scantling_proto::v1::ErrorReason;
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, FieldViolation, StatusExt};

use crate::store::StoreError;

/// The domain of every reason.
const DOMAIN: &str = "scantling";
/// Details travel in a header, and common clients refuse headers above 8 KiB: so many bytes of field
/// violations are sent at most, and the metadata counts the rest.
const VIOLATION_BYTES: usize = 3000;
/// The same for the message, which may triple by its encoding.
const MESSAGE_BYTES: usize = 700;
/// When to try again after too much was asked at once: about the time of one short piece of work.
const RETRY_AFTER: Duration = Duration::from_secs(1);

/// Why a call was refused.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Problem {
    reason: ErrorReason,
    message: String,
    metadata: Vec<(&'static str, String)>,
    violations: Vec<(String, String)>,
}

impl Problem {
    pub(crate) fn new(reason: ErrorReason, message: impl Into<String>) -> Self {
        Self { reason, message: message.into(), metadata: Vec::new(), violations: Vec::new() }
    }

    /// Names a variable of the message.
    pub(crate) fn with(mut self, name: &'static str, value: &(impl ToString + ?Sized)) -> Self {
        self.metadata.push((name, value.to_string()));
        self
    }

    /// Fields that are not as they must be: field and what to write instead.
    pub(crate) fn fields(reason: ErrorReason, violations: Vec<(String, String)>) -> Self {
        let words: Vec<String> =
            violations.iter().map(|(field, words)| format!("{field}: {words}")).collect();
        Self { reason, message: words.join("; "), metadata: Vec::new(), violations }
    }

    pub(crate) fn field(field: &str, words: impl Into<String>) -> Self {
        Self::fields(ErrorReason::InvalidField, vec![(field.to_owned(), words.into())])
    }

    /// A fault of ours: the log gets the cause, the caller does not.
    pub(crate) fn internal(cause: impl std::fmt::Display) -> Self {
        tracing::error!(%cause, "internal");
        Self::new(ErrorReason::Internal, "a fault of the program; its log says more")
    }

    pub(crate) fn stopping() -> Self {
        Self::new(ErrorReason::Stopping, "the server is stopping; try again later")
    }

    pub(crate) fn overloaded(what: &'static str, limit: usize) -> Self {
        Self::new(
            ErrorReason::Overloaded,
            format!("{what}: {limit} are under way, which is the limit; try again"),
        )
        .with("limit", &limit)
    }

    fn code(&self) -> Code {
        match self.reason {
            ErrorReason::InvalidField
            | ErrorReason::PlanRefused
            | ErrorReason::NominalRefused
            | ErrorReason::ScanRefused
            | ErrorReason::SimulationRefused
            // A size that will never be taken; asking again does not help.
            | ErrorReason::LimitExceeded => Code::InvalidArgument,
            ErrorReason::NotFound => Code::NotFound,
            ErrorReason::AlreadyExists | ErrorReason::RequestIdReused | ErrorReason::AlreadyInspected => {
                Code::AlreadyExists
            }
            ErrorReason::RevisionNotDraft
            | ErrorReason::RevisionNotReleased
            | ErrorReason::SimulatedScan
            | ErrorReason::VerificationWithdrawn
            | ErrorReason::Undetermined => {
                Code::FailedPrecondition
            }
            ErrorReason::UploadOffset => Code::Aborted,
            ErrorReason::DigestMismatch => Code::DataLoss,
            ErrorReason::Overloaded => Code::ResourceExhausted,
            ErrorReason::Stopping => Code::Unavailable,
            ErrorReason::Unspecified | ErrorReason::Internal => Code::Internal,
        }
    }
}

impl From<Problem> for Status {
    fn from(problem: Problem) -> Self {
        let code = problem.code();
        tracing::debug!(?code, reason = ?problem.reason, message = %problem.message, "refused");
        let name = problem.reason.as_str_name();
        let mut metadata: HashMap<String, String> =
            problem.metadata.into_iter().map(|(k, v)| (k.to_owned(), short(v, MESSAGE_BYTES))).collect();
        let mut details = ErrorDetails::new();
        let (mut sent, mut bytes) = (Vec::new(), 0);
        let all = problem.violations.len();
        for (field, words) in problem.violations {
            bytes += field.len() + words.len() + 8;
            if bytes > VIOLATION_BYTES && !sent.is_empty() {
                break;
            }
            sent.push(FieldViolation::new(
                short(field, VIOLATION_BYTES / 4),
                short(words, VIOLATION_BYTES / 2),
            ));
        }
        if sent.len() < all {
            metadata.insert("violations_left_out".to_owned(), (all - sent.len()).to_string());
        }
        if !sent.is_empty() {
            details.set_bad_request(sent);
        }
        if code == Code::ResourceExhausted {
            details.set_retry_info(Some(RETRY_AFTER));
        }
        details.set_error_info(name.strip_prefix("ERROR_REASON_").unwrap_or(name), DOMAIN, metadata);
        Status::with_error_details(code, short(problem.message, MESSAGE_BYTES), details)
    }
}

/// Cuts a text at a character's border.
fn short(mut text: String, bytes: usize) -> String {
    if text.len() > bytes {
        let end = (0..=bytes).rev().find(|&at| text.is_char_boundary(at)).unwrap_or(0);
        text.truncate(end);
        text.push_str(" ...");
    }
    text
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        let message = error.to_string();
        match error {
            StoreError::NotFound { name } => Self::new(ErrorReason::NotFound, message).with("name", &name),
            StoreError::AlreadyExists { name } => {
                Self::new(ErrorReason::AlreadyExists, message).with("name", &name)
            }
            StoreError::RequestIdReused { request_id, first } => {
                Self::new(ErrorReason::RequestIdReused, message)
                    .with("request_id", &request_id)
                    .with("inspection", &format!("inspections/{first}"))
            }
            StoreError::AlreadyInspected { first } => Self::new(ErrorReason::AlreadyInspected, message)
                .with("inspection", &format!("inspections/{first}")),
            StoreError::NotDraft { name, state } => {
                Self::new(ErrorReason::RevisionNotDraft, message).with("name", &name).with("state", state)
            }
            StoreError::NotReleased { name, state } => {
                Self::new(ErrorReason::RevisionNotReleased, message).with("name", &name).with("state", state)
            }
            StoreError::Simulated { name } => {
                Self::new(ErrorReason::SimulatedScan, message).with("name", &name)
            }
            StoreError::Withdrawn { name, reason } => Self::new(ErrorReason::VerificationWithdrawn, message)
                .with("name", &name)
                .with("withdrawn_because", &reason),
            StoreError::Field { field, problem } => Self::field(field, problem),
            StoreError::Overloaded { waiting } => {
                Self::new(ErrorReason::Overloaded, message).with("waiting", &waiting)
            }
            StoreError::UploadOffset { upload, stands, sent } => {
                Self::new(ErrorReason::UploadOffset, message)
                    .with("upload", &format!("uploads/{upload}"))
                    .with("offset_bytes", &stands)
                    .with("sent_bytes", &sent)
            }
            StoreError::FolderInUse { .. }
            | StoreError::Folder { .. }
            | StoreError::Unreadable { .. }
            | StoreError::Database(_)
            | StoreError::Migration(_) => Self::internal(message),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_violations_stay_below_what_clients_take_in_a_header() {
        let many = (0..500).map(|n| (format!("characteristic[{n}].feature"), "ä".repeat(300))).collect();
        let status = Status::from(Problem::fields(ErrorReason::PlanRefused, many));
        assert!(status.details().len() < 5000, "{}", status.details().len());
        assert!(status.message().len() < 800);
        let details = status.get_error_details();
        let sent = details.bad_request().map_or(0, |b| b.field_violations.len());
        let left_out = &details.error_info().expect("one info").metadata["violations_left_out"];
        assert!(sent > 0);
        assert_eq!(left_out, &(500 - sent).to_string());
    }

    #[test]
    fn every_reason_of_the_contract_has_a_code_and_loses_its_prefix() {
        for number in 1..=20 {
            let reason = ErrorReason::try_from(number).expect("a reason of the contract");
            let status = Status::from(Problem::new(reason, "why"));
            assert_ne!(status.code(), Code::Ok);
            let details = status.get_error_details();
            let info = details.error_info().expect("one info");
            assert_eq!(format!("ERROR_REASON_{}", info.reason), reason.as_str_name());
            assert_eq!(info.domain, DOMAIN);
        }
    }
}
