//! One inspection: its sources are read, core measures, and what it found goes on the page.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::AtomicBool;

use scantling_core::inspect::{self, InspectError, Inspected};
use scantling_core::readings::Reading;
use scantling_core::record::{DeviationMap, Record, Verdict};
use scantling_core::run::Run;
use scantling_core::uncertainty::Conditions;

use super::page;
use crate::instruments;
use crate::measuring::{self, MeasureError, internal, refused_points};
use crate::report::Surface;
use crate::service::Service;
use crate::store::{
    Acquisition, Claim, Content, Context, Failure, Purpose, Revision, SourceRequest, StoreError,
};

/// So many other nominals are compared at most: each is read and aligned once more.
const MOST_OTHERS: u32 = 3;

/// Everything an inspection needs but the bytes.
#[derive(Debug)]
pub(crate) struct Job {
    pub(crate) part_title: String,
    pub(crate) revision: Revision,
    /// Others of the part with other nominals, which a part that does not conform may have been made to.
    pub(crate) others: Vec<Revision>,
    /// Each source with what it names.
    pub(crate) sources: Vec<(SourceRequest, Acquisition)>,
    /// How each was taken, with the verification of its instrument that is in force now.
    pub(crate) conditions: Vec<Conditions>,
    pub(crate) readings: Vec<Reading>,
    pub(crate) serial_number: String,
    pub(crate) purpose: Purpose,
    pub(crate) attempt: u32,
    pub(crate) repeat_of: Option<String>,
    pub(crate) context: Context,
    pub(crate) create_time_us: i64,
    pub(crate) scope: Vec<String>,
}

/// What measuring found.
#[derive(Debug)]
pub(crate) struct Measured {
    pub(crate) record: Record,
    /// The report as an HTML page.
    pub(crate) report: Option<String>,
    /// Deviation and coverage per vertex of the nominal.
    pub(crate) deviation: Option<DeviationMap>,
}

impl Job {
    pub(crate) async fn load(service: &Service, claim: &Claim) -> Result<Self, StoreError> {
        let request = &claim.inspection.request;
        let mut sources = Vec::with_capacity(request.sources.len());
        let mut conditions = Vec::with_capacity(request.sources.len());
        for source in &request.sources {
            let acquisition = service.store.acquisition(&source.acquisition).await?;
            conditions.push(instruments::conditions(&service.store, &acquisition).await?);
            sources.push((source.clone(), acquisition));
        }
        Ok(Self {
            revision: service.store.revision(&request.part, &request.revision).await?,
            others: service.store.other_nominals(&request.part, &request.revision, MOST_OTHERS).await?,
            sources,
            conditions,
            readings: request.readings.clone(),
            part_title: service.store.part(&request.part).await?.title,
            serial_number: request.serial_number.clone(),
            purpose: request.purpose,
            attempt: claim.inspection.attempt,
            repeat_of: request.repeat_of.clone(),
            context: request.context.clone(),
            create_time_us: claim.inspection.create_time_us,
            scope: request.scope_groups.clone(),
        })
    }
}

/// Measures one inspection.
pub(crate) fn measure(
    service: &Service,
    inspection: &str,
    job: &Job,
    stop: &AtomicBool,
) -> Result<Measured, MeasureError> {
    let progress = |stage, fraction| service.progress.set(inspection, stage, fraction);
    let run = measuring::run(service, stop, &progress);
    let mut loaded = Vec::with_capacity(job.sources.len());
    for (source, acquisition) in &job.sources {
        loaded.push(measuring::load(service, &run, source, &acquisition.content)?);
    }
    let ready = measuring::ready(service, &run, &job.revision.content)?;
    let (scans, points) = measuring::apart(&loaded);
    // Scans first, then points, as core counts them.
    let of = |wanted: Content| {
        let all = job.sources.iter().zip(&job.conditions);
        all.filter(move |(s, _)| s.1.content.content == wanted).map(|(_, c)| c.clone())
    };
    let conditions: Vec<Conditions> = of(Content::Scan).chain(of(Content::Points)).collect();
    let question = inspect::Job {
        nominal: ready.nominal.as_deref(),
        nominal_sha256: ready.nominal_sha256.clone(),
        plan: &ready.plan,
        faces: &ready.faces,
        scans: &scans,
        points: &points,
        readings: &job.readings,
        scope: &job.scope,
        conditions: &conditions,
    };
    let Inspected { mut record, deviation, picture } =
        inspect::inspect(&run, &question).map_err(|e| failed(&e))?;
    let on_scans = !scans.is_empty() && ready.nominal.is_some();
    if on_scans && matches!(record.verdict, Verdict::DoesNotConform | Verdict::NotMeasured) {
        ask_others(service, &run, job, &question, &mut record)?;
    }
    let shown = page::Shown {
        inspection,
        job,
        plan: &ready.plan,
        faces: &ready.faces,
        surface: picture.as_ref().map(|p| Surface { mesh: &p.mesh, deviation_mm: &p.deviation_mm }).or_else(
            || {
                let (nominal, map) = (ready.nominal.as_deref()?, deviation.as_ref()?);
                Some(Surface { mesh: nominal.mesh(), deviation_mm: &map.deviation_mm })
            },
        ),
        record: &record,
    };
    // The verdict stands without its page, also where making it goes wrong.
    let report = catch_unwind(AssertUnwindSafe(|| page::html(&shown))).unwrap_or_else(|_| {
        tracing::error!("the report was not made: a fault of the program");
        None
    });
    Ok(Measured { record, report, deviation })
}

/// Asks whether the scans fit another revision better.
fn ask_others(
    service: &Service,
    run: &Run,
    job: &Job,
    question: &inspect::Job,
    record: &mut Record,
) -> Result<(), MeasureError> {
    let mut ready = Vec::new();
    for other in &job.others {
        match measuring::ready(service, run, &other.content) {
            Ok(one) => ready.push(one),
            Err(MeasureError::Stopped) => return Err(MeasureError::Stopped),
            // The verdict does not wait for it.
            Err(fault) => {
                tracing::warn!(revision = %other.content.id, ?fault, "another revision cannot be compared");
            }
        }
    }
    let others: Vec<inspect::OtherRevision> = ready
        .iter()
        .filter_map(|r| {
            let nominal = r.nominal.as_deref()?;
            let nominal_sha256 = r.nominal_sha256.clone();
            Some(inspect::OtherRevision { nominal, nominal_sha256, plan: &r.plan, faces: &r.faces })
        })
        .collect();
    inspect::tell_better_revision(run, question, record, &others).map_err(|_| MeasureError::Stopped)
}

/// Why core gave no record.
pub(crate) fn failed(error: &InspectError) -> MeasureError {
    match error {
        InspectError::Stopped(_) => MeasureError::Stopped,
        InspectError::LengthUnit(hint) => wrong_unit(hint),
        // Groups are checked when the request is accepted.
        InspectError::UnknownGroup(group) => internal("the scope", group),
        InspectError::Points(error) => refused_points(error),
        InspectError::SameFile(..) | InspectError::Restraints(..) => {
            MeasureError::Failed { failure: Failure::ScanUnreadable, reason: error.to_string() }
        }
    }
}

/// The scan is told in another length unit than stated.
pub(crate) fn wrong_unit(hint: &impl std::fmt::Display) -> MeasureError {
    MeasureError::Failed { failure: Failure::LengthUnit, reason: format!("the scan: {hint}") }
}
