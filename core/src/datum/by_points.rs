//! Datum features and targets as points show them that an arm, a measuring machine or a hand took.

use crate::associate::{AssociatedPlane, circle, plane, sphere_of_radius};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame};
use crate::plan::{DatumSystem, FaceMap, Plan};
use crate::points::{PointSet, Role, TakenPoint};

use super::holds::{Hold, HoldKind, holds};
use super::on_scan::{missing, of_plane};
use super::targets::{TargetMeasured, solve};
use super::{DatumError, DatumTaken, Measured, covariance, named, start, taken};

/// Points aligned on the datums.
#[derive(Clone, Debug, PartialEq)]
pub struct PointDatums {
    /// Takes the points' coordinates to part coordinates.
    pub part_from_points: Motion<PartFrame, ScanFrame>,
    /// Point about which `covariance` turns, mm.
    pub centre: Point,
    /// Covariance of (turn about x, y, z, rad; shift along x, y, z, mm) from the points' stated uncertainty; `None`
    /// when one of them states none.
    pub covariance: Option<[[f64; 6]; 6]>,
    /// Every datum and target.
    pub datums: Vec<DatumTaken>,
    /// Rounds until it rested.
    pub rounds: u32,
}

/// Rounds after which points that still move have no datum system.
const MOST_ROUNDS: u32 = 50;

/// The part rests when a round moves no datum by more than this, mm.
const STILL_MM: f64 = 1e-10;

/// Establishes a datum system on points in the instrument's axes.
///
/// # Errors
/// A datum or target without points, points that do not determine it, datums that leave the part free.
pub fn establish_by_points(
    set: &PointSet,
    system: &DatumSystem,
    plan: &Plan,
    faces: &FaceMap,
) -> Result<PointDatums, DatumError> {
    let holds = holds(system, plan, faces).ok_or_else(|| DatumError::WrongFaces { id: system.id.clone() })?;
    let nominal: Vec<_> = holds.iter().flat_map(|h| h.targets.iter().cloned()).collect();
    let of: Vec<Vec<&TakenPoint>> =
        holds.iter().map(|h| set.points.iter().filter(|p| p.name == h.name).collect()).collect();
    for (hold, points) in holds.iter().zip(&of) {
        if points.is_empty() {
            return Err(missing(
                hold,
                "no point of it was taken; take it, or give points in the part's axes".into(),
            ));
        }
    }
    let mut pose = start::of_points(set, system, &holds, plan, faces)?;
    let mut moved_mm = f64::INFINITY;
    for round in 1..=MOST_ROUNDS {
        // Holes square to the first plane, and sides of planes, follow from the pose.
        let mut normal = None;
        let mut measured = Vec::with_capacity(holds.len());
        for (hold, points) in holds.iter().zip(&of) {
            let found = one(hold, points, &pose, normal)?;
            if let HoldKind::Plane { .. } = hold.kind {
                normal = normal.or(found.targets[0].normal);
            }
            measured.push(found);
        }
        let back = pose.inverse();
        let told: Vec<TargetMeasured> = measured
            .iter()
            .flat_map(|m| &m.targets)
            .map(|t| TargetMeasured {
                point: back.point(&t.point),
                normal: t.normal.map(|n| back.direction(n)),
                standard_mm: t.standard_mm,
            })
            .collect();
        let solved = solve(&nominal, &told, pose)
            .map_err(|cause| DatumError::Targets { id: system.id.clone(), cause: named(cause, &holds) })?;
        let step = solved.part_from_scan * back;
        moved_mm = nominal.iter().map(|t| (step.point(&t.nominal) - t.nominal).norm()).fold(0.0, f64::max);
        pose = solved.part_from_scan;
        let size = nominal.iter().map(|t| t.nominal.coords.amax()).fold(1.0, f64::max);
        if moved_mm < STILL_MM.max(1e-14 * size) {
            let known = of.iter().flatten().all(|p| p.standard_mm.is_some());
            return Ok(PointDatums {
                part_from_points: pose,
                centre: solved.centre,
                covariance: known.then(|| covariance(&solved, &holds, &measured)),
                datums: taken(&solved, &holds, &measured),
                rounds: round,
            });
        }
    }
    Err(DatumError::NotSettled { id: system.id.clone(), rounds: MOST_ROUNDS, moved_mm })
}

/// One hold at one pose. Where no uncertainty is stated it counts as none here, and is told as unknown.
fn one(
    hold: &Hold,
    taken: &[&TakenPoint],
    pose: &Motion<PartFrame, ScanFrame>,
    normal: Option<Direction>,
) -> Result<Measured, DatumError> {
    let fit =
        |cause| DatumError::Fit { letter: hold.letter.to_owned(), feature: hold.name.to_owned(), cause };
    let standard = taken.iter().filter_map(|p| p.standard_mm).fold(0.0, f64::max);
    let points: Vec<Point> = taken.iter().map(|p| pose.point(&p.point)).collect();
    let same = |point: Point, normal: Option<Direction>, standard_mm: f64| Measured {
        targets: vec![TargetMeasured { point, normal, standard_mm }; hold.targets.len()],
        errors: Vec::new(),
        residual_mm: None,
    };
    let centre = taken.iter().position(|p| p.role == Role::Centre).map(|i| points[i]);
    Ok(match &hold.kind {
        HoldKind::Plane { normal: facing, .. } => {
            let found = plane(&points).map_err(fit)?.facing(*facing);
            let [a, b] = found.along;
            let associated = AssociatedPlane {
                point: found.centroid,
                normal: found.normal,
                axes: (a.vector(), b.vector()),
                covariance: found.unit_covariance.map(|row| row.map(|c| c * standard * standard)),
                residual_mm: found.high.0.max(-found.low.0),
                cells: points.len(),
            };
            of_plane(hold, &associated)
        }
        HoldKind::Hole { axis, .. } => match centre {
            Some(centre) => same(centre, None, standard),
            None => {
                let found = circle(&points, normal.unwrap_or(*axis)).map_err(fit)?;
                let worst = found.unit_covariance[0][0].max(found.unit_covariance[1][1]).max(0.0);
                same(found.centre, None, standard * worst.sqrt())
            }
        },
        HoldKind::Slot { at, axis, along, .. } => match centre {
            Some(centre) => same(centre, None, standard),
            None => {
                let across = axis.vector().cross(&along.vector());
                let offs: Vec<f64> = points.iter().map(|p| (p - at).dot(&across)).collect();
                // The widest gap between neighbours parts one flank from the other.
                let mut sorted = offs.clone();
                sorted.sort_unstable_by(f64::total_cmp);
                let cut = sorted
                    .windows(2)
                    .map(|w| (w[1] - w[0], 0.5 * (w[0] + w[1])))
                    .max_by(|a, b| a.0.total_cmp(&b.0));
                let Some((_, cut)) = cut else {
                    return Err(missing(
                        hold,
                        "one point does not tell a slot's middle; take both flanks".into(),
                    ));
                };
                let mean = |side: bool| {
                    let on: Vec<f64> = offs.iter().copied().filter(|o| (*o > cut) == side).collect();
                    (on.iter().sum::<f64>() / on.len() as f64, on.len() as f64)
                };
                let ((low, n), (high, m)) = (mean(false), mean(true));
                same(at + across * (0.5 * (low + high)), None, 0.5 * standard * (1.0 / n + 1.0 / m).sqrt())
            }
        },
        HoldKind::Pad(_) => {
            let normal = taken[0].normal.map(|n| pose.direction(n));
            same(points[0], normal, standard)
        }
        HoldKind::Ball { diameter_mm, standard_mm, .. } => {
            let combined = |own: f64| (own * own + standard_mm * standard_mm).sqrt();
            match (centre, diameter_mm) {
                (Some(centre), _) => same(centre, None, combined(standard)),
                (None, None) if points.len() == 1 => same(points[0], None, combined(standard)),
                (None, Some(diameter)) => {
                    let found = sphere_of_radius(&points, 0.5 * diameter).map_err(fit)?;
                    let worst = (0..3).map(|i| found.unit_covariance[i][i]).fold(0.0, f64::max);
                    same(found.centre, None, combined(standard * worst.sqrt()))
                }
                (None, None) => {
                    return Err(missing(
                        hold,
                        format!("{} points were taken of a point; leave one", points.len()),
                    ));
                }
            }
        }
    })
}
