//! Inspections.

use scantling_core::record::{RECORD_VERSION, Record};
use scantling_proto::v1;

use super::fields::Fields;
use super::status::Problem;
use super::{enums, evaluation, name, source, time};
use crate::config::Limits;
use crate::store::{Context, Inspection, Purpose, Request, SourceRequest, State};

/// Other entries of a production context; more is a table, not a context.
const OTHER_ENTRIES: usize = 64;

/// How much of an inspection an answer holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum View {
    /// Everything.
    Whole,
    /// Everything but the result's text.
    WithoutText,
}

fn context(fields: &mut Fields, sent: Option<v1::ProductionContext>) -> Context {
    let sent = sent.unwrap_or_default();
    if sent.other.len() > OTHER_ENTRIES {
        fields.wrong(
            "inspection.context.other",
            format!("has {} entries; at most {OTHER_ENTRIES} are taken", sent.other.len()),
        );
    }
    let mut text = |field: &str, value| fields.text(&format!("inspection.context.{field}"), value);
    Context {
        mould: text("mould", sent.mould),
        cavity: text("cavity", sent.cavity),
        lot: text("lot", sent.lot),
        trim_fixture: text("trim_fixture", sent.trim_fixture),
        machine: text("machine", sent.machine),
        order: text("order", sent.order),
        other: sent.other.into_iter().map(|(k, v)| (text("other", k), text("other", v))).collect(),
    }
}

/// The request id and what is asked for.
pub(crate) fn request(
    limits: &Limits,
    sent: v1::CreateInspectionRequest,
) -> Result<(String, Request), Problem> {
    let mut fields = Fields::new(limits);
    let uuid = |text: &str| uuid::Uuid::try_parse(text).ok().filter(|u| !u.is_nil() && text.len() == 36);
    let request_id = fields.read(
        "request_id",
        &sent.request_id,
        uuid,
        "a UUID of your own, such as 36 characters of version 4",
    );
    let Some(sent) = sent.inspection else {
        fields.wrong("inspection", "must be sent");
        fields.finish()?;
        return Err(Problem::field("inspection", "must be sent"));
    };
    let (part, revision) = fields.revision("inspection.revision", &sent.revision);
    let serial_number = fields.said("inspection.serial_number", sent.serial_number);
    if sent.sources.is_empty() && sent.readings.is_empty() {
        fields.wrong(
            "inspection.sources",
            "must name a scan or points; it is empty, and there are no readings",
        );
    }
    if sent.sources.len() > limits.sources {
        fields.wrong(
            "inspection.sources",
            format!("names {}; at most {} serve one inspection", sent.sources.len(), limits.sources),
        );
    }
    if sent.readings.len() > limits.readings {
        fields.wrong(
            "inspection.readings",
            format!("has {}; at most {} serve one inspection", sent.readings.len(), limits.readings),
        );
    }
    let sources: Vec<SourceRequest> = sent
        .sources
        .iter()
        .take(limits.sources)
        .enumerate()
        .map(|(n, s)| {
            let field = format!("inspection.sources[{n}]");
            if s.region.is_some() && s.placement.is_some() {
                fields.wrong(&field, "has region and placement; say one");
            }
            let region =
                s.region.as_ref().and_then(|r| source::region(&mut fields, &format!("{field}.region"), r));
            let placement = s
                .placement
                .as_ref()
                .and_then(|p| source::placement(&mut fields, &format!("{field}.placement"), p));
            let acquisition = fields.acquisition(&format!("{field}.acquisition"), &s.acquisition);
            SourceRequest { acquisition, region, placement }
        })
        .collect();
    for (n, s) in sources.iter().enumerate() {
        if sources[..n].contains(s) {
            fields.wrong(&format!("inspection.sources[{n}]"), "is named twice; leave one");
        }
    }
    let readings = source::readings(&mut fields, "inspection.readings", sent.readings);
    let mut scope_groups: Vec<String> = sent
        .scope_groups
        .into_iter()
        .enumerate()
        .map(|(n, group)| fields.said(&format!("inspection.scope_groups[{n}]"), group))
        .collect();
    // The scope is a set.
    scope_groups.sort();
    scope_groups.dedup();
    let purpose = enums::purpose(sent.purpose);
    if purpose.is_none() {
        fields.wrong("inspection.purpose", "must be said: PRODUCTION, FIRST_ARTICLE, STUDY or REHEARSAL");
    }
    let repeat_of = sent.repeat_of.as_deref().map(|r| fields.inspection("inspection.repeat_of", r));
    let context = context(&mut fields, sent.context);
    fields.finish()?;
    let request = Request {
        part,
        revision,
        serial_number,
        sources,
        readings,
        scope_groups,
        purpose: purpose.unwrap_or(Purpose::Study),
        context,
        repeat_of,
    };
    Ok((request_id.map(|u| u.to_string()).unwrap_or_default(), request))
}

/// Evaluations, cautions and advice.
type Opened = (Vec<v1::Evaluation>, Vec<String>, Vec<v1::Advice>);

/// Evaluations, cautions and advice of a kept result. One in a form that this version does not read has its text
/// still, and the verdict stands beside it; so it is no error, and its cautions say what is left out.
fn opened(id: &str, text: &str, deviation_kept: bool) -> Result<Opened, Problem> {
    let problem = match serde_json::from_str::<Record>(text) {
        Ok(record) if record.record_version <= RECORD_VERSION => {
            let messages = record.evaluations.iter().map(evaluation::to_message);
            let mut cautions = record.cautions;
            if record.deviation_sha256.is_some() && !deviation_kept {
                cautions.push(
                    "The deviation map that deviation_sha256 names was not stored, by a fault of the disc: measure \
                     again to have it; the verdict stands without it."
                        .to_owned(),
                );
            }
            let advice = evaluation::advice(&record.advice).map_err(Problem::internal)?;
            return Ok((messages.collect::<Result<_, _>>().map_err(Problem::internal)?, cautions, advice));
        }
        Ok(_) => "it is of a later form".to_owned(),
        Err(error) => error.to_string(),
    };
    tracing::warn!(id, problem, "a kept result is not read");
    let kept: serde_json::Value = serde_json::from_str(text).unwrap_or_default();
    let of = match (kept["record_version"].as_u64(), kept["program_version"].as_str()) {
        (Some(record), Some(program)) => format!("form {record}, made by version {program} of the program"),
        (Some(record), None) => format!("form {record}"),
        _ => "an unknown form".to_owned(),
    };
    let said = kept["cautions"].as_array().into_iter().flatten().filter_map(|c| c.as_str());
    let mut cautions: Vec<String> = said.map(str::to_owned).collect();
    cautions.push(format!(
        "The result is kept in {of}, which this version does not read: its evaluations are left out here and \
         stand in result_json and in the report."
    ));
    Ok((Vec::new(), cautions, Vec::new()))
}

/// `percent` is how far it is while it runs.
pub(crate) fn of_inspection(
    inspection: Inspection,
    view: View,
    percent: i32,
) -> Result<v1::Inspection, Problem> {
    let (evaluations, cautions, advice) = match &inspection.result_json {
        None => Opened::default(),
        Some(text) => opened(&inspection.id, text, inspection.deviation_sha256.is_some())?,
    };
    let request = inspection.request;
    Ok(v1::Inspection {
        name: name::of_inspection(&inspection.id),
        revision: name::of_revision(&request.part, &request.revision),
        serial_number: request.serial_number,
        sources: request
            .sources
            .into_iter()
            .map(|s| v1::Source {
                acquisition: name::of_acquisition(&s.acquisition),
                region: s.region.map(source::of_region),
                placement: s.placement.map(source::of_placement),
            })
            .collect(),
        scope_groups: request.scope_groups,
        purpose: enums::of_purpose(request.purpose).into(),
        context: Some(v1::ProductionContext {
            mould: request.context.mould,
            cavity: request.context.cavity,
            lot: request.context.lot,
            trim_fixture: request.context.trim_fixture,
            machine: request.context.machine,
            order: request.context.order,
            other: request.context.other.into_iter().collect(),
        }),
        repeat_of: request.repeat_of.map(|r| name::of_inspection(&r)),
        attempt: i32::try_from(inspection.attempt).unwrap_or(i32::MAX),
        state: enums::of_state(inspection.state).into(),
        progress_percent: match inspection.state {
            State::Queued | State::Failed => 0,
            State::Running => percent,
            State::Done => 100,
        },
        verdict: inspection.verdict.map_or(v1::Verdict::Unspecified, enums::of_verdict).into(),
        reason: inspection.reason,
        evaluations,
        result_json: if view == View::Whole {
            inspection.result_json.unwrap_or_default()
        } else {
            String::new()
        },
        result_sha256: inspection.result_sha256.unwrap_or_default(),
        report_blob: inspection.report_sha256.map(|b| name::of_blob(&b)),
        failure: inspection.failure.map(|f| enums::of_failure(f).into()),
        cautions,
        advice,
        create_time: Some(time::timestamp(inspection.create_time_us)),
        finish_time: inspection.finish_time_us.map(time::timestamp),
        sequence: inspection.sequence,
        readings: request.readings.into_iter().map(source::of_reading).collect(),
        deviation_blob: inspection.deviation_sha256.map(|b| name::of_blob(&b)),
    })
}
