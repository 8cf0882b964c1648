//! `plan check`: a plan whole, all faults at once.

use std::path::Path;

use anyhow::Context as _;
use scantling_proto::v1::plan_input::Plan as Source;
use scantling_proto::v1::{CheckPlanRequest, LengthUnit, PlanFault, PlanInput, Revision};

use super::{Context, neighbours};
use crate::args::PlanCheck;
use crate::connect::{parts, patiently};
use crate::exit::Exit;
use crate::input::Input;
use crate::problem::violation;
use crate::report;
use crate::upload::upload;

pub(crate) async fn check(context: &Context, args: PlanCheck) -> anyhow::Result<Exit> {
    let plan = read(&args.plan).await?;
    let mut request = CheckPlanRequest { plan: Some(plan.clone()), ..CheckPlanRequest::default() };
    if let Some(nominal) = args.nominal {
        let input = tokio::task::spawn_blocking(move || Input::open(&nominal)).await??;
        request.nominal_blob = upload(&context.channel, input, &context.progress).await?.blob;
        request.set_nominal_length_unit(args.unit.map_or(LengthUnit::Unspecified, LengthUnit::from));
        let found = neighbours::found(context, &plan, &args.plan, &args.neighbours).await?;
        request.neighbours = neighbours::sent(context, found, args.unit).await?;
    }
    let mut client = parts(&context.channel);
    let answer = patiently(async || client.check_plan(request.clone()).await)
        .await
        .with_context(|| format!("cannot check {}", report::printable(&args.plan.display().to_string())))?;
    context.output.message("CheckPlanResponse", &answer, report::plan::checked)?;
    if answer.faults.is_empty() {
        return Ok(Exit::Success);
    }
    let faults = report::plan::count(answer.faults.len());
    Err(Exit::Refused.because(format!(
        "{} has {faults}, named on stdout",
        report::printable(&args.plan.display().to_string())
    )))
}

/// An error that names every fault, when there are any.
pub(super) fn refuse(faults: &[PlanFault]) -> anyhow::Result<()> {
    if faults.is_empty() {
        return Ok(());
    }
    let lines: Vec<String> = faults.iter().map(|f| violation(&f.place, &f.problem)).collect();
    let count = report::plan::count(faults.len());
    Err(Exit::Refused.because(format!("the plan has {count}\n{}", lines.join("\n"))))
}

/// A plan's source text: JSON when it begins with a brace, else TOML, which never does.
pub(super) async fn read(path: &Path) -> anyhow::Result<PlanInput> {
    let path = path.to_owned();
    let text = tokio::task::spawn_blocking(move || Input::open(&path)?.text()).await??;
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text).to_owned();
    let source = if text.trim_start().starts_with('{') { Source::Json(text) } else { Source::Toml(text) };
    Ok(PlanInput { plan: Some(source) })
}

/// A revision to be with this plan: as text, or as a message.
pub(super) fn in_revision(plan: PlanInput) -> Revision {
    match plan.plan {
        Some(Source::Toml(text) | Source::Json(text)) => {
            Revision { plan_source: text, ..Revision::default() }
        }
        Some(Source::Message(message)) => Revision { plan: Some(message), ..Revision::default() },
        None => Revision::default(),
    }
}
