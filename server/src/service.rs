//! What calls and workers share.

use std::any::Any;
use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use scantling_core::run::Stage;
use scantling_core::scan::LengthUnit;
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore, oneshot, watch};
use tokio_util::sync::CancellationToken;

use crate::blobs::Blobs;
use crate::config::Config;
use crate::convert::status::Problem;
use crate::measuring::memory::Memory;
use crate::nominals::Nominals;
use crate::serve::ServeError;
use crate::store::{Acquisition, BlobRow, Content, NewAcquisition, Restraint, Store, TakenConditions};

/// Also without a notice whoever waits reads the state again so often: a notice is a hint.
pub(crate) const READ_AGAIN: Duration = Duration::from_secs(2);

/// Uploads without progress since then are given up.
pub(crate) fn given_up_before_us(config: &Config) -> i64 {
    let now = jiff::Timestamp::now().as_microsecond();
    now.saturating_sub(i64::from(config.limits.upload_days).saturating_mul(24 * 3600 * 1_000_000))
}

/// Settings, store, blobs, threads, and who tells whom what.
#[derive(Debug)]
pub(crate) struct Service {
    pub(crate) config: Config,
    pub(crate) store: Store,
    pub(crate) blobs: Blobs,
    pub(crate) nominals: Nominals,
    /// The threads that measure, beside those that answer.
    pub(crate) pool: rayon::ThreadPool,
    /// One more for plans and nominals, so that a call need not wait for an inspection.
    checks: rayon::ThreadPool,
    /// Places for plans being checked or waiting for it.
    check_places: Arc<Semaphore>,
    /// Cancelled when the service begins to end.
    pub(crate) stopping: CancellationToken,
    /// An inspection was accepted.
    pub(crate) accepted: Notify,
    /// Counts up whenever an inspection changes state. A hint: whoever hears it reads the state again.
    pub(crate) changed: watch::Sender<u64>,
    pub(crate) progress: Progress,
    transfers: Arc<Semaphore>,
    /// Uploads into which a call writes at the moment.
    written: Arc<Mutex<BTreeSet<String>>>,
    pub(crate) watchers: Arc<Semaphore>,
    /// Memory for inspections.
    pub(crate) memory: Memory,
    /// Places for single sums.
    sums: Arc<Semaphore>,
}

impl Service {
    pub(crate) async fn new(config: Config, store: Store) -> Result<Self, ServeError> {
        let blobs = Blobs::open(&config.data_dir).map_err(ServeError::Blobs)?;
        let requeued = store.requeue_stale().await?;
        if requeued > 0 {
            tracing::info!(requeued, "inspections left running by an ended process wait again");
        }
        blobs.forget_uploads(&store, given_up_before_us(&config)).await?;
        blobs.sweep(&store).await?;
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(config.pool_threads())
            .thread_name(|n| format!("measure-{n}"))
            .build()?;
        let checks =
            rayon::ThreadPoolBuilder::new().num_threads(1).thread_name(|_| "check".to_owned()).build()?;
        Ok(Self {
            pool,
            checks,
            check_places: Arc::new(Semaphore::new(config.limits.plan_checks)),
            written: Arc::default(),
            transfers: Arc::new(Semaphore::new(config.limits.transfers)),
            watchers: Arc::new(Semaphore::new(config.limits.watchers)),
            memory: Memory::new(config.limits.inspection_memory_bytes),
            sums: Arc::new(Semaphore::new(config.limits.sums)),
            config,
            store,
            blobs,
            nominals: Nominals::default(),
            stopping: CancellationToken::new(),
            accepted: Notify::new(),
            changed: watch::Sender::new(0),
            progress: Progress::default(),
        })
    }

    /// `Err` once the service is ending: it takes nothing new.
    pub(crate) fn open(&self) -> Result<(), Problem> {
        if self.stopping.is_cancelled() { Err(Problem::stopping()) } else { Ok(()) }
    }

    /// A place for an upload or a download.
    pub(crate) fn transfer(&self) -> Result<OwnedSemaphorePermit, Problem> {
        Arc::clone(&self.transfers)
            .try_acquire_owned()
            .map_err(|_| Problem::overloaded("transfers", self.config.limits.transfers))
    }

    /// The right to write into an upload; `None` while another call has it.
    pub(crate) fn write_alone(&self, upload: &str) -> Option<Writing> {
        let fresh = lock(&self.written).insert(upload.to_owned());
        fresh.then(|| Writing { upload: upload.to_owned(), written: Arc::clone(&self.written) })
    }

    /// Computes on the thread for checks; the answer is `Internal` when that panics.
    pub(crate) async fn check<T: Send + 'static>(
        &self,
        f: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let place = Arc::clone(&self.check_places)
            .try_acquire_owned()
            .map_err(|_| Problem::overloaded("plan checks", self.config.limits.plan_checks))?;
        let work = move || {
            // Free only once the work is over: a call that was given up leaves its check in the queue.
            let _place = place;
            f()
        };
        compute(&self.checks, work).await.map_err(|_| Problem::internal("a plan check panicked"))
    }

    /// Computes one sum on the threads that measure. The work is told to stop when the caller leaves or the
    /// service ends.
    pub(crate) async fn sum<T: Send + 'static>(
        &self,
        f: impl FnOnce(&AtomicBool) -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let place = Arc::clone(&self.sums)
            .try_acquire_owned()
            .map_err(|_| Problem::overloaded("single sums", self.config.limits.sums))?;
        let stop = Arc::new(AtomicBool::new(false));
        let _stop = StopOnDrop(Arc::clone(&stop));
        let done = compute(&self.pool, move || {
            // Free only once the work is over, whoever still waits for it.
            let _place = place;
            f(&stop)
        });
        tokio::select! {
            found = done => found.map_err(|_| Problem::internal("a sum panicked")),
            () = self.stopping.cancelled() => Err(Problem::stopping()),
        }
    }

    /// Keeps a simulated scan as a blob and records it, marked as simulated.
    pub(crate) async fn keep_simulated(
        self: &Arc<Self>,
        caller: &str,
        ply: Vec<u8>,
    ) -> Result<Acquisition, Problem> {
        let shared = Arc::clone(self);
        let size_bytes = ply.len() as u64;
        let stored = tokio::task::spawn_blocking(move || shared.blobs.put(&ply)).await;
        let digest = stored.map_err(Problem::internal)?.map_err(Problem::internal)?;
        let blob = BlobRow { sha256: digest.hex().to_owned(), size_bytes };
        self.store.keep_blob(caller, &blob).await?;
        let new = NewAcquisition {
            blob: blob.sha256,
            length_unit: LengthUnit::Millimetre,
            instrument: "simulated scanner".to_owned(),
            operator: String::new(),
            acquire_time_us: None,
            restraint: Restraint::Unstated,
            temperature_c: None,
            simulated: true,
            content: Content::Scan,
            columns: String::new(),
            coordinates: None,
            point_standard_mm: None,
            conditions: TakenConditions::default(),
            registered_instrument: None,
        };
        Ok(self.store.create_acquisition(caller, &new).await?)
    }

    /// Tells whoever waits that an inspection changed state.
    pub(crate) fn tell_changed(&self) {
        self.changed.send_modify(|n| *n = n.wrapping_add(1));
    }
}

/// Stops the work of a call when the call is over, whoever ended it.
pub(crate) struct StopOnDrop(pub(crate) Arc<AtomicBool>);

impl Drop for StopOnDrop {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// Computes on a pool beside the calls' threads, in the current span. The channel closes without an answer
/// when `f` panics; the log then has its words.
pub(crate) fn compute<T: Send + 'static>(
    pool: &rayon::ThreadPool,
    f: impl FnOnce() -> T + Send + 'static,
) -> oneshot::Receiver<T> {
    let (tell, told) = oneshot::channel();
    let span = tracing::Span::current();
    pool.spawn(move || {
        let _entered = span.enter();
        match catch_unwind(AssertUnwindSafe(f)) {
            // Nobody listens any more when the caller has left.
            Ok(value) => drop(tell.send(value)),
            Err(panic) => tracing::error!(panic = words(&*panic), "a computation panicked"),
        }
    });
    told
}

fn words(panic: &(dyn Any + Send)) -> &str {
    panic
        .downcast_ref::<&str>()
        .copied()
        .or_else(|| panic.downcast_ref::<String>().map(String::as_str))
        .unwrap_or("")
}

/// What is behind these locks is whole at any moment, so one left by a panicking thread is as good as any.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The right of one call to write into an upload.
#[derive(Debug)]
pub(crate) struct Writing {
    upload: String,
    written: Arc<Mutex<BTreeSet<String>>>,
}

impl Drop for Writing {
    fn drop(&mut self) {
        lock(&self.written).remove(&self.upload);
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
    pub(crate) fn set(&self, inspection: &str, stage: Stage, fraction: f64) {
        let (from, to) = span(stage);
        let fraction = if fraction.is_finite() { fraction.clamp(0.0, 1.0) } else { 0.0 };
        let percent = (from + (to - from) * fraction) as i32;
        let mut map = lock(&self.0);
        match map.get_mut(inspection) {
            // Never back: stages may tell their beginning again.
            Some(shown) => *shown = percent.max(*shown),
            None => {
                map.insert(inspection.to_owned(), percent);
            }
        }
    }

    pub(crate) fn percent(&self, inspection: &str) -> i32 {
        lock(&self.0).get(inspection).copied().unwrap_or(0)
    }

    pub(crate) fn forget(&self, inspection: &str) {
        lock(&self.0).remove(inspection);
    }
}
