//! One claimed inspection: measured on the threads for it, kept alive meanwhile, ended under its fence.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use tokio::sync::oneshot;
use tracing::{error, info, warn};

use super::measure::{self, Job, Measured};
use crate::measuring::MeasureError;
use crate::service::{Service, compute};
use crate::store::{Claim, ClaimError, Failure, Outcome, StoreError};

/// Before an inspection that a passing fault of the disc held up is tried again.
const PAUSE: Duration = Duration::from_secs(2);

pub(super) fn lease_us(service: &Service) -> i64 {
    i64::try_from(service.config.limits.lease_ms).unwrap_or(i64::MAX).saturating_mul(1000)
}

/// How a claim is to end.
enum End {
    With(Outcome),
    /// Another takes it up later.
    HandBack,
    /// Someone else has it already.
    Lost,
}

pub(super) async fn carry_out(service: &Arc<Service>, claim: Claim) {
    let begun = Instant::now();
    let id = claim.inspection.id.clone();
    let end = if claim.starts > service.config.limits.starts {
        let reason = format!(
            "it was begun {} times and the process ended each time; a fault of the program, its log says more",
            claim.starts - 1
        );
        End::With(Outcome::Failed { failure: Failure::Internal, reason })
    } else {
        measure_claimed(service, &claim).await
    };
    let ended = match &end {
        End::With(outcome) => finish(service, &claim, outcome).await,
        End::HandBack => service.store.hand_back(&claim).await.map(|()| None),
        End::Lost => Ok(None),
    };
    service.progress.forget(&id);
    service.tell_changed();
    let elapsed_ms = begun.elapsed().as_millis();
    match (ended, end) {
        (Ok(sequence), End::With(Outcome::Done { verdict, .. })) => {
            info!(?verdict, sequence, elapsed_ms, "done");
        }
        (Ok(sequence), End::With(Outcome::Failed { failure, reason })) => {
            warn!(?failure, %reason, sequence, elapsed_ms, "failed");
        }
        (Ok(_), End::HandBack) => info!(elapsed_ms, "handed back"),
        (Ok(_), End::Lost) => warn!(elapsed_ms, "lease lost"),
        (Err(fault), _) => {
            error!(%fault, elapsed_ms, "not ended; it is taken up again when its lease runs out");
        }
    }
}

/// Writes the outcome. A store that is busy or whose disc is full for a moment must not cost a finished
/// measurement, so it is tried a few times.
async fn finish(service: &Service, claim: &Claim, outcome: &Outcome) -> Result<Option<i64>, ClaimError> {
    const TRIES: u32 = 4;
    let mut tries = 0;
    loop {
        tries += 1;
        match service.store.finish(claim, outcome).await {
            Err(ClaimError::Store(StoreError::Database(fault))) if tries < TRIES => {
                warn!(%fault, tries, "the store did not take the outcome");
                tokio::time::sleep(Duration::from_millis(200) * tries).await;
            }
            other => return other.map(Some),
        }
    }
}

async fn measure_claimed(service: &Arc<Service>, claim: &Claim) -> End {
    let job = match Job::load(service, claim).await {
        Ok(job) => job,
        Err(fault) => {
            error!(%fault, "the inspection cannot be loaded");
            return End::With(internal());
        }
    };
    let stop = Arc::new(AtomicBool::new(false));
    let mut done = spawn(service, claim, job, &stop);
    let mut beat = tokio::time::interval(Duration::from_millis((service.config.limits.lease_ms / 3).max(1)));
    beat.tick().await;
    let mut lost = false;
    loop {
        tokio::select! {
            measured = &mut done => return match measured {
                _ if lost => End::Lost,
                Ok(Ok(measured)) => End::With(kept(service, measured).await),
                Ok(Err(MeasureError::Stopped)) => End::HandBack,
                Ok(Err(MeasureError::Passing { reason })) => {
                    warn!(%reason, "tried again later");
                    tokio::time::sleep(PAUSE).await;
                    End::HandBack
                }
                Ok(Err(MeasureError::Failed { failure, reason })) => {
                    End::With(Outcome::Failed { failure, reason })
                }
                // The thread panicked; it has said so in the log.
                Err(_) => End::With(internal()),
            },
            _ = beat.tick() => match service.store.heartbeat(claim, lease_us(service)).await {
                Err(ClaimError::LostLease { .. }) => {
                    lost = true;
                    stop.store(true, Ordering::Relaxed);
                }
                Err(ClaimError::Store(fault)) => warn!(%fault, "no heartbeat"),
                Ok(()) => {}
            },
            () = service.stopping.cancelled(), if !stop.load(Ordering::Relaxed) => {
                stop.store(true, Ordering::Relaxed);
            }
        }
    }
}

/// Measures on the threads for it. The channel closes without an answer when that panics.
fn spawn(
    service: &Arc<Service>,
    claim: &Claim,
    job: Job,
    stop: &Arc<AtomicBool>,
) -> oneshot::Receiver<Result<Measured, MeasureError>> {
    let (shared, stop) = (Arc::clone(service), Arc::clone(stop));
    let id = claim.inspection.id.clone();
    compute(&service.pool, move || measure::measure(&shared, &id, &job, &stop))
}

/// Report and deviation become blobs; then the outcome may name them.
async fn kept(service: &Arc<Service>, measured: Measured) -> Outcome {
    let report = match measured.report {
        Some(html) => keep(service, "report", html.into_bytes()).await,
        None => None,
    };
    let deviation = match measured.deviation {
        Some(map) => keep(service, "deviation", map.to_bytes()).await,
        None => None,
    };
    let record = measured.record;
    let result_json = record.canonical_json();
    Outcome::Done {
        result_sha256: scantling_core::canonical::sha256_hex(result_json.as_bytes()),
        result_json,
        verdict: record.verdict,
        reason: record.reason,
        report,
        deviation,
    }
}

/// `None` when it was not stored: the verdict stands without its picture.
async fn keep(service: &Arc<Service>, what: &'static str, bytes: Vec<u8>) -> Option<crate::store::BlobRow> {
    let service = Arc::clone(service);
    let stored = tokio::task::spawn_blocking(move || {
        let size_bytes = bytes.len() as u64;
        service
            .blobs
            .put(&bytes)
            .map(|digest| crate::store::BlobRow { sha256: digest.hex().to_owned(), size_bytes })
    })
    .await;
    match stored {
        Ok(Ok(blob)) => Some(blob),
        Ok(Err(fault)) => {
            error!(%fault, what, "not stored");
            None
        }
        Err(fault) => {
            error!(%fault, what, "storing it ended by a fault of the program");
            None
        }
    }
}

fn internal() -> Outcome {
    Outcome::Failed {
        failure: Failure::Internal,
        reason: "a fault of the program; its log says more under this inspection's id".to_owned(),
    }
}
