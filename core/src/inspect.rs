//! The whole way of a part through the program, in one readable function.

use crate::conformity;
use crate::datum::DatumTaken;
use crate::evaluate::{by_points, by_reading, point_features, point_serves, tell_general};
use crate::geometry::{Aabb, Motion, PartFrame, ScanFrame};
use crate::nominal::Nominal;
use crate::plan::{Characteristic, FaceMap, Plan, PointOn, Requirement, Situation};
use crate::points::{PointSet, PointsError};
use crate::readings::Reading;
use crate::record::{DatumRecord, DatumSystemRecord, DeviationMap, Evaluation, Record, Verdict};
use crate::run::{Run, Stage, Stopped};
use crate::scan::Scan;
use crate::uncertainty::Conditions;

mod advice;
mod alone;
mod cautions;
mod conditions;
mod correlated;
mod cost;
mod found;
mod joined;
mod map;
mod picture;
mod placed;
mod revisions;
mod scanned;
mod taken;
mod whole;

pub use alone::{Aligned, AlignedError, align};
pub use cost::cost;
pub use picture::Picture;
pub use revisions::{OtherRevision, tell_better_revision};

/// One scan that serves an inspection.
pub struct ScanSource<'a> {
    /// The scan.
    pub scan: &'a Scan,
    /// SHA-256 of its file, 64 hexadecimal digits.
    pub sha256: String,
    /// Which part of it is meant.
    pub part: ScanPart,
}

impl<'a> ScanSource<'a> {
    /// A scan of one part, used whole.
    pub fn whole(scan: &'a Scan, sha256: String) -> Self {
        Self { scan, sha256, part: ScanPart::Whole }
    }
}

/// Which part of a scan is meant.
#[derive(Clone, Debug, PartialEq)]
pub enum ScanPart {
    /// The whole: it shows one part.
    Whole,
    /// The points inside a box along the scan's axes, mm.
    Region(Aabb),
    /// The points near the part placed so, which is held against the scan.
    Placement(Motion<PartFrame, ScanFrame>),
}

/// One file of measured points that serves an inspection.
pub struct PointSource<'a> {
    /// The points.
    pub set: &'a PointSet,
    /// SHA-256 of its file, 64 hexadecimal digits.
    pub sha256: String,
}

/// Everything one inspection looks at.
pub struct Job<'a> {
    /// The nominal, where the plan has one.
    pub nominal: Option<&'a Nominal>,
    /// SHA-256 of its file, 64 hexadecimal digits; empty without one.
    pub nominal_sha256: String,
    /// The checked plan.
    pub plan: &'a Plan,
    /// Its features bound to the nominal.
    pub faces: &'a FaceMap,
    /// Scans of one part: one, or several that show its sides.
    pub scans: &'a [ScanSource<'a>],
    /// Points taken of its features.
    pub points: &'a [PointSource<'a>],
    /// Readings, checked by [`crate::readings::check`].
    pub readings: &'a [Reading],
    /// Groups of characteristics to judge; empty for all.
    pub scope: &'a [String],
    /// How each source was taken: scans first, then points, in their order. Nothing is known of those that it leaves out.
    pub conditions: &'a [Conditions],
}

impl<'a> Job<'a> {
    /// Scans of a part, without points and readings, and every group of its plan; of a nominal without a file.
    pub fn of_scans(
        nominal: &'a Nominal,
        plan: &'a Plan,
        faces: &'a FaceMap,
        scans: &'a [ScanSource<'a>],
    ) -> Self {
        let nominal_sha256 = String::new();
        Self {
            nominal: Some(nominal),
            nominal_sha256,
            plan,
            faces,
            scans,
            points: &[],
            readings: &[],
            scope: &[],
            conditions: &[],
        }
    }

    /// How a source was taken: scans are counted first, then points.
    fn condition(&self, source: usize) -> Conditions {
        self.conditions.get(source).cloned().unwrap_or_default()
    }
}

/// A finished inspection.
#[derive(Clone, Debug)]
pub struct Inspected {
    /// What was found.
    pub record: Record,
    /// Deviation at each vertex of the nominal; `None` where nothing was scanned.
    pub deviation: Option<DeviationMap>,
    /// The same on a finer mesh, for pictures, where the nominal's own is too coarse for them. No part of the record.
    pub picture: Option<Picture>,
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
    /// Points that do not belong to the plan.
    #[error("{0}")]
    Points(PointsError),
    /// A part in free state and the same part held in a fixture: it has another form in each.
    #[error(
        "source {0} shows the part in free state and source {1} held in a fixture: it has another form in each; measure them \
         apart"
    )]
    Restraints(usize, usize),
    /// One file twice as a source: its points would count twice, and the uncertainty come out too small.
    #[error("sources {0} and {1} are the same file; name it once, for its points would count twice")]
    SameFile(usize, usize),
}

/// Measures one part: each characteristic by its reading, else by measured points of its feature, else on the
/// scans, which are located, aligned and put onto the datums for it. Where there is more than one of these, all
/// are evaluated, and one that says the opposite of the first leaves the characteristic undecided. What could not
/// be measured is in the record as such; only a stop or a wrong question gives no record.
///
/// # Errors
/// A stop by the caller, a scan in another length unit than stated, an unknown group, points of something
/// that the plan has not, the same file twice.
pub fn inspect(run: &Run, job: &Job) -> Result<Inspected, InspectError> {
    each_file_once(job)?;
    conditions::one_restraint(job)?;
    let at_reference = conditions::AtReference::new(job);
    let (scans, points) = at_reference.sources(job);
    let job = &Job { scans: &scans, points: &points, nominal_sha256: job.nominal_sha256.clone(), ..*job };
    let mut found = measured(run, job, &at_reference)?;
    at_reference.tell(job, &mut found.record);
    Ok(found)
}

/// Measures with all lengths at the reference temperature.
fn measured(run: &Run, job: &Job, at_reference: &conditions::AtReference) -> Result<Inspected, InspectError> {
    let wanted = in_scope(job)?;
    let taken = taken::Taken::new(run, job, at_reference)?;
    let by: Vec<Vec<By>> = wanted.iter().map(|c| by(job, &taken, c)).collect();
    let on_scan: Vec<&Characteristic> = wanted
        .iter()
        .zip(&by)
        .filter(|(_, ways)| ways.iter().any(|by| matches!(by, By::Scan)))
        .map(|(c, _)| *c)
        .collect();
    let systems: Vec<usize> = on_scan.iter().filter_map(|c| c.datum_system).collect();
    let inputs = at_reference.of_scans(job);
    let scanned = scanned::Scanned::new(run, job, &on_scan, &systems, &inputs)?;
    let together_on_scan = scanned.together(run, job, &on_scan)?;
    let index = |c: &Characteristic| job.plan.characteristics.iter().position(|o| o.number == c.number);
    let mut evaluations = Vec::with_capacity(wanted.len());
    let mut doubled: Vec<&str> = Vec::new();
    for (i, (characteristic, ways)) in wanted.iter().zip(&by).enumerate() {
        run.tell(Stage::Evaluate, i as f64 / wanted.len() as f64);
        let mut found = Vec::with_capacity(ways.len());
        for by in ways {
            found.push(match by {
                By::Reading(reading) => by_reading(job.plan, characteristic, reading),
                By::Points { feature } => by_points(
                    job.plan,
                    characteristic,
                    &job.faces.features[*feature],
                    &taken.evidence(job, characteristic, *feature),
                ),
                By::Scan => match index(characteristic).and_then(|i| together_on_scan.get(&i)) {
                    Some(evaluation) => evaluation.clone(),
                    None => scanned.evaluate(run, job, characteristic)?,
                },
            });
        }
        let mut withheld = Vec::with_capacity(found.len());
        for one in &mut found {
            withheld.push(at_reference.forbid(job, &taken, characteristic, one));
        }
        for one in &mut found {
            conformity::tell(&job.plan.decision, one);
        }
        if found.iter().filter(|e| e.verdict != Verdict::NotMeasured).count() > 1 {
            doubled.push(&characteristic.number);
        }
        let mut told = together(found, withheld[0]);
        tell_general(characteristic, &mut told);
        evaluations.push(told);
    }
    correlated::mark(&mut evaluations);
    let advice = advice::advice(run, job, &scanned, &wanted, &evaluations)?;
    let (deviation, picture) = scanned.deviation(run, job)?;
    run.tell(Stage::Evaluate, 1.0);
    let mut record = whole::record(job, evaluations);
    record.advice = advice;
    record.sources = scanned.sources();
    record.sources.extend(taken.sources(job));
    record.alignment = scanned.alignment();
    record.datum_systems = scanned.datum_systems(job);
    record.datum_systems.extend(taken.datum_systems());
    record.deviation_sha256 = deviation.as_ref().map(|d| crate::canonical::sha256_hex(&d.to_bytes()));
    record.cautions.extend(scanned.cautions(job));
    record.cautions.extend(taken.cautions());
    if !doubled.is_empty() {
        record.cautions.push(format!(
            "Measured in more than one way and told by the first of reading, points, scan: {}.",
            doubled.join(", ")
        ));
    }
    record.cautions.extend(read_beside(job, &wanted));
    Ok(Inspected { record, deviation, picture })
}

/// A way in which a characteristic is measured.
enum By<'a> {
    Reading(&'a Reading),
    Points { feature: usize },
    Scan,
}

/// All ways that there are, the first of which is told; at least one.
fn by<'a>(job: &Job<'a>, taken: &taken::Taken, characteristic: &Characteristic) -> Vec<By<'a>> {
    let reading = job.readings.iter().find(|r| r.characteristic == characteristic.number);
    let mut ways: Vec<By> = reading.map(By::Reading).into_iter().collect();
    // A gauge and a quantity that is only read are served by nothing else.
    let only_read =
        matches!(characteristic.requirement, Requirement::Reading { .. } | Requirement::Gauge { .. });
    if only_read && !ways.is_empty() {
        return ways;
    }
    let bound = characteristic.feature.and_then(|f| job.faces.features.get(f));
    let other = match characteristic.requirement {
        Requirement::Distance { to, .. } | Requirement::Angle { to: Some(to), .. } => Some(to),
        _ => None,
    };
    let mut looked_at = bound.map_or_else(Vec::new, |b| point_features(characteristic, b));
    looked_at.retain(|f| Some(*f) != other);
    let of_points = taken.has(&looked_at);
    let seen = !job.scans.is_empty() && characteristic.feature.is_some_and(|f| picked(job, f));
    // What points do not serve hides nothing that a scan shows.
    let whole = other.is_none_or(|f| taken.has(&[f]));
    let served = whole && bound.is_some_and(|b| point_serves(characteristic, b)) || !seen;
    if let Some(feature) = characteristic.feature.filter(|_| of_points && served) {
        ways.push(By::Points { feature });
    }
    if ways.is_empty() || seen {
        ways.push(By::Scan);
    }
    ways
}

/// The first evaluation, unless a later one says the opposite: then neither is proven. A first one whose pass was `withheld`, since
/// nothing vouches for its instrument, hides no later one that proves a fault.
fn together(mut found: Vec<Evaluation>, withheld: bool) -> Evaluation {
    if withheld && let Some(k) = found.iter().position(|e| e.verdict == Verdict::DoesNotConform) {
        let mut told = found.swap_remove(k);
        told.reason = format!("{}; otherwise {}", told.reason, found[0].reason);
        return told;
    }
    let mut found = found.into_iter();
    let mut told = found.next().expect("a characteristic is measured in at least one way");
    let decided = |e: &Evaluation| matches!(e.verdict, Verdict::Conforms | Verdict::DoesNotConform);
    let against = found.find(|e| decided(&told) && decided(e) && e.verdict != told.verdict);
    if let Some(other) = against {
        let says = |e: &Evaluation| {
            let by = if e.measured_by.is_empty() { "scan" } else { e.measured_by.as_str() };
            let value = e.value_mm.map_or_else(String::new, |v| format!(" ({v:.4} mm)"));
            let verdict = if e.verdict == Verdict::Conforms { "conforms" } else { "does not conform" };
            format!("by {by}{value} it {verdict}")
        };
        told.reason = format!(
            "its measurements contradict each other: {}, {}; find out which is wrong",
            says(&told),
            says(&other)
        );
        told.verdict = Verdict::Undecided;
    }
    told
}

/// A file as two sources is refused, whatever part of it each names.
fn each_file_once(job: &Job) -> Result<(), InspectError> {
    let scans = job.scans.iter().map(|s| s.sha256.as_str());
    let all: Vec<&str> = scans.chain(job.points.iter().map(|p| p.sha256.as_str())).collect();
    for (i, sha256) in all.iter().enumerate() {
        // Points sent with a question have no file.
        if let Some(first) = all[..i].iter().position(|other| !sha256.is_empty() && other == sha256) {
            return Err(InspectError::SameFile(first + 1, i + 1));
        }
    }
    Ok(())
}

/// Says which readings are of characteristics that were not asked for.
fn read_beside(job: &Job, wanted: &[&Characteristic]) -> Option<String> {
    let beside: Vec<&str> = job
        .readings
        .iter()
        .map(|r| r.characteristic.as_str())
        .filter(|number| !wanted.iter().any(|c| c.number == *number))
        .collect();
    (!beside.is_empty()).then(|| {
        format!(
            "Readings of characteristics outside the groups asked for were not judged: {}.",
            beside.join(", ")
        )
    })
}

/// Whether a scan can show it: a face of the nominal, or a place on its surface.
fn picked(job: &Job, feature: usize) -> bool {
    let bound = &job.faces.features[feature];
    let on_surface = matches!(bound.situation, Situation::Point { on: PointOn::Surface, .. });
    !bound.triangles.is_empty() || (on_surface && job.nominal.is_some())
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

fn datum_record(
    id: &str,
    taken_from: &str,
    motion: &Motion<PartFrame, ScanFrame>,
    datums: &[DatumTaken],
    rounds: u32,
) -> DatumSystemRecord {
    let (rotation, translation_mm) = motion.rows();
    let datums = datums.iter().map(|d| DatumRecord {
        letter: d.letter.clone(),
        feature: d.feature.clone(),
        locks: d.locks.clone(),
        residual_mm: d.residual_mm,
    });
    DatumSystemRecord {
        id: id.into(),
        rotation,
        translation_mm,
        taken_from: taken_from.into(),
        datums: datums.collect(),
        rounds,
    }
}
