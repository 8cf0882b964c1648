//! `push` and `get`.

use std::path::PathBuf;

use clap::Args;

#[derive(Args, Debug)]
#[command(
    after_help = "An upload that broke is gone on with by the same command: bytes that the service has \
are not sent again.

Examples:
  scantling push demo-files/good.ply demo-files/bad.ply"
)]
pub(crate) struct Push {
    /// Files; - for stdin
    #[arg(value_name = "FILE", required = true)]
    pub(crate) files: Vec<PathBuf>,
}

#[derive(Args, Debug)]
#[command(after_help = "Examples:
  scantling get blobs/e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855 --to scan.ply
  scantling get e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855 --to - | head -c 100")]
pub(crate) struct Get {
    /// blobs/{sha256}, or the SHA-256 alone
    #[arg(value_name = "BLOB")]
    pub(crate) blob: String,
    /// File to write, which appears once it is whole and its digest is right; - for stdout
    #[arg(long, value_name = "FILE")]
    pub(crate) to: PathBuf,
}
