//! `record`: inspections, one, several, or as they finish.

use std::time::Duration;

use anyhow::Context as _;
use scantling_proto::v1::{
    ListInspectionsRequest, ListInspectionsResponse, WatchInspectionsRequest, WatchInspectionsResponse,
};
use tokio::time::Instant;

use super::{Context, export as exporting, measure};
use crate::args::{RecordExport, RecordList, RecordShow, RecordWatch};
use crate::connect::{Patience, inspections, patiently};
use crate::download::Output;
use crate::exit::Exit;
use crate::names::{self, PartOrRevision};
use crate::output::Reader;
use crate::report;

pub(crate) async fn list(context: &Context, args: RecordList) -> anyhow::Result<Exit> {
    let mut client = inspections(&context.channel);
    let of = match args.part.as_deref().map(names::part_or_revision).transpose()? {
        Some(PartOrRevision::Part(name) | PartOrRevision::Revision(name)) => name,
        None => String::new(),
    };
    let mut request = ListInspectionsRequest {
        revision_or_part: of,
        serial_number: args.serial,
        ..ListInspectionsRequest::default()
    };
    let mut all = ListInspectionsResponse::default();
    let most = usize::try_from(args.most)?;
    while all.inspections.len() < most {
        request.page_size = i32::try_from((most - all.inspections.len()).min(1000))?;
        let page = patiently(async || client.list_inspections(request.clone()).await)
            .await
            .context("cannot list the inspections")?;
        all.inspections.extend(page.inspections);
        request.page_token = page.next_page_token;
        if request.page_token.is_empty() {
            break;
        }
    }
    context.output.message("ListInspectionsResponse", &all, report::record::list)?;
    if !request.page_token.is_empty() {
        context.progress.say(&format!("there are more than {most}; --most shows more"));
    }
    Ok(Exit::Success)
}

pub(crate) async fn show(context: &Context, args: RecordShow) -> anyhow::Result<Exit> {
    if let Some(to) = &args.report {
        drop(Output::at(to)?);
    }
    let mut inspection = measure::get(context, names::inspection(&args.name)?).await?;
    if args.wait && !measure::is_finished(&inspection) {
        context.accepted(&inspection);
        inspection =
            measure::wait(context, inspection, Instant::now() + Duration::from_secs(args.timeout)).await?;
    }
    context.output.message("Inspection", &inspection, report::inspection::whole)?;
    if args.wait && !measure::is_finished(&inspection) {
        return Err(Exit::Unavailable.because(format!(
            "no verdict within {} s; {}",
            args.timeout,
            measure::go_on(context, &[names::id(&inspection.name)])
        )));
    }
    match &args.report {
        Some(to) if args.exit_verdict => measure::report_beside(context, &inspection, to).await,
        Some(_) if inspection.report_blob.is_none() => {
            return Err(Exit::NotFoundOrConflict.because(format!("{} has no report", inspection.name)));
        }
        Some(to) => measure::save_report(context, &inspection, to).await?,
        None => {}
    }
    Ok(if args.exit_verdict { Exit::of_inspection(&inspection) } else { Exit::Success })
}

pub(crate) async fn export(context: &Context, args: RecordExport) -> anyhow::Result<Exit> {
    exporting::run(context, args).await
}

pub(crate) async fn watch(context: &Context, args: RecordWatch) -> anyhow::Result<Exit> {
    let mut client = inspections(&context.channel);
    let mut after = args.after;
    let mut left = args.most.unwrap_or(u64::MAX);
    let mut patience = Patience::new();
    let fails = || "cannot follow the inspections any longer".to_owned();
    loop {
        // A stream that ends in order, or breaks, is begun again after the last number seen.
        let request = WatchInspectionsRequest { after_sequence: after };
        let status = match client.watch_inspections(request).await {
            Err(status) => status,
            Ok(answer) => {
                let mut stream = answer.into_inner();
                loop {
                    match stream.message().await {
                        Ok(Some(message)) => {
                            after = message.sequence;
                            patience = Patience::new();
                            let read = context.output.line("WatchInspectionsResponse", &message, line)?;
                            left -= 1;
                            if left == 0 || read == Reader::Gone {
                                return Ok(Exit::Success);
                            }
                        }
                        Ok(None) => break tonic::Status::unavailable("the service ended the stream"),
                        Err(status) => break status,
                    }
                }
            }
        };
        if !patience.again(&status).await {
            return Err(status)
                .with_context(fails)
                .with_context(|| format!("to go on: scantling record watch --after {after}"));
        }
    }
}

fn line(message: &WatchInspectionsResponse, _: &report::Look) -> String {
    match &message.inspection {
        Some(inspection) => report::inspection::line(message.sequence, inspection),
        None => format!("{:>6}  (the service told nothing about it)\n", message.sequence),
    }
}
