//! The one place where the service calls core to measure. Runs on the threads for it and blocks.

use std::io;
use std::sync::atomic::AtomicBool;

use scantling_core::inspect::{self, InspectError, Inspected, ScanSource};
use scantling_core::plan::{bind, check_json};
use scantling_core::read::{self, ReadError};
use scantling_core::record::Record;
use scantling_core::run::{Limits, Run};
use scantling_core::scan::{Scan, ScanError};

use super::page;
use crate::blobs::Digest;
use crate::nominals::{Key, NominalFailure};
use crate::service::Service;
use crate::store::{Acquisition, Claim, Failure, Purpose, Revision, StoreError};

/// Everything an inspection needs but the bytes.
#[derive(Debug)]
pub(crate) struct Job {
    pub(crate) part_title: String,
    pub(crate) revision: Revision,
    pub(crate) scan: Acquisition,
    pub(crate) serial_number: String,
    pub(crate) purpose: Purpose,
    pub(crate) scope: Vec<String>,
}

/// What measuring found.
#[derive(Debug)]
pub(crate) struct Measured {
    pub(crate) record: Record,
    /// The report as an HTML page.
    pub(crate) report: Option<String>,
}

/// Why measuring ended without a record.
#[derive(Debug)]
pub(crate) enum MeasureError {
    /// It was told to stop; nothing was decided.
    Stopped,
    /// For good.
    Failed { failure: Failure, reason: String },
}

impl Job {
    pub(crate) async fn load(service: &Service, claim: &Claim) -> Result<Self, StoreError> {
        let request = &claim.inspection.request;
        let source = request
            .sources
            .first()
            .ok_or_else(|| StoreError::Unreadable { what: "an inspection without a source".to_owned() })?;
        Ok(Self {
            revision: service.store.revision(&request.part, &request.revision).await?,
            scan: service.store.acquisition(source).await?,
            part_title: service.store.part(&request.part).await?.title,
            serial_number: request.serial_number.clone(),
            purpose: request.purpose,
            scope: request.scope_groups.clone(),
        })
    }
}

/// Measures one inspection.
pub(crate) fn measure(
    service: &Service,
    inspection: &str,
    job: &Job,
    stop: &AtomicBool,
) -> Result<Measured, MeasureError> {
    let progress = |stage, fraction| service.progress.set(inspection, stage, fraction);
    let limits = Limits { file_bytes: service.config.limits.file_bytes, ..Limits::default() };
    let run = Run { stop, progress: &progress, limits };

    let source = &job.scan.content;
    let bytes = read_blob(service, &source.blob)?;
    let raw = read::read(&bytes, &run).map_err(|e| unreadable(&e))?;
    drop(bytes);
    let scan = Scan::new(raw, source.length_unit, &run).map_err(|e| unusable(&e))?;

    let content = &job.revision.content;
    let (_, plan) = check_json(&content.plan_json).map_err(|faults| internal("the kept plan", &faults))?;
    let digest =
        Digest::parse(&content.nominal_sha256).ok_or_else(|| internal("the nominal's digest", content))?;
    let key = Key { digest, unit: content.nominal_unit, side: plan.side };
    let nominal = service.nominals.get(&service.blobs, &key, &run).map_err(|failure| match failure {
        NominalFailure::Stopped => MeasureError::Stopped,
        other => internal("the kept nominal", &other),
    })?;
    let faces =
        bind(&plan, Some(&nominal)).map_err(|faults| internal("the kept plan on its nominal", &faults))?;
    let scans = [ScanSource::whole(&scan, source.blob.clone())];
    let question = inspect::Job {
        nominal: Some(&nominal),
        nominal_sha256: content.nominal_sha256.clone(),
        plan: &plan,
        faces: &faces,
        scans: &scans,
        points: &[],
        readings: &[],
        scope: &job.scope,
    };
    let Inspected { record, deviation } = inspect::inspect(&run, &question).map_err(|error| match error {
        InspectError::Stopped(_) => MeasureError::Stopped,
        InspectError::LengthUnit(hint) => {
            MeasureError::Failed { failure: Failure::LengthUnit, reason: format!("the scan: {hint}") }
        }
        // Groups were checked when the inspection was accepted.
        InspectError::UnknownGroup(group) => internal("the scope", &group),
        InspectError::Points(error) => internal("points that were not given", &error),
    })?;
    let report = page::html(&page::Shown {
        inspection,
        job,
        plan: &plan,
        faces: &faces,
        mesh: nominal.mesh(),
        record: &record,
        deviation: &deviation.unwrap_or_default(),
    });
    Ok(Measured { record, report })
}

/// Something that was checked when it was kept is not right any more: a fault of the program.
fn internal(what: &str, fault: &impl std::fmt::Debug) -> MeasureError {
    tracing::error!(what, ?fault, "an inspection cannot be measured");
    MeasureError::Failed {
        failure: Failure::Internal,
        reason: format!("{what} cannot be used, which is a fault of the program; its log says more"),
    }
}

fn unreadable(error: &ReadError) -> MeasureError {
    let failure = match error {
        ReadError::Stopped(_) => return MeasureError::Stopped,
        ReadError::FileTooLarge { .. } | ReadError::UnpacksTooLarge { .. } | ReadError::TooMany { .. } => {
            Failure::LimitExceeded
        }
        _ => Failure::ScanUnreadable,
    };
    MeasureError::Failed { failure, reason: format!("the scan: {error}") }
}

fn unusable(error: &ScanError) -> MeasureError {
    let failure = match error {
        ScanError::Stopped(_) => return MeasureError::Stopped,
        // Kilometres from the origin: metres that were called millimetres do not look like that, but
        // micrometres called metres do.
        ScanError::TooFar { .. } | ScanError::UnitInFile { .. } => Failure::LengthUnit,
        ScanError::NoPoints | ScanError::Inconsistent { .. } => Failure::ScanUnreadable,
    };
    MeasureError::Failed { failure, reason: error.to_string() }
}

fn read_blob(service: &Service, sha256: &str) -> Result<Vec<u8>, MeasureError> {
    let digest = Digest::parse(sha256).ok_or_else(|| internal("the scan's digest", &sha256))?;
    service.blobs.read(&digest, service.config.limits.file_bytes).map_err(|e| match e.kind() {
        io::ErrorKind::FileTooLarge => {
            MeasureError::Failed { failure: Failure::LimitExceeded, reason: format!("the scan: {e}") }
        }
        _ => internal("the stored scan", &e),
    })
}
