//! Single sums: none is a record.

use scantling_core::align::{Instances, InstancesError, InstancesSettings, locate_all};
use scantling_core::associate::{Association, Criterion, FitError, Shape, associate_by};
use scantling_core::geometry::Point;
use scantling_core::inspect::{self, Aligned, AlignedError, ScanPart, ScanSource};
use scantling_core::read::RawScan;
use scantling_core::readings::Reading;
use scantling_core::record::Record;
use scantling_core::run::Run;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::self_check::{Report, SelfCheckError, self_check};
use scantling_core::simulate::{
    Foretold, ScannerError, SimulateError, Simulated, Simulation, foretell, simulate,
};
use scantling_core::uncertainty::Conditions;

use super::{Loaded, MeasureError, Ready, Rows, apart, internal, load, part_of, ready, scan, unusable};
use crate::service::Service;
use crate::store::{Acquisition, Failure, NewRevision, SourceRequest};
use crate::worker::{failed, wrong_unit};

/// A scan that was asked about.
#[derive(Clone, Debug)]
pub(crate) struct ScanAsk {
    pub(crate) from: ScanFrom,
    pub(crate) region: Option<[[f64; 3]; 2]>,
    pub(crate) placement: Option<Rows>,
    /// How it was taken; nothing is known of points in a request and of files that were not recorded.
    pub(crate) conditions: Conditions,
}

/// Where its points are.
#[derive(Clone, Debug)]
pub(crate) enum ScanFrom {
    /// In a stored file.
    File { blob: String, unit: LengthUnit, columns: String },
    /// In the request.
    Points { raw: RawScan, unit: LengthUnit },
}

/// Why a sum has no answer.
#[derive(Debug)]
pub(crate) enum SumError {
    /// As an inspection ends without a record.
    Measure(MeasureError),
    /// The points do not answer the question.
    Undetermined(String),
    /// A field of the request does not fit the plan.
    Fields(Vec<(String, String)>),
}

impl From<MeasureError> for SumError {
    fn from(error: MeasureError) -> Self {
        SumError::Measure(error)
    }
}

/// The scan, and what was decided or left aside when it was read.
fn scan_of(service: &Service, run: &Run, ask: &ScanAsk) -> Result<(Scan, Vec<String>), MeasureError> {
    match &ask.from {
        ScanFrom::File { blob, unit, columns } => scan(service, run, blob, *unit, columns),
        ScanFrom::Points { raw, unit } => {
            let scan = Scan::new(raw.clone(), *unit, run).map_err(|e| unusable(&e))?;
            Ok((scan, Vec::new()))
        }
    }
}

fn digest_of(ask: &ScanAsk) -> String {
    match &ask.from {
        ScanFrom::File { blob, .. } => blob.clone(),
        // Points of a message have no file.
        ScanFrom::Points { .. } => String::new(),
    }
}

/// Which parts lie where; the scan's own indices stay those of the whole scan but for a region.
pub(crate) fn locate(
    service: &Service,
    run: &Run,
    revision: &NewRevision,
    ask: &ScanAsk,
) -> Result<(Instances, Vec<String>), SumError> {
    let (scan, notes) = scan_of(service, run, ask)?;
    let ready = ready(service, run, revision)?;
    let nominal = with_nominal(&ready)?;
    let scan = match part_of(ask.region, None)? {
        ScanPart::Region(bounds) => {
            let inside: Vec<u32> = (0u32..)
                .zip(scan.points().iter())
                .filter(|(_, p)| bounds.contains(p))
                .map(|(i, _)| i)
                .collect();
            scan.subset(&inside)
        }
        _ => scan,
    };
    let tree = SurfaceTree::new(nominal.mesh());
    let found = locate_all(run, nominal, &tree, &scan, &InstancesSettings::default());
    Ok((found.map_err(not_located)?, notes))
}

fn not_located(error: InstancesError) -> SumError {
    match error {
        InstancesError::Stopped(_) => MeasureError::Stopped.into(),
        InstancesError::LengthUnit(hint) => wrong_unit(&hint).into(),
        other @ InstancesError::TooFewPoints { .. } => SumError::Undetermined(other.to_string()),
    }
}

fn with_nominal(ready: &Ready) -> Result<&scantling_core::nominal::Nominal, SumError> {
    ready.nominal.as_deref().ok_or_else(|| {
        SumError::Undetermined("the revision has no nominal, so nothing can be found on a scan".into())
    })
}

/// How one part lies in a scan.
pub(crate) fn align(
    service: &Service,
    run: &Run,
    revision: &NewRevision,
    ask: &ScanAsk,
    datum_system: &str,
) -> Result<Aligned, SumError> {
    let (scan, notes) = scan_of(service, run, ask)?;
    let ready = ready(service, run, revision)?;
    with_nominal(&ready)?;
    let system = match datum_system {
        "" => None,
        id => Some(ready.plan.datum_systems.iter().position(|d| d.id == id).ok_or_else(|| {
            let there: Vec<&str> = ready.plan.datum_systems.iter().map(|d| d.id.as_str()).collect();
            let words = format!("`{id}` is no datum system of the plan, which has: {}", there.join(", "));
            SumError::Fields(vec![("datum_system".into(), words)])
        })?),
    };
    let scans =
        [ScanSource { scan: &scan, sha256: digest_of(ask), part: part_of(ask.region, ask.placement)? }];
    let job = inspect::Job {
        nominal: ready.nominal.as_deref(),
        nominal_sha256: ready.nominal_sha256.clone(),
        plan: &ready.plan,
        faces: &ready.faces,
        scans: &scans,
        points: &[],
        readings: &[],
        scope: &[],
        conditions: &[],
    };
    let mut aligned = inspect::align(run, &job, system).map_err(|error| match error {
        AlignedError::Inspect(error) => failed(&error).into(),
        AlignedError::Because(reason) => SumError::Undetermined(reason),
    })?;
    aligned.cautions.extend(notes);
    Ok(aligned)
}

/// What an evaluation is asked about.
pub(crate) struct EvaluateAsk {
    pub(crate) revision: NewRevision,
    pub(crate) scans: Vec<ScanAsk>,
    /// Each with how it was taken.
    pub(crate) points: Vec<(Acquisition, Conditions)>,
    pub(crate) readings: Vec<Reading>,
    pub(crate) scope: Vec<String>,
}

/// Values and verdicts as an inspection finds them, unrecorded; and what was decided when the scans were read.
pub(crate) fn evaluate(
    service: &Service,
    run: &Run,
    ask: &EvaluateAsk,
) -> Result<(Record, Vec<String>), SumError> {
    let ready = ready(service, run, &ask.revision)?;
    let wrong = crate::plans::wrong_in_request(&ready.plan, &ask.scope, &ask.readings, "");
    if !wrong.is_empty() {
        return Err(SumError::Fields(wrong));
    }
    let (mut loaded, mut notes) = (Vec::new(), Vec::new());
    for one in &ask.scans {
        let part = part_of(one.region, one.placement)?;
        let (scan, told) = scan_of(service, run, one)?;
        notes.extend(told);
        loaded.push(Loaded::Scan { scan, sha256: digest_of(one), part });
    }
    for (one, _) in &ask.points {
        let whole = SourceRequest::whole(one.id.clone());
        loaded.push(load(service, run, &whole, &one.content)?);
    }
    let (scans, points) = apart(&loaded);
    let of_scans = ask.scans.iter().map(|s| s.conditions.clone());
    let all: Vec<Conditions> = of_scans.chain(ask.points.iter().map(|p| p.1.clone())).collect();
    let job = inspect::Job {
        nominal: ready.nominal.as_deref(),
        nominal_sha256: ready.nominal_sha256.clone(),
        plan: &ready.plan,
        faces: &ready.faces,
        scans: &scans,
        points: &points,
        readings: &ask.readings,
        scope: &ask.scope,
        conditions: &all,
    };
    let found = inspect::inspect(run, &job).map_err(|e| failed(&e))?;
    Ok((found.record, notes))
}

/// A shape by a criterion, and the points that it was associated with.
pub(crate) fn associated(
    service: &Service,
    run: &Run,
    (shape, criterion): (Shape, Criterion),
    ask: &ScanAsk,
) -> Result<(Association, Vec<Point>, Vec<String>), SumError> {
    let (scan, mut notes) = scan_of(service, run, ask)?;
    if scan.dropped() > 0 {
        notes.push(format!(
            "{} points are left out and not counted: repeated, or without a normal where others have one",
            scan.dropped()
        ));
    }
    let points: Vec<Point> = match part_of(ask.region, None)? {
        ScanPart::Region(bounds) => scan.points().iter().filter(|p| bounds.contains(p)).collect(),
        _ => scan.points().to_vec(),
    };
    let found = associate_by(run, shape, criterion, &points).map_err(|e| match e {
        FitError::Stopped(_) => MeasureError::Stopped.into(),
        FitError::NoMeaning { .. } => SumError::Fields(vec![("criterion".into(), e.to_string())]),
        FitError::Aslant { .. } => SumError::Fields(vec![("outward".into(), e.to_string())]),
        other => SumError::Undetermined(other.to_string()),
    })?;
    Ok((found, points, notes))
}

/// Memory that a self-check takes, bytes: its sets and the report in three forms are some megabytes.
pub(crate) const SELF_CHECK_BYTES: u64 = 16 << 20;

/// The program against the values that it carries.
pub(crate) fn self_checked(run: &Run) -> Result<Report, SumError> {
    self_check(run).map_err(|e| match e {
        SelfCheckError::Stopped(_) => MeasureError::Stopped.into(),
        SelfCheckError::Damaged(damaged) => internal("the published sets", &damaged).into(),
    })
}

/// A scan made by computation.
pub(crate) fn simulated(
    service: &Service,
    run: &Run,
    simulation: &Simulation,
    revision: Option<&NewRevision>,
) -> Result<Simulated, SumError> {
    let ready = revision.map(|content| ready(service, run, content)).transpose()?;
    let nominal = ready.as_ref().and_then(|r| r.nominal.as_deref());
    simulate(run, simulation, nominal).map_err(not_simulated)
}

/// Memory that a simulation takes, bytes.
///
/// # Errors
/// More points, or a longer file, than the service takes as a scan.
pub(crate) fn simulation_cost(
    service: &Service,
    run: &Run,
    simulation: &Simulation,
    revision: Option<&NewRevision>,
) -> Result<u64, SumError> {
    let ready = revision.map(|content| ready(service, run, content)).transpose()?;
    let nominal = ready.as_ref().and_then(|r| r.nominal.as_deref());
    let Foretold { points, file_bytes, memory_bytes } =
        foretell(simulation, nominal).map_err(not_simulated)?;
    let (most_points, most_bytes) = (run.limits.points, run.limits.file_bytes);
    if !(points <= most_points as f64) || file_bytes > most_bytes {
        let reason = format!(
            "the simulation would make about {points:.0} points in {file_bytes} bytes, and {most_points} points and \
             {most_bytes} bytes are taken: write a wider spacing or a smaller table"
        );
        return Err(MeasureError::Failed { failure: Failure::LimitExceeded, reason }.into());
    }
    Ok(memory_bytes)
}

fn not_simulated(error: SimulateError) -> SumError {
    match error {
        SimulateError::Scanner(ScannerError::Stopped(_)) => MeasureError::Stopped.into(),
        other => SumError::Undetermined(other.to_string()),
    }
}
