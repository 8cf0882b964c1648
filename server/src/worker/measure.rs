//! The one place where the service calls core to measure. Runs on the threads for it and blocks.

use std::sync::atomic::AtomicBool;

use scantling_core::record::Record;
use scantling_core::run::{Limits, Run};

use super::nominals::Nominals;
use crate::blobs::Digest;
use crate::service::Service;
use crate::store::{Acquisition, Claim, Failure, Revision, StoreError};

/// Everything an inspection needs but the bytes.
#[derive(Debug)]
pub(crate) struct Job {
    pub(crate) revision: Revision,
    pub(crate) scan: Acquisition,
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
            scope: request.scope_groups.clone(),
        })
    }
}

/// Measures one inspection.
pub(crate) fn measure(
    service: &Service,
    nominals: &Nominals,
    inspection: &str,
    job: &Job,
    stop: &AtomicBool,
) -> Result<Measured, MeasureError> {
    let progress = |stage, fraction| service.progress.set(inspection, stage, fraction);
    let limits = Limits { file_bytes: service.config.limits.file_bytes, ..Limits::default() };
    let run = Run { stop, progress: &progress, limits };
    run.check().map_err(|_| MeasureError::Stopped)?;
    let bytes = read_blob(service, &job.scan.content.blob)?;
    let _ = (nominals, bytes, &job.revision, &job.scope);
    Err(MeasureError::Failed {
        failure: Failure::Internal,
        reason: "this build of the service cannot measure".to_owned(),
    })
}

fn read_blob(service: &Service, sha256: &str) -> Result<Vec<u8>, MeasureError> {
    let internal = |what: String| {
        tracing::error!(blob = sha256, fault = %what, "a stored blob cannot be read");
        MeasureError::Failed {
            failure: Failure::Internal,
            reason: format!("blobs/{sha256} cannot be read back"),
        }
    };
    let digest = Digest::parse(sha256).ok_or_else(|| internal("no digest".to_owned()))?;
    service.blobs.read(&digest, service.config.limits.file_bytes).map_err(|e| match e.kind() {
        std::io::ErrorKind::FileTooLarge => {
            MeasureError::Failed { failure: Failure::LimitExceeded, reason: format!("the scan file: {e}") }
        }
        _ => internal(e.to_string()),
    })
}
