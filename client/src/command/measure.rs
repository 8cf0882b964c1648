//! `measure`: the one-call verdict.

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use scantling_proto::v1::{
    Acquisition, CreateInspectionRequest, ErrorReason, GetInspectionRequest, Inspection, InspectionState,
    ProductionContext, Purpose, WaitInspectionRequest,
};
use tokio::time::Instant;
use tonic::Request;

use super::{Context, instances, sources};
use crate::args::Measure;
use crate::connect::{inspections, patiently};
use crate::download::{Output, download};
use crate::exit::{Exit, metadata, reason, status_of};
use crate::names;
use crate::problem;
use crate::report;

/// One call waits so long; several make up a longer wait.
const WAIT_AT_ONCE: Duration = Duration::from_secs(20);
/// The same while somebody watches a bar.
const WAIT_WHILE_SHOWN: Duration = Duration::from_millis(400);
/// A service that is so much later than it was asked to be does not answer any more.
const GRACE: Duration = Duration::from_secs(20);

pub(crate) async fn run(context: &Context, args: Measure) -> anyhow::Result<Exit> {
    let end = Instant::now() + Duration::from_secs(args.timeout);
    sources::check(&args.sources)?;
    if let Some(to) = &args.report {
        // A verdict must not be lost for a folder that is not there.
        drop(Output::at(to)?);
    }
    let repeat_of = args.repeat_of.as_deref().map(names::inspection).transpose()?;
    let readings = sources::readings(&args.sources).await?;
    let placement = sources::placement(args.sources.placement.as_deref()).await?;
    let revision = sources::revision(context, &args.judged_by).await?;
    let conditions = Acquisition {
        restraint: args.restraint.map_or(0, |r| scantling_proto::v1::Restraint::from(r).into()),
        temperature_c: args.temperature_c,
        simulated: args.simulated,
        acquire_time: args.taken,
        ..Acquisition::default()
    };
    let conditions = args.conditions.told(conditions);
    let asked = Inspection {
        revision,
        serial_number: args.serial.clone(),
        readings,
        scope_groups: args.groups.clone(),
        purpose: Purpose::from(args.purpose).into(),
        context: production(&args.context),
        repeat_of,
        ..Inspection::default()
    };
    if args.all_instances {
        return instances::run(context, &args, &conditions, asked, end).await;
    }
    let sources = sources::record(context, &args.sources, &conditions, placement).await?;
    let request_id = args.request_id.unwrap_or_else(uuid::Uuid::now_v7);
    let accepted = submit_or_join(context, request_id, Inspection { sources, ..asked }).await?;

    if args.no_wait {
        context.output.message("Inspection", &accepted, report::inspection::whole)?;
        if !is_finished(&accepted) {
            context.progress.say(&format!("accepted; {}", go_on(context, &[names::id(&accepted.name)])));
        }
        return Ok(Exit::of_inspection(&accepted));
    }
    let inspection = wait(context, accepted, end).await?;
    context.output.message("Inspection", &inspection, report::inspection::whole)?;
    if !is_finished(&inspection) {
        return Err(Exit::Unavailable.because(format!(
            "no verdict within {} s; {}",
            args.timeout,
            go_on(context, &[names::id(&inspection.name)])
        )));
    }
    let exit = Exit::of_inspection(&inspection);
    if let Some(to) = &args.report {
        report_beside(context, &inspection, to).await;
    }
    Ok(exit)
}

/// How to come to the verdicts of what was accepted.
pub(crate) fn go_on(context: &Context, ids: &[&str]) -> String {
    let shown = ids.join(", ");
    let first = ids.first().copied().unwrap_or("ID");
    if context.own_service {
        format!(
            "{shown} is kept, and measured as soon as a command waits for it: `scantling record show {first} \
             --wait --exit-verdict`, or `scantling serve` runs"
        )
    } else {
        format!("{shown} is worked on; ask again: `scantling record show {first} --wait --exit-verdict`")
    }
}

/// Hands the request in; returns once it is durable.
pub(super) async fn submit(
    context: &Context,
    request_id: uuid::Uuid,
    inspection: Inspection,
) -> anyhow::Result<Inspection> {
    let mut client = inspections(&context.channel);
    let request =
        CreateInspectionRequest { request_id: request_id.to_string(), inspection: Some(inspection) };
    // The request's id makes it safe to send it again.
    let accepted = patiently(async || client.create_inspection(request.clone()).await)
        .await
        .context("the request was not accepted")?;
    context.accepted(&accepted);
    context.progress.say(&format!("accepted as {}", accepted.name));
    Ok(accepted)
}

/// The same; where the very same was asked for before and is not finished, that one is waited for.
async fn submit_or_join(
    context: &Context,
    request_id: uuid::Uuid,
    inspection: Inspection,
) -> anyhow::Result<Inspection> {
    let refused = match submit(context, request_id, inspection.clone()).await {
        Ok(accepted) => return Ok(accepted),
        Err(refused) => refused,
    };
    match asked_before(context, &refused, &inspection).await? {
        Some(first) if !is_finished(&first) => {
            context.progress.say(&format!("asked for before as {}, which goes on", first.name));
            context.accepted(&first);
            Ok(first)
        }
        _ => Err(refused),
    }
}

/// The inspection for whose sake a request was refused, when it asked for just the same.
pub(super) async fn asked_before(
    context: &Context,
    refused: &anyhow::Error,
    wanted: &Inspection,
) -> anyhow::Result<Option<Inspection>> {
    let Some(status) = status_of(refused) else { return Ok(None) };
    let Some(name) =
        metadata(status, "inspection").filter(|_| reason(status) == ErrorReason::AlreadyInspected)
    else {
        return Ok(None);
    };
    let first = get(context, name).await?;
    let same = first.scope_groups == wanted.scope_groups
        && first.purpose == wanted.purpose
        && first.readings == wanted.readings
        && first.context.clone().unwrap_or_default() == wanted.context.clone().unwrap_or_default()
        && wanted.repeat_of.is_none();
    Ok(same.then_some(first))
}

/// One inspection by its whole name.
pub(super) async fn get(context: &Context, name: String) -> anyhow::Result<Inspection> {
    let mut client = inspections(&context.channel);
    let asked = GetInspectionRequest { name };
    patiently(async || client.get_inspection(asked.clone()).await)
        .await
        .with_context(|| format!("cannot show {}", asked.name))
}

/// A service that does not answer for longer is not being begun again.
const SILENT_AT_MOST: Duration = Duration::from_secs(60);
const ASK_AGAIN: Duration = Duration::from_secs(1);

/// Waits until it is finished or time is up; answers with the state as it is then.
pub(super) async fn wait(
    context: &Context,
    mut inspection: Inspection,
    end: Instant,
) -> anyhow::Result<Inspection> {
    let bar = context.progress.percent("measure");
    let at_once = if context.progress.is_shown() { WAIT_WHILE_SHOWN } else { WAIT_AT_ONCE };
    let mut client = inspections(&context.channel);
    let name = inspection.name.clone();
    let mut answered = Instant::now();
    while !is_finished(&inspection) {
        let left = end.saturating_duration_since(Instant::now());
        if left.is_zero() {
            break;
        }
        let pause = left.min(at_once);
        let asked = patiently(async || {
            let wait_timeout = prost_types::Duration::try_from(pause).ok();
            let mut request = Request::new(WaitInspectionRequest { name: name.clone(), wait_timeout });
            request.set_timeout(pause + GRACE);
            client.wait_inspection(request).await
        })
        .await;
        // A service that is begun again takes accepted work up; who waits has time till the end.
        let silent = answered.elapsed() < SILENT_AT_MOST && Instant::now() + ASK_AGAIN < end;
        inspection = match asked {
            Err(status) if status.code() == tonic::Code::Unavailable && silent => {
                tokio::time::sleep(ASK_AGAIN).await;
                continue;
            }
            asked => asked.with_context(|| {
                let kept = go_on(context, &[names::id(&name)]);
                format!("cannot wait for {name}, which was accepted; {kept}")
            })?,
        };
        answered = Instant::now();
        bar.set_position(u64::try_from(inspection.progress_percent).unwrap_or(0));
    }
    bar.finish_and_clear();
    Ok(inspection)
}

pub(super) fn is_finished(inspection: &Inspection) -> bool {
    matches!(inspection.state(), InspectionState::Done | InspectionState::Failed)
}

/// Saves the report of a finished inspection.
pub(super) async fn save_report(context: &Context, inspection: &Inspection, to: &Path) -> anyhow::Result<()> {
    let Some(blob) = &inspection.report_blob else {
        context.progress.say(&format!("{} has no report to save", inspection.name));
        return Ok(());
    };
    download(&context.channel, blob, to, &context.progress).await?;
    context.progress.say(&format!("report saved as {}", to.display()));
    Ok(())
}

/// The same beside a verdict, whose exit code counts whatever becomes of the report.
pub(super) async fn report_beside(context: &Context, inspection: &Inspection, to: &Path) {
    if let Err(error) = save_report(context, inspection, to).await {
        context.progress.complain(&problem::text(&error));
    }
}

/// Words that the contract knows go into its fields, any other beside them.
fn production(words: &[(String, String)]) -> Option<ProductionContext> {
    let mut context = ProductionContext::default();
    let any = !words.is_empty();
    for (word, text) in words.iter().cloned() {
        match word.as_str() {
            "mould" => context.mould = text,
            "cavity" => context.cavity = text,
            "lot" => context.lot = text,
            "trim_fixture" => context.trim_fixture = text,
            "machine" => context.machine = text,
            "order" => context.order = text,
            _ => {
                context.other.insert(word, text);
            }
        }
    }
    any.then_some(context)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_words_of_the_context_have_their_fields() {
        let words = [("lot", "L-17"), ("shift", "night")].map(|(w, t)| (w.to_owned(), t.to_owned()));
        let context = production(&words).expect("some");
        assert_eq!(context.lot, "L-17");
        assert_eq!(context.other.get("shift").map(String::as_str), Some("night"));
        assert!(production(&[]).is_none());
    }
}
