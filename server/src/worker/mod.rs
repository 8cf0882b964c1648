//! Takes inspections one after another and ends each with a verdict or a reason.

mod claimed;
mod measure;
mod page;

pub(crate) use measure::{failed, wrong_unit};

use std::sync::Arc;
use std::time::Duration;

use tokio::task::JoinSet;
use tracing::{Instrument, error, info_span};

use crate::service::Service;

/// Also without a hint the store is asked so often: another process may have accepted an inspection, or
/// a lease may have run out.
const ASK_EVERY: Duration = Duration::from_secs(2);

/// The workers under way.
pub(crate) struct Workers(JoinSet<()>);

impl Workers {
    /// Waits until every worker has ended; they do when the service stops.
    pub(crate) async fn finished(mut self) {
        while let Some(ended) = self.0.join_next().await {
            if let Err(fault) = ended {
                error!(%fault, "a worker ended by a fault of the program");
            }
        }
    }
}

/// Starts the workers.
pub(crate) fn start(service: &Arc<Service>) -> Workers {
    let mut workers = JoinSet::new();
    for number in 0..service.config.workers.max(1) {
        let service = Arc::clone(service);
        workers.spawn(async move { work(&service).await }.instrument(info_span!("worker", number)));
    }
    Workers(workers)
}

async fn work(service: &Arc<Service>) {
    while !service.stopping.is_cancelled() {
        // Registered before the store is asked, so that nothing accepted in between is missed.
        let accepted = service.accepted.notified();
        match service.store.claim(claimed::lease_us(service)).await {
            Ok(Some(claim)) => {
                service.tell_changed();
                // Another worker may be idle while more inspections wait.
                service.accepted.notify_one();
                let span = info_span!("inspection", id = %claim.inspection.id, fence = claim.fence);
                claimed::carry_out(service, claim).instrument(span).await;
                continue;
            }
            Ok(None) => {}
            Err(error) => error!(%error, "the store cannot be asked for work"),
        }
        tokio::select! {
            () = accepted => {}
            () = tokio::time::sleep(ASK_EVERY) => {}
            () = service.stopping.cancelled() => {}
        }
    }
}
