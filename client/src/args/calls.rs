//! `locate`, `align`, `evaluate`, `associate`, `simulate`, `self-check`: one answer now, no record of an inspection.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use scantling_proto::v1::{CriterionKind, MaterialSide, Region, ShapeKind};

use super::words::{columns, direction, region};
use super::{RevisionChoice, Sources, Unit};

/// One scan.
#[derive(Args, Debug)]
pub(crate) struct OneScan {
    /// The scan: PLY, STL, OBJ, E57 or points as text, plain or in gzip or zip; - for stdin
    #[arg(long, value_name = "FILE")]
    pub(crate) scan: PathBuf,
    /// Length unit of the scan's file, never guessed; E57 is in m
    #[arg(long, value_enum)]
    pub(crate) unit: Unit,
    /// What the columns of a text file of points hold, such as "x y z - nx ny nz", where it is not found
    /// (`scantling scan info --help` says more)
    #[arg(long, value_name = "TEXT", default_value = "", value_parser = columns)]
    pub(crate) columns: String,
    /// Only the scan's points in this box, mm, in the scan's axes
    #[arg(long, value_name = "X0,Y0,Z0,X1,Y1,Z1", value_parser = region, allow_hyphen_values = true)]
    pub(crate) region: Option<Region>,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling locate --revision ws-214/c-4 --scan demo-files/good.ply --unit mm
  scantling --output json locate --part ws-214 --scan table.ply --unit mm > found.json")]
pub(crate) struct Locate {
    #[command(flatten)]
    pub(crate) judged_by: RevisionChoice,
    #[command(flatten)]
    pub(crate) scan: OneScan,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling align --revision ws-214/c-4 --scan demo-files/good.ply --unit mm
  scantling align --revision ws-214/c-4 --scan demo-files/good.ply --unit mm --datum-system ABC")]
pub(crate) struct Align {
    #[command(flatten)]
    pub(crate) judged_by: RevisionChoice,
    #[command(flatten)]
    pub(crate) scan: OneScan,
    /// Where the part lies in the scan, as `scantling --output json locate` answers; it is searched for
    /// only where the scan leaves doubt of that
    #[arg(long, value_name = "FILE.json")]
    pub(crate) placement: Option<PathBuf>,
    /// Id of a datum system of the plan; by best fit only if not stated
    #[arg(long, value_name = "ID", default_value = "")]
    pub(crate) datum_system: String,
}

#[derive(Args, Debug)]
#[command(after_help = "The exit code tells no verdict: what is not recorded releases nothing.

Examples:
  scantling evaluate --revision ws-214/c-4 --scan demo-files/bad.ply --unit mm
  scantling evaluate --part ws-214 --reading \"20=3.02 mm +-0.01, calliper 12\" --group hand")]
pub(crate) struct Evaluate {
    #[command(flatten)]
    pub(crate) judged_by: RevisionChoice,
    #[command(flatten)]
    pub(crate) sources: Sources,
    /// Judge only this group of characteristics; may be repeated
    #[arg(long = "group", value_name = "NAME")]
    pub(crate) groups: Vec<String>,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling associate plane flange.csv --unit mm
  scantling associate cylinder bore.txt --unit mm --columns \"x y z\"
  scantling associate sphere table.ply --unit mm --region 0,0,0,30,30,30
  cat ball.csv | scantling --output json associate sphere - --unit inch
  scantling associate cylinder bore.txt --unit mm --criterion maximum-inscribed
  scantling associate slot slot.csv --unit mm --criterion least-squares-outside --material around
  scantling associate plane flange.csv --unit mm --criterion least-squares-outside --outward 0,0,1")]
pub(crate) struct Associate {
    /// The shape
    #[arg(value_enum)]
    pub(crate) shape: Shape,
    /// Points, one a line, or a scan of nothing but the feature; - for stdin
    #[arg(value_name = "FILE")]
    pub(crate) points: PathBuf,
    /// Length unit of the file, never guessed
    #[arg(long, value_enum)]
    pub(crate) unit: Unit,
    /// What the columns of a text file of points hold, such as "x y z -", where it is not found
    #[arg(long, value_name = "TEXT", default_value = "", value_parser = columns)]
    pub(crate) columns: String,
    /// Only the points in this box, mm, in the file's axes
    #[arg(long, value_name = "X0,Y0,Z0,X1,Y1,Z1", value_parser = region, allow_hyphen_values = true)]
    pub(crate) region: Option<Region>,
    /// By what the shape is associated
    #[arg(long, value_enum, default_value_t = Criterion::LeastSquares)]
    pub(crate) criterion: Criterion,
    /// Where the material is, for least-squares-outside of any shape but a plane
    #[arg(long, value_enum)]
    pub(crate) material: Option<Material>,
    /// A direction out of the material, for least-squares-outside of a plane
    #[arg(long, value_name = "X,Y,Z", value_parser = direction, allow_hyphen_values = true)]
    pub(crate) outward: Option<[f64; 3]>,
}

#[derive(Args, Debug)]
#[command(after_help = "What is simulated serves rehearsals only, for ever.

Examples:
  scantling simulate table.toml --to table.ply --truth table.json
  scantling simulate --template > table.toml
  scantling simulate bracket.toml --revision ws-214/c-4 --to scan.ply")]
pub(crate) struct Simulate {
    /// What was made and how it is scanned, TOML; - for stdin
    #[arg(value_name = "FILE", required_unless_present = "template")]
    pub(crate) simulation: Option<PathBuf>,
    /// Print a file with every key explained, and simulate nothing
    #[arg(long, conflicts_with_all = ["simulation", "revision", "to", "truth"])]
    pub(crate) template: bool,
    /// The revision whose nominal is made and scanned, such as ws-214/c-4; refused for a part that is built in
    #[arg(long, value_name = "NAME")]
    pub(crate) revision: Option<String>,
    /// Save the scan, PLY in mm
    #[arg(long, value_name = "FILE")]
    pub(crate) to: Option<PathBuf>,
    /// Save the truth, JSON: where each part lies and what was made of it
    #[arg(long, value_name = "FILE")]
    pub(crate) truth: Option<PathBuf>,
}

#[derive(Args, Debug)]
#[command(
    after_help = "It runs where the sums run: within this process, or on the server that --server names. One version has one
digest on every machine. Exit code 0: all checks passed; 70: some did not.

Examples:
  scantling self-check
  scantling --server http://127.0.0.1:7421 self-check --all
  scantling --output json self-check > self-check.json"
)]
pub(crate) struct SelfCheck {
    /// List every check, not only those that failed
    #[arg(long)]
    pub(crate) all: bool,
}

/// A shape that can be associated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Shape {
    Line,
    Plane,
    Circle,
    Sphere,
    Cylinder,
    Cone,
    /// A tube along a circle
    Torus,
    /// Two straight sides with round ends
    Slot,
}

impl From<Shape> for ShapeKind {
    fn from(shape: Shape) -> Self {
        match shape {
            Shape::Line => Self::Line,
            Shape::Plane => Self::Plane,
            Shape::Circle => Self::Circle,
            Shape::Sphere => Self::Sphere,
            Shape::Cylinder => Self::Cylinder,
            Shape::Cone => Self::Cone,
            Shape::Torus => Self::Torus,
            Shape::Slot => Self::Slot,
        }
    }
}

/// By what a shape is associated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Criterion {
    /// Least sum of squared distances (Gauss, G)
    LeastSquares,
    /// The narrowest zone that holds all points (minimax, C)
    MinimumZone,
    /// The largest circle, sphere or cylinder that no point lies inside of (X)
    MaximumInscribed,
    /// The smallest circle, sphere or cylinder that no point lies outside of (N)
    MinimumCircumscribed,
    /// Least sum of squared distances among all that lie outside the material (GE)
    LeastSquaresOutside,
}

impl From<Criterion> for CriterionKind {
    fn from(criterion: Criterion) -> Self {
        match criterion {
            Criterion::LeastSquares => Self::LeastSquares,
            Criterion::MinimumZone => Self::MinimumZone,
            Criterion::MaximumInscribed => Self::MaximumInscribed,
            Criterion::MinimumCircumscribed => Self::MinimumCircumscribed,
            Criterion::LeastSquaresOutside => Self::LeastSquaresOutside,
        }
    }
}

/// Where the material is, as seen from the shape.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Material {
    /// A hole
    Around,
    /// A shaft
    Within,
}

impl From<Material> for MaterialSide {
    fn from(material: Material) -> Self {
        match material {
            Material::Around => Self::Around,
            Material::Within => Self::Within,
        }
    }
}
