//! `record`.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

#[derive(Subcommand, Debug)]
pub(crate) enum Record {
    /// Inspections, newest first
    List(RecordList),
    /// One inspection with every characteristic
    Show(RecordShow),
    /// Every finished inspection as it finishes, in that order
    Watch(RecordWatch),
    /// Deviation and coverage at every vertex of the nominal
    Export(RecordExport),
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling record list
  scantling record list --part ws-214 --serial 0002
  scantling --output json record list --most 1000")]
pub(crate) struct RecordList {
    /// Only of this part or revision
    #[arg(long, value_name = "NAME")]
    pub(crate) part: Option<String>,
    /// Only of this serial number
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) serial: String,
    /// So many at most
    #[arg(long, value_name = "COUNT", default_value_t = 100, value_parser = clap::value_parser!(u32).range(1..))]
    pub(crate) most: u32,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling record show 01a212e5-fe1d-746b-81ad-427bfa799cfb --report 0002.html
  scantling record show 01a212e5-fe1d-746b-81ad-427bfa799cfb --wait --exit-verdict")]
pub(crate) struct RecordShow {
    /// inspections/..., or the id alone
    pub(crate) name: String,
    /// Wait until it is finished; a service within this process measures it
    #[arg(long)]
    pub(crate) wait: bool,
    /// Wait so long at most, seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 600, requires = "wait", value_parser = clap::value_parser!(u64).range(1..=86_400))]
    pub(crate) timeout: u64,
    /// End with the verdict's exit code
    #[arg(long)]
    pub(crate) exit_verdict: bool,
    /// Save the report, a self-contained HTML page
    #[arg(long, value_name = "FILE")]
    pub(crate) report: Option<PathBuf>,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling record watch
  scantling --output json record watch --after 17 --most 5")]
pub(crate) struct RecordWatch {
    /// Begin after this sequence number; 0 for all
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(i64).range(0..))]
    pub(crate) after: i64,
    /// End after so many
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u64).range(1..))]
    pub(crate) most: Option<u64>,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling record export 01a212e5-fe1d-746b-81ad-427bfa799cfb --form ply --to deviation.ply
  scantling record export 01a212e5-fe1d-746b-81ad-427bfa799cfb --form csv --to deviation.csv")]
pub(crate) struct RecordExport {
    /// inspections/..., or the id alone
    pub(crate) name: String,
    /// ply: the nominal with properties deviation_mm and coverage; csv: a line for each of its vertices;
    /// raw: the blob as the record names it
    #[arg(long, value_enum)]
    pub(crate) form: ExportForm,
    /// File to write
    #[arg(long, value_name = "FILE")]
    pub(crate) to: PathBuf,
}

/// A form of deviation and coverage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ExportForm {
    Ply,
    Csv,
    Raw,
}
