//! `scan`.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::Unit;
use super::words::layout;

#[derive(Subcommand, Debug)]
pub(crate) enum Scan {
    /// Tell what a file holds: counts, box, spacing, normals, unit by its size, what is wrong with it
    Info(ScanInfo),
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling scan info demo-files/good.ply --unit mm
  scantling scan info scan.e57
  scantling scan info points.txt --columns \"delimiter=semicolon skip=2 - x y z nx ny nz\"")]
pub(crate) struct ScanInfo {
    /// The scan or nominal: PLY, STL, OBJ, E57, or points as text (XYZ, CSV, TXT, PTS, ASC), plain or in
    /// gzip or zip; - for stdin
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// Columns of a text file, where they are not found: x y z nx ny nz intensity, - to pass one over;
    /// before them delimiter=space|tab|comma|semicolon and skip=LINES if need be
    #[arg(long, value_name = "TEXT", value_parser = layout, default_value = "")]
    pub(crate) columns: scantling_core::read::TextLayout,
    /// Length unit of the file, to check it and to tell lengths in mm
    #[arg(long, value_enum)]
    pub(crate) unit: Option<Unit>,
}
