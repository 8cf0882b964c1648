//! The whole way of a part through the program, in one readable function.

use crate::align::{AlignError, Alignment, FineSettings, LocateError, LocateSettings, Located, fine, locate};
use crate::conformity::over_all;
use crate::datum::{DatumAlignment, DatumError, DatumInput, establish};
use crate::evaluate::{Aligned, Context, blank, evaluate};
use crate::filter::Gaussian;
use crate::geometry::{Motion, PartFrame, ScanFrame};
use crate::nominal::Nominal;
use crate::partition::{Partition, PartitionSettings, normals_under};
use crate::plan::{Characteristic, Decision, FaceMap, Plan, Requirement};
use crate::record::{
    AlignmentRecord, DatumRecord, DatumSystemRecord, DeviationMap, Evaluation, RECORD_VERSION, Record,
    Verdict,
};
use crate::run::{Run, Stage, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;

mod map;

/// SHA-256 of what goes in, as 64 hexadecimal digits each, for the record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Digests {
    /// Of the nominal's file.
    pub nominal_sha256: String,
    /// Of the plan's canonical form.
    pub plan_sha256: String,
    /// Of each scan file.
    pub scan_sha256: Vec<String>,
}

/// Everything one inspection looks at.
pub struct Job<'a> {
    /// The nominal.
    pub nominal: &'a Nominal,
    /// The checked plan.
    pub plan: &'a Plan,
    /// Its features bound to the nominal.
    pub faces: &'a FaceMap,
    /// The scan of one part.
    pub scan: &'a Scan,
    /// Groups of characteristics to judge; empty for all.
    pub scope: &'a [String],
    /// What went in.
    pub digests: Digests,
}

/// A finished inspection.
#[derive(Clone, Debug)]
pub struct Inspected {
    /// What was found.
    pub record: Record,
    /// Deviation at each vertex of the nominal.
    pub deviation: DeviationMap,
}

/// Why there is no record at all.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum InspectError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// The scan's size says that its length unit was stated wrongly.
    #[error("{0}")]
    LengthUnit(String),
    /// A group that no characteristic of the plan has.
    #[error("no characteristic of the plan is in group `{0}`")]
    UnknownGroup(String),
}

/// Measures one part: locate, align, take up the datums, evaluate, decide. What could not be measured is
/// in the record as such; only a stop or a wrong question gives no record.
///
/// # Errors
/// A stop by the caller, a scan in another length unit than stated, an unknown group.
pub fn inspect(run: &Run, job: &Job) -> Result<Inspected, InspectError> {
    let wanted = in_scope(job)?;
    let tree = SurfaceTree::new(job.nominal.mesh());
    let aligned = match align(run, job, &tree) {
        Ok(aligned) => aligned,
        Err(Unaligned::Stopped(stopped)) => return Err(stopped.into()),
        Err(Unaligned::LengthUnit(hint)) => return Err(InspectError::LengthUnit(hint)),
        Err(Unaligned::Because(reason)) => return Ok(not_aligned(job, &wanted, &reason)),
    };
    let settings = partition_settings(&wanted);
    let best = Partition::new(run, job.nominal, &tree, job.scan, aligned.fine.part_from_scan, &settings)?;
    let noise_mm = noise(run, job, &best)?;
    let systems = take_up_datums(run, job, &tree, &settings, &wanted, aligned.fine.part_from_scan, noise_mm)?;
    let context = Context {
        run,
        nominal: job.nominal,
        plan: job.plan,
        faces: job.faces,
        scan: job.scan,
        noise_mm,
        cell_mm: cell_mm(job),
        margin_mm: margin_mm(job.scan),
    };
    let mut evaluations = Vec::with_capacity(wanted.len());
    for (i, characteristic) in wanted.iter().enumerate() {
        run.tell(Stage::Evaluate, i as f64 / wanted.len() as f64);
        let at = match characteristic.datum_system {
            None => Aligned::BestFit(&best),
            Some(d) => match &systems[d] {
                Some(Ok(datums)) => Aligned::Datums(datums),
                Some(Err(error)) => Aligned::Failed(error.to_string()),
                None => Aligned::Failed("its datum system was not established".into()),
            },
        };
        evaluations.push(evaluate(&context, characteristic, &at)?);
    }
    let shown = systems.iter().flatten().find_map(|s| s.as_ref().ok()).map_or(&best, |d| &d.partition);
    let deviation = map::deviation(run, job.nominal, job.scan, shown)?;
    run.tell(Stage::Evaluate, 1.0);
    let mut record = record(job, evaluations);
    record.alignment = Some(alignment_record(&aligned, noise_mm, best.unexplained()));
    record.datum_systems = datum_records(job.plan, job.faces, &systems);
    Ok(Inspected { record, deviation })
}

/// The characteristics asked for, in the plan's order.
fn in_scope<'a>(job: &Job<'a>) -> Result<Vec<&'a Characteristic>, InspectError> {
    let all = &job.plan.characteristics;
    if let Some(unknown) = job.scope.iter().find(|g| !all.iter().any(|c| c.groups.contains(g))) {
        return Err(InspectError::UnknownGroup(unknown.clone()));
    }
    Ok(all
        .iter()
        .filter(|c| job.scope.is_empty() || c.groups.iter().any(|g| job.scope.contains(g)))
        .collect())
}

struct BestFit {
    located: Located,
    fine: Alignment,
}

enum Unaligned {
    Stopped(Stopped),
    LengthUnit(String),
    Because(String),
}

fn align(run: &Run, job: &Job, tree: &SurfaceTree) -> Result<BestFit, Unaligned> {
    let located = match locate(run, job.nominal, tree, job.scan, &LocateSettings::default()) {
        Ok(located) => located,
        Err(LocateError::Stopped(stopped)) => return Err(Unaligned::Stopped(stopped)),
        Err(error @ LocateError::NoFit { unit_ratio: Some(_), .. }) => {
            return Err(Unaligned::LengthUnit(error.to_string()));
        }
        Err(error) => {
            return Err(Unaligned::Because(format!("the scan could not be located on the part: {error}")));
        }
    };
    match fine(run, job.nominal, tree, job.scan, located.part_from_scan, &FineSettings::default()) {
        Ok(fine) => Ok(BestFit { located, fine }),
        Err(AlignError::Stopped(stopped)) => Err(Unaligned::Stopped(stopped)),
        Err(error) => Err(Unaligned::Because(format!("the scan could not be aligned: {error}"))),
    }
}

/// Nothing of the part can be judged, and why.
fn not_aligned(job: &Job, wanted: &[&Characteristic], reason: &str) -> Inspected {
    let evaluations =
        wanted.iter().map(|c| Evaluation { reason: reason.into(), ..blank(job.plan, c) }).collect();
    let record = Record { reason: reason.into(), ..record(job, evaluations) };
    let deviation = DeviationMap { deviation_mm: vec![None; job.nominal.mesh().vertices().len()] };
    Inspected { record, deviation }
}

/// Reach: well beyond the largest limit, so that a part far out of tolerance is still seen to be so.
fn partition_settings(wanted: &[&Characteristic]) -> PartitionSettings {
    let largest = wanted
        .iter()
        .map(|c| match c.requirement {
            Requirement::SurfaceProfile { limit_outside_mm, limit_inside_mm } => {
                limit_outside_mm.max(limit_inside_mm)
            }
            Requirement::Diameter { upper_deviation_mm, lower_deviation_mm, .. } => {
                upper_deviation_mm.abs().max(lower_deviation_mm.abs())
            }
            Requirement::Position { zone_diameter_mm } => zone_diameter_mm,
            Requirement::Flatness { zone_width_mm, .. } => zone_width_mm,
        })
        .fold(0.0, f64::max);
    let fine = FineSettings::default();
    PartitionSettings { reach_mm: fine.reach_mm.max(4.0 * largest), min_cos: fine.min_cos }
}

/// Strip along rims that is left out: what scanners round and where neighbouring points mix (1 mm is
/// common practice, no source), and never less than a spacing and a half.
fn margin_mm(scan: &Scan) -> f64 {
    1f64.max(1.5 * scan.spacing_mm())
}

/// Cells by which a plane is fair to its area: the plan's filter length, but wide enough to hold points.
fn cell_mm(job: &Job) -> f64 {
    let nesting = job.plan.filter.as_ref().map_or(2.5, |f| f.nesting_index_mm);
    nesting.max(3.0 * job.scan.spacing_mm())
}

/// About how many points the noise is estimated from: 0.7 % on its standard deviation.
const NOISE_POINTS: usize = 10_000;

/// The noise of the points, from what they scatter about their neighbours on the whole surface.
fn noise(run: &Run, job: &Job, partition: &Partition) -> Result<f64, Stopped> {
    let placed: Vec<_> = partition.placed(job.scan).collect();
    let normals = normals_under(job.nominal, &placed);
    let values: Vec<f64> = placed.iter().map(|p| p.deviation_mm).collect();
    let points = placed.iter().map(|p| p.point).collect();
    let every = placed.len().div_ceil(NOISE_POINTS);
    let found = Gaussian::new(points, normals, cell_mm(job)).noise_of(run, &values, every)?;
    // Unknown is not zero: a scan too sparse to show its noise gets its spacing as an upper bound, which
    // proves nothing inside any usual tolerance.
    Ok(found.unwrap_or(job.scan.spacing_mm()))
}

type System = Option<Result<DatumAlignment, DatumError>>;

/// Establishes the datum systems that the characteristics refer to.
fn take_up_datums(
    run: &Run,
    job: &Job,
    tree: &SurfaceTree,
    settings: &PartitionSettings,
    wanted: &[&Characteristic],
    start: Motion<PartFrame, ScanFrame>,
    noise_mm: f64,
) -> Result<Vec<System>, Stopped> {
    let input = DatumInput {
        nominal: job.nominal,
        tree,
        scan: job.scan,
        plan: job.plan,
        faces: job.faces,
        settings,
        noise_mm,
        cell_mm: cell_mm(job),
        margin_mm: margin_mm(job.scan),
    };
    let mut systems = Vec::new();
    for (d, system) in job.plan.datum_systems.iter().enumerate() {
        let used = wanted.iter().any(|c| c.datum_system == Some(d));
        systems.push(match used.then(|| establish(run, &input, system, start)) {
            Some(Err(DatumError::Stopped(stopped))) => return Err(stopped),
            other => other,
        });
    }
    Ok(systems)
}

fn decision_words(rule: &Decision) -> String {
    match rule {
        Decision::Proven => "conformity or nonconformity must be proven at 95 % (ISO 14253-1:2017)".into(),
        Decision::Simple { ratio } => {
            format!(
                "simple acceptance with expanded uncertainty at most {ratio} of the tolerance (JCGM 106:2012, 8.2)"
            )
        }
        Decision::Probability { conforms } => {
            format!("probability of conformity at least {conforms} (JCGM 106:2012)")
        }
    }
}

fn record(job: &Job, evaluations: Vec<Evaluation>) -> Record {
    let required: Vec<&Evaluation> = evaluations.iter().filter(|e| e.required).collect();
    let verdict = over_all(required.iter().map(|e| e.verdict));
    let of = |v: Verdict| {
        let numbers: Vec<&str> =
            required.iter().filter(|e| e.verdict == v).map(|e| e.number.as_str()).collect();
        numbers.join(", ")
    };
    let reason = match verdict {
        _ if required.is_empty() => "no required characteristic is in the scope".into(),
        Verdict::Conforms => format!("all {} required characteristics conform", required.len()),
        Verdict::DoesNotConform => format!("does not conform: {}", of(verdict)),
        Verdict::Undecided => format!("undecided: {}", of(verdict)),
        Verdict::NotMeasured => format!("not measured: {}", of(verdict)),
    };
    let mut cautions = vec![
        "Acceptance of safety-relevant parts rests with the responsible quality authority, the customer's requirements and local rules."
            .to_string(),
        "The uncertainty holds noise, sampling and alignment as seen in the scan itself; the instrument's own verification, temperature and restraint are not part of it."
            .to_string(),
    ];
    if !job.scope.is_empty() {
        cautions
            .push(format!("A verdict over group {} only, not a release of the part.", job.scope.join(", ")));
    }
    if job.scan.normals().is_none() {
        cautions.push("The scan carries no normals: points of the two sides of a thin wall are told apart by distance only.".into());
    }
    Record {
        record_version: RECORD_VERSION,
        program_version: env!("CARGO_PKG_VERSION").into(),
        nominal_sha256: job.digests.nominal_sha256.clone(),
        plan_sha256: job.digests.plan_sha256.clone(),
        scan_sha256: job.digests.scan_sha256.clone(),
        scope: job.scope.to_vec(),
        decision: decision_words(&job.plan.decision),
        alignment: None,
        datum_systems: Vec::new(),
        evaluations,
        verdict,
        reason,
        cautions,
    }
}

fn rows(motion: &Motion<PartFrame, ScanFrame>) -> ([[f64; 3]; 3], [f64; 3]) {
    let r = motion.rotation();
    let t = motion.translation();
    (std::array::from_fn(|i| std::array::from_fn(|j| r[(i, j)])), [t.x, t.y, t.z])
}

fn alignment_record(aligned: &BestFit, noise_mm: f64, unexplained: usize) -> AlignmentRecord {
    let (rotation, translation_mm) = rows(&aligned.fine.part_from_scan);
    AlignmentRecord {
        rotation,
        translation_mm,
        rms_mm: aligned.fine.rms_mm,
        points: aligned.fine.points_used as u64,
        stop: aligned.fine.stop.word().into(),
        evidence_for: aligned.located.evidence_for,
        evidence_against: aligned.located.evidence_against,
        noise_mm,
        points_unexplained: unexplained as u64,
    }
}

fn datum_records(plan: &Plan, faces: &FaceMap, systems: &[System]) -> Vec<DatumSystemRecord> {
    let established = plan.datum_systems.iter().zip(systems);
    established
        .filter_map(|(system, found)| {
            let Some(Ok(found)) = found else { return None };
            let (rotation, translation_mm) = rows(&found.part_from_scan);
            let locks: [(&_, &[&str], Option<f64>); 3] = [
                (&system.plane, &["tz", "rx", "ry"], Some(found.plane_residual_mm)),
                (&system.origin, &["tx", "ty"], None),
                (&system.clock, &["rz"], Some(found.clock_residual_mm)),
            ];
            let datums = locks
                .into_iter()
                .map(|(datum, locks, residual_mm)| DatumRecord {
                    letter: datum.letter.clone(),
                    feature: faces.features[datum.feature].id.clone(),
                    locks: locks.iter().map(|l| (*l).to_string()).collect(),
                    residual_mm,
                })
                .collect();
            Some(DatumSystemRecord {
                id: system.id.clone(),
                rotation,
                translation_mm,
                datums,
                rounds: found.rounds,
            })
        })
        .collect()
}

/// Foretells the peak memory of one inspection, bytes, from the headers alone: what admission holds against
/// the memory there is. Counted from the arrays that live at the same time: the file, points and normals as
/// read and as scan, their places at the best fit and on each datum system, and the filter's
/// neighbourhoods with their rehearsed noise; for the nominal its mesh, faces and trees.
pub fn cost(scan: &crate::read::Header, nominal: &crate::read::Header, plan: &Plan) -> u64 {
    let systems = plan.datum_systems.len() as u64;
    // A point in a file, as read and as scan: 24 bytes each for place and normal.
    let read = 3 * 48;
    // Its triangle and deviation, at the best fit, on each system and in the round under way.
    let placed = 12 * (systems + 2) + 2 * 56;
    // A filter's copy of place, normal, deviation, cell and order, results, and 48 draws of noise.
    let filter = 24 + 24 + 8 + 56 + 32 + 192;
    // A triangle: corners in file and mesh, neighbours and face, search tree twice (the distance field of
    // locating is a fixed size).
    let triangle = 50 + 60 + 40 + 2 * 130;
    let fixed = 96 << 20;
    let points = scan.points.max(scan.triangles.saturating_mul(3) / 2);
    points
        .saturating_mul(read + placed + filter)
        .saturating_add(nominal.triangles.saturating_mul(triangle))
        .saturating_add(fixed)
}
