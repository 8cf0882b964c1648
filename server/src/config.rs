//! The settings of the service: where its data lies, where it listens, how much it takes.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use serde::{Deserialize, Serialize};

/// Everything that can be set. Flags, environment and a TOML file use the same names.
#[derive(Args, Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Config {
    /// Folder of store and blobs; one process at a time uses it
    #[arg(long, env = "SCANTLING_DATA", value_name = "FOLDER", default_value = "scantling-data")]
    pub data_dir: PathBuf,
    /// Address to listen on; loopback only, since no credentials are configured
    #[arg(long, env = "SCANTLING_LISTEN", value_name = "ADDRESS", default_value_t = default_listen())]
    pub listen: SocketAddr,
    /// Inspections measured at a time
    #[arg(long, env = "SCANTLING_WORKERS", value_name = "COUNT", default_value_t = 1)]
    pub workers: usize,
    /// Threads that measure; 0 for one less than the processor has, so that calls stay quick
    #[arg(long, env = "SCANTLING_THREADS", value_name = "COUNT", default_value_t = 0,
        value_parser = clap::builder::RangedU64ValueParser::<usize>::new().range(0..=512))]
    pub threads: usize,
    /// How much is taken.
    #[command(flatten)]
    pub limits: Limits,
}

/// How much the service takes; every number has its reason in [`Limits::default`].
#[derive(Args, Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// Largest file taken, bytes
    #[arg(long, value_name = "BYTES", default_value_t = Limits::default().file_bytes)]
    pub file_bytes: u64,
    /// Largest chunk of a file in one message, bytes
    #[arg(long, value_name = "BYTES", default_value_t = Limits::default().chunk_bytes)]
    pub chunk_bytes: usize,
    /// Uploads and downloads under way at a time
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().transfers)]
    pub transfers: usize,
    /// Uploads without progress for so many days are given up
    #[arg(long, value_name = "DAYS", default_value_t = Limits::default().upload_days)]
    pub upload_days: u32,
    /// Plans being checked, or waiting for it, at a time
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().plan_checks)]
    pub plan_checks: usize,
    /// Inspections that may wait
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().queued_inspections)]
    pub queued_inspections: u32,
    /// How often an inspection is started before a fault of the program is assumed
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().starts)]
    pub starts: u32,
    /// After a passing fault of disc or store an inspection is begun again after so long, and after each further
    /// one twice as long, ten minutes at most; milliseconds
    #[arg(long, value_name = "MS", default_value_t = Limits::default().retry_ms)]
    pub retry_ms: u64,
    /// Memory of the inspections measured at a time, as foretold from their files, bytes
    #[arg(long, value_name = "BYTES", default_value_t = Limits::default().inspection_memory_bytes)]
    pub inspection_memory_bytes: u64,
    /// Entries of a page when the caller does not say
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().page_size)]
    pub page_size: u32,
    /// Entries of a page at most
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().page_size_max)]
    pub page_size_max: u32,
    /// Longest free text in a request, bytes
    #[arg(long, value_name = "BYTES", default_value_t = Limits::default().text_bytes)]
    pub text_bytes: usize,
    /// Longest wait of one WaitInspection, milliseconds
    #[arg(long, value_name = "MS", default_value_t = Limits::default().wait_timeout_ms)]
    pub wait_timeout_ms: u64,
    /// After so long without a sign of life a started inspection is taken up again, milliseconds
    #[arg(long, value_name = "MS", default_value_t = Limits::default().lease_ms)]
    pub lease_ms: u64,
    /// Hard limit for finishing calls and stopping work when the service ends, milliseconds
    #[arg(long, value_name = "MS", default_value_t = Limits::default().drain_ms)]
    pub drain_ms: u64,
    /// WatchInspections streams at a time
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().watchers)]
    pub watchers: usize,
    /// Scans and files of points that serve one inspection
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().sources)]
    pub sources: usize,
    /// Readings that serve one inspection
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().readings)]
    pub readings: usize,
    /// Points sent within a message
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().inline_points)]
    pub inline_points: usize,
    /// Single sums (Locate, Align, Evaluate, Associate, SimulateScan, SelfCheck, MeasureBalls, CreateVerification by balls) at a time
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().sums)]
    pub sums: usize,
    /// Calls at a time on one connection
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().streams)]
    pub streams: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            // What one run of core takes: several times the largest scans of the trade.
            file_bytes: 4 << 30,
            // Upload speed is flat from 256 KiB on; four in flight keep an upload below 16 MiB.
            chunk_bytes: 1 << 20,
            // More at a time share one disc and only get slower.
            transfers: 16,
            // A long weekend and a broken cable are no reason to send gigabytes twice.
            upload_days: 7,
            // One is checked at a time, in seconds; people wait that long.
            plan_checks: 8,
            // A day of a busy plant; a row each, so waiting costs nothing but patience.
            queued_inspections: 1000,
            // A job that brings the process down takes others with it, so it is not tried for ever; so many power cuts
            // in a row during one job do not happen by themselves.
            starts: 20,
            // Doubled each time up to ten minutes: with twenty starts a disc or a share has two hours to come back.
            retry_ms: 10_000,
            // The other half is for uploads, nominals that are kept, single sums and the system.
            inspection_memory_bytes: machine_memory_bytes().map_or(8 << 30, |all| all / 2),
            // What the contract promises.
            page_size: 100,
            page_size_max: 1000,
            // Numbers, names and remarks; documents are blobs.
            text_bytes: 1000,
            // Shorter than the idle limits of common proxies.
            wait_timeout_ms: 60_000,
            // Heartbeats come three times as often; a stalled disc may cost seconds.
            lease_ms: 30_000,
            // Below the 10 s in which supervisors lose patience.
            drain_ms: 8_000,
            // A plant has a handful of systems that listen.
            watchers: 64,
            // Both sides of a part and some more passes.
            sources: 8,
            // A drawing has some hundreds of characteristics.
            readings: 2000,
            // What the contract promises; about 5 MB.
            inline_points: 100_000,
            // Each takes the memory of a scan; they share the threads with inspections.
            sums: 4,
            // A client in one process hardly makes more calls at once.
            streams: 128,
        }
    }
}

/// Memory of the machine, bytes, as Linux tells it; `None` where it is not told.
fn machine_memory_bytes() -> Option<u64> {
    let told = std::fs::read_to_string("/proc/meminfo").ok()?;
    let line = told.lines().find_map(|line| line.strip_prefix("MemTotal:"))?;
    let kibibytes: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    kibibytes.checked_mul(1024).filter(|&bytes| bytes > 0)
}

fn default_listen() -> SocketAddr {
    SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 7421)
}

impl Default for Config {
    fn default() -> Self {
        Self {
            data_dir: PathBuf::from("scantling-data"),
            listen: default_listen(),
            workers: 1,
            threads: 0,
            limits: Limits::default(),
        }
    }
}

impl Config {
    /// The default settings on one data folder.
    pub fn at(data_dir: impl Into<PathBuf>) -> Self {
        Self { data_dir: data_dir.into(), ..Self::default() }
    }

    /// Threads of the measuring pool: as set, else one less than the processor has, at least one.
    pub fn pool_threads(&self) -> usize {
        match self.threads {
            0 => std::thread::available_parallelism().map_or(1, |n| n.get().saturating_sub(1).max(1)),
            n => n,
        }
    }

    pub(crate) fn wait_timeout(&self) -> Duration {
        Duration::from_millis(self.limits.wait_timeout_ms)
    }

    pub(crate) fn drain(&self) -> Duration {
        Duration::from_millis(self.limits.drain_ms)
    }
}
