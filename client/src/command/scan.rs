//! `scan info`: what a file holds, found by this process itself.

use scantling_core::run::{Limits, quiet};
use scantling_core::scan;

use crate::args::ScanInfo;
use crate::exit::Exit;
use crate::input::Input;
use crate::output::Output;
use crate::report;

pub(crate) async fn info(output: Output, args: ScanInfo) -> anyhow::Result<Exit> {
    let told = tokio::task::spawn_blocking(move || {
        let mut input = Input::open(&args.file)?;
        let bytes = input.bytes(Limits::default().file_bytes)?;
        scan::info(&bytes, &args.columns, args.unit.map(Into::into), &quiet())
            .map_err(|e| Exit::Refused.because(format!("cannot read {}: {e}", input.name)))
    })
    .await??;
    output.fields(&told, report::scan::info)?;
    Ok(Exit::Success)
}
