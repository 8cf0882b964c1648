//! Enums of the contract and ours. Zero is never a value of ours.

use scantling_core::points::Coordinates;
use scantling_core::record::Verdict;
use scantling_core::scan::LengthUnit;
use scantling_proto::v1;

use crate::store::{Content, Failure, Purpose, Restraint, RevisionState, State, SurfaceClass};

pub(crate) fn length_unit(value: i32) -> Option<LengthUnit> {
    match v1::LengthUnit::try_from(value).ok()? {
        v1::LengthUnit::Unspecified => None,
        v1::LengthUnit::Micrometre => Some(LengthUnit::Micrometre),
        v1::LengthUnit::Millimetre => Some(LengthUnit::Millimetre),
        v1::LengthUnit::Centimetre => Some(LengthUnit::Centimetre),
        v1::LengthUnit::Metre => Some(LengthUnit::Metre),
        v1::LengthUnit::Inch => Some(LengthUnit::Inch),
    }
}

pub(crate) fn of_length_unit(unit: LengthUnit) -> v1::LengthUnit {
    match unit {
        LengthUnit::Micrometre => v1::LengthUnit::Micrometre,
        LengthUnit::Millimetre => v1::LengthUnit::Millimetre,
        LengthUnit::Centimetre => v1::LengthUnit::Centimetre,
        LengthUnit::Metre => v1::LengthUnit::Metre,
        LengthUnit::Inch => v1::LengthUnit::Inch,
    }
}

pub(crate) fn surface_class(class: v1::SurfaceClass) -> Option<SurfaceClass> {
    match class {
        v1::SurfaceClass::Unspecified => None,
        v1::SurfaceClass::Dull => Some(SurfaceClass::Dull),
        v1::SurfaceClass::Dark => Some(SurfaceClass::Dark),
        v1::SurfaceClass::Gloss => Some(SurfaceClass::Gloss),
    }
}

pub(crate) fn of_surface_class(class: Option<SurfaceClass>) -> v1::SurfaceClass {
    match class {
        None => v1::SurfaceClass::Unspecified,
        Some(SurfaceClass::Dull) => v1::SurfaceClass::Dull,
        Some(SurfaceClass::Dark) => v1::SurfaceClass::Dark,
        Some(SurfaceClass::Gloss) => v1::SurfaceClass::Gloss,
    }
}

pub(crate) fn of_revision_state(state: RevisionState) -> v1::RevisionState {
    match state {
        RevisionState::Draft => v1::RevisionState::Draft,
        RevisionState::Released => v1::RevisionState::Released,
        RevisionState::Superseded => v1::RevisionState::Superseded,
    }
}

/// `None` for a number that the contract does not know.
pub(crate) fn content(value: i32) -> Option<Content> {
    Some(match v1::AcquisitionContent::try_from(value).ok()? {
        v1::AcquisitionContent::Unspecified | v1::AcquisitionContent::Scan => Content::Scan,
        v1::AcquisitionContent::Points => Content::Points,
    })
}

pub(crate) fn of_content(content: Content) -> v1::AcquisitionContent {
    match content {
        Content::Scan => v1::AcquisitionContent::Scan,
        Content::Points => v1::AcquisitionContent::Points,
    }
}

/// `None` for what is not stated.
pub(crate) fn coordinates(value: i32) -> Option<Coordinates> {
    match v1::PointCoordinates::try_from(value).ok()? {
        v1::PointCoordinates::Unspecified => None,
        v1::PointCoordinates::Part => Some(Coordinates::Part),
        v1::PointCoordinates::Instrument => Some(Coordinates::Instrument),
    }
}

pub(crate) fn of_coordinates(coordinates: Option<Coordinates>) -> v1::PointCoordinates {
    match coordinates {
        None => v1::PointCoordinates::Unspecified,
        Some(Coordinates::Part) => v1::PointCoordinates::Part,
        Some(Coordinates::Instrument) => v1::PointCoordinates::Instrument,
    }
}

/// `None` for a number that the contract does not know.
pub(crate) fn restraint(value: i32) -> Option<Restraint> {
    Some(match v1::Restraint::try_from(value).ok()? {
        v1::Restraint::Unspecified => Restraint::Unstated,
        v1::Restraint::FreeState => Restraint::FreeState,
        v1::Restraint::Fixture => Restraint::Fixture,
    })
}

pub(crate) fn of_restraint(restraint: Restraint) -> v1::Restraint {
    match restraint {
        Restraint::Unstated => v1::Restraint::Unspecified,
        Restraint::FreeState => v1::Restraint::FreeState,
        Restraint::Fixture => v1::Restraint::Fixture,
    }
}

pub(crate) fn purpose(value: i32) -> Option<Purpose> {
    match v1::Purpose::try_from(value).ok()? {
        v1::Purpose::Unspecified => None,
        v1::Purpose::Production => Some(Purpose::Production),
        v1::Purpose::FirstArticle => Some(Purpose::FirstArticle),
        v1::Purpose::Study => Some(Purpose::Study),
        v1::Purpose::Rehearsal => Some(Purpose::Rehearsal),
    }
}

pub(crate) fn of_purpose(purpose: Purpose) -> v1::Purpose {
    match purpose {
        Purpose::Production => v1::Purpose::Production,
        Purpose::FirstArticle => v1::Purpose::FirstArticle,
        Purpose::Study => v1::Purpose::Study,
        Purpose::Rehearsal => v1::Purpose::Rehearsal,
    }
}

pub(crate) fn of_state(state: State) -> v1::InspectionState {
    match state {
        State::Queued => v1::InspectionState::Queued,
        State::Running => v1::InspectionState::Running,
        State::Done => v1::InspectionState::Done,
        State::Failed => v1::InspectionState::Failed,
    }
}

pub(crate) fn of_failure(failure: Failure) -> v1::FailureReason {
    match failure {
        Failure::ScanUnreadable => v1::FailureReason::ScanUnreadable,
        Failure::LimitExceeded => v1::FailureReason::LimitExceeded,
        Failure::LengthUnit => v1::FailureReason::LengthUnit,
        Failure::PointsUnreadable => v1::FailureReason::PointsUnreadable,
        Failure::Internal => v1::FailureReason::Internal,
    }
}

pub(crate) fn of_verdict(verdict: Verdict) -> v1::Verdict {
    match verdict {
        Verdict::Conforms => v1::Verdict::Conforms,
        Verdict::DoesNotConform => v1::Verdict::DoesNotConform,
        Verdict::Undecided => v1::Verdict::Undecided,
        Verdict::NotMeasured => v1::Verdict::NotMeasured,
    }
}
