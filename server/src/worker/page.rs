//! What the report of an inspection is told.

use std::collections::BTreeMap;

use scantling_core::geometry::Point;
use scantling_core::plan::{FaceMap, Plan, Requirement};
use scantling_core::record::Record;
use scantling_core::uncertainty::Conditions;

use super::measure::Job;
use crate::report::{self, Asked, ReportInput, Surface};
use crate::store::{Acquisition, Content, Purpose, Restraint, RevisionState};

/// A measured inspection.
pub(super) struct Shown<'a> {
    pub(super) inspection: &'a str,
    pub(super) job: &'a Job,
    pub(super) plan: &'a Plan,
    pub(super) faces: &'a FaceMap,
    /// The surface that is shown, with the deviation at its vertices; `None` where nothing was scanned.
    pub(super) surface: Option<Surface<'a>>,
    pub(super) record: &'a Record,
}

/// The page; `None` when it could not be made, since a verdict stands without its page. The log says why.
pub(super) fn html(shown: &Shown) -> Option<String> {
    let Shown { plan, job, .. } = shown;
    let titles: BTreeMap<String, String> =
        plan.characteristics.iter().filter_map(|c| Some((c.number.clone(), c.title.clone()?))).collect();
    let asked = plan.characteristics.iter().filter_map(|c| match &c.requirement {
        Requirement::Reading { quantity, unit, lower_limit, upper_limit } => {
            let asked = Asked {
                quantity: quantity.clone(),
                unit: unit.clone(),
                lower_limit: *lower_limit,
                upper_limit: *upper_limit,
            };
            Some((c.number.clone(), asked))
        }
        _ => None,
    });
    let places: BTreeMap<String, Point> =
        shown.faces.features.iter().map(|f| (f.id.clone(), f.centroid)).collect();
    let input = ReportInput {
        inspection_name: &format!("inspections/{}", shown.inspection),
        part_title: plan.title.as_deref().unwrap_or(&job.part_title),
        part_number: &plan.part,
        serial_number: stated(&job.serial_number),
        facts: &facts(shown),
        simulated: job.sources.iter().any(|s| s.1.content.simulated),
        titles: &titles,
        asked: &asked.collect(),
        feature_places: &places,
        record: shown.record,
        result_sha256: &shown.record.digest(),
        surface: shown.surface,
    };
    report::html(&input).map_err(|error| tracing::error!(%error, "the report was not made")).ok()
}

/// The lines that identify part, request, sources and times; what is not known is left out.
fn facts(shown: &Shown) -> Vec<(String, String)> {
    let Shown { plan, job, .. } = shown;
    let mut facts: Vec<(String, String)> = Vec::new();
    let mut say = |name: &str, value: Option<&str>| {
        if let Some(value) = value.and_then(stated) {
            facts.push((name.to_owned(), value.to_owned()));
        }
    };
    say("Part", Some(plan.title.as_deref().unwrap_or(&job.part_title)));
    say("Part number", Some(&plan.part));
    let state = match job.revision.state {
        RevisionState::Draft => "draft, not released",
        RevisionState::Released => "released",
        RevisionState::Superseded => "superseded by a newer one",
    };
    let revision = format!(
        "drawing {}, plan version {} (revision {}, {state})",
        plan.drawing_revision, plan.plan_version, job.revision.content.id
    );
    say("Revision", Some(&revision));
    say("Serial number", Some(&job.serial_number));
    let purpose = match job.purpose {
        Purpose::Production => "production",
        Purpose::FirstArticle => "first article",
        Purpose::Study => "study",
        Purpose::Rehearsal => "rehearsal",
    };
    say("Purpose", Some(purpose));
    let attempt = match &job.repeat_of {
        Some(first) => format!("{}, repeats inspections/{first}", job.attempt),
        None => job.attempt.to_string(),
    };
    say("Attempt", Some(&attempt));
    say("Inspection", Some(&format!("inspections/{}", shown.inspection)));
    say("Requested", time(job.create_time_us).as_deref());
    say("Evaluated", time(jiff::Timestamp::now().as_microsecond()).as_deref());
    let c = &job.context;
    for (name, value) in [
        ("Mould", &c.mould),
        ("Cavity", &c.cavity),
        ("Lot", &c.lot),
        ("Trim fixture", &c.trim_fixture),
        ("Machine", &c.machine),
        ("Order", &c.order),
    ] {
        say(name, Some(value));
    }
    for (name, value) in &c.other {
        say(name, Some(value));
    }
    for (place, ((_, source), conditions)) in job.sources.iter().zip(&job.conditions).enumerate() {
        let what = match source.content.content {
            Content::Scan => "Scan",
            Content::Points => "Measured points",
        };
        let name = if job.sources.len() > 1 { format!("Source {}", place + 1) } else { what.to_owned() };
        let words = format!(
            "{}{}",
            if job.sources.len() > 1 { format!("{what}; ") } else { String::new() },
            taken(source, conditions)
        );
        say(&name, Some(&words));
    }
    say("Standard", Some(&plan.standard.edition));
    say("Filter", filters(plan).as_deref());
    say("Decision rule", Some(&shown.record.decision));
    facts
}

/// The plan's filter, and where a characteristic has its own.
fn filters(plan: &Plan) -> Option<String> {
    let words = plan.filter.map(|f| format!("Gaussian, nesting index {} mm", f.nesting_index_mm));
    let own = plan.characteristics.iter().filter(|c| c.filter != plan.filter);
    let own = own.filter_map(|c| {
        Some(format!("Gaussian, {} mm, for characteristic {}", c.filter?.nesting_index_mm, c.number))
    });
    let all: Vec<String> = words.into_iter().chain(own).collect();
    (!all.is_empty()).then(|| all.join("; "))
}

/// How and when a source was taken.
fn taken(source: &Acquisition, conditions: &Conditions) -> String {
    let content = &source.content;
    let validity = conditions.validity.as_ref();
    let verified = validity.and_then(|v| v.verified()).map(|v| {
        format!("verified by {} of {}, valid until {}", v.verification, v.verified_on, v.valid_until)
    });
    let unvouched = validity.and_then(|v| v.problem());
    let restraint = match content.restraint {
        Restraint::Unstated => None,
        Restraint::FreeState => Some("free state".to_owned()),
        Restraint::Fixture => Some("held in a fixture".to_owned()),
    };
    let words = [
        stated(&conditions.instrument).map(str::to_owned),
        verified,
        unvouched,
        stated(&content.operator).map(|who| format!("taken by {who}")),
        content.acquire_time_us.and_then(time).map(|at| format!("taken {at}")),
        content.temperature_c.filter(|t| t.is_finite()).map(|t| format!("at {t} \u{b0}C")),
        content.conditions.temperature_standard_k.map(|u| format!("temperature within {u} K (k = 1)")),
        restraint,
        stated(&content.conditions.supports).map(|s| format!("on {s}")),
        content.conditions.gravity.map(|[x, y, z]| format!("weight along ({x}, {y}, {z})")),
        content.conditions.matt_spray.map(|s| if s { "sprayed matt" } else { "not sprayed" }.to_owned()),
        content.conditions.surface_class.map(|s| format!("surface {}", s.word())),
        content.conditions.mesh_history.map(|m| format!("points {}", m.word().replace('_', " "))),
        content.conditions.passes.map(|p| format!("{p} passes")),
        Some(format!("acquisitions/{}", source.id)),
    ];
    words.into_iter().flatten().collect::<Vec<_>>().join("; ")
}

fn time(us: i64) -> Option<String> {
    let at = jiff::Timestamp::from_microsecond(us).ok()?;
    Some(at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string())
}

fn stated(text: &str) -> Option<&str> {
    (!text.trim().is_empty()).then_some(text)
}
