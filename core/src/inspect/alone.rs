//! How one part lies in a scan, asked by itself.

use super::{InspectError, Job, scanned};
use crate::datum::DatumTaken;
use crate::geometry::{Motion, PartFrame, Point, ScanFrame, Vector, symmetric_eigen};
use crate::plan::Characteristic;
use crate::run::Run;
use crate::uncertainty::Inputs;

/// How a part lies in its scans.
#[derive(Clone, Debug, PartialEq)]
pub struct Aligned {
    /// Takes the (first) scan's coordinates to part coordinates: on the datum system that was asked for, else by
    /// best fit.
    pub part_from_scan: Motion<PartFrame, ScanFrame>,
    /// By best fit on the surface.
    pub best_fit: Motion<PartFrame, ScanFrame>,
    /// Root mean square distance of the points used in the best fit, mm.
    pub rms_mm: f64,
    /// Points used in it.
    pub points: u64,
    /// How it ended, one word.
    pub stop: String,
    /// Estimated standard deviation of the point noise, mm.
    pub noise_mm: f64,
    /// Standard uncertainty of the best fit from noise alone: turns about x, y, z, rad, and shifts along x, y, z, mm,
    /// about `centre`.
    pub standard_uncertainty: [f64; 6],
    /// The part's middle, about which they are told, mm.
    pub centre: Point,
    /// Motions that the scan hardly holds, in words.
    pub weak_directions: Vec<String>,
    /// The datums of the system asked for.
    pub datums: Vec<DatumTaken>,
    /// What must be known before relying on it.
    pub cautions: Vec<String>,
}

/// Why it is not known.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AlignedError {
    /// As an inspection ends without a record.
    #[error(transparent)]
    Inspect(#[from] InspectError),
    /// The scan could not be located or aligned, or the datum system not be taken up.
    #[error("{0}")]
    Because(String),
}

/// A motion is weak when noise moves the part along it this many times further than along its best held one: on a
/// part that is a plane or a cylinder it slides without end (common practice, no source).
const WEAK: f64 = 30.0;

/// Aligns the scans of a job, and puts them onto one datum system of its plan if one is named by its index.
///
/// # Errors
/// Those of an inspection, and why the part's place is not known.
pub fn align(run: &Run, job: &Job, datum_system: Option<usize>) -> Result<Aligned, AlignedError> {
    let wanted: Vec<&Characteristic> = job.plan.characteristics.iter().collect();
    let systems: Vec<usize> = datum_system.into_iter().collect();
    let scanned = scanned::Scanned::new(run, job, &wanted, &systems, &Inputs::default())?;
    let cautions = scanned.cautions(job);
    let on = match &scanned {
        scanned::Scanned::On(on) => on,
        scanned::Scanned::Not { reason, .. } => return Err(AlignedError::Because(reason.clone())),
    };
    let (part_from_scan, datums) = match datum_system.map(|d| on.systems.get(d)) {
        None => (on.fit.part_from_scan, Vec::new()),
        Some(Some(Some(Ok(taken)))) => (taken.part_from_scan, taken.datums.clone()),
        Some(Some(Some(Err(error)))) => return Err(AlignedError::Because(error.to_string())),
        Some(_) => return Err(AlignedError::Because("the plan has no such datum system".into())),
    };
    let reach = 0.5 * job.nominal.map_or(1.0, |n| n.mesh().bounds().diagonal()).max(1e-9);
    let variance = on.noise_mm * on.noise_mm;
    let unit = &on.fit.unit_covariance;
    Ok(Aligned {
        part_from_scan,
        best_fit: on.fit.part_from_scan,
        rms_mm: on.fit.rms_mm,
        points: on.fit.points_used as u64,
        stop: on.fit.stop.word().into(),
        noise_mm: on.noise_mm,
        standard_uncertainty: std::array::from_fn(|i| (unit[i][i] * variance).max(0.0).sqrt()),
        centre: on.fit.centre,
        weak_directions: weak(unit, reach),
        datums,
        cautions,
    })
}

/// Motions with far more uncertainty than the best held one; turns count by what they move at the part's corners.
fn weak(unit: &[[f64; 6]; 6], reach_mm: f64) -> Vec<String> {
    let scale = |i: usize| if i < 3 { reach_mm } else { 1.0 };
    let scaled: [[f64; 6]; 6] =
        std::array::from_fn(|i| std::array::from_fn(|j| unit[i][j] * scale(i) * scale(j)));
    let (values, vectors) = symmetric_eigen(&scaled);
    let least = values[0].max(0.0).sqrt();
    let mut found = Vec::new();
    for (value, vector) in values.iter().zip(&vectors) {
        if !(value.max(0.0).sqrt() > WEAK * least) {
            continue;
        }
        let turn = Vector::new(vector[0], vector[1], vector[2]);
        let shift = Vector::new(vector[3], vector[4], vector[5]);
        let told = |v: Vector| {
            let n = v / v.norm();
            format!("({:.2}, {:.2}, {:.2})", n.x, n.y, n.z)
        };
        found.push(if turn.norm() > shift.norm() {
            format!("turn about {}", told(turn))
        } else {
            format!("shift along {}", told(shift))
        });
    }
    found
}
