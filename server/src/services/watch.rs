//! Finished inspections as they finish. What the store says is the truth; a notice only says when to ask.

use std::sync::Arc;
use std::time::Duration;

use scantling_proto::v1::WatchInspectionsResponse;
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep, sleep_until};
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;

use crate::convert::inspection::{self, View};
use crate::convert::status::Problem;
use crate::service::{READ_AGAIN, Service};

/// Events read from the store at a time, and kept for a slow listener.
const AT_A_TIME: u32 = 32;

/// A call without a time limit of its own is ended after so long; the listener resumes.
const LONGEST: Duration = Duration::from_secs(24 * 3600);

/// Everything after a sequence number, and on; ends when the service does.
pub(super) fn stream(
    service: &Arc<Service>,
    after: i64,
    call: Option<Duration>,
) -> Result<ReceiverStream<Result<WatchInspectionsResponse, Status>>, Problem> {
    service.open()?;
    let permit = Arc::clone(&service.watchers)
        .try_acquire_owned()
        .map_err(|_| Problem::overloaded("listeners", service.config.limits.watchers))?;
    let (tell, told) = mpsc::channel(AT_A_TIME as usize);
    let service = Arc::clone(service);
    // The timer of the transport stops when a stream begins, so the stream keeps its own.
    let until = Instant::now() + call.unwrap_or(LONGEST).min(LONGEST);
    tokio::spawn(async move {
        let _permit = permit;
        let end = tokio::select! {
            problem = follow(&service, after, &tell) => problem.map(Status::from),
            () = service.stopping.cancelled() => Some(Problem::stopping().into()),
            () = sleep_until(until) => Some(Status::deadline_exceeded("the call's time is up; go on after the last sequence")),
            () = tell.closed() => None,
        };
        if let Some(status) = end {
            // A listener that reads nothing must not hold up the end.
            let _ = tell.try_send(Err(status));
        }
    });
    Ok(ReceiverStream::new(told))
}

/// Ends when the listener has gone, or with a problem.
async fn follow(
    service: &Service,
    mut after: i64,
    tell: &mpsc::Sender<Result<WatchInspectionsResponse, Status>>,
) -> Option<Problem> {
    let mut changed = service.changed.subscribe();
    loop {
        changed.mark_unchanged();
        let events = match service.store.events_after(after, AT_A_TIME).await {
            Ok(events) => events,
            Err(error) => return Some(error.into()),
        };
        let more = events.len() == AT_A_TIME as usize;
        for finished in events {
            let sequence = finished.sequence.unwrap_or(after);
            let inspection = match inspection::of_inspection(finished, View::WithoutText, 100) {
                Ok(inspection) => inspection,
                Err(problem) => return Some(problem),
            };
            let event = WatchInspectionsResponse { sequence, inspection: Some(inspection) };
            if tell.send(Ok(event)).await.is_err() {
                return None;
            }
            after = sequence;
        }
        if !more {
            tokio::select! {
                _ = changed.changed() => {}
                () = sleep(READ_AGAIN) => {}
            }
        }
    }
}
