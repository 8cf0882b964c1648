//! What the report of an inspection is told.

use std::collections::BTreeMap;

use scantling_core::geometry::{Point, TriangleMesh};
use scantling_core::plan::{FaceMap, Plan};
use scantling_core::record::{DeviationMap, Record};

use super::measure::Job;
use crate::report::{self, ReportInput};
use crate::store::{Purpose, Restraint, RevisionState};

/// A measured inspection.
pub(super) struct Shown<'a> {
    pub(super) inspection: &'a str,
    pub(super) job: &'a Job,
    pub(super) plan: &'a Plan,
    pub(super) faces: &'a FaceMap,
    /// The surface that is shown, with the deviation at its vertices.
    pub(super) mesh: Option<&'a TriangleMesh>,
    pub(super) record: &'a Record,
    pub(super) deviation: Option<&'a DeviationMap>,
}

/// The page; `None` when it could not be made, since a verdict stands without its page. The log says why.
pub(super) fn html(shown: &Shown) -> Option<String> {
    let Shown { plan, job, .. } = shown;
    // Instruments and the rest as the first source says; a page of readings alone has none.
    let scan = job.sources.first().map(|s| &s.1.content);
    // A page without a nominal has no picture, and is not made yet.
    let mesh = shown.mesh?;
    let empty = DeviationMap::default();
    let titles: BTreeMap<String, String> =
        plan.characteristics.iter().filter_map(|c| Some((c.number.clone(), c.title.clone()?))).collect();
    let places: BTreeMap<String, Point> =
        shown.faces.features.iter().map(|f| (f.id.clone(), f.centroid)).collect();
    let filter = plan.filter.map(|f| format!("Gaussian, nesting index {} mm", f.nesting_index_mm));
    let acquired =
        scan.and_then(|s| s.acquire_time_us).and_then(|us| jiff::Timestamp::from_microsecond(us).ok());
    let acquired = acquired.map(|at| at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string());
    let now = jiff::Timestamp::now().strftime("%Y-%m-%d %H:%M:%S UTC").to_string();
    let input = ReportInput {
        inspection_name: &format!("inspections/{}", shown.inspection),
        part_title: plan.title.as_deref().unwrap_or(&job.part_title),
        part_number: &plan.part,
        revision: &format!(
            "drawing {}, plan version {} (revision {})",
            plan.drawing_revision, plan.plan_version, job.revision.content.id
        ),
        serial_number: Some(&job.serial_number),
        purpose: match job.purpose {
            Purpose::Production => "production",
            Purpose::FirstArticle => "first article",
            Purpose::Study => "study",
            Purpose::Rehearsal => "rehearsal",
        },
        instrument: scan.and_then(|s| stated(&s.instrument)),
        operator: scan.and_then(|s| stated(&s.operator)),
        acquired: acquired.as_deref(),
        finished: Some(&now),
        more: &more(job, shown.record),
        restraint: match scan.map(|s| s.restraint) {
            None | Some(Restraint::Unstated) => None,
            Some(Restraint::FreeState) => Some("free state"),
            Some(Restraint::Fixture) => Some("held in a fixture"),
        },
        simulated: job.sources.iter().any(|s| s.1.content.simulated),
        standard: Some(&plan.standard_edition),
        filter: filter.as_deref(),
        titles: &titles,
        feature_places: &places,
        record: shown.record,
        result_sha256: &shown.record.digest(),
        mesh,
        deviation: shown.deviation.unwrap_or(&empty),
    };
    report::html(&input).map_err(|error| tracing::error!(%error, "the report was not made")).ok()
}

/// What else is known: where the part was made, how often it was measured, and what of each source was used.
fn more(job: &Job, record: &Record) -> Vec<(String, String)> {
    let mut lines: Vec<(String, String)> = Vec::new();
    if job.attempt > 1 {
        let which =
            job.repeat_of.as_ref().map_or_else(String::new, |r| format!(", repeating inspections/{r}"));
        lines.push(("Attempt".into(), format!("{} of this serial number and revision{which}", job.attempt)));
    }
    if job.revision.state != RevisionState::Released {
        lines.push(("Revision is".into(), job.revision.state.word().to_owned()));
    }
    for (source, acquisition) in &job.sources {
        if let Some(t) = acquisition.content.temperature_c {
            lines.push(("Temperature".into(), format!("{t} \u{b0}C (acquisitions/{})", source.acquisition)));
        }
    }
    for (n, source) in record.sources.iter().enumerate() {
        let words = format!("{}: {}, {} points", source.content, source.used, source.points);
        lines.push((format!("Source {}", n + 1), words));
    }
    let c = &job.context;
    for (name, value) in [
        ("Mould", &c.mould),
        ("Cavity", &c.cavity),
        ("Lot", &c.lot),
        ("Trim fixture", &c.trim_fixture),
        ("Machine", &c.machine),
        ("Order", &c.order),
    ] {
        if !value.trim().is_empty() {
            lines.push((name.into(), value.clone()));
        }
    }
    lines.extend(c.other.iter().map(|(k, v)| (k.clone(), v.clone())));
    lines
}

fn stated(text: &str) -> Option<&str> {
    (!text.trim().is_empty()).then_some(text)
}
