//! Why a datum system could not be established.

use crate::associate::{FitError, HoleError, TogetherError};
use crate::run::Stopped;

/// Why a datum system could not be established.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DatumError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// A datum feature could not be associated.
    #[error("datum {letter} ({feature}): {cause}")]
    Fit {
        /// Letter on the drawing.
        letter: String,
        /// The feature's id.
        feature: String,
        /// Why.
        cause: FitError,
    },
    /// A datum hole could not be associated.
    #[error("datum {letter} ({feature}): {cause}")]
    Hole {
        /// Letter on the drawing.
        letter: String,
        /// The feature's id.
        feature: String,
        /// Why.
        cause: HoleError,
    },
    /// The features of a datum could not be associated.
    #[error("datum {letter} ({feature}): {cause}")]
    Together {
        /// Letter on the drawing; "best fit" for a best fit.
        letter: String,
        /// The features' ids.
        feature: String,
        /// Why.
        cause: TogetherError,
    },
    /// A datum feature or target was not measured as it must be.
    #[error("datum {letter} ({feature}): {problem}")]
    Missing {
        /// Letter on the drawing, or the fixture's id.
        letter: String,
        /// The feature's or target's id.
        feature: String,
        /// What is missing and what to do.
        problem: String,
    },
    /// Too little of a datum feature was seen.
    #[error(
        "datum {letter} ({feature}): only {percent:.0} % of it was seen, {need:.0} % are needed for a datum"
    )]
    Unseen {
        /// Letter on the drawing.
        letter: String,
        /// The feature's id.
        feature: String,
        /// Seen part, percent.
        percent: f64,
        /// Needed part, percent.
        need: f64,
    },
    /// Extracting and aligning went on without coming to rest.
    #[error("datum system {id}: after {rounds} rounds the part still moves by {moved_mm} mm")]
    NotSettled {
        /// Id of the datum system.
        id: String,
        /// Rounds taken.
        rounds: u32,
        /// The last movement of a corner, mm.
        moved_mm: f64,
    },
    /// The datums do not hold the part.
    #[error("datum system {id}: {cause}")]
    Targets {
        /// Id of the datum system.
        id: String,
        /// Why.
        cause: String,
    },
    /// How points in the instrument's axes lie on the part could not even be guessed.
    #[error("datum system {id}: {problem}")]
    NoStart {
        /// Id of the datum system.
        id: String,
        /// What is missing.
        problem: String,
    },
    /// What a scan shows and single points do not.
    #[error("datum system {id}: {what} is taken on a scan and not by points")]
    OnScansOnly {
        /// Id of the datum system.
        id: String,
        /// What.
        what: &'static str,
    },
    /// The bound faces are not those of a datum system.
    #[error(
        "datum system {id}: what it is made of, or how its datums are associated, is not served in this version"
    )]
    WrongFaces {
        /// Id of the datum system.
        id: String,
    },
}

impl DatumError {
    /// The feature or target that is to blame, by its id, where it is one.
    pub fn feature(&self) -> Option<&str> {
        match self {
            Self::Fit { feature, .. }
            | Self::Hole { feature, .. }
            | Self::Together { feature, .. }
            | Self::Missing { feature, .. }
            | Self::Unseen { feature, .. } => Some(feature),
            _ => None,
        }
    }
}
