//! `measure`: the one-call verdict.

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use scantling_proto::v1::acquisition_service_client::AcquisitionServiceClient;
use scantling_proto::v1::inspection_service_client::InspectionServiceClient;
use scantling_proto::v1::part_service_client::PartServiceClient;
use scantling_proto::v1::{
    Acquisition, CreateAcquisitionRequest, CreateInspectionRequest, Inspection, InspectionState, LengthUnit,
    ListAcquisitionsRequest, ProductionContext, Purpose, Source, WaitInspectionRequest,
};
use tokio::time::Instant;
use tonic::Request;

use super::{Context, part};
use crate::args::Measure;
use crate::connect::patiently;
use crate::exit::Exit;
use crate::input::Input;
use crate::names;
use crate::report;
use crate::upload::{Uploaded, download, upload};

/// One call waits so long; several make up a longer wait.
const WAIT_AT_ONCE: Duration = Duration::from_secs(20);
/// The same while somebody watches a bar.
const WAIT_WHILE_SHOWN: Duration = Duration::from_millis(400);
/// A service that is so much later than it was asked to be does not answer any more.
const GRACE: Duration = Duration::from_secs(20);

pub(crate) async fn run(context: &Context, args: Measure) -> anyhow::Result<Exit> {
    let end = Instant::now() + Duration::from_secs(args.timeout);
    let repeat_of = args.repeat_of.as_deref().map(names::inspection).transpose()?;
    let revision = match (&args.revision, &args.part) {
        (Some(revision), _) => names::revision(revision)?,
        (None, Some(part)) => released(context, &names::part(part)?).await?,
        (None, None) => return Err(Exit::Usage.because("name a --part or a --revision")),
    };
    let scan = args.scan.clone();
    let scan = tokio::task::spawn_blocking(move || Input::open(&scan)).await??;
    let conditions = Acquisition {
        length_unit: LengthUnit::from(args.unit).into(),
        instrument: args.instrument,
        operator: args.operator,
        restraint: args.restraint.map_or(0, |r| scantling_proto::v1::Restraint::from(r).into()),
        temperature_c: args.temperature_c,
        simulated: args.simulated,
        ..Acquisition::default()
    };
    let acquisition = acquire(context, scan, conditions).await?;
    let inspection = Inspection {
        revision,
        serial_number: args.serial,
        sources: vec![Source { acquisition, ..Source::default() }],
        scope_groups: args.groups,
        purpose: Purpose::from(args.purpose).into(),
        context: production(args.context),
        repeat_of,
        ..Inspection::default()
    };
    let request_id = args.request_id.unwrap_or_else(uuid::Uuid::now_v7);
    let accepted = submit(context, request_id, inspection).await?;

    if args.no_wait {
        context.output.message("Inspection", &accepted, report::inspection::whole)?;
        if accepted.state() != InspectionState::Done && context.own_service {
            context.progress.say(
                "accepted; the next command on this data folder measures it, and `scantling serve` does",
            );
        }
        return Ok(Exit::of_inspection(&accepted));
    }
    let inspection = wait(context, accepted, end).await?;
    context.output.message("Inspection", &inspection, report::inspection::whole)?;
    if !is_finished(&inspection) {
        return Err(Exit::Unavailable.because(format!(
            "no verdict within {} s; {}: `scantling record show {} --exit-verdict`",
            args.timeout,
            if context.own_service {
                "the next command on this data folder goes on with it, ask later"
            } else {
                "it is still worked on, ask again"
            },
            names::id(&inspection.name)
        )));
    }
    if let Some(to) = &args.report {
        save_report(context, &inspection, to).await?;
    }
    Ok(Exit::of_inspection(&inspection))
}

/// The revision of a part that is in force.
async fn released(context: &Context, part: &str) -> anyhow::Result<String> {
    let mut client = PartServiceClient::new(context.channel.clone());
    let part = part::get(&mut client, part).await?;
    part.released_revision.ok_or_else(|| {
        let id = names::id(&part.name);
        Exit::NotAllowed.because(format!(
            "{id} has no released revision; release one with `scantling part release {id}/...`, or name a draft \
             with --revision and another purpose than production"
        ))
    })
}

/// Sends the scan and records it as taken. Bytes that the service has from before, taken under the same
/// conditions, are the same acquisition: so a command that is run again is the same request again.
pub(super) async fn acquire(
    context: &Context,
    scan: Input,
    conditions: Acquisition,
) -> anyhow::Result<String> {
    let Uploaded { blob, known } = upload(&context.channel, scan, &context.progress).await?;
    let acquisition = Acquisition { blob, ..conditions };
    let mut client = AcquisitionServiceClient::new(context.channel.clone());
    if known {
        let mut request = ListAcquisitionsRequest { page_size: 1000, page_token: String::new() };
        loop {
            let page = patiently(async || client.list_acquisitions(request.clone()).await)
                .await
                .context("cannot look for the scan among those recorded before")?;
            if let Some(same) = page.acquisitions.into_iter().find(|a| is_same(a, &acquisition)) {
                return Ok(same.name);
            }
            if page.next_page_token.is_empty() {
                break;
            }
            request.page_token = page.next_page_token;
        }
    }
    // Not sent again when its answer is lost: that would record the scan twice.
    let request = CreateAcquisitionRequest { acquisition: Some(acquisition) };
    Ok(client.create_acquisition(request).await.context("cannot record the scan")?.into_inner().name)
}

/// The same but for what the service gives.
fn is_same(recorded: &Acquisition, wanted: &Acquisition) -> bool {
    let mut stated = recorded.clone();
    stated.name.clear();
    stated.create_time = None;
    stated == *wanted
}

/// Hands the request in; returns once it is durable.
pub(super) async fn submit(
    context: &Context,
    request_id: uuid::Uuid,
    inspection: Inspection,
) -> anyhow::Result<Inspection> {
    let mut client = InspectionServiceClient::new(context.channel.clone());
    let request =
        CreateInspectionRequest { request_id: request_id.to_string(), inspection: Some(inspection) };
    // The request's id makes it safe to send it again.
    let accepted = patiently(async || client.create_inspection(request.clone()).await)
        .await
        .context("the request was not accepted")?;
    context.progress.say(&format!("accepted as {}", accepted.name));
    Ok(accepted)
}

/// Waits until it is finished or time is up; answers with the state as it is then.
pub(super) async fn wait(
    context: &Context,
    mut inspection: Inspection,
    end: Instant,
) -> anyhow::Result<Inspection> {
    let bar = context.progress.percent("measure");
    let at_once = if context.progress.is_shown() { WAIT_WHILE_SHOWN } else { WAIT_AT_ONCE };
    let mut client = InspectionServiceClient::new(context.channel.clone());
    let name = inspection.name.clone();
    while !is_finished(&inspection) {
        let left = end.saturating_duration_since(Instant::now());
        if left.is_zero() {
            break;
        }
        let pause = left.min(at_once);
        inspection = patiently(async || {
            let wait_timeout = prost_types::Duration::try_from(pause).ok();
            let mut request = Request::new(WaitInspectionRequest { name: name.clone(), wait_timeout });
            request.set_timeout(pause + GRACE);
            client.wait_inspection(request).await
        })
        .await
        .with_context(|| format!("cannot wait for {name}; it is still worked on"))?;
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
    download(&context.channel, blob, to).await?;
    context.progress.say(&format!("report saved as {}", to.display()));
    Ok(())
}

/// Words that the contract knows go into its fields, any other beside them.
fn production(words: Vec<(String, String)>) -> Option<ProductionContext> {
    let mut context = ProductionContext::default();
    let any = !words.is_empty();
    for (word, text) in words {
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
    fn a_scan_recorded_before_is_the_same_only_under_the_same_conditions() {
        let wanted =
            Acquisition { blob: "blobs/a".into(), instrument: "arm 2".into(), ..Acquisition::default() };
        let mut recorded = wanted.clone();
        recorded.name = "acquisitions/1".into();
        recorded.create_time = Some(prost_types::Timestamp { seconds: 1, nanos: 0 });
        assert!(is_same(&recorded, &wanted));
        recorded.temperature_c = Some(20.0);
        assert!(!is_same(&recorded, &wanted));
    }

    #[test]
    fn known_words_of_the_context_have_their_fields() {
        let words = [("lot", "L-17"), ("shift", "night")].map(|(w, t)| (w.to_owned(), t.to_owned()));
        let context = production(words.to_vec()).expect("some");
        assert_eq!(context.lot, "L-17");
        assert_eq!(context.other.get("shift").map(String::as_str), Some("night"));
        assert!(production(Vec::new()).is_none());
    }
}
