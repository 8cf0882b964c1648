//! `plan` and `part`.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::Unit;

#[derive(Subcommand, Debug)]
pub(crate) enum Plan {
    /// Check a plan whole, by itself or against its nominal: all faults at once
    Check(PlanCheck),
    /// Write a plan with every key explained, to begin a new one with
    #[command(after_help = "Examples:
  scantling plan template > new.toml
  scantling plan template | scantling plan check -")]
    Template,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling plan check demo-files/ws-214.toml
  scantling plan check demo-files/ws-214.toml --nominal demo-files/ws-214.stl --unit mm
  scantling plan check surround.toml --nominal surround.stl --unit mm --neighbour PANE=pane-7.stl")]
pub(crate) struct PlanCheck {
    /// The plan, TOML or JSON; - for stdin
    #[arg(value_name = "FILE")]
    pub(crate) plan: PathBuf,
    /// Bind the plan's picks on this nominal too, STEP, STL, PLY or OBJ
    #[arg(long, value_name = "FILE")]
    pub(crate) nominal: Option<PathBuf>,
    /// Length unit of the nominal's file; not of a STEP file, which tells its own
    #[arg(long, value_enum, requires = "nominal")]
    pub(crate) unit: Option<Unit>,
    #[command(flatten)]
    pub(crate) neighbours: NeighbourArgs,
}

/// Where the nominals of a plan's neighbours are.
#[derive(Args, Debug)]
pub(crate) struct NeighbourArgs {
    /// The nominal of a neighbour that the plan names, by its id; without it the file that the plan names is looked for beside
    /// the plan
    #[arg(long = "neighbour", value_name = "ID=FILE", requires = "nominal", value_parser = neighbour)]
    pub(crate) files: Vec<(String, PathBuf)>,
    /// Length unit of the neighbours' files where it is not that of the nominal; a STEP file tells its own
    #[arg(long, value_enum, requires = "nominal")]
    pub(crate) neighbour_unit: Option<Unit>,
}

/// `PANE=pane.stl`.
fn neighbour(text: &str) -> Result<(String, PathBuf), String> {
    match text.split_once('=') {
        Some((id, file)) if !id.is_empty() && !file.is_empty() => Ok((id.to_owned(), PathBuf::from(file))),
        _ => Err("write the id of the neighbour, `=` and its file, such as PANE=pane.stl".to_owned()),
    }
}

#[derive(Subcommand, Debug)]
pub(crate) enum Part {
    /// Register a draft revision of plan and nominal; the part too when it is new
    Register(PartRegister),
    /// All parts
    #[command(after_help = "Examples:\n  scantling part list\n  scantling --output json part list")]
    List,
    /// A part with its revisions, or one revision with its plan
    Show(PartName),
    /// Release a draft revision: from then on it judges production parts and never changes
    Release(RevisionName),
    /// List the faces of a nominal's file, with a page of pictures that number them if asked
    #[cfg(feature = "embedded")]
    Faces(PartFaces),
    /// Tell which faces of a nominal moved, changed, went or came in another issue of its file
    #[cfg(feature = "embedded")]
    Diff(PartDiff),
}

/// How a file that is a nominal is read.
#[cfg(feature = "embedded")]
#[derive(Args, Debug)]
pub(crate) struct NominalArgs {
    /// Length unit of a file that is no STEP file, which tells its own. A revision knows how its file is read
    #[arg(long, value_enum)]
    pub(crate) unit: Option<Unit>,
    /// On which side of an open sheet's normals the material is
    #[arg(long, value_enum)]
    pub(crate) side: Option<MaterialSide>,
    /// The part that is meant of a STEP file that holds several
    #[arg(long, value_name = "NAME")]
    pub(crate) part: Option<String>,
}

/// Where a nominal is: a file, or a registered revision.
#[cfg(feature = "embedded")]
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum NominalPlace {
    File(PathBuf),
    /// Whole resource name.
    Revision(String),
}

#[cfg(feature = "embedded")]
impl NominalPlace {
    /// What there is as a file is one; else what has the form of a revision's name is that.
    fn parse(typed: &str) -> Result<Self, std::convert::Infallible> {
        let file = PathBuf::from(typed);
        Ok(match crate::names::revision(typed) {
            Ok(name) if !file.exists() => Self::Revision(name),
            _ => Self::File(file),
        })
    }

    pub(crate) fn is_file(&self) -> bool {
        matches!(self, Self::File(_))
    }
}

/// On which side of an open sheet the material is.
#[cfg(feature = "embedded")]
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum MaterialSide {
    /// The normals point out of it
    BehindNormal,
    /// The normals point into it
    InFrontOfNormal,
}

#[cfg(feature = "embedded")]
#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling part faces ws-214.step
  scantling part faces ws-214.step --html faces.html
  scantling part faces demo-files/ws-214.stl --unit mm
  scantling --output json part faces ws-214/c4")]
pub(crate) struct PartFaces {
    /// The nominal: a file, STEP, STL, PLY or OBJ, plain or in gzip or zip, - for stdin; or a registered revision
    #[arg(value_name = "FILE|REVISION", value_parser = NominalPlace::parse)]
    pub(crate) nominal: NominalPlace,
    #[command(flatten)]
    pub(crate) read: NominalArgs,
    /// Write a page that shows every face with its number
    #[arg(long, value_name = "FILE")]
    pub(crate) html: Option<PathBuf>,
    /// Print each face as a plan names it, with what it is known by; of a mesh by a place on it
    #[arg(long)]
    pub(crate) as_plan: bool,
}

#[cfg(feature = "embedded")]
#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling part diff ws-214-c.step ws-214-d.step
  scantling part diff ws-214-c.step ws-214-c.stl --unit mm
  scantling part diff ws-214/c4 ws-214-d.step --plan ws-214.toml")]
pub(crate) struct PartDiff {
    /// The nominal as it was, a file or a registered revision
    #[arg(value_name = "BEFORE", value_parser = NominalPlace::parse)]
    pub(crate) before: NominalPlace,
    /// The nominal as it is, a file or a registered revision
    #[arg(value_name = "AFTER", value_parser = NominalPlace::parse)]
    pub(crate) after: NominalPlace,
    #[command(flatten)]
    pub(crate) read: NominalArgs,
    /// Tell what becomes of this plan's features too
    #[arg(long, value_name = "FILE")]
    pub(crate) plan: Option<PathBuf>,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling part register --part-id ws-214 --title \"Window surround\" --revision c-4 \\
      --plan demo-files/ws-214.toml --nominal demo-files/ws-214.stl --unit mm")]
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
    /// The nominal, STEP, STL, PLY or OBJ, plain or in gzip or zip; none where every feature of the plan says
    /// its own place
    #[arg(long, value_name = "FILE")]
    pub(crate) nominal: Option<PathBuf>,
    /// Length unit of the nominal's file; not of a STEP file, which tells its own
    #[arg(long, value_enum, requires = "nominal")]
    pub(crate) unit: Option<Unit>,
    #[command(flatten)]
    pub(crate) neighbours: NeighbourArgs,
    /// Id of the new revision: a-z, 0-9 and -, 63 at most
    #[arg(long, value_name = "ID")]
    pub(crate) revision: String,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:\n  scantling part show ws-214\n  scantling part show ws-214/c-4")]
pub(crate) struct PartName {
    /// ws-214 for a part, ws-214/c-4 for a revision, or a whole resource name
    pub(crate) name: String,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:\n  scantling part release ws-214/c-4")]
pub(crate) struct RevisionName {
    /// ws-214/c-4, or parts/ws-214/revisions/c-4
    pub(crate) name: String,
}
