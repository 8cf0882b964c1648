//! What a scan of calibrated balls shows of its scanner.

use scantling_core::geometry::Point;
use scantling_core::run::Run;
use scantling_core::uncertainty::{Conditions, InstrumentErrors};
use scantling_core::verification::{Artefact, Ball, Permitted, Verification, VerificationError, verify};

use super::sums::{ScanAsk, ScanFrom, SumError};
use super::{MeasureError, memory, scan};
use crate::convert::instrument::MOST_PROBLEMS;
use crate::service::Service;
use crate::store::{BallResult, BallResults, BallScan, LengthResult};

/// A measured scan of balls.
pub(crate) struct Measured {
    pub(crate) errors: InstrumentErrors,
    pub(crate) results: BallResults,
    /// What is more than permitted.
    pub(crate) problems: Vec<String>,
}

/// Memory that measuring it takes, bytes.
pub(crate) fn cost(service: &Service, asked: &BallScan) -> Result<u64, SumError> {
    let from =
        ScanFrom::File { blob: asked.blob.clone(), unit: asked.length_unit, columns: asked.columns.clone() };
    let ask = ScanAsk { from, region: None, placement: None, conditions: Conditions::default() };
    Ok(memory::of_sum(service, None, std::iter::once(&ask), std::iter::empty())?)
}

/// Measures the balls. `field` is what the request calls the scan, for an artefact that is none.
pub(crate) fn measured(
    service: &Service,
    run: &Run,
    asked: &BallScan,
    field: &str,
) -> Result<Measured, SumError> {
    let (scan, notes) = scan(service, run, &asked.blob, asked.length_unit, &asked.columns)?;
    let balls = asked.artefact.balls.iter().map(|b| Ball {
        id: b.id.clone(),
        at: Point::from(b.at_mm),
        diameter_mm: b.diameter_mm,
    });
    let artefact = Artefact {
        balls: balls.collect(),
        length_standard_mm: asked.artefact.length_standard_mm,
        diameter_standard_mm: asked.artefact.diameter_standard_mm,
    };
    let found = verify(run, &scan, &artefact).map_err(|error| match error {
        VerificationError::Stopped(_) => MeasureError::Stopped.into(),
        VerificationError::Artefact(words) => SumError::Fields(vec![(format!("{field}.artefact"), words)]),
        other @ (VerificationError::Missing { .. } | VerificationError::Fit { .. }) => {
            SumError::Undetermined(other.to_string())
        }
    })?;
    let permitted = Permitted {
        dispersion_mm: asked.permitted.dispersion_mm,
        size_error_mm: asked.permitted.size_error_mm,
        length_error_mm: asked.permitted.length_error_mm,
        length_error_mm_per_m: asked.permitted.length_error_mm_per_m,
    };
    let errors = found.errors();
    let mut problems = permitted.problems(&found);
    if problems.len() > MOST_PROBLEMS {
        let more = problems.len() - (MOST_PROBLEMS - 1);
        problems.truncate(MOST_PROBLEMS - 1);
        problems.push(format!("and {more} more"));
    }
    Ok(Measured { errors, problems, results: results(found, notes) })
}

fn results(found: Verification, notes: Vec<String>) -> BallResults {
    let told = found.balls.len() > 2;
    let balls = found.balls.into_iter().map(|b| BallResult {
        id: b.id,
        centre_mm: [b.centre.x, b.centre.y, b.centre.z],
        points: b.points as u64,
        left_out: b.left_out as u64,
        size_error_mm: b.size_error_mm,
        size_standard_mm: b.size_standard_mm,
        dispersion_mm: b.dispersion_mm,
        noise_mm: b.noise_mm,
    });
    let lengths = found.lengths.into_iter().map(|l| LengthResult {
        from: l.from,
        to: l.to,
        calibrated_mm: l.calibrated_mm,
        error_mm: l.error_mm,
        standard_mm: l.standard_mm,
    });
    BallResults {
        balls: balls.collect(),
        lengths: lengths.collect(),
        scale_mm_per_m: found.scale_mm_per_m,
        scale_standard_mm_per_m: found.scale_standard_mm_per_m,
        distortion_mm: told.then_some(found.distortion_mm),
        noise_mm: found.noise_mm,
        notes,
    }
}
