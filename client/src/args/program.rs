//! The program about itself: `demo`, `serve`, `completions`, `man`.

use std::path::PathBuf;

use clap::Args;

#[cfg(feature = "embedded")]
use super::words::{count, size};

#[cfg(feature = "embedded")]
#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling demo
  scantling demo --keep demo-files
  scantling demo --seed 7 --size 1.2
  scantling demo --runs 5")]
pub(crate) struct Demo {
    /// Seed of everything that is drawn: sizes of what is built in, pose, noise
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "runs")]
    pub(crate) seed: u64,
    /// Size of the part as a factor, 0.75 to 1.3
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0, value_parser = size, conflicts_with = "runs")]
    pub(crate) size: f64,
    /// Keep nominal, plan, scans, data and reports in this folder (new or empty); else only the reports
    /// are kept, in scantling-demo
    #[arg(long, value_name = "FOLDER")]
    pub(crate) keep: Option<PathBuf>,
    /// Repeat with seeds 1 to N and print one line each: what was built in and what was measured
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=1000))]
    pub(crate) runs: Option<u64>,
}

#[cfg(feature = "embedded")]
#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling serve
  scantling --data-dir demo-files/data serve --listen 127.0.0.1:0 --workers 2")]
pub(crate) struct Serve {
    /// Address to listen on, loopback only; port 0 for a free one. The address is printed on stdout
    #[arg(long, env = "SCANTLING_LISTEN", value_name = "ADDRESS", default_value = "127.0.0.1:7421")]
    pub(crate) listen: std::net::SocketAddr,
    /// Inspections measured at a time
    #[arg(long, env = "SCANTLING_WORKERS", value_name = "COUNT", default_value_t = 1, value_parser = count)]
    pub(crate) workers: usize,
    #[command(flatten, next_help_heading = "Limits")]
    pub(crate) limits: scantling_server::Limits,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling completions bash > ~/.local/share/bash-completion/completions/scantling
  scantling completions zsh > ~/.zfunc/_scantling")]
pub(crate) struct Completions {
    /// The shell
    #[arg(value_enum)]
    pub(crate) shell: clap_complete::Shell,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling man | man -l -
  scantling man --to ~/.local/share/man/man1")]
pub(crate) struct Man {
    /// Write scantling.1 and a page for every command into this folder
    #[arg(long, value_name = "FOLDER")]
    pub(crate) to: Option<PathBuf>,
}
