//! `locate`, `align`, `evaluate`, `associate`, `simulate`, `self-check`: the calls that keep no record.

use std::io::Write;

use anyhow::Context as _;
use scantling_proto::v1::simulate_scan_request::Simulation;
use scantling_proto::v1::{
    Acquisition, AlignRequest, AssociateRequest, CriterionKind, EvaluateRequest, LengthUnit, LocateRequest,
    LocateResponse, MaterialSide, Placement, ScanBlob, ScanInput, SelfCheckRequest, ShapeKind,
    SimulateScanRequest, scan_input,
};

use super::{Context, sources};
use crate::args;
use crate::connect::{measurements, patiently};
use crate::download::{Output, download, unwritable};
use crate::exit::Exit;
use crate::names;
use crate::report::calls as tell;
use crate::report::self_check::checked;
use crate::upload::upload;

pub(crate) async fn run_locate(context: &Context, args: args::Locate) -> anyhow::Result<Exit> {
    let revision = sources::revision(context, &args.judged_by).await?;
    let scan = one(context, &args.scan, None).await?;
    let found = locate(context, LocateRequest { revision, scan: Some(scan) }).await?;
    context.output.message("LocateResponse", &found, tell::located)?;
    Ok(Exit::Success)
}

/// Asks which parts lie where.
pub(super) async fn locate(context: &Context, request: LocateRequest) -> anyhow::Result<LocateResponse> {
    let mut client = measurements(&context.channel);
    let bar = context.progress.spinner("locate");
    let found = patiently(async || client.locate(request.clone()).await).await.context("cannot locate")?;
    bar.finish_and_clear();
    Ok(found)
}

pub(crate) async fn align(context: &Context, args: args::Align) -> anyhow::Result<Exit> {
    let placement = sources::placement(args.placement.as_deref()).await?;
    let revision = sources::revision(context, &args.judged_by).await?;
    let scan = one(context, &args.scan, placement).await?;
    let request = AlignRequest { revision, scan: Some(scan), datum_system: args.datum_system };
    let mut client = measurements(&context.channel);
    let bar = context.progress.spinner("align");
    let lies = patiently(async || client.align(request.clone()).await).await.context("cannot align")?;
    bar.finish_and_clear();
    context.output.message("AlignResponse", &lies, tell::aligned)?;
    Ok(Exit::Success)
}

pub(crate) async fn evaluate(context: &Context, args: args::Evaluate) -> anyhow::Result<Exit> {
    sources::check(&args.sources)?;
    if args.sources.instrument.starts_with("instruments/") {
        let words = "an instrument of the register is of a day and a surface, which `evaluate` does not say; use `measure`";
        return Err(Exit::Usage.because(words));
    }
    let readings = sources::readings(&args.sources).await?;
    let placement = sources::placement(args.sources.placement.as_deref()).await?;
    let revision = sources::revision(context, &args.judged_by).await?;
    let mut scans = Vec::new();
    for file in &args.sources.scans {
        let unit = args.sources.unit.ok_or_else(|| Exit::Usage.because("state the --unit"))?;
        scans.push(ScanInput {
            region: args.sources.region.clone(),
            placement: placement.clone(),
            scan: Some(sent(context, file, unit.into(), &args.sources.columns).await?),
        });
    }
    // Points have coordinates and uncertainty, which an acquisition alone can say.
    let points = sources::record_points(context, &args.sources, &Acquisition::default()).await?;
    let groups = args.groups;
    let request = EvaluateRequest { revision, scans, points, readings, scope_groups: groups.clone() };
    let mut client = measurements(&context.channel);
    let bar = context.progress.spinner("evaluate");
    let answer =
        patiently(async || client.evaluate(request.clone()).await).await.context("cannot evaluate")?;
    bar.finish_and_clear();
    context.output.message("EvaluateResponse", &answer, |a, look| tell::evaluated(a, &groups, look))?;
    Ok(Exit::Success)
}

/// In the words of this command, before anything is uploaded.
fn material_said(args: &args::Associate) -> anyhow::Result<()> {
    use args::{Criterion::LeastSquaresOutside, Shape::Plane};
    let outside = args.criterion == LeastSquaresOutside;
    let wrong = match (outside, args.shape == Plane, args.material, args.outward) {
        (true, true, _, None) => {
            "state --outward X,Y,Z, a direction out of the material: nothing else says where that is"
        }
        (true, false, None, _) => "state --material around (a hole) or --material within (a shaft)",
        (false, _, Some(_), _) | (true, true, Some(_), _) => {
            "--material is for --criterion least-squares-outside of a shape that is no plane; leave it out"
        }
        (false, _, _, Some(_)) | (true, false, _, Some(_)) => {
            "--outward is for --criterion least-squares-outside of a plane; leave it out"
        }
        _ => return Ok(()),
    };
    Err(Exit::Usage.because(wrong))
}

pub(crate) async fn associate(context: &Context, args: args::Associate) -> anyhow::Result<Exit> {
    material_said(&args)?;
    let scan = sent(context, &args.points, args.unit.into(), &args.columns).await?;
    let points = ScanInput { scan: Some(scan), region: args.region, placement: None };
    let request = AssociateRequest {
        shape: ShapeKind::from(args.shape).into(),
        points: Some(points),
        criterion: CriterionKind::from(args.criterion).into(),
        material: args.material.map_or(MaterialSide::Unspecified, MaterialSide::from).into(),
        outward: args.outward.map(Vec::from).unwrap_or_default(),
    };
    let mut client = measurements(&context.channel);
    let answer = patiently(async || client.associate(request.clone()).await).await.with_context(|| {
        format!("cannot associate {}", crate::report::printable(&args.points.display().to_string()))
    })?;
    context.output.message("AssociateResponse", &answer, tell::associated)?;
    Ok(Exit::Success)
}

/// A check that fails is a fault of the program, or of the machine that it runs on.
pub(crate) async fn self_check(context: &Context, args: &args::SelfCheck) -> anyhow::Result<Exit> {
    let mut client = measurements(&context.channel);
    let bar = context.progress.spinner("self-check");
    let began = std::time::Instant::now();
    let answer = patiently(async || client.self_check(SelfCheckRequest {}).await);
    let answer = answer.await.context("cannot check the program")?;
    let took = began.elapsed();
    bar.finish_and_clear();
    context.output.message("SelfCheckResponse", &answer, |a, look| checked(a, took, args.all, look))?;
    Ok(if answer.passed { Exit::Success } else { Exit::Internal })
}

/// Every key of a simulation's file.
const SIMULATION_TEMPLATE: &str = include_str!("simulation_template.toml");

pub(crate) async fn simulate(context: &Context, args: args::Simulate) -> anyhow::Result<Exit> {
    let Some(file) = args.simulation.filter(|_| !args.template) else {
        crate::output::write(SIMULATION_TEMPLATE)?;
        return Ok(Exit::Success);
    };
    for to in args.to.iter().chain(&args.truth) {
        drop(Output::at(to)?);
    }
    let revision = args.revision.as_deref().map(names::revision).transpose()?.unwrap_or_default();
    let mut input = sources::open(&file).await?;
    let toml = tokio::task::spawn_blocking(move || input.text()).await??;
    let request = SimulateScanRequest { simulation: Some(Simulation::Toml(toml)), revision };
    let mut client = measurements(&context.channel);
    let bar = context.progress.spinner("simulate");
    // Not sent again when its answer is lost: that would record the scan twice.
    let made = client.simulate_scan(request).await.context("cannot simulate")?.into_inner();
    bar.finish_and_clear();
    let mut saved = Vec::new();
    if let Some(to) = &args.to {
        download(&context.channel, &made.blob, to, &context.progress).await?;
        saved.push(to.display().to_string());
    }
    if let Some(to) = &args.truth {
        let mut file = Output::at(to)?;
        file.file().write_all(made.truth_json.as_bytes()).map_err(|e| unwritable(to, &e))?;
        file.finish()?;
        saved.push(to.display().to_string());
    }
    context.output.message("SimulateScanResponse", &made, |m, look| tell::simulated(m, &saved, look))?;
    Ok(Exit::Success)
}

async fn one(
    context: &Context,
    args: &args::OneScan,
    placement: Option<Placement>,
) -> anyhow::Result<ScanInput> {
    let scan = sent(context, &args.scan, args.unit.into(), &args.columns).await?;
    Ok(ScanInput { scan: Some(scan), region: args.region.clone(), placement })
}

/// Uploads a file and names it in a call.
async fn sent(
    context: &Context,
    file: &std::path::Path,
    unit: LengthUnit,
    columns: &str,
) -> anyhow::Result<scan_input::Scan> {
    let uploaded = upload(&context.channel, sources::open(file).await?, &context.progress).await?;
    Ok(scan_input::Scan::Blob(ScanBlob {
        blob: uploaded.blob,
        length_unit: unit.into(),
        columns: columns.to_owned(),
    }))
}

#[cfg(all(test, feature = "embedded"))]
mod tests {
    use super::*;

    #[test]
    fn the_template_of_a_simulation_is_one() {
        let file =
            scantling_core::simulate::SimulationFile::from_toml(SIMULATION_TEMPLATE).expect("its form");
        let checked = file.check();
        assert!(checked.is_ok(), "{checked:?}");
        for key in ["arrangement", "nominal", "sag", "resin_ridge", "given", "drop_out", "opposite"] {
            assert!(SIMULATION_TEMPLATE.contains(key), "{key}");
        }
    }
}
