//! The words of the command line, all in one list so that they can be compared; hence the length.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use scantling_proto::v1::{LengthUnit, Purpose, Restraint};

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
    #[arg(long, global = true, help_heading = EVERYWHERE, env = "SCANTLING_THREADS", value_name = "COUNT", default_value_t = 0)]
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
    /// Check inspection plans
    #[command(subcommand)]
    Plan(Plan),
    /// Register, show and release parts
    #[command(subcommand)]
    Part(Part),
    /// Look into scan files, without measuring
    #[cfg(feature = "embedded")]
    #[command(subcommand)]
    Scan(Scan),
    /// Measure a part from a scan of it and answer with the verdict
    Measure(Measure),
    /// Show, list and follow inspections
    #[command(subcommand)]
    Record(Record),
    /// Serve measurements to other programs until SIGTERM or SIGINT
    #[cfg(feature = "embedded")]
    Serve(Serve),
}

#[cfg(feature = "embedded")]
#[derive(Args, Debug)]
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

#[derive(Subcommand, Debug)]
pub(crate) enum Plan {
    /// Check a plan whole, by itself or against its nominal: all faults at once
    Check(PlanCheck),
}

#[derive(Args, Debug)]
pub(crate) struct PlanCheck {
    /// The plan, TOML or JSON; - for stdin
    #[arg(value_name = "FILE")]
    pub(crate) plan: PathBuf,
    /// Bind the plan's picks on this nominal too, STL, PLY or OBJ
    #[arg(long, value_name = "FILE", requires = "unit")]
    pub(crate) nominal: Option<PathBuf>,
    /// Length unit of the nominal's file
    #[arg(long, value_enum, requires = "nominal")]
    pub(crate) unit: Option<Unit>,
}

#[derive(Subcommand, Debug)]
pub(crate) enum Part {
    /// Register a draft revision of plan and nominal; the part too when it is new
    Register(PartRegister),
    /// All parts
    List,
    /// A part with its revisions, or one revision with its plan
    Show(PartName),
    /// Release a draft revision: from then on it judges production parts and never changes
    Release(RevisionName),
}

#[derive(Args, Debug)]
pub(crate) struct PartRegister {
    /// Id of the part: a-z, 0-9 and -, 63 at most
    #[arg(long, value_name = "ID")]
    pub(crate) part_id: String,
    /// What people call the part, if it is new
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) title: String,
    /// The inspection plan, TOML or JSON; - for stdin
    #[arg(long, value_name = "FILE")]
    pub(crate) plan: PathBuf,
    /// The nominal, STL, PLY or OBJ, plain or in gzip or zip
    #[arg(long, value_name = "FILE")]
    pub(crate) nominal: PathBuf,
    /// Length unit of the nominal's file
    #[arg(long, value_enum)]
    pub(crate) unit: Unit,
    /// Id of the new revision: a-z, 0-9 and -, 63 at most
    #[arg(long, value_name = "ID")]
    pub(crate) revision: String,
}

#[derive(Args, Debug)]
pub(crate) struct PartName {
    /// ws-214 for a part, ws-214/c4 for a revision, or a whole resource name
    pub(crate) name: String,
}

#[derive(Args, Debug)]
pub(crate) struct RevisionName {
    /// ws-214/c4, or parts/ws-214/revisions/c4
    pub(crate) name: String,
}

#[cfg(feature = "embedded")]
#[derive(Subcommand, Debug)]
pub(crate) enum Scan {
    /// Tell what a file holds: counts, box, spacing, normals, unit by its size, what is wrong with it
    Info(ScanInfo),
}

#[cfg(feature = "embedded")]
#[derive(Args, Debug)]
#[command(
    after_help = "Examples:\n  scantling scan info scan.e57\n  scantling scan info points.csv --unit mm\n  \
    scantling scan info points.txt --columns \"delimiter=semicolon skip=2 - x y z nx ny nz\""
)]
pub(crate) struct ScanInfo {
    /// The scan or nominal: PLY, STL, OBJ, E57, or points as text (XYZ, CSV, TXT, PTS, ASC), plain or in
    /// gzip or zip; - for stdin
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// Columns of a text file, where they are not found: x y z nx ny nz intensity, - to pass one over;
    /// before them delimiter=space|tab|comma|semicolon and skip=LINES if need be
    #[arg(long, value_name = "TEXT", value_parser = columns, default_value = "")]
    pub(crate) columns: scantling_core::read::TextLayout,
    /// Length unit of the file, to check it and to tell lengths in mm
    #[arg(long, value_enum)]
    pub(crate) unit: Option<Unit>,
}

#[derive(Args, Debug)]
#[command(after_help = "The exit code is the verdict: 0 conforms, 1 does not conform, 3 undecided, not \
    measured, or no verdict yet (--no-wait; never a pass), 4 scan refused, 7 not finished in time.")]
pub(crate) struct Measure {
    /// The part, judged by its released revision
    #[arg(long, value_name = "NAME", required_unless_present = "revision", conflicts_with = "revision")]
    pub(crate) part: Option<String>,
    /// A revision, such as ws-214/c4
    #[arg(long, value_name = "NAME")]
    pub(crate) revision: Option<String>,
    /// The scan: PLY, STL, OBJ, E57 or points as text, plain or in gzip or zip; - for stdin
    #[arg(long, value_name = "FILE")]
    pub(crate) scan: PathBuf,
    /// Length unit of the scan's file, always stated; E57 is in m
    #[arg(long, value_enum)]
    pub(crate) unit: Unit,
    /// Serial number of the part
    #[arg(long, value_name = "TEXT")]
    pub(crate) serial: String,
    /// What the verdict is for
    #[arg(long, value_enum, default_value_t = PurposeArg::Production)]
    pub(crate) purpose: PurposeArg,
    /// Judge only this group of characteristics; may be repeated
    #[arg(long = "group", value_name = "NAME")]
    pub(crate) groups: Vec<String>,
    /// The instrument, as the plant names it
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) instrument: String,
    /// Who scanned
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) operator: String,
    /// How the part was held
    #[arg(long, value_enum)]
    pub(crate) restraint: Option<RestraintArg>,
    /// Temperature of the part, degrees Celsius
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub(crate) temperature_c: Option<f64>,
    /// The scan was made by a simulator; it serves rehearsals only, for ever
    #[arg(long)]
    pub(crate) simulated: bool,
    /// Where and how the part was made: mould, cavity, lot, trim_fixture, machine, order, or any other word
    #[arg(long = "context", value_name = "WORD=TEXT", value_parser = context)]
    pub(crate) context: Vec<(String, String)>,
    /// A UUID; the same request sent again under it is measured once only
    #[arg(long, value_name = "UUID")]
    pub(crate) request_id: Option<uuid::Uuid>,
    /// Inspection that this one repeats, for another attempt at the same scan
    #[arg(long, value_name = "NAME")]
    pub(crate) repeat_of: Option<String>,
    /// Wait for the verdict (the default)
    #[arg(long, overrides_with = "no_wait")]
    wait: bool,
    /// Leave once the request is accepted
    #[arg(long, overrides_with = "wait")]
    pub(crate) no_wait: bool,
    /// Wait so long at most, seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 600, value_parser = clap::value_parser!(u64).range(1..=86_400))]
    pub(crate) timeout: u64,
    /// Save the report, a self-contained HTML page
    #[arg(long, value_name = "FILE", conflicts_with = "no_wait")]
    pub(crate) report: Option<PathBuf>,
}

#[derive(Subcommand, Debug)]
pub(crate) enum Record {
    /// Inspections, newest first
    List(RecordList),
    /// One inspection with every characteristic
    Show(RecordShow),
    /// Every finished inspection as it finishes, in that order
    Watch(RecordWatch),
}

#[derive(Args, Debug)]
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
pub(crate) struct RecordShow {
    /// inspections/..., or the id alone
    pub(crate) name: String,
    /// End with the verdict's exit code
    #[arg(long)]
    pub(crate) exit_verdict: bool,
    /// Save the report, a self-contained HTML page
    #[arg(long, value_name = "FILE")]
    pub(crate) report: Option<PathBuf>,
}

#[derive(Args, Debug)]
pub(crate) struct RecordWatch {
    /// Begin after this sequence number; 0 for all
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(i64).range(0..))]
    pub(crate) after: i64,
    /// End after so many
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u64).range(1..))]
    pub(crate) most: Option<u64>,
}

#[cfg(feature = "embedded")]
#[derive(Args, Debug)]
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

/// The length unit of a file, always stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Unit {
    Um,
    Mm,
    Cm,
    M,
    Inch,
}

impl From<Unit> for LengthUnit {
    fn from(unit: Unit) -> Self {
        match unit {
            Unit::Um => Self::Micrometre,
            Unit::Mm => Self::Millimetre,
            Unit::Cm => Self::Centimetre,
            Unit::M => Self::Metre,
            Unit::Inch => Self::Inch,
        }
    }
}

#[cfg(feature = "embedded")]
impl From<Unit> for scantling_core::read::LengthUnit {
    fn from(unit: Unit) -> Self {
        match unit {
            Unit::Um => Self::Micrometre,
            Unit::Mm => Self::Millimetre,
            Unit::Cm => Self::Centimetre,
            Unit::M => Self::Metre,
            Unit::Inch => Self::Inch,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum PurposeArg {
    Production,
    FirstArticle,
    Study,
    Rehearsal,
}

impl From<PurposeArg> for Purpose {
    fn from(purpose: PurposeArg) -> Self {
        match purpose {
            PurposeArg::Production => Self::Production,
            PurposeArg::FirstArticle => Self::FirstArticle,
            PurposeArg::Study => Self::Study,
            PurposeArg::Rehearsal => Self::Rehearsal,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum RestraintArg {
    FreeState,
    Fixture,
}

impl From<RestraintArg> for Restraint {
    fn from(restraint: RestraintArg) -> Self {
        match restraint {
            RestraintArg::FreeState => Self::FreeState,
            RestraintArg::Fixture => Self::Fixture,
        }
    }
}

fn context(typed: &str) -> Result<(String, String), String> {
    match typed.split_once('=') {
        Some((word, text)) if !word.is_empty() => Ok((word.to_owned(), text.to_owned())),
        _ => Err("write WORD=TEXT, such as lot=L-17".to_owned()),
    }
}

#[cfg(feature = "embedded")]
fn columns(typed: &str) -> Result<scantling_core::read::TextLayout, String> {
    scantling_core::read::TextLayout::parse(typed).map_err(|e| e.to_string())
}

#[cfg(feature = "embedded")]
fn size(typed: &str) -> Result<f64, String> {
    match typed.parse() {
        Ok(factor) if (0.75..=1.3).contains(&factor) => Ok(factor),
        _ => Err("write a number from 0.75 to 1.3".to_owned()),
    }
}

#[cfg(feature = "embedded")]
fn count(typed: &str) -> Result<usize, String> {
    match typed.parse() {
        Ok(n) if n > 0 => Ok(n),
        _ => Err("write a whole number of 1 or more".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_commands_are_well_formed() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn a_unit_is_never_assumed() {
        let without = ["scantling", "measure", "--part", "a", "--scan", "s.ply", "--serial", "1"];
        assert!(Arguments::try_parse_from(without).is_err());
        assert!(Arguments::try_parse_from(without.into_iter().chain(["--unit", "mm"])).is_ok());
    }
}
