//! `demo`: a part and two scans of it are made by computation, one good and one bad; both are measured
//! through the service, as any client would, and the answers are held against what was made.

mod rehearsal;
mod runs;
mod truth;

use std::path::{Path, PathBuf};

use scantling_core::simulate::{Demo, DemoPart};
use scantling_proto::v1::{Inspection, ListInspectionsResponse};
use tempfile::TempDir;

use super::Context;
use crate::args::{self, CAUTIONS, Global};
use crate::connect::Service;
use crate::download::{download, unwritable};
use crate::exit::Exit;
use crate::output::Output;
use crate::progress::Progress;
use crate::report::{self, Look};
use rehearsal::{Files, Rehearsed};

/// Where reports go when nothing is kept.
const REPORTS: &str = "scantling-demo";

pub(crate) async fn run(
    global: &Global,
    args: args::Demo,
    output: Output,
    progress: Progress,
) -> anyhow::Result<Exit> {
    if global.server.is_some() || global.data_dir.is_some() {
        progress.say(
            "the demo has a service and a data folder of its own; --server and --data-dir are left aside",
        );
    }
    let folders = Folders::new(args.keep.as_deref())?;
    let service = Service::on(folders.data.clone(), global).await?;
    let context = Context {
        channel: service.channel.clone(),
        own_service: true,
        output,
        progress,
        open: std::sync::Arc::default(),
    };
    let ended = match args.runs {
        Some(runs) => runs::run(&context, runs).await,
        None => once(&context, args.seed, args.size, &folders).await,
    };
    drop(context);
    service.end().await?;
    ended
}

/// Where things lie. Data that nobody asked to keep goes away with this value.
struct Folders {
    data: PathBuf,
    reports: PathBuf,
    keep: Option<PathBuf>,
    _temporary: Option<TempDir>,
}

impl Folders {
    fn new(keep: Option<&Path>) -> anyhow::Result<Self> {
        let Some(keep) = keep else {
            // Before anything is made and measured for nothing.
            std::fs::create_dir_all(REPORTS).map_err(|e| unwritable(Path::new(REPORTS), &e))?;
            let temporary = tempfile::tempdir().map_err(|e| unwritable(&std::env::temp_dir(), &e))?;
            let data = temporary.path().join("data");
            return Ok(Self { data, reports: REPORTS.into(), keep: None, _temporary: Some(temporary) });
        };
        let fails = |e| unwritable(keep, &e);
        std::fs::create_dir_all(keep).map_err(fails)?;
        if std::fs::read_dir(keep).map_err(fails)?.next().is_some() {
            return Err(Exit::NotFoundOrConflict.because(format!(
                "{} is not empty; remove it to start over, or name a new folder with --keep",
                keep.display()
            )));
        }
        let keep = keep.to_owned();
        Ok(Self { data: keep.join("data"), reports: keep.clone(), keep: Some(keep), _temporary: None })
    }
}

async fn once(context: &Context, seed: u64, size: f64, folders: &Folders) -> anyhow::Result<Exit> {
    let output = &context.output;
    let files = Files::make(context, seed, size).await?;
    if let Some(keep) = &folders.keep {
        files.write(keep)?;
    }
    output.prose(&scene(&files))?;
    let Rehearsed { good, bad } = rehearsal::measure(context, "ws-214", &files).await?;
    let mut reports = Vec::new();
    for (word, inspection) in [("good", &good), ("bad", &bad)] {
        if let Some(blob) = &inspection.report_blob {
            let to = folders.reports.join(format!("{word}.html"));
            download(&context.channel, blob, &to, &context.progress).await?;
            reports.push(to);
        }
    }

    let both = ListInspectionsResponse {
        inspections: vec![good.clone(), bad.clone()],
        next_page_token: String::new(),
    };
    output.message("ListInspectionsResponse", &both, |_, look| {
        let mut text = String::new();
        for (word, inspection) in [("The good part", &good), ("The bad part", &bad)] {
            // Said once, at the end.
            let shown = Inspection { cautions: Vec::new(), ..inspection.clone() };
            text += &format!("\n{word}\n\n{}", report::inspection::whole(&shown, look));
        }
        text
    })?;
    output.prose(&built_in(&files.demo))?;
    let truth = truth::compare(&files, &bad);
    if let Some(truth) = &truth {
        output.prose(&truth.text())?;
    }
    let surprises = rehearsal::surprises(&files.demo, &good, &bad, truth.as_ref());
    output.prose(&closing(&reports, folders.keep.as_deref(), &good.cautions, &surprises, &output.look))?;
    if surprises.is_empty() {
        return Ok(Exit::Success);
    }
    Err(Exit::Internal.because(format!("the demo did not come out as it was made: {}", surprises.join("; "))))
}

fn scene(files: &Files) -> String {
    let demo = &files.demo;
    let [x, y, z] = demo.surround.size_mm();
    format!(
        "A moulded window surround of a rail carriage, {x:.0} x {y:.0} x {z:.0} mm with a skin of {:.0} mm:\n\
         nominal, plan and both scans are made by computation (seed {}).\n  \
         nominal    {} triangles\n  good part  scan of {} points, noise {} mm\n  \
         bad part   scan of {} points, the same noise, lying otherwise\n",
        demo.surround.thickness_mm(),
        files.seed,
        demo.nominal.triangles().len(),
        files.good_points,
        scantling_core::simulate::DEMO_NOISE_MM,
        files.bad_points,
    )
}

/// What the bad part was made to be.
fn built_in(demo: &Demo) -> String {
    let DemoPart { holes, dent, .. } = &demo.bad;
    let mut text = "\nBuilt into the bad part\n".to_owned();
    for hole in holes.iter().filter(|h| h.id == demo.bad_hole) {
        text += &format!(
            "  hole {} {:.3} mm off its place (dx {:.3}, dy {:.3})\n",
            hole.id,
            hole.shift.norm(),
            hole.shift.x,
            hole.shift.y
        );
    }
    if let Some(dent) = dent {
        let at = dent.dent.centre;
        text += &format!(
            "  dent of {:.3} mm in the {}, {:.0} mm across, at x {:.0}, y {:.0}, z {:.0}\n",
            dent.dent.depth_mm,
            rehearsal::region(dent.region),
            2.0 * dent.dent.radius_mm,
            at.x,
            at.y,
            at.z
        );
    }
    text + &format!("  so characteristics {} must fail, and no other\n", demo.touched_numbers().join(" and "))
}

fn closing(
    reports: &[PathBuf],
    keep: Option<&Path>,
    cautions: &[String],
    surprises: &[String],
    look: &Look,
) -> String {
    let mut text = "\nReports, to open in a browser\n".to_owned();
    for report in reports {
        text += &format!("  {}\n", report.display());
    }
    if reports.is_empty() {
        text += "  none was made\n";
    }
    if let Some(keep) = keep {
        text += &format!(
            "Everything is kept; go on with\n  scantling --data-dir {} record list\nTo start over, remove {} \
             first.\n",
            keep.join("data").display(),
            keep.display()
        );
    }
    text += "\nOn every result\n";
    // What the cautions below begin with is not said twice.
    let below =
        |caution: &&String| CAUTIONS.contains(caution.split(" rests with").next().unwrap_or_default());
    for caution in cautions.iter().filter(|c| !below(c)) {
        for line in report::wrap(caution, look.width.saturating_sub(2).max(20)) {
            text += &format!("  {line}\n");
        }
    }
    text += &format!("\n{CAUTIONS}\n\n");
    text + if surprises.is_empty() {
        "The demo came out as it was made.\n"
    } else {
        "The demo did NOT come out as it was made.\n"
    }
}
