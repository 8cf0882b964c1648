//! Exit codes, all of them, in this one place.
//!
//! | code | meaning |
//! | ---: | --- |
//! | 0 | done; from `measure` and `record show --exit-verdict`: conforms |
//! | 1 | does not conform (those two commands only) |
//! | 2 | wrong usage |
//! | 3 | undecided, not measured, or no verdict yet; from the single sums: the points do not answer the question |
//! | 4 | an input or a plan was refused |
//! | 5 | not found, or in conflict with what is there |
//! | 6 | not allowed |
//! | 7 | unavailable, or too late |
//! | 70 | a fault of the program |
//! | 130 | interrupted |

use std::fmt;

use scantling_proto::v1::{ErrorReason, FailureReason, Inspection, InspectionState, Verdict};
use tonic::{Code, Status};
use tonic_types::StatusExt;

/// How the program ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub(crate) enum Exit {
    /// Done; where a verdict is mapped: conforms.
    Success = 0,
    DoesNotConform = 1,
    Usage = 2,
    Undecided = 3,
    Refused = 4,
    NotFoundOrConflict = 5,
    NotAllowed = 6,
    Unavailable = 7,
    Internal = 70,
    Interrupted = 130,
}

/// An error of the client's own, with the code it ends in.
#[derive(Debug)]
pub(crate) struct Ended {
    pub(crate) exit: Exit,
    message: String,
}

impl fmt::Display for Ended {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Ended {}

impl Exit {
    pub(crate) fn code(self) -> i32 {
        i32::from(self as u8)
    }

    /// An error that ends in this code.
    pub(crate) fn because(self, message: impl Into<String>) -> anyhow::Error {
        Ended { exit: self, message: message.into() }.into()
    }

    /// The code of an inspection's verdict. One that has none yet is never read as a pass.
    pub(crate) fn of_inspection(inspection: &Inspection) -> Self {
        match inspection.state() {
            InspectionState::Done => Self::of_verdict(inspection.verdict()),
            InspectionState::Failed => Self::of_failure(inspection.failure()),
            InspectionState::Queued | InspectionState::Running => Self::Undecided,
            InspectionState::Unspecified => Self::Internal,
        }
    }

    /// The code where a verdict was needed and there is none.
    #[cfg(feature = "embedded")]
    pub(crate) fn of_unfinished(inspection: &Inspection) -> Self {
        match inspection.state() {
            InspectionState::Failed => Self::of_failure(inspection.failure()),
            _ => Self::Unavailable,
        }
    }

    /// The worst of several inspections'. One that surely does not conform is worse than one without an
    /// answer, which is worse than an undecided one.
    pub(crate) fn worst(of: impl IntoIterator<Item = Self>) -> Self {
        let rank = |exit: &Self| match exit {
            Self::Success => 0,
            Self::Undecided => 1,
            Self::Unavailable => 2,
            Self::Refused => 3,
            Self::DoesNotConform => 5,
            _ => 4,
        };
        of.into_iter().max_by_key(rank).unwrap_or(Self::Undecided)
    }

    fn of_verdict(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Conforms => Self::Success,
            Verdict::DoesNotConform => Self::DoesNotConform,
            Verdict::Undecided | Verdict::NotMeasured => Self::Undecided,
            Verdict::Unspecified => Self::Internal,
        }
    }

    fn of_failure(failure: FailureReason) -> Self {
        match failure {
            FailureReason::ScanUnreadable
            | FailureReason::LimitExceeded
            | FailureReason::LengthUnit
            | FailureReason::PointsUnreadable => Self::Refused,
            FailureReason::Internal | FailureReason::Unspecified => Self::Internal,
        }
    }

    /// The code of an error: the first in its chain that has one.
    pub(crate) fn of_error(error: &anyhow::Error) -> Self {
        for cause in error.chain() {
            if let Some(ended) = cause.downcast_ref::<Ended>() {
                return ended.exit;
            }
            if let Some(status) = cause.downcast_ref::<Status>() {
                return Self::of_status(status);
            }
        }
        Self::Internal
    }

    /// The code of a refused call: by its reason, and where it tells none by its canonical code.
    pub(crate) fn of_status(status: &Status) -> Self {
        match reason(status) {
            ErrorReason::InvalidField
            | ErrorReason::PlanRefused
            | ErrorReason::NominalRefused
            | ErrorReason::ScanRefused
            | ErrorReason::SimulationRefused
            | ErrorReason::DigestMismatch
            | ErrorReason::LimitExceeded => Self::Refused,
            // The question was right, and there is no answer.
            ErrorReason::Undetermined => Self::Undecided,
            ErrorReason::NotFound
            | ErrorReason::AlreadyExists
            | ErrorReason::RequestIdReused
            | ErrorReason::AlreadyInspected
            | ErrorReason::RevisionNotDraft
            | ErrorReason::VerificationWithdrawn
            | ErrorReason::UploadOffset => Self::NotFoundOrConflict,
            ErrorReason::RevisionNotReleased | ErrorReason::SimulatedScan => Self::NotAllowed,
            ErrorReason::Overloaded | ErrorReason::Stopping => Self::Unavailable,
            ErrorReason::Internal => Self::Internal,
            ErrorReason::Unspecified => Self::of_code(status),
        }
    }

    fn of_code(status: &Status) -> Self {
        match status.code() {
            Code::Ok => Self::Success,
            Code::InvalidArgument | Code::OutOfRange | Code::DataLoss => Self::Refused,
            Code::NotFound | Code::AlreadyExists | Code::Aborted | Code::FailedPrecondition => {
                Self::NotFoundOrConflict
            }
            Code::PermissionDenied | Code::Unauthenticated => Self::NotAllowed,
            // tonic 0.14 reports an expired deadline as CANCELLED "Timeout expired" (its transport's
            // `TimeoutExpired`), not as DEADLINE_EXCEEDED.
            Code::Cancelled | Code::DeadlineExceeded | Code::Unavailable | Code::ResourceExhausted => {
                Self::Unavailable
            }
            // A broken connection, as the transport tells it: with its cause, which no server can send.
            Code::Unknown | Code::Internal if std::error::Error::source(status).is_some() => {
                Self::Unavailable
            }
            _ if is_foreign(status) => Self::Unavailable,
            Code::Unknown | Code::Internal | Code::Unimplemented => Self::Internal,
        }
    }
}

/// Whether something else than a service of this contract answered: nothing that speaks gRPC, or a gRPC
/// service without the call (which an older service of ours is too).
pub(crate) fn is_foreign(status: &Status) -> bool {
    // tonic 0.14 words the answer of a web server so (`Status::from_http`, `infer_grpc_status`).
    let web = status.message().contains("grpc-status header missing");
    status.get_details_error_info().is_none() && (status.code() == Code::Unimplemented || web)
}

/// What an error tells beside its reason, by name.
pub(crate) fn metadata(status: &Status, name: &str) -> Option<String> {
    status.get_details_error_info().and_then(|info| info.metadata.get(name).cloned())
}

/// The refusal of a call within an error.
pub(crate) fn status_of(error: &anyhow::Error) -> Option<&Status> {
    error.chain().find_map(|cause| cause.downcast_ref())
}

/// The contract's reason in an error, `Unspecified` when it has none that is known.
pub(crate) fn reason(status: &Status) -> ErrorReason {
    status
        .get_details_error_info()
        .and_then(|info| ErrorReason::from_str_name(&format!("ERROR_REASON_{}", info.reason)))
        .unwrap_or(ErrorReason::Unspecified)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashMap;
    use tonic_types::ErrorDetails;

    #[test]
    fn the_codes_are_those_of_the_documentation() {
        let codes = [
            Exit::Success,
            Exit::DoesNotConform,
            Exit::Usage,
            Exit::Undecided,
            Exit::Refused,
            Exit::NotFoundOrConflict,
            Exit::NotAllowed,
            Exit::Unavailable,
            Exit::Internal,
            Exit::Interrupted,
        ]
        .map(Exit::code);
        assert_eq!(codes, [0, 1, 2, 3, 4, 5, 6, 7, 70, 130]);
    }

    fn inspection(state: InspectionState, verdict: Verdict) -> Inspection {
        Inspection { state: state.into(), verdict: verdict.into(), ..Inspection::default() }
    }

    #[test]
    fn only_a_finished_inspection_that_conforms_is_a_success() {
        for state in [
            InspectionState::Unspecified,
            InspectionState::Queued,
            InspectionState::Running,
            InspectionState::Done,
            InspectionState::Failed,
        ] {
            for verdict in [
                Verdict::Unspecified,
                Verdict::Conforms,
                Verdict::DoesNotConform,
                Verdict::Undecided,
                Verdict::NotMeasured,
            ] {
                let success = Exit::of_inspection(&inspection(state, verdict)) == Exit::Success;
                let conforms = state == InspectionState::Done && verdict == Verdict::Conforms;
                assert_eq!(success, conforms, "{state:?} {verdict:?}");
            }
        }
    }

    #[test]
    fn verdicts_and_failures_have_their_codes() {
        let of = |verdict| Exit::of_inspection(&inspection(InspectionState::Done, verdict));
        assert_eq!(of(Verdict::DoesNotConform), Exit::DoesNotConform);
        assert_eq!(of(Verdict::Undecided), Exit::Undecided);
        assert_eq!(of(Verdict::NotMeasured), Exit::Undecided);
        let failed = |reason: FailureReason| {
            let mut failed = inspection(InspectionState::Failed, Verdict::Unspecified);
            failed.failure = Some(reason.into());
            Exit::of_inspection(&failed)
        };
        assert_eq!(failed(FailureReason::ScanUnreadable), Exit::Refused);
        assert_eq!(failed(FailureReason::LengthUnit), Exit::Refused);
        assert_eq!(failed(FailureReason::Internal), Exit::Internal);
    }

    #[test]
    fn the_worst_of_several_is_never_better_than_one_of_them() {
        use Exit::{DoesNotConform, Internal, Refused, Success, Unavailable, Undecided};
        assert_eq!(Exit::worst([Success, Success]), Success);
        assert_eq!(Exit::worst([Success, Undecided]), Undecided);
        assert_eq!(Exit::worst([Undecided, DoesNotConform, Success]), DoesNotConform);
        assert_eq!(Exit::worst([Internal, DoesNotConform, Refused]), DoesNotConform);
        assert_eq!(Exit::worst([Success, Refused, Undecided, Unavailable]), Refused);
        // Nothing measured is no pass.
        assert_eq!(Exit::worst([]), Undecided);
    }

    #[test]
    fn a_service_without_the_call_is_not_ours() {
        let foreign = Status::unimplemented("");
        assert!(is_foreign(&foreign));
        assert_eq!(Exit::of_status(&foreign), Exit::Unavailable);
        let details = ErrorDetails::with_error_info("INTERNAL", "scantling", HashMap::new());
        assert!(!is_foreign(&Status::with_error_details(Code::Unimplemented, "no", details)));
    }

    #[test]
    fn an_expired_deadline_is_too_late_however_it_is_told() {
        assert_eq!(Exit::of_status(&Status::cancelled("Timeout expired")), Exit::Unavailable);
        assert_eq!(Exit::of_status(&Status::deadline_exceeded("late")), Exit::Unavailable);
    }

    #[test]
    fn a_reason_counts_for_more_than_the_canonical_code() {
        let with = |code, reason: &str| {
            let details = ErrorDetails::with_error_info(reason, "scantling", HashMap::new());
            Exit::of_status(&Status::with_error_details(code, "no", details))
        };
        assert_eq!(with(Code::FailedPrecondition, "REVISION_NOT_DRAFT"), Exit::NotFoundOrConflict);
        assert_eq!(with(Code::FailedPrecondition, "REVISION_NOT_RELEASED"), Exit::NotAllowed);
        assert_eq!(with(Code::InvalidArgument, "PLAN_REFUSED"), Exit::Refused);
        assert_eq!(with(Code::ResourceExhausted, "LIMIT_EXCEEDED"), Exit::Refused);
        assert_eq!(with(Code::NotFound, "A_REASON_OF_TOMORROW"), Exit::NotFoundOrConflict);
    }

    #[test]
    fn a_fault_of_the_server_is_not_taken_for_a_broken_connection() {
        assert_eq!(Exit::of_status(&Status::internal("fault")), Exit::Internal);
        assert_eq!(Exit::of_status(&Status::unavailable("gone")), Exit::Unavailable);
    }
}
