//! One claimed inspection: measured on the threads for it, kept alive meanwhile, ended under its fence.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use tracing::{error, info, warn};

use super::measure::{self, Job, Measured};
use crate::measuring::{MeasureError, memory};
use crate::service::{Service, compute};
use crate::store::{Claim, ClaimError, Failure, Outcome, StoreError};

pub(super) fn lease_us(service: &Service) -> i64 {
    i64::try_from(service.config.limits.lease_ms).unwrap_or(i64::MAX).saturating_mul(1000)
}

/// The longest pause after a passing fault: a disc that is back should not wait for hours.
const LONGEST_PAUSE_US: i64 = 600_000_000;

/// How long after a passing fault the next start is.
fn pause_us(service: &Service, starts: u32) -> i64 {
    let first = i64::try_from(service.config.limits.retry_ms).unwrap_or(i64::MAX).saturating_mul(1000);
    let doubled = first.saturating_mul(1i64 << starts.saturating_sub(1).min(20));
    doubled.min(LONGEST_PAUSE_US.max(first))
}

/// How a claim is to end.
enum End {
    With(Outcome),
    /// Another takes it up later.
    HandBack,
    /// Disc or store did not answer: it is begun again after a pause, and this time counts as a start.
    Again,
    /// Someone else has it already.
    Lost,
}

pub(super) async fn carry_out(service: &Arc<Service>, claim: Claim) {
    let begun = Instant::now();
    let id = claim.inspection.id.clone();
    let end = if claim.starts > service.config.limits.starts {
        let reason = format!(
            "it was begun {} times and each time the process ended, or its disc or store did not answer; the \
             log says more under this inspection's id",
            claim.starts - 1
        );
        End::With(Outcome::Failed { failure: Failure::Internal, reason })
    } else {
        measure_claimed(service, &claim).await
    };
    let ended = match &end {
        End::With(outcome) => finish(service, &claim, outcome).await,
        End::HandBack => service.store.hand_back(&claim).await.map(|()| None),
        // Nobody else takes it before its lease is over, and the worker is free for others.
        End::Again => service.store.heartbeat(&claim, pause_us(service, claim.starts)).await.map(|()| None),
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
        (Ok(_), End::Again) => warn!(elapsed_ms, starts = claim.starts, "begun again after a pause"),
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
            return match fault {
                // What is kept is not as it must be, and will not be later either.
                StoreError::Unreadable { .. } | StoreError::NotFound { .. } => End::With(internal()),
                _ => End::Again,
            };
        }
    };
    let stop = Arc::new(AtomicBool::new(false));
    let mut done = std::pin::pin!(admitted(service, claim, job, &stop));
    let mut beat = tokio::time::interval(Duration::from_millis((service.config.limits.lease_ms / 3).max(1)));
    beat.tick().await;
    let mut lost = false;
    loop {
        tokio::select! {
            measured = &mut done => return match measured {
                _ if lost => End::Lost,
                Ok(measured) => End::With(kept(service, measured).await),
                Err(MeasureError::Stopped) => End::HandBack,
                Err(MeasureError::Passing { reason }) => {
                    warn!(%reason, "not measured for now");
                    End::Again
                }
                Err(MeasureError::Failed { failure, reason }) => {
                    End::With(Outcome::Failed { failure, reason })
                }
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

/// Measures on the threads for it, once there is memory for it.
async fn admitted(
    service: &Arc<Service>,
    claim: &Claim,
    job: Job,
    stop: &Arc<AtomicBool>,
) -> Result<Measured, MeasureError> {
    let job = Arc::new(job);
    let (shared, asked) = (Arc::clone(service), Arc::clone(&job));
    let foretold = tokio::task::spawn_blocking(move || {
        memory::foretold(&shared, &asked.revision.content, asked.sources.iter().map(|s| &s.1.content))
    });
    let bytes = foretold.await.map_err(|fault| panicked(&fault))??;
    let share = tokio::select! {
        share = service.memory.share(bytes) => share?,
        () = service.stopping.cancelled() => return Err(MeasureError::Stopped),
    };
    let (shared, stop) = (Arc::clone(service), Arc::clone(stop));
    let id = claim.inspection.id.clone();
    let done = compute(&service.pool, move || {
        let _share = share;
        measure::measure(&shared, &id, &job, &stop)
    });
    // The channel closes without an answer when that panics; the log then has its words.
    done.await.map_err(|fault| panicked(&fault))?
}

fn panicked(fault: &impl std::fmt::Debug) -> MeasureError {
    error!(?fault, "measuring ended by a fault of the program");
    MeasureError::Failed { failure: Failure::Internal, reason: INTERNAL.to_owned() }
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

const INTERNAL: &str = "a fault of the program; its log says more under this inspection's id";

fn internal() -> Outcome {
    Outcome::Failed { failure: Failure::Internal, reason: INTERNAL.to_owned() }
}
