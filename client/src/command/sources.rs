//! What the user measured becomes sources and readings of a request: files are uploaded and recorded, tables
//! and single readings are read here.

use std::path::Path;

use anyhow::Context as _;
use scantling_proto::v1::acquisition_service_client::AcquisitionServiceClient;
use scantling_proto::v1::{
    Acquisition, AcquisitionContent, CreateAcquisitionRequest, LengthUnit, ListAcquisitionsRequest,
    Placement, PointCoordinates, Reading, Source,
};

use super::{Context, part};
use crate::args::{RevisionChoice, Sources};
use crate::connect::{parts, patiently};
use crate::exit::Exit;
use crate::input::Input;
use crate::names;
use crate::output::message_of;
use crate::readings::{LONGEST_READINGS, from_csv};
use crate::upload::{Uploaded, upload};

/// The revision that judges, by its whole name.
pub(super) async fn revision(context: &Context, choice: &RevisionChoice) -> anyhow::Result<String> {
    match (&choice.revision, &choice.part) {
        (Some(revision), _) => names::revision(revision),
        (None, Some(part)) => released(context, &names::part(part)?).await,
        (None, None) => Err(Exit::Usage.because("name a --part or a --revision")),
    }
}

/// The revision of a part that is in force.
async fn released(context: &Context, part: &str) -> anyhow::Result<String> {
    let part = part::get(&mut parts(&context.channel), part).await?;
    part.released_revision.ok_or_else(|| {
        let id = names::id(&part.name);
        Exit::NotAllowed.because(format!(
            "{id} has no released revision; release one with `scantling part release {id}/...`, or name a draft \
             with --revision and another purpose than production"
        ))
    })
}

/// Refuses what no request can say, before anything is read or sent.
pub(super) fn check(args: &Sources) -> anyhow::Result<()> {
    if args.scans.len() > 1 && (args.region.is_some() || args.placement.is_some()) {
        return Err(Exit::Usage.because("--region and --placement speak of one scan; name one --scan"));
    }
    let files = args.scans.iter().chain(&args.points).chain(&args.readings).chain(&args.placement);
    if files.filter(|file| *file == Path::new("-")).count() > 1 {
        return Err(Exit::Usage.because("stdin can be one file only; name the others"));
    }
    Ok(())
}

/// Readings of all files and of the command line.
pub(super) async fn readings(args: &Sources) -> anyhow::Result<Vec<Reading>> {
    let mut all = Vec::new();
    for file in &args.readings {
        let file = file.clone();
        let read = move || {
            let mut input = Input::open(&file)?;
            let bytes = input.small("a file of readings", LONGEST_READINGS)?;
            from_csv(&input.name, &bytes)
        };
        all.extend(tokio::task::spawn_blocking(read).await??);
    }
    all.extend(args.reading.iter().map(|typed| typed.0.clone()));
    for reading in all.iter_mut().filter(|r| r.operator.is_empty()) {
        reading.operator.clone_from(&args.operator);
    }
    Ok(all)
}

/// Where the part lies, from a file.
pub(super) async fn placement(file: Option<&Path>) -> anyhow::Result<Option<Placement>> {
    let Some(file) = file else { return Ok(None) };
    let owned = file.to_owned();
    let bytes =
        tokio::task::spawn_blocking(move || Input::open(&owned)?.small("a placement", LONGEST_PLACEMENT))
            .await??;
    let refused = |what: &str| {
        Exit::Refused.because(format!(
            "cannot use the placement of {}: {what}",
            crate::report::printable(&file.display().to_string())
        ))
    };
    let json = serde_json::from_slice(&bytes).map_err(|e| refused(&format!("it is no JSON: {e}")))?;
    let found = placement_in(&json).map_err(|what| refused(&what))?;
    let placement: Placement = message_of("Placement", found).map_err(|e| refused(&format!("{e:#}")))?;
    let whole = placement.rotation.len() == 9 && placement.translation_mm.len() == 3;
    if !whole || !placement.rotation.iter().chain(&placement.translation_mm).all(|v| v.is_finite()) {
        return Err(refused("write nine numbers in rotation and three in translationMm"));
    }
    Ok(Some(placement))
}

/// Findings of a full table with their reasons are well below.
const LONGEST_PLACEMENT: u64 = 16 << 20;

/// The one placement in what Locate or Align answered, or that is all there is.
fn placement_in(json: &serde_json::Value) -> Result<&serde_json::Value, String> {
    if let Some(placement) = json.get("placement") {
        return Ok(placement);
    }
    let findings: Vec<&serde_json::Value> = match json.get("findings").and_then(|f| f.as_array()) {
        Some(all) => all.iter().filter(|f| f["kind"] == "FINDING_KIND_PART").collect(),
        None => vec![json],
    };
    match findings[..] {
        [] => Err("it tells of no part".to_owned()),
        [finding] => match finding.get("placements").and_then(|p| p.as_array()).map(Vec::as_slice) {
            None => Ok(finding),
            Some([placement]) => Ok(placement),
            Some(several) => Err(format!("it tells of {} ways to lie; leave one", several.len())),
        },
        _ => Err(format!("it tells of {} parts; leave one", findings.len())),
    }
}

/// The length unit of scans and points; clap sees to it that there is one where it is needed.
fn unit(args: &Sources) -> anyhow::Result<LengthUnit> {
    args.unit.map(LengthUnit::from).ok_or_else(|| Exit::Usage.because("state the --unit"))
}

/// Uploads and records scans and points; `conditions` is what they were taken under.
pub(super) async fn record(
    context: &Context,
    args: &Sources,
    conditions: &Acquisition,
    placement: Option<Placement>,
) -> anyhow::Result<Vec<Source>> {
    let mut sources = Vec::new();
    for file in &args.scans {
        let acquisition = record_scan(context, args, conditions, file).await?;
        sources.push(Source { acquisition, region: args.region.clone(), placement: placement.clone() });
    }
    for acquisition in record_points(context, args, conditions).await? {
        sources.push(Source { acquisition, ..Source::default() });
    }
    Ok(sources)
}

/// The same of one scan; tells the acquisition's name.
pub(super) async fn record_scan(
    context: &Context,
    args: &Sources,
    conditions: &Acquisition,
    file: &Path,
) -> anyhow::Result<String> {
    let conditions = Acquisition {
        length_unit: unit(args)?.into(),
        columns: args.columns.clone(),
        ..named(args, conditions)
    };
    acquire(context, open(file).await?, conditions).await
}

/// The same of all files of points.
pub(super) async fn record_points(
    context: &Context,
    args: &Sources,
    conditions: &Acquisition,
) -> anyhow::Result<Vec<String>> {
    let mut names = Vec::new();
    for file in &args.points {
        let conditions = Acquisition {
            length_unit: unit(args)?.into(),
            content: AcquisitionContent::Points.into(),
            coordinates: args.coordinates.map_or(PointCoordinates::Unspecified, Into::into).into(),
            point_standard_uncertainty_mm: args.point_uncertainty,
            ..named(args, conditions)
        };
        names.push(acquire(context, open(file).await?, conditions).await?);
    }
    Ok(names)
}

/// With instrument and operator; an instrument is one of the register where its name says so.
fn named(args: &Sources, conditions: &Acquisition) -> Acquisition {
    let operator = args.operator.clone();
    let registered = args.instrument.starts_with("instruments/");
    let (registered_instrument, instrument) = match registered {
        true => (args.instrument.clone(), String::new()),
        false => (String::new(), args.instrument.clone()),
    };
    Acquisition { registered_instrument, instrument, operator, ..conditions.clone() }
}

pub(super) async fn open(file: &Path) -> anyhow::Result<Input> {
    let file = file.to_owned();
    tokio::task::spawn_blocking(move || Input::open(&file)).await?
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
    // A scan is a scan, said or not.
    let scan = |content: AcquisitionContent| match content {
        AcquisitionContent::Unspecified => AcquisitionContent::Scan,
        said => said,
    };
    let same_content = scan(stated.content()) == scan(wanted.content());
    stated.content = wanted.content;
    same_content && stated == *wanted
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
        recorded.content = AcquisitionContent::Scan.into();
        assert!(is_same(&recorded, &wanted));
        recorded.content = AcquisitionContent::Points.into();
        assert!(!is_same(&recorded, &wanted));
        recorded.content = 0;
        recorded.temperature_c = Some(20.0);
        assert!(!is_same(&recorded, &wanted));
    }

    #[test]
    fn the_one_placement_of_an_answer_is_found_and_two_are_refused() {
        let lies = serde_json::json!({"rotation": [1.0], "translationMm": [2.0]});
        let part = serde_json::json!({"kind": "FINDING_KIND_PART", "placements": [lies]});
        let other = serde_json::json!({"kind": "FINDING_KIND_OTHER_HAND", "placements": [lies]});
        for (json, good) in [
            (lies.clone(), true),
            (serde_json::json!({"placement": lies, "rmsMm": 1.0}), true),
            (part.clone(), true),
            (serde_json::json!({"findings": [part, other]}), true),
            (serde_json::json!({"findings": [part, part]}), false),
            (serde_json::json!({"findings": [other]}), false),
            (serde_json::json!({"findings": []}), false),
            (serde_json::json!({"placements": [lies, lies]}), false),
        ] {
            let found = placement_in(&json);
            assert_eq!(found.is_ok(), good, "{json}");
            assert!(found.is_err() || found == Ok(&lies), "{json}");
        }
    }
}
