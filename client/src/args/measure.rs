//! `measure`, and what it shares with the calls that keep no record.

use std::path::PathBuf;

use clap::{ArgGroup, Args, ValueEnum};
use scantling_proto::v1::{PointCoordinates, Region};

use super::conditions::Conditions;
use super::words::{PurposeArg, RestraintArg, columns, context, hand_reading, moment, positive, region};
use super::{HandReading, Unit};

/// Which plan judges.
#[derive(Args, Debug)]
#[group(id = "judged by", required = true, multiple = false)]
pub(crate) struct RevisionChoice {
    /// The part, judged by its released revision
    #[arg(long, value_name = "NAME")]
    pub(crate) part: Option<String>,
    /// A revision, such as ws-214/c-4
    #[arg(long, value_name = "NAME")]
    pub(crate) revision: Option<String>,
}

/// What was measured, and in which unit and axes.
#[derive(Args, Debug)]
// The group that a struct makes by itself would hold every word below.
#[group(skip)]
#[command(group = ArgGroup::new("measured").required(true).multiple(true).args(["scans", "points", "readings", "reading"]))]
pub(crate) struct Sources {
    /// A scan: PLY, STL, OBJ, E57 or points as text, plain or in gzip or zip; - for stdin. Repeated for several scans of one part, such as of both its sides
    #[arg(long = "scan", value_name = "FILE", requires = "unit")]
    pub(crate) scans: Vec<PathBuf>,
    /// A table of points that an arm, a measuring machine or a hand took, each of a named feature or datum
    /// target: columns name, x, y, z, and as they are known role (surface or centre), nx, ny, nz, diameter, u
    /// (standard uncertainty), and nom_x, nom_y, nom_z, dir_x, dir_y, dir_z, which are held against the plan; may
    /// be repeated
    #[arg(long, value_name = "FILE", requires_all = ["unit", "coordinates"])]
    pub(crate) points: Vec<PathBuf>,
    /// Length unit of scans and points, never guessed; E57 is in m
    #[arg(long, value_enum)]
    pub(crate) unit: Option<Unit>,
    /// What the columns of a text file of points hold, such as "x y z - nx ny nz", where it is not found
    /// (`scantling scan info --help` says more)
    #[arg(long, value_name = "TEXT", default_value = "", value_parser = columns, requires = "scans")]
    pub(crate) columns: String,
    /// Axes of --points: of the part, as the instrument was aligned on its datums, or the instrument's own
    #[arg(long, value_enum, requires = "points")]
    pub(crate) coordinates: Option<Coordinates>,
    /// Standard uncertainty of one coordinate of --points where the table has no column u; unless stated,
    /// nothing is proven by them
    #[arg(long, value_name = "MM", value_parser = positive, requires = "points", allow_negative_numbers = true)]
    pub(crate) point_uncertainty: Option<f64>,
    /// Only the scan's points in this box, mm, in the scan's axes
    #[arg(long, value_name = "X0,Y0,Z0,X1,Y1,Z1", value_parser = region, allow_hyphen_values = true, requires = "scans")]
    pub(crate) region: Option<Region>,
    /// Where the part lies in the scan, as `scantling --output json locate` or `align` answers; it is
    /// searched for only where the scan leaves doubt of that
    #[arg(long, value_name = "FILE.json", requires = "scans")]
    pub(crate) placement: Option<PathBuf>,
    /// A table of readings by hand instruments: columns characteristic, value, passed (true or false), unit,
    /// expanded_uncertainty, instrument, operator
    #[arg(long, value_name = "FILE.csv")]
    pub(crate) readings: Vec<PathBuf>,
    /// One reading: NUMBER=VALUE UNIT +-U, INSTRUMENT for a value with its expanded uncertainty (k = 2), if
    /// known; NUMBER=pass, GAUGE or NUMBER=fail, GAUGE for a gauge; may be repeated
    #[arg(long, value_name = "TEXT", value_parser = hand_reading)]
    pub(crate) reading: Vec<HandReading>,
    /// The instrument of scans and points: instruments/ID for one of the register (`scantling instrument`), whose verification
    /// on the day of --taken for --surface-class then counts; any other text is kept as the plant's name for it
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) instrument: String,
    /// Who measured
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) operator: String,
}

#[derive(Args, Debug)]
#[command(override_usage = "scantling measure <--part <NAME>|--revision <NAME>> --serial <TEXT> \
         [--scan <FILE> --unit <UNIT>]... [--points <FILE> --unit <UNIT> --coordinates <AXES>]... \
         [--readings <FILE.csv>]... [--reading <TEXT>]... [OPTIONS]")]
#[command(after_help = "The exit code is the verdict: 0 conforms, 1 does not conform, 3 undecided, not \
measured, or no verdict yet (--no-wait; never a pass), 4 scan refused, 7 not finished in time. With \
--all-instances it is the worst of all parts' (1 before 4, 7 and 70, these before 3), and 3 instead of 0 when \
a part of the other hand or one that cannot be told lies there, or no part at all.

Examples:
  scantling measure --part ws-214 --scan demo-files/bad.ply --unit mm --serial 0002 \\
      --simulated --purpose rehearsal --report 0002.html
  scantling measure --part ws-214 --scan front.ply --scan back.ply --unit mm --serial 0003
  scantling measure --part ws-214 --scan table.ply --unit mm --serial 0004 --all-instances
  scantling measure --part ws-214 --scan front.ply --unit mm --serial 0007 --restraint free-state \\
      --temperature-c 24.5 --temperature-uncertainty 0.5 --length-scale 0.02 --distortion 0.015 --probing 0.01
  scantling measure --part ws-214 --scan front.ply --unit mm --serial 0008 --instrument instruments/scanner-3 \\
      --taken 2026-05-04T10:30:00Z --surface-class dull
  scantling measure --part ws-214 --points arm.csv --unit mm --coordinates part \\
      --point-uncertainty 0.02 --serial 0005
  scantling measure --part ws-214 --scan front.ply --unit mm --serial 0006 \\
      --reading \"20=3.02 mm +-0.01, calliper 12\" --reading \"21=pass, thread plug gauge M6-6H\"")]
pub(crate) struct Measure {
    #[command(flatten)]
    pub(crate) judged_by: RevisionChoice,
    #[command(flatten)]
    pub(crate) sources: Sources,
    /// Find every such part in the scan and measure each; their serial numbers are --serial with -1, -2 ...
    #[arg(long, requires = "scans",
        conflicts_with_all = ["points", "readings", "reading", "placement", "request_id", "repeat_of", "report"])]
    pub(crate) all_instances: bool,
    /// Serial number of the part
    #[arg(long, value_name = "TEXT")]
    pub(crate) serial: String,
    /// What the verdict is for
    #[arg(long, value_enum, default_value_t = PurposeArg::Production)]
    pub(crate) purpose: PurposeArg,
    /// Judge only this group of characteristics; may be repeated
    #[arg(long = "group", value_name = "NAME")]
    pub(crate) groups: Vec<String>,
    /// When it was scanned or probed, such as 2026-05-04T10:30:00Z
    #[arg(long, value_name = "TIME", value_parser = moment)]
    pub(crate) taken: Option<prost_types::Timestamp>,
    /// How the part was held
    #[arg(long, value_enum)]
    pub(crate) restraint: Option<RestraintArg>,
    /// Temperature of the part, degrees Celsius
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub(crate) temperature_c: Option<f64>,
    #[command(flatten)]
    pub(crate) conditions: Conditions,
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
    #[arg(long, value_name = "SECONDS", default_value_t = 600, value_parser = clap::value_parser!(u64).range(1..=86_400), allow_negative_numbers = true)]
    pub(crate) timeout: u64,
    /// Save the report, a self-contained HTML page
    #[arg(long, value_name = "FILE", conflicts_with = "no_wait")]
    pub(crate) report: Option<PathBuf>,
}

/// The axes of measured points.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Coordinates {
    Part,
    Instrument,
}

impl From<Coordinates> for PointCoordinates {
    fn from(coordinates: Coordinates) -> Self {
        match coordinates {
            Coordinates::Part => Self::Part,
            Coordinates::Instrument => Self::Instrument,
        }
    }
}
