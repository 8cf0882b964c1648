//! What calls and workers share.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use scantling_core::run::Stage;
use tokio::sync::{Notify, Semaphore, watch};
use tokio_util::sync::CancellationToken;

use crate::blobs::Blobs;
use crate::config::Config;
use crate::serve::ServeError;
use crate::store::Store;

/// Settings, store, blobs, threads, and who tells whom what.
#[derive(Debug)]
pub(crate) struct Service {
    pub(crate) config: Config,
    pub(crate) store: Store,
    pub(crate) blobs: Blobs,
    /// The threads that measure, beside those that answer.
    pub(crate) pool: rayon::ThreadPool,
    /// Cancelled when the service begins to end.
    pub(crate) stopping: CancellationToken,
    /// An inspection was accepted.
    pub(crate) accepted: Notify,
    /// Counts up whenever an inspection changes state. A hint: whoever hears it reads the state again.
    pub(crate) changed: watch::Sender<u64>,
    pub(crate) progress: Progress,
    pub(crate) transfers: Arc<Semaphore>,
    pub(crate) watchers: Arc<Semaphore>,
}

impl Service {
    pub(crate) async fn new(config: Config, store: Store) -> Result<Self, ServeError> {
        let blobs = Blobs::open(&config.data_dir).map_err(ServeError::Blobs)?;
        let requeued = store.requeue_stale().await?;
        if requeued > 0 {
            tracing::info!(requeued, "inspections left running by an ended process wait again");
        }
        blobs.sweep(&store).await?;
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(config.pool_threads())
            .thread_name(|n| format!("measure-{n}"))
            .build()?;
        Ok(Self {
            pool,
            transfers: Arc::new(Semaphore::new(config.limits.transfers)),
            watchers: Arc::new(Semaphore::new(config.limits.watchers)),
            config,
            store,
            blobs,
            stopping: CancellationToken::new(),
            accepted: Notify::new(),
            changed: watch::Sender::new(0),
            progress: Progress::default(),
        })
    }

    /// Tells whoever waits that an inspection changed state.
    pub(crate) fn tell_changed(&self) {
        self.changed.send_modify(|n| *n = n.wrapping_add(1));
    }
}

/// How far running inspections are; in memory only, since it is worth nothing after a restart.
#[derive(Debug, Default)]
pub(crate) struct Progress(Mutex<BTreeMap<String, i32>>);

/// Where each stage begins and ends in percent of the whole; measured on whole jobs, rounded.
fn span(stage: Stage) -> (f64, f64) {
    match stage {
        Stage::Read => (0.0, 15.0),
        Stage::Locate => (15.0, 45.0),
        Stage::Align => (45.0, 65.0),
        Stage::Partition => (65.0, 75.0),
        Stage::Filter => (75.0, 90.0),
        Stage::Evaluate => (90.0, 99.0),
    }
}

impl Progress {
    fn map(&self) -> MutexGuard<'_, BTreeMap<String, i32>> {
        // A number is whole at any moment, so one left by a panicking thread is as good as any.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn set(&self, inspection: &str, stage: Stage, fraction: f64) {
        let (from, to) = span(stage);
        let fraction = if fraction.is_finite() { fraction.clamp(0.0, 1.0) } else { 0.0 };
        let percent = (from + (to - from) * fraction) as i32;
        let mut map = self.map();
        match map.get_mut(inspection) {
            // Never back: stages may tell their beginning again.
            Some(shown) => *shown = percent.max(*shown),
            None => {
                map.insert(inspection.to_owned(), percent);
            }
        }
    }

    pub(crate) fn percent(&self, inspection: &str) -> i32 {
        self.map().get(inspection).copied().unwrap_or(0)
    }

    pub(crate) fn forget(&self, inspection: &str) {
        self.map().remove(inspection);
    }
}
