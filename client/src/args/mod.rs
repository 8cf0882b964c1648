//! The words of the command line: one file per group of commands.

mod blob;
mod calls;
mod conditions;
mod errors;
mod instrument;
mod measure;
mod part;
mod program;
mod record;
#[cfg(feature = "embedded")]
mod scan;
mod words;

#[cfg(feature = "embedded")]
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

pub(crate) use blob::{Get, Push};
pub(crate) use calls::{Align, Associate, Criterion, Evaluate, Locate, OneScan, SelfCheck, Shape, Simulate};
pub(crate) use instrument::{
    Instrument, InstrumentAdd, InstrumentBalls, InstrumentName, InstrumentVerify, InstrumentWithdraw,
};
pub(crate) use measure::{Measure, RevisionChoice, Sources};
#[cfg(feature = "embedded")]
pub(crate) use part::{MaterialSide, NominalArgs, NominalPlace, PartDiff, PartFaces};
pub(crate) use part::{NeighbourArgs, Part, PartName, PartRegister, Plan, PlanCheck, RevisionName};
pub(crate) use program::{Completions, Man};
#[cfg(feature = "embedded")]
pub(crate) use program::{Demo, Serve};
pub(crate) use record::{ExportForm, Record, RecordExport, RecordList, RecordShow, RecordWatch};
#[cfg(feature = "embedded")]
pub(crate) use scan::{Scan, ScanInfo};
pub(crate) use words::{HandReading, Unit};

/// What everybody should have read; at the end of the help and of the demo.
pub(crate) const CAUTIONS: &str = "\
Cautions:
  Acceptance of safety-relevant parts rests with the responsible quality authority, the customer's
  requirements and local rules; a verdict of this program is evidence for them, not their decision.
  Scanners with lasers: heed the class of the laser and the eye protection it asks for.
  Trimmed and sanded composites give off dust that harms lungs and skin: clean parts before scanning
  them, with extraction and protection.";

const EVERYWHERE: &str = "Options of every command";

const CODES: &str = "\
Exit codes:
  0 done (measure, record show --exit-verdict: conforms)   5 not found, or in conflict
  1 does not conform                                       6 not allowed
  2 wrong usage                                            7 unavailable, or too late
  3 undecided, not measured, no verdict yet               70 a fault of the program
  4 input or plan refused                                130 interrupted";

/// Measures made parts from scans of them: a scan goes in, a verdict on the characteristics of the part's
/// inspection plan comes out.
#[derive(Parser, Debug)]
#[command(name = "scantling", version, after_help = format!("{CODES}\n\n{CAUTIONS}"), max_term_width = 100)]
pub(crate) struct Arguments {
    #[command(flatten)]
    pub(crate) global: Global,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// What every command takes.
#[derive(Args, Debug)]
pub(crate) struct Global {
    /// Use the service at this address, such as http://127.0.0.1:7421, instead of one within this process
    #[arg(long, global = true, help_heading = EVERYWHERE, env = "SCANTLING_SERVER", value_name = "URL")]
    pub(crate) server: Option<String>,
    /// Data folder of the service within this process, and of `serve` [default: scantling in the
    /// platform's data folder]
    #[cfg(feature = "embedded")]
    #[arg(long, global = true, help_heading = EVERYWHERE, env = "SCANTLING_DATA", value_name = "FOLDER")]
    pub(crate) data_dir: Option<PathBuf>,
    /// Threads that measure, in the service within this process and in `serve`; 0 for all of the processor's
    /// within this process, for one less in `serve`, so that calls stay quick
    #[cfg(feature = "embedded")]
    #[arg(long, global = true, help_heading = EVERYWHERE, env = "SCANTLING_THREADS", value_name = "COUNT", default_value_t = 0,
        value_parser = clap::builder::RangedU64ValueParser::<usize>::new().range(0..=512))]
    pub(crate) threads: usize,
    /// Tables for people, or canonical ProtoJSON for programs
    #[arg(long, global = true, help_heading = EVERYWHERE, value_enum, default_value_t = Form::Table)]
    pub(crate) output: Form,
    /// No progress and no remarks on stderr, errors only
    #[arg(long, short, global = true, help_heading = EVERYWHERE)]
    pub(crate) quiet: bool,
}

/// How data is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Form {
    Table,
    Json,
}

#[derive(Subcommand, Debug)]
pub(crate) enum Command {
    /// Make a part and two scans of it by computation, measure both, show the verdicts
    #[cfg(feature = "embedded")]
    Demo(Demo),
    /// Check inspection plans, or begin one
    #[command(subcommand)]
    Plan(Plan),
    /// Register, show and release parts
    #[command(subcommand)]
    Part(Part),
    /// Register instruments and their verifications, and measure scans of calibrated balls
    #[command(subcommand)]
    Instrument(Instrument),
    /// Look into scan files, without measuring
    #[cfg(feature = "embedded")]
    #[command(subcommand)]
    Scan(Scan),
    /// Measure a part from scans, measured points and readings, and answer with the verdict
    Measure(Box<Measure>),
    /// Show, list, follow and export inspections
    #[command(subcommand)]
    Record(Record),
    /// Tell which parts lie where in a scan; nothing is recorded
    Locate(Locate),
    /// Tell how one part lies in a scan; nothing is recorded
    Align(Align),
    /// Tell values and verdicts of a plan's characteristics; nothing is recorded
    Evaluate(Evaluate),
    /// Associate a line, plane, circle, sphere, cylinder, cone, torus or slot with points
    Associate(Associate),
    /// Scan a part by computation: made and scanned as a file says, with the truth beside it
    Simulate(Simulate),
    /// Hold the program against published values that it carries, for audits and after an installation
    SelfCheck(SelfCheck),
    /// Upload files, and go on with uploads that broke
    Push(Push),
    /// Download a file by its digest
    Get(Get),
    /// Serve measurements to other programs until SIGTERM or SIGINT
    #[cfg(feature = "embedded")]
    Serve(Serve),
    /// Write the completions of a shell onto stdout
    Completions(Completions),
    /// Write the manual page onto stdout, or one for every command into a folder
    Man(Man),
}

#[cfg(test)]
#[path = "tests.rs"]
mod tests;
