//! `instrument`.

use std::path::PathBuf;

use clap::{ArgGroup, Args, Subcommand};

use super::Unit;
use super::conditions::SurfaceClassArg;
use super::errors::Errors;
use super::words::{columns, day};

#[derive(Subcommand, Debug)]
pub(crate) enum Instrument {
    /// Register an instrument
    Add(InstrumentAdd),
    /// All instruments
    #[command(
        after_help = "Examples:\n  scantling instrument list\n  scantling --output json instrument list"
    )]
    List,
    /// An instrument with its verifications, or one verification with what its scan of balls showed
    Show(InstrumentName),
    /// Register a verification: as a certificate states it, or by a scan of calibrated balls
    Verify(Box<InstrumentVerify>),
    /// Withdraw a verification that is wrong: it is kept, and counts no longer
    Withdraw(InstrumentWithdraw),
    /// Measure a scan of calibrated balls and tell what it shows of its scanner; nothing is registered
    Balls(InstrumentBalls),
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling instrument add scanner-3 --title \"Scanner 3, hall B\" --serial-number 4711")]
pub(crate) struct InstrumentAdd {
    /// Id of the instrument: a-z, 0-9 and -, 63 at most
    #[arg(value_name = "ID")]
    pub(crate) id: String,
    /// What people call it
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) title: String,
    /// Its serial number
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) serial_number: String,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling instrument show scanner-3
  scantling instrument show scanner-3/2026-03")]
pub(crate) struct InstrumentName {
    /// scanner-3 for an instrument, scanner-3/2026-03 for a verification, or a whole resource name
    pub(crate) name: String,
}

#[derive(Args, Debug)]
#[command(group = ArgGroup::new("known from").required(true).args(["certificate", "balls"]))]
#[command(
    after_help = "A verification counts for what is taken from its day on, on such a surface, until its last day or a later \
verification. Without one nothing measured with the instrument conforms: it is undecided, and what fails still fails.

Examples:
  scantling instrument verify scanner-3 --id 2026-03 --on 2026-03-02 --until 2027-03-01 --surface-class dull \\
      --certificate \"KB 118, calibration laboratory\" --length-scale 0.02 --distortion 0.015 --probing 0.01
  scantling instrument verify scanner-3 --id 2026-09 --on 2026-09-01 --until 2027-08-31 --surface-class dull \\
      --balls balls.ply --unit mm --artefact balls.toml
  scantling instrument verify arm-2 --id 2026-03 --on 2026-03-02 --until 2027-03-01 --every-surface \\
      --certificate \"KB 119\" --probing 0.005"
)]
pub(crate) struct InstrumentVerify {
    /// The instrument: scanner-3, or instruments/scanner-3
    #[arg(value_name = "NAME")]
    pub(crate) instrument: String,
    /// Id of the verification: a-z, 0-9 and -, 63 at most
    #[arg(long, value_name = "ID")]
    pub(crate) id: String,
    /// The day on which it was made, such as 2026-03-02
    #[arg(long = "on", value_name = "DAY", value_parser = day)]
    pub(crate) verified_on: String,
    /// The last day on which it holds
    #[arg(long = "until", value_name = "DAY", value_parser = day)]
    pub(crate) valid_until: String,
    /// On which surface it was made; repeated for several
    #[arg(long = "surface-class", value_enum, required_unless_present = "every_surface")]
    pub(crate) surface_classes: Vec<SurfaceClassArg>,
    /// It holds for every surface: the instrument touches
    #[arg(long, conflicts_with_all = ["surface_classes", "balls"])]
    pub(crate) every_surface: bool,
    /// Who verified
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) verifier: String,
    /// Number and issuer of a certificate, which states the errors below
    #[arg(long, value_name = "TEXT")]
    pub(crate) certificate: Option<String>,
    /// The certificate itself, kept beside it
    #[arg(long, value_name = "FILE", requires = "certificate")]
    pub(crate) certificate_file: Option<PathBuf>,
    /// What the certificate finds to be more than is permitted; with any, nothing measured with the instrument conforms; may be repeated
    #[arg(long = "problem", value_name = "TEXT", requires = "certificate")]
    pub(crate) problems: Vec<String>,
    /// A scan of calibrated balls, which shows noise, scale, distortion and probing; what it cannot show may be stated below; - for stdin
    #[arg(long, value_name = "FILE", requires_all = ["unit", "artefact"])]
    pub(crate) balls: Option<PathBuf>,
    /// Length unit of the scan of balls, never guessed
    #[arg(long, value_enum, requires = "balls")]
    pub(crate) unit: Option<Unit>,
    /// What the columns of a text file of points hold, where it is not found
    #[arg(long, value_name = "TEXT", default_value = "", value_parser = columns, requires = "balls")]
    pub(crate) columns: String,
    /// The balls as they are calibrated, TOML (`scantling instrument balls --template`)
    #[arg(long, value_name = "FILE", requires = "balls")]
    pub(crate) artefact: Option<PathBuf>,
    /// The scan of balls was made by a simulator: it vouches for simulated scans only
    #[arg(long)]
    pub(crate) simulated: bool,
    #[command(flatten, next_help_heading = "Errors of the instrument, as standard uncertainties")]
    pub(crate) errors: Errors,
}

#[derive(Args, Debug)]
#[command(after_help = "Records that were made while it counted stay as they are.

Examples:
  scantling instrument withdraw scanner-3/2026-03 --reason \"the artefact was not at rest\"")]
pub(crate) struct InstrumentWithdraw {
    /// scanner-3/2026-03, or instruments/scanner-3/verifications/2026-03
    #[arg(value_name = "NAME")]
    pub(crate) name: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub(crate) reason: String,
}

#[derive(Args, Debug)]
#[command(
    after_help = "The balls are found wherever the artefact lies in the scan. Scan it as parts are scanned, on a surface as \
theirs, at the temperature of its calibrated values.

Examples:
  scantling instrument balls balls.ply --unit mm --artefact balls.toml
  scantling instrument balls --template > balls.toml"
)]
pub(crate) struct InstrumentBalls {
    /// The scan of balls; - for stdin
    #[arg(value_name = "FILE", required_unless_present = "template", requires_all = ["unit", "artefact"])]
    pub(crate) scan: Option<PathBuf>,
    /// Length unit of the scan, never guessed
    #[arg(long, value_enum)]
    pub(crate) unit: Option<Unit>,
    /// What the columns of a text file of points hold, where it is not found
    #[arg(long, value_name = "TEXT", default_value = "", value_parser = columns)]
    pub(crate) columns: String,
    /// The balls as they are calibrated, TOML
    #[arg(long, value_name = "FILE")]
    pub(crate) artefact: Option<PathBuf>,
    /// Write a file of an artefact with every key explained, to begin a new one with
    #[arg(long, conflicts_with = "scan")]
    pub(crate) template: bool,
}
