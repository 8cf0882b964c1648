//! Where the service calls core to measure. Runs on the threads for it and blocks.

pub(crate) mod admitted;
pub(crate) mod balls;
pub(crate) mod memory;
pub(crate) mod sums;

use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use scantling_core::geometry::{Aabb, Matrix3, Motion, Point, Vector};
use scantling_core::inspect::{PointSource, ScanPart, ScanSource};
use scantling_core::nominal::{Nominal, NominalFile};
use scantling_core::plan::{FaceMap, NeighbourNominal, Plan, bind, check_json};
use scantling_core::points::{self, Coordinates, PointSet, PointsError, TakenPoint};
use scantling_core::read::{self, ReadError, TakeError, TextLayout};
use scantling_core::run::{Limits, Run, Stage};
use scantling_core::scan::{LengthUnit, Scan, ScanError};

use crate::blobs::Digest;
use crate::nominals::{Key, NominalFailure};
use crate::plans::{self, told, told_of};
use crate::service::Service;
use crate::store::{Content, Failure, NewAcquisition, NewRevision, SourceRequest};

/// Rotation, row by row, and shift, mm.
pub(crate) type Rows = ([[f64; 3]; 3], [f64; 3]);

/// Why measuring ended without an answer.
#[derive(Debug)]
pub(crate) enum MeasureError {
    /// It was told to stop; nothing was decided.
    Stopped,
    /// For good.
    Failed { failure: Failure, reason: String },
    /// The disc did not answer for now.
    Passing { reason: String },
}

/// A revision, ready to measure by.
pub(crate) struct Ready {
    pub(crate) plan: Plan,
    pub(crate) nominal: Option<Arc<Nominal>>,
    pub(crate) nominal_sha256: String,
    pub(crate) faces: FaceMap,
}

/// A scan or a file of points in memory.
pub(crate) enum Loaded {
    Scan { scan: Scan, sha256: String, part: ScanPart },
    Points { set: PointSet, sha256: String },
}

/// The run of one piece of work.
pub(crate) fn run<'a>(
    service: &Service,
    stop: &'a AtomicBool,
    progress: &'a (dyn Fn(Stage, f64) + Sync),
) -> Run<'a> {
    let limits = Limits { file_bytes: service.config.limits.file_bytes, ..Limits::default() };
    Run { stop, progress, limits }
}

/// Makes a revision ready.
pub(crate) fn ready(service: &Service, run: &Run, content: &NewRevision) -> Result<Ready, MeasureError> {
    let (_, plan) = check_json(&content.plan_json).map_err(|faults| internal("the kept plan", &faults))?;
    let made = |sha256: &str, told: NominalFile| {
        let digest = Digest::parse(sha256).ok_or_else(|| internal("the nominal's digest", &sha256))?;
        let key = Key { digest, told };
        service.nominals.get(&service.blobs, &key, run).map_err(|failure| match failure {
            NominalFailure::Stopped => MeasureError::Stopped,
            NominalFailure::Storage(error) => missing_or_passing("the nominal", &error),
            other @ NominalFailure::Refused(_) => internal("the kept nominal", &other),
        })
    };
    let nominal = match &content.nominal {
        None => None,
        Some((sha256, unit)) => Some(made(sha256, told(&plan, *unit))?),
    };
    let mut faces = bind(&plan, nominal.as_deref())
        .map_err(|faults| internal("the kept plan on its nominal", &faults))?;
    if !plan.neighbours.is_empty() {
        let mut all = Vec::with_capacity(content.neighbours.len());
        for kept in &content.neighbours {
            let of = plan.neighbours.iter().find(|n| n.id == kept.id);
            let of = of.ok_or_else(|| internal("a kept neighbour", &kept.id))?;
            let nominal = made(&kept.sha256, told_of(of.side, of.part.as_ref(), kept.unit))?;
            all.push((kept, nominal));
        }
        let nominals: Vec<NeighbourNominal> = all
            .iter()
            .map(|(kept, nominal)| NeighbourNominal { id: &kept.id, nominal, sha256: &kept.sha256 })
            .collect();
        faces = faces
            .with_neighbours(&plan, &nominals)
            .map_err(|faults| internal("the kept plan on its neighbours", &faults))?;
    }
    if let Some(reason) = plans::bound_otherwise(content, &faces, nominal.as_deref()) {
        return Err(MeasureError::Failed { failure: Failure::Internal, reason });
    }
    let nominal_sha256 = content.nominal.as_ref().map(|n| n.0.clone()).unwrap_or_default();
    Ok(Ready { plan, nominal, nominal_sha256, faces })
}

/// Which part of a scan is meant, in core's words; both were checked.
pub(crate) fn part_of(
    region: Option<[[f64; 3]; 2]>,
    placement: Option<Rows>,
) -> Result<ScanPart, MeasureError> {
    if let Some((rows, shift)) = placement {
        let rotation = Matrix3::from_fn(|i, j| rows[i][j]);
        let motion = Motion::new(rotation, Vector::from(shift))
            .ok_or_else(|| internal("a checked placement", &(rows, shift)))?;
        return Ok(ScanPart::Placement(motion));
    }
    Ok(match region {
        Some([low, high]) => ScanPart::Region(Aabb { low: Point::from(low), high: Point::from(high) }),
        None => ScanPart::Whole,
    })
}

/// Reads one source.
pub(crate) fn load(
    service: &Service,
    run: &Run,
    source: &SourceRequest,
    content: &NewAcquisition,
) -> Result<Loaded, MeasureError> {
    let sha256 = content.blob.clone();
    match content.content {
        Content::Scan => {
            let part = part_of(source.region, source.placement)?;
            let (scan, _) = scan(service, run, &content.blob, content.length_unit, &content.columns)?;
            Ok(Loaded::Scan { scan, sha256, part })
        }
        Content::Points => {
            let coordinates = content.coordinates.unwrap_or(Coordinates::Instrument);
            let (unit, standard_mm) = (content.length_unit, content.point_standard_mm);
            let file = PointsFile { blob: &content.blob, unit, standard_mm };
            let points = points_of(service, run, &file)?.map_err(|e| refused_points(&e))?;
            Ok(Loaded::Points { set: PointSet { points, coordinates }, sha256 })
        }
    }
}

/// A scan from a stored file, and what was decided or left aside when it was read.
pub(crate) fn scan(
    service: &Service,
    run: &Run,
    blob: &str,
    unit: LengthUnit,
    columns: &str,
) -> Result<(Scan, Vec<String>), MeasureError> {
    let layout = TextLayout::parse(columns).map_err(|e| internal("checked columns", &e))?;
    let digest = Digest::parse(blob).ok_or_else(|| internal("the scan's digest", &blob))?;
    let mut file = service.blobs.file(&digest).map_err(|e| missing_or_passing("the stored scan", &e))?;
    let taken = read::take_from(&mut file, &layout, run).map_err(|e| match e {
        TakeError::Io(e) => missing_or_passing("the stored scan", &e),
        TakeError::Refused(e) => unreadable(&e),
    })?;
    let notes = taken.source().notes.clone();
    Ok((Scan::new(taken, unit, run).map_err(|e| unusable(&e))?, notes))
}

/// What was loaded, apart.
pub(crate) fn apart(loaded: &[Loaded]) -> (Vec<ScanSource<'_>>, Vec<PointSource<'_>>) {
    let (mut scans, mut points) = (Vec::new(), Vec::new());
    for one in loaded {
        match one {
            Loaded::Scan { scan, sha256, part } => {
                scans.push(ScanSource { scan, sha256: sha256.clone(), part: part.clone() });
            }
            Loaded::Points { set, sha256 } => points.push(PointSource { set, sha256: sha256.clone() }),
        }
    }
    (scans, points)
}

/// Something of a file of points is not right.
pub(crate) fn refused_points(error: &PointsError) -> MeasureError {
    let failure = match error {
        PointsError::Stopped(_) => return MeasureError::Stopped,
        PointsError::TooMany { .. } | PointsError::TooLong { .. } => Failure::LimitExceeded,
        PointsError::Faults(_) => Failure::PointsUnreadable,
    };
    MeasureError::Failed { failure, reason: format!("the measured points: {error}") }
}

/// Something that was checked when it was kept is not right any more: a fault of the program.
pub(crate) fn internal(what: &str, fault: &impl std::fmt::Debug) -> MeasureError {
    tracing::error!(what, ?fault, "cannot be measured");
    MeasureError::Failed {
        failure: Failure::Internal,
        reason: format!("{what} cannot be used, which is a fault of the program; its log says more"),
    }
}

/// A file that is gone does not come back; anything else may pass.
fn missing_or_passing(what: &str, fault: &io::Error) -> MeasureError {
    match fault.kind() {
        io::ErrorKind::NotFound => internal(what, fault),
        _ => passing(what, fault),
    }
}

fn passing(what: &str, fault: &io::Error) -> MeasureError {
    tracing::warn!(what, %fault, "cannot be read for now");
    MeasureError::Passing { reason: format!("{what} cannot be read for now: {fault}") }
}

pub(crate) fn unreadable(error: &ReadError) -> MeasureError {
    let failure = match error {
        ReadError::Stopped(_) => return MeasureError::Stopped,
        ReadError::FileTooLarge { .. } | ReadError::UnpacksTooLarge { .. } | ReadError::TooMany { .. } => {
            Failure::LimitExceeded
        }
        _ => Failure::ScanUnreadable,
    };
    MeasureError::Failed { failure, reason: format!("the scan: {error}") }
}

pub(crate) fn unusable(error: &ScanError) -> MeasureError {
    let failure = match error {
        ScanError::Stopped(_) => return MeasureError::Stopped,
        // Kilometres from the origin: metres that were called millimetres do not look like that, but
        // micrometres called metres do.
        ScanError::TooFar { .. } | ScanError::UnitInFile { .. } => Failure::LengthUnit,
        ScanError::NoPoints | ScanError::Inconsistent { .. } => Failure::ScanUnreadable,
    };
    MeasureError::Failed { failure, reason: error.to_string() }
}

/// A stored file of points, and how it is read.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PointsFile<'a> {
    pub(crate) blob: &'a str,
    pub(crate) unit: LengthUnit,
    pub(crate) standard_mm: Option<f64>,
}

/// Measured points from a stored file; the inner `Err` is what is wrong with it.
pub(crate) fn points_of(
    service: &Service,
    run: &Run,
    file: &PointsFile,
) -> Result<Result<Vec<TakenPoint>, PointsError>, MeasureError> {
    let bytes = memory::length(service, "the points", file.blob)?;
    if bytes > points::LONGEST_FILE {
        return Ok(Err(PointsError::TooLong { bytes }));
    }
    let bytes = read_blob(service, file.blob)?;
    Ok(points::read(&bytes, file.unit, file.standard_mm, run))
}

fn read_blob(service: &Service, sha256: &str) -> Result<Vec<u8>, MeasureError> {
    let digest = Digest::parse(sha256).ok_or_else(|| internal("the scan's digest", &sha256))?;
    service.blobs.read(&digest, service.config.limits.file_bytes).map_err(|e| match e.kind() {
        io::ErrorKind::FileTooLarge => {
            MeasureError::Failed { failure: Failure::LimitExceeded, reason: format!("the scan: {e}") }
        }
        _ => missing_or_passing("the stored scan", &e),
    })
}
