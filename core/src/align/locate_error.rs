//! Why a scan has no single pose, in words.

use super::locate::LocateSettings;
use super::sample::Cloud;
use super::unit::{size_ratio, unit_words};
use crate::geometry::{Motion, PartFrame, ScanFrame, TriangleMesh};
use crate::run::Stopped;

/// Why there is no single pose.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LocateError {
    /// The caller stopped the run.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// Too little to say anything.
    #[error("locating needs at least {need} scan points at different places, got {got}")]
    TooFewPoints {
        /// How many are needed.
        need: usize,
        /// How many there are.
        got: usize,
    },
    /// The scan does not look like this part.
    #[error(
        "the scan does not look like this part: {}{}",
        fit_words(*explained, *need, *beside, *most_beside),
        times_words(*size_ratio)
    )]
    NoFit {
        /// Fraction of the scan that lies on the part under the best pose found; `None` when the sizes
        /// are so far apart that nothing was tried.
        explained: Option<f64>,
        /// The fraction needed.
        need: f64,
        /// Fraction near the part but not on it, under the same pose.
        beside: Option<f64>,
        /// The largest fraction that may.
        most_beside: f64,
        /// The scan's size over the nominal's; `None` when one of them has no size.
        size_ratio: Option<f64>,
    },
    /// The part is found in another length unit than the one stated.
    #[error(
        "with all lengths of the scan multiplied by {unit_ratio:.4} the part is found in it; check the length unit \
         stated: {}",
        unit_words(*unit_ratio)
    )]
    OtherUnit {
        /// What the scan's coordinates should be multiplied by.
        unit_ratio: f64,
    },
    /// Several poses explain the same points.
    #[error(
        "the scan lies on the part in {} ways that its points do not tell apart ({}{evidence_for} points for \
         the first, {evidence_against} against); {}",
        poses.len(),
        if *symmetric { "the nominal is symmetric; " } else { "" },
        if *symmetric { "mark the part's orientation, or give a start pose" }
        else { "scan more of what makes the part asymmetric (holes, edges), or give a start pose" }
    )]
    Undetermined {
        /// The poses, best first.
        poses: Vec<Motion<PartFrame, ScanFrame>>,
        /// Whether the nominal maps onto itself between the first pose and one of the others.
        symmetric: bool,
        /// Points that fit under the first and clearly not under its strongest rival.
        evidence_for: u64,
        /// The reverse.
        evidence_against: u64,
        /// Fraction of the scan that the first pose explains.
        explained: f64,
    },
    /// What is there fits, but most of the part is missing.
    #[error(
        "what was scanned fits, but shows only {:.0} % of the part's side that faces the scanner ({:.0} % are \
         needed); scan more of it",
        100.0 * seen,
        100.0 * need
    )]
    TooLittleSeen {
        /// Fraction of the surface on the scanned side that has points on it.
        seen: f64,
        /// The fraction needed.
        need: f64,
    },
    /// The nominal and its mirror image explain the same points.
    #[error(
        "the points do not tell the part from its other hand ({evidence_for} points for it, \
         {evidence_against} against); scan more of what makes the hands differ"
    )]
    HandOpen {
        /// Points that fit here and clearly not on the mirrored nominal.
        evidence_for: u64,
        /// The reverse.
        evidence_against: u64,
    },
    /// The mirrored nominal fits and the nominal does not.
    #[error("the scan shows the part of the other hand; choose the part that is mirrored to this one")]
    OtherHand,
    /// More than one part where one was expected.
    #[error(
        "the scan holds {}; choose one by the region it lies in or by its placement",
        several_words(poses.len(), *open)
    )]
    Several {
        /// Where the parts lie, in the order of their first points.
        poses: Vec<Motion<PartFrame, ScanFrame>>,
        /// Further things of which it is open whether or how the part lies there.
        open: usize,
    },
}

fn several_words(parts: usize, open: usize) -> String {
    let count = |n: usize, what: &str| format!("{n} {what}{}", if n == 1 { "" } else { "s" });
    match open {
        0 => format!("{} of this kind", count(parts, "part")),
        _ => format!("{} of this kind and {} that may be one", count(parts, "part"), count(open, "thing")),
    }
}

fn times_words(size_ratio: Option<f64>) -> String {
    size_ratio.map_or_else(String::new, |r| format!("; it is {r:.2} times as large"))
}

fn fit_words(explained: Option<f64>, need: f64, beside: Option<f64>, most_beside: f64) -> String {
    match explained {
        Some(e) => format!(
            "at best {:.0} % of it lies on the part ({:.0} % are needed) and {:.0} % close beside it (at most {:.0} %)",
            100.0 * e,
            100.0 * need,
            100.0 * beside.unwrap_or(0.0),
            100.0 * most_beside
        ),
        None => "their sizes are too far apart".to_string(),
    }
}

/// That nothing fits, with what the best pose explains and what lies beside it.
pub(super) fn no_fit(
    mesh: &TriangleMesh,
    dense: &Cloud,
    settings: &LocateSettings,
    best: Option<(f64, f64)>,
) -> LocateError {
    let size_ratio = size_ratio(mesh, dense);
    LocateError::NoFit {
        explained: best.map(|b| b.0),
        need: settings.least_explained,
        beside: best.map(|b| b.1),
        most_beside: settings.most_beside,
        size_ratio,
    }
}
