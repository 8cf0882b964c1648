//! The one context every stage takes: how to stop, where to tell progress, how much is allowed.

use std::sync::atomic::{AtomicBool, Ordering};

/// The stages of an inspection, in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// Bytes become a scan.
    Read,
    /// The scan is found on the nominal.
    Locate,
    /// The alignment is refined on the surface and moved onto the datums.
    Align,
    /// Points are given to features.
    Partition,
    /// Points are filtered.
    Filter,
    /// Features are associated and characteristics evaluated.
    Evaluate,
}

impl Stage {
    /// One lower-case word, for progress bars and logs.
    pub fn word(self) -> &'static str {
        match self {
            Stage::Read => "read",
            Stage::Locate => "locate",
            Stage::Align => "align",
            Stage::Partition => "partition",
            Stage::Filter => "filter",
            Stage::Evaluate => "evaluate",
        }
    }
}

/// The caller asked to stop; nothing was decided.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("stopped by the caller")]
pub struct Stopped;

/// What a caller allows one run to use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Largest file taken, in bytes.
    pub file_bytes: u64,
    /// Most points taken from one scan.
    pub points: u64,
    /// Most triangles taken from one mesh.
    pub triangles: u64,
}

impl Default for Limits {
    fn default() -> Self {
        // 50 million points and 20 million triangles are several times the largest scans of the trade;
        // 4 GiB holds them in any of the formats read.
        Self { file_bytes: 4 << 30, points: 50_000_000, triangles: 20_000_000 }
    }
}

/// Handed through every stage. Threads come from the rayon pool in which the caller calls.
pub struct Run<'a> {
    /// Set by the caller to end the work early.
    pub stop: &'a AtomicBool,
    /// Told the stage and its fraction done, 0 to 1.
    pub progress: &'a (dyn Fn(Stage, f64) + Sync),
    /// What may be used.
    pub limits: Limits,
}

/// How many items a loop may handle between two calls of [`Run::check`].
pub const CHECK_EVERY: usize = 4096;

impl Run<'_> {
    /// `Err(Stopped)` once the caller asked to stop. Call it at least every [`CHECK_EVERY`] items.
    pub fn check(&self) -> Result<(), Stopped> {
        if self.stop.load(Ordering::Relaxed) { Err(Stopped) } else { Ok(()) }
    }

    /// Tells the caller how far a stage is.
    pub fn tell(&self, stage: Stage, fraction: f64) {
        (self.progress)(stage, fraction);
    }
}

static NEVER: AtomicBool = AtomicBool::new(false);

/// A run that is never stopped, tells nobody and has the default limits: for examples and tests.
pub fn quiet() -> Run<'static> {
    Run { stop: &NEVER, progress: &|_, _| {}, limits: Limits::default() }
}
