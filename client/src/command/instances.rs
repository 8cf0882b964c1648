//! `measure --all-instances`: every part that lies in one scan, each an inspection of its own.

use scantling_proto::v1::{
    Acquisition, Finding, FindingKind, Inspection, ListInspectionsResponse, LocateRequest, LocateResponse,
    ScanInput, Source, scan_input,
};
use tokio::time::Instant;

use super::calls::locate;
use super::measure::{asked_before, go_on, is_finished, submit, wait};
use super::{Context, sources};
use crate::args::Measure;
use crate::exit::Exit;
use crate::names;
use crate::report;

pub(super) async fn run(
    context: &Context,
    args: &Measure,
    conditions: &Acquisition,
    asked: Inspection,
    end: Instant,
) -> anyhow::Result<Exit> {
    let [scan] = args.sources.scans.as_slice() else {
        return Err(Exit::Usage.because("--all-instances looks into one scan; name one --scan"));
    };
    let acquisition = sources::record_scan(context, &args.sources, conditions, scan).await?;
    let request = LocateRequest {
        revision: asked.revision.clone(),
        scan: Some(ScanInput {
            scan: Some(scan_input::Scan::Acquisition(acquisition.clone())),
            region: args.sources.region.clone(),
            placement: None,
        }),
    };
    let found = locate(context, request).await?;
    let mut open = Vec::new();
    for finding in parts(&found) {
        let serial_number = format!("{}-{}", args.serial, open.len() + 1);
        let placement = finding.placements.first().cloned();
        let wanted = Inspection {
            sources: vec![Source { acquisition: acquisition.clone(), placement, region: None }],
            serial_number,
            ..asked.clone()
        };
        open.push(submit_or_find(context, wanted).await?);
    }
    let mut all = ListInspectionsResponse::default();
    for inspection in open {
        let inspection = if args.no_wait { inspection } else { wait(context, inspection, end).await? };
        all.inspections.push(inspection);
    }
    let (exit, unfinished) = outcome(&found, &all.inspections);
    let table = |all: &ListInspectionsResponse, look: &report::Look| {
        report::record::instances(&found, &all.inspections, look)
    };
    context.output.message("ListInspectionsResponse", &all, table)?;
    for (k, other) in others(&found) {
        context.progress.say(&told(k, other));
    }
    if unfinished.is_empty() {
        return Ok(exit);
    }
    if args.no_wait {
        context.progress.say(&format!("accepted; {}", go_on(context, &unfinished)));
        return Ok(exit);
    }
    // Only the parts that are finished have an answer, and a bad one among them is one.
    context.progress.say(&format!("no verdict within {} s; {}", args.timeout, go_on(context, &unfinished)));
    Ok(Exit::worst([exit, Exit::Unavailable]))
}

/// What is the part, in the order found.
fn parts(found: &LocateResponse) -> impl Iterator<Item = &Finding> {
    found.findings.iter().filter(|f| f.kind() == FindingKind::Part)
}

/// What is not, with its number from 1.
fn others(found: &LocateResponse) -> impl Iterator<Item = (usize, &Finding)> {
    found.findings.iter().enumerate().map(|(k, f)| (k + 1, f)).filter(|(_, f)| f.kind() != FindingKind::Part)
}

fn told(k: usize, finding: &Finding) -> String {
    format!("not measured: finding {k}, {}: {}", report::calls::kind(finding.kind()), finding.reason)
}

/// The worst of all, and what has no verdict yet. What may be a part and was not measured is no pass.
fn outcome<'a>(found: &LocateResponse, all: &'a [Inspection]) -> (Exit, Vec<&'a str>) {
    let doubtful = found
        .findings
        .iter()
        .any(|f| !matches!(f.kind(), FindingKind::Part | FindingKind::Other))
        .then_some(Exit::Undecided);
    let exit = Exit::worst(all.iter().map(Exit::of_inspection).chain(doubtful));
    (exit, all.iter().filter(|i| !is_finished(i)).map(|i| names::id(&i.name)).collect())
}

/// Hands the request in, or finds what the same command before this one handed in, finished or not.
async fn submit_or_find(context: &Context, wanted: Inspection) -> anyhow::Result<Inspection> {
    match submit(context, uuid::Uuid::now_v7(), wanted.clone()).await {
        Ok(accepted) => Ok(accepted),
        Err(refused) => match asked_before(context, &refused, &wanted).await? {
            Some(first) => {
                context
                    .progress
                    .say(&format!("{} was asked for before as {}", wanted.serial_number, first.name));
                context.accepted(&first);
                Ok(first)
            }
            None => Err(refused),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use scantling_proto::v1::{InspectionState, Verdict};

    fn found(kinds: &[FindingKind]) -> LocateResponse {
        let finding = |kind: &FindingKind| Finding { kind: (*kind).into(), ..Finding::default() };
        LocateResponse { findings: kinds.iter().map(finding).collect(), other_points: 0, notes: Vec::new() }
    }

    fn done(verdict: Verdict) -> Inspection {
        Inspection { state: InspectionState::Done.into(), verdict: verdict.into(), ..Inspection::default() }
    }

    #[test]
    fn the_exit_code_is_the_worst_and_what_was_not_measured_is_no_pass() {
        use FindingKind::{Other, OtherHand, Part, Undetermined};
        let good = || done(Verdict::Conforms);
        let bad = || done(Verdict::DoesNotConform);
        for (kinds, all, exit) in [
            (vec![Part, Part], vec![good(), good()], Exit::Success),
            (vec![Part, Other], vec![good()], Exit::Success),
            (vec![Part, OtherHand], vec![good()], Exit::Undecided),
            (vec![Part, Undetermined], vec![good()], Exit::Undecided),
            (vec![Part, Part, OtherHand], vec![good(), bad()], Exit::DoesNotConform),
            (vec![OtherHand], vec![], Exit::Undecided),
            (vec![], vec![], Exit::Undecided),
        ] {
            assert_eq!(outcome(&found(&kinds), &all).0, exit, "{kinds:?}");
        }
        let open = Inspection { name: "inspections/a".into(), ..Inspection::default() };
        let all = [good(), Inspection { state: InspectionState::Queued.into(), ..open }];
        assert_eq!(outcome(&found(&[Part, Part]), &all), (Exit::Undecided, vec!["a"]));
    }

    #[test]
    fn what_is_no_part_is_told_by_its_number() {
        let all = found(&[FindingKind::Part, FindingKind::OtherHand]);
        assert_eq!(parts(&all).count(), 1);
        let told: Vec<String> = others(&all).map(|(k, f)| told(k, f)).collect();
        assert_eq!(told, ["not measured: finding 2, OTHER HAND: "]);
    }
}
