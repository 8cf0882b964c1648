//! Making the files of a demo and having both parts measured.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use scantling_core::simulate::window_surround::Region;
use scantling_core::simulate::{DEMO_SPACING_MM, Demo};
use scantling_proto::v1::plan_input::Plan as Source;
use scantling_proto::v1::{
    Acquisition, Inspection, InspectionState, LengthUnit, PlanInput, Purpose, Restraint, Source as Scan,
    Verdict,
};
use tokio::time::Instant;

use super::truth::Truth;
use crate::command::part::{NewRevision, create, release_by_name};
use crate::command::{Context, measure as measuring, sources};
use crate::download::unwritable;
use crate::exit::Exit;
use crate::input::{Input, temporary};

/// Longer than any machine that can build the program should need for one scan.
const ONE_SCAN_WITHIN: Duration = Duration::from_secs(300);

/// What a CAD department and a scanner would hand over, and what nobody but a simulator knows.
pub(super) struct Files {
    pub(super) seed: u64,
    pub(super) demo: Demo,
    pub(super) nominal_stl: Vec<u8>,
    pub(super) plan_toml: String,
    pub(super) good_ply: Vec<u8>,
    pub(super) bad_ply: Vec<u8>,
    pub(super) good_points: u64,
    pub(super) bad_points: u64,
}

impl Files {
    /// Computes them; takes a few seconds.
    pub(super) async fn make(context: &Context, seed: u64, size: f64) -> anyhow::Result<Self> {
        let wait = context.progress.spinner("make part and scans");
        let files = tokio::task::spawn_blocking(move || -> anyhow::Result<Self> {
            let demo = Demo::new(seed, size);
            let (good_ply, bad_ply) =
                (demo.good_scan_ply(DEMO_SPACING_MM)?, demo.bad_scan_ply(DEMO_SPACING_MM)?);
            let points = |ply: &[u8]| Ok::<_, anyhow::Error>(scantling_core::read::header(ply)?.points);
            Ok(Self {
                seed,
                nominal_stl: demo.nominal_stl(),
                plan_toml: demo.plan_toml(),
                good_points: points(&good_ply)?,
                bad_points: points(&bad_ply)?,
                good_ply,
                bad_ply,
                demo,
            })
        })
        .await?;
        wait.finish_and_clear();
        files.context("cannot make the demo's files")
    }

    /// Writes them into a folder.
    pub(super) fn write(&self, folder: &Path) -> anyhow::Result<()> {
        for (name, bytes) in [
            ("ws-214.stl", self.nominal_stl.as_slice()),
            ("ws-214.toml", self.plan_toml.as_bytes()),
            ("good.ply", &self.good_ply),
            ("bad.ply", &self.bad_ply),
        ] {
            let file = folder.join(name);
            std::fs::write(&file, bytes).map_err(|e| unwritable(&file, &e))?;
        }
        Ok(())
    }
}

/// Both parts, measured.
pub(super) struct Rehearsed {
    pub(super) good: Inspection,
    pub(super) bad: Inspection,
}

/// Registers and releases the part, then measures both scans.
pub(super) async fn measure(context: &Context, part: &str, files: &Files) -> anyhow::Result<Rehearsed> {
    let name = format!("parts/{part}/revisions/c1");
    let new = NewRevision {
        name: name.clone(),
        title: "Window surround, rail carriage".to_owned(),
        plan: PlanInput { plan: Some(Source::Toml(files.plan_toml.clone())) },
        unit: LengthUnit::Millimetre,
        neighbours: Vec::new(),
    };
    create(context, Some(memory("nominal", &files.nominal_stl)?), new).await?;
    release_by_name(context, name.clone()).await?;
    let good = one(context, &name, "good", &files.good_ply).await?;
    let bad = one(context, &name, "bad", &files.bad_ply).await?;
    Ok(Rehearsed { good, bad })
}

async fn one(context: &Context, revision: &str, serial: &str, ply: &[u8]) -> anyhow::Result<Inspection> {
    let conditions = Acquisition {
        length_unit: LengthUnit::Millimetre.into(),
        instrument: "simulated scanner".to_owned(),
        restraint: Restraint::FreeState.into(),
        simulated: true,
        ..Acquisition::default()
    };
    let acquisition = sources::acquire(context, memory(serial, ply)?, conditions).await?;
    let request = Inspection {
        revision: revision.to_owned(),
        serial_number: serial.to_owned(),
        sources: vec![Scan { acquisition, ..Scan::default() }],
        purpose: Purpose::Rehearsal.into(),
        ..Inspection::default()
    };
    let accepted = measuring::submit(context, uuid::Uuid::now_v7(), request).await?;
    let inspection = measuring::wait(context, accepted, Instant::now() + ONE_SCAN_WITHIN).await?;
    if inspection.state() != InspectionState::Done {
        let what = crate::report::inspection::state_with_progress(&inspection);
        return Err(Exit::of_unfinished(&inspection)
            .because(format!("the {serial} part has no verdict ({what}): {}", inspection.reason)));
    }
    Ok(inspection)
}

/// Bytes as a file that can be uploaded.
fn memory(name: &str, bytes: &[u8]) -> anyhow::Result<Input> {
    use std::io::Write;
    let mut file = temporary(name)?;
    file.write_all(bytes).context("cannot write a temporary file")?;
    Ok(Input { file, size: bytes.len() as u64, name: name.to_owned() })
}

/// What did not come out as it was made; empty when all did.
pub(super) fn surprises(
    demo: &Demo,
    good: &Inspection,
    bad: &Inspection,
    truth: Option<&Truth>,
) -> Vec<String> {
    let mut surprises = Vec::new();
    if good.verdict() != Verdict::Conforms {
        let verdict = crate::report::inspection::verdict(good.verdict());
        surprises.push(format!("the good part: {verdict}, not CONFORMS ({})", good.reason));
    }
    if bad.verdict() != Verdict::DoesNotConform {
        let verdict = crate::report::inspection::verdict(bad.verdict());
        surprises.push(format!("the bad part: {verdict}, not DOES NOT CONFORM ({})", bad.reason));
    }
    let failed: BTreeSet<String> = bad
        .evaluations
        .iter()
        .filter(|e| e.verdict() == Verdict::DoesNotConform)
        .map(|e| e.number.clone())
        .collect();
    let touched: BTreeSet<String> = demo.touched_numbers().into_iter().collect();
    surprises.extend(touched.difference(&failed).map(|n| format!("the bad part does not fail in {n}")));
    surprises.extend(failed.difference(&touched).map(|n| format!("the bad part fails in {n} too")));
    match truth {
        Some(truth) => surprises.extend(truth.beyond()),
        None => surprises.push("the hole or the dent of the bad part was not measured".to_owned()),
    }
    surprises
}

/// A region of the part in words.
pub(super) fn region(region: Region) -> &'static str {
    match region {
        Region::Wall => "outer wall",
        Region::Crown => "crown",
        Region::Reveal => "reveal",
    }
}
