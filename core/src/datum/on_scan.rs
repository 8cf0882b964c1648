//! Datum features and targets as a scan shows them.

use crate::associate::{AssociatedPlane, hole, plane, plane_of_face, sphere_of_radius};
use crate::geometry::{Cholesky, Direction, Point};
use crate::partition::{MeasuredPoint, Partition, Rim, Seen, turn_seen};
use crate::plan::{BoundFeature, DatumTarget};
use crate::run::{CHECK_EVERY, Run};

use super::targets::TargetMeasured;
use super::{DatumError, DatumInput, Hold, HoldKind, Measured};

/// Less of a datum plane than this is no datum: seen at one end it would tip (common practice, no source).
const PLANE_COVERAGE: f64 = 0.8;

/// Less than this of the turn of a datum hole, or of a flank of a slot, is no datum (common practice, no source).
const HOLE_COVERAGE: f64 = 0.5;

/// Fewer points on a pad, a flank or a ball do not tell noise from form.
const MIN_POINTS: usize = 6;

/// Less than this of the turn about a pad's middle is no pad: at the corner of a face a quarter is there, less a point's
/// width (common practice, no source).
const PAD_COVERAGE: f64 = 0.2;

/// Form repeats within about this length, so places closer together are no new evidence, mm (common practice, no
/// source).
const FORM_LENGTH_MM: f64 = 2.5;

/// Points of a ball lie within this of its surface, mm, where the best fit says it is: ten times what a best fit of a
/// warped part errs by.
const BALL_REACH_MM: f64 = 2.0;

/// What does not change from round to round.
pub(super) struct Extracts {
    /// Rims of the datum planes, by hold.
    rims: Vec<Option<Rim>>,
}

impl Extracts {
    pub(super) fn new(input: &DatumInput, holds: &[Hold]) -> Self {
        let rim = |h: &Hold| match h.kind {
            HoldKind::Plane { bound, .. } => Some(Rim::new(input.nominal, &bound.triangles)),
            _ => None,
        };
        Self { rims: holds.iter().map(rim).collect() }
    }

    /// Every hold at one alignment.
    pub(super) fn measure(
        &mut self,
        run: &Run,
        input: &DatumInput,
        holds: &[Hold],
        partition: &Partition,
    ) -> Result<Vec<Measured>, DatumError> {
        let mut normal: Option<Direction> = None;
        let mut all = Vec::with_capacity(holds.len());
        let placed = if holds.iter().any(|h| matches!(h.kind, HoldKind::Pad(_))) {
            partition.placed(input.scan).collect()
        } else {
            Vec::new()
        };
        for (hold, rim) in holds.iter().zip(&self.rims) {
            let found = match (&hold.kind, rim) {
                (HoldKind::Plane { bound, normal: facing }, Some(rim)) => {
                    let plane = on_plane(run, input, hold, bound, *facing, rim, partition)?;
                    normal = normal.or(Some(plane.normal));
                    of_plane(hold, &plane)
                }
                (HoldKind::Hole { bound, axis }, _) => {
                    // Square to the first datum, as the second and third datum of a system must be.
                    on_hole(input, hold, bound, normal.unwrap_or(*axis), partition)?
                }
                (HoldKind::Slot { bound, at, axis, along }, _) => {
                    on_slot(input, hold, bound, (*at, *axis, *along), partition)?
                }
                (HoldKind::Pad(pad), _) => on_pad(input, hold, pad, &placed)?,
                (HoldKind::Ball { at, diameter_mm, standard_mm }, _) => {
                    on_ball(run, input, hold, *at, *diameter_mm, *standard_mm, partition)?
                }
                (HoldKind::Plane { .. }, None) => return Err(missing(hold, "its rim is not known".into())),
            };
            all.push(found);
        }
        Ok(all)
    }
}

pub(super) fn missing(hold: &Hold, problem: String) -> DatumError {
    DatumError::Missing { letter: hold.letter.to_owned(), feature: hold.name.to_owned(), problem }
}

fn unseen(hold: &Hold, seen: f64, need: f64) -> DatumError {
    DatumError::Unseen {
        letter: hold.letter.to_owned(),
        feature: hold.name.to_owned(),
        percent: 100.0 * seen,
        need: 100.0 * need,
    }
}

fn picked(hold: &Hold, bound: &BoundFeature) -> Result<(), DatumError> {
    if bound.triangles.is_empty() {
        let problem = "it is placed by numbers and not picked on the nominal, so it takes measured points";
        return Err(missing(hold, problem.into()));
    }
    Ok(())
}

fn on_plane(
    run: &Run,
    input: &DatumInput,
    hold: &Hold,
    bound: &BoundFeature,
    facing: Direction,
    rim: &Rim,
    partition: &Partition,
) -> Result<AssociatedPlane, DatumError> {
    picked(hold, bound)?;
    let face = partition.feature(input.scan, input.nominal, &bound.triangles, rim);
    let seen = Seen::of_surface(
        run,
        input.nominal,
        &bound.triangles,
        rim,
        face.margin_mm,
        &face.points,
        face.spacing_mm,
    )?;
    if !(seen.fraction >= PLANE_COVERAGE) {
        return Err(unseen(hold, seen.fraction, PLANE_COVERAGE));
    }
    plane_of_face(&face.points, facing, input.cell_mm, input.noise_mm, seen.fraction).map_err(|cause| {
        DatumError::Fit { letter: hold.letter.to_owned(), feature: hold.name.to_owned(), cause }
    })
}

/// A plane under its three places. Its covariance (height, two slopes) is told to the rows through its Cholesky
/// factor: one independent error a column.
pub(super) fn of_plane(hold: &Hold, plane: &AssociatedPlane) -> Measured {
    let n = plane.normal.vector();
    let at: Vec<Point> =
        hold.targets.iter().map(|t| t.nominal - n * (t.nominal - plane.point).dot(&n)).collect();
    let coordinates = |p: &Point| {
        let d = p - plane.point;
        [1.0, d.dot(&plane.axes.0), d.dot(&plane.axes.1)]
    };
    let errors = columns(&plane.covariance)
        .into_iter()
        .map(|c| at.iter().map(|p| coordinates(p).iter().zip(&c).map(|(x, c)| x * c).sum()).collect())
        .collect();
    let targets = at
        .into_iter()
        .map(|point| TargetMeasured { point, normal: Some(plane.normal), standard_mm: 0.0 })
        .collect();
    Measured { targets, errors, residual_mm: Some(plane.residual_mm) }
}

/// Columns of the lower Cholesky factor; of a covariance that has none (no noise at all) none.
fn columns(covariance: &[[f64; 3]; 3]) -> Vec<[f64; 3]> {
    let Some(factor) = Cholesky::new(covariance) else { return Vec::new() };
    let lower = factor.lower();
    (0..3).map(|k| std::array::from_fn(|i| lower[i][k])).collect()
}

fn on_hole(
    input: &DatumInput,
    hold: &Hold,
    bound: &BoundFeature,
    axis: Direction,
    partition: &Partition,
) -> Result<Measured, DatumError> {
    picked(hold, bound)?;
    let found = hole(partition, input.scan, input.nominal, bound, axis, input.noise_mm).map_err(|cause| {
        DatumError::Hole { letter: hold.letter.to_owned(), feature: hold.name.to_owned(), cause }
    })?;
    if !(found.seen.fraction >= HOLE_COVERAGE) {
        return Err(unseen(hold, found.seen.fraction, HOLE_COVERAGE));
    }
    let covariance: [[f64; 3]; 3] =
        std::array::from_fn(|i| std::array::from_fn(|j| found.covariance[i][j] + found.sampling[i][j]));
    let (u, v) = found.across;
    let seen = |d: Direction, c: &[f64; 3]| d.vector().dot(&(u * c[0] + v * c[1]));
    let errors = columns(&covariance)
        .into_iter()
        .map(|c| hold.targets.iter().map(|t| seen(t.direction, &c)).collect())
        .collect();
    let one = TargetMeasured { point: found.centre, normal: None, standard_mm: 0.0 };
    Ok(Measured { targets: vec![one; hold.targets.len()], errors, residual_mm: None })
}

/// The middle between the flanks of a slot: the mean of the mean places of both, each fair to its length by equal
/// bins. What a flank's points scatter beyond the noise is its form, which is seen at as many places as its seen
/// length has.
fn on_slot(
    input: &DatumInput,
    hold: &Hold,
    bound: &BoundFeature,
    (at, axis, along): (Point, Direction, Direction),
    partition: &Partition,
) -> Result<Measured, DatumError> {
    picked(hold, bound)?;
    let across = axis.vector().cross(&along.vector());
    let mut member = vec![false; input.nominal.mesh().triangles().len()];
    for &t in &bound.triangles {
        member[t as usize] = true;
    }
    // Flanks face each other; ends face along the slot.
    let mut flanks: [Vec<(f64, f64)>; 2] = Default::default();
    let mut lengths: [(f64, f64); 2] = [(f64::INFINITY, f64::NEG_INFINITY); 2];
    let side = |n: Direction| {
        let facing = n.vector().dot(&across);
        // Within 18 degrees: round ends turn away quickly.
        (facing.abs() > 0.95).then_some(usize::from(facing > 0.0))
    };
    for &t in &bound.triangles {
        if let Some(s) = input.nominal.mesh().normal(t).and_then(side) {
            for corner in input.nominal.mesh().corners(t) {
                let x = (corner - at).dot(&along.vector());
                lengths[s] = (lengths[s].0.min(x), lengths[s].1.max(x));
            }
        }
    }
    for p in partition.placed(input.scan).filter(|p| member[p.triangle as usize]) {
        if let Some(s) = input.nominal.mesh().normal(p.triangle).and_then(side) {
            let d = p.point - at;
            flanks[s].push((d.dot(&along.vector()), d.dot(&across)));
        }
    }
    let mut middle = 0.0;
    let mut variance = 0.0;
    for (points, (low, high)) in flanks.iter().zip(lengths) {
        if points.len() < MIN_POINTS {
            let problem = format!(
                "only {} points lie on a flank of the slot, at least {MIN_POINTS} are needed: scan it from a slant",
                points.len()
            );
            return Err(missing(hold, problem));
        }
        let bin = (2.0 * input.scan.spacing_mm()).max(1e-3);
        let count = (((high - low) / bin).ceil() as usize).clamp(1, 10_000);
        let mut bins = vec![(0.0, 0usize); count];
        for (x, y) in points {
            let i = ((x - low) / (high - low) * count as f64).max(0.0) as usize;
            let b = &mut bins[i.min(count - 1)];
            *b = (b.0 + y, b.1 + 1);
        }
        let filled: Vec<&(f64, usize)> = bins.iter().filter(|b| b.1 > 0).collect();
        let seen = filled.len() as f64 / count as f64;
        if !(seen >= HOLE_COVERAGE) {
            return Err(unseen(hold, seen, HOLE_COVERAGE));
        }
        let n = filled.len() as f64;
        middle += 0.5 * filled.iter().map(|b| b.0 / b.1 as f64).sum::<f64>() / n;
        let noise = filled.iter().map(|b| 1.0 / b.1 as f64).sum::<f64>() / (n * n);
        let count = points.len() as f64;
        let mean = points.iter().map(|p| p.1).sum::<f64>() / count;
        let square: f64 = points.iter().map(|p| (p.1 - mean) * (p.1 - mean)).sum();
        let form = (square / (count - 1.0) - input.noise_mm * input.noise_mm).max(0.0);
        let places = (seen * (high - low) / FORM_LENGTH_MM).max(1.0);
        variance += 0.25 * (input.noise_mm * input.noise_mm * noise + form / places);
    }
    let point = at + across * middle;
    let one = TargetMeasured { point, normal: None, standard_mm: variance.sqrt() };
    Ok(Measured { targets: vec![one; hold.targets.len()], errors: Vec::new(), residual_mm: None })
}

/// A pad: the least-squares plane of the points over it, which faces as the pad does, told under the target with the
/// uncertainty that it has there.
fn on_pad(
    input: &DatumInput,
    hold: &Hold,
    pad: &DatumTarget,
    placed: &[MeasuredPoint],
) -> Result<Measured, DatumError> {
    let Some(radius) = pad.patch_radius_mm else {
        return Err(missing(hold, "it has no `patch_radius_mm`, which a scan needs; write one".into()));
    };
    let d = pad.direction.vector();
    let (over, indices): (Vec<Point>, Vec<u32>) = placed
        .iter()
        .filter(|p| {
            let off = p.point - pad.at;
            let along = off.dot(&d);
            let facing = input.nominal.mesh().normal(p.triangle).is_some_and(|n| n.dot(pad.direction) > 0.5);
            facing && along.abs() <= radius + input.settings.reach_mm && (off - d * along).norm() <= radius
        })
        .map(|p| (p.point, p.index))
        .unzip();
    if over.len() < MIN_POINTS {
        let problem = format!(
            "only {} points of the scan lie on its pad of {radius} mm radius, at least {MIN_POINTS} are needed",
            over.len()
        );
        return Err(missing(hold, problem));
    }
    let fit = plane(&over)
        .map_err(|cause| DatumError::Fit {
            letter: hold.letter.to_owned(),
            feature: hold.name.to_owned(),
            cause,
        })?
        .facing(pad.direction);
    let spacing_mm = input.scan.spacing_among(indices.into_iter());
    let seen = turn_seen(&over, pad.at, pad.direction, radius, spacing_mm);
    if !(seen.fraction >= PAD_COVERAGE) {
        return Err(unseen(hold, seen.fraction, PAD_COVERAGE));
    }
    // The mean of the pad; a scan of a pad at a rim may have its middle aside, so it is told under the target.
    let n = fit.normal.vector();
    let cosine = n.dot(&d);
    let point = if cosine.abs() > 0.1 {
        pad.at + d * ((fit.centroid - pad.at).dot(&n) / cosine)
    } else {
        fit.centroid
    };
    // Of the plane under the target, not of the points' mean: a pad whose points lie to one side is extrapolated.
    let unit = fit.unit_variance_at(&point);
    let count = over.len() as f64;
    // Form within the pad is seen at as many places as 2.5 mm apart, and is extrapolated as noise is.
    let form = (fit.rms_mm * fit.rms_mm * count / (count - 3.0) - input.noise_mm * input.noise_mm).max(0.0);
    let apart = (radius * radius / (FORM_LENGTH_MM * FORM_LENGTH_MM)).clamp(1.0, count);
    let standard_mm = (unit * (input.noise_mm * input.noise_mm + form * count / apart)).sqrt();
    let one = TargetMeasured { point, normal: Some(fit.normal), standard_mm };
    Ok(Measured { targets: vec![one; hold.targets.len()], errors: Vec::new(), residual_mm: None })
}

/// A ball of a fixture: the scan's points near its surface, by least squares at its known radius.
fn on_ball(
    run: &Run,
    input: &DatumInput,
    hold: &Hold,
    at: Point,
    diameter_mm: Option<f64>,
    fixture_mm: f64,
    partition: &Partition,
) -> Result<Measured, DatumError> {
    let Some(diameter) = diameter_mm else {
        return Err(missing(hold, "it is a point, which a scan does not show: measure it by points".into()));
    };
    let radius = 0.5 * diameter;
    let motion = &partition.part_from_scan;
    let mut near = Vec::new();
    for (i, p) in input.scan.points().iter().enumerate() {
        if i % CHECK_EVERY == 0 {
            run.check()?;
        }
        let p = motion.point(p);
        if ((p - at).norm() - radius).abs() <= BALL_REACH_MM {
            near.push(p);
        }
    }
    // Twice: the second time only what lies on the ball that was found.
    let mut fit = None;
    for round in 0..3 {
        if near.len() < MIN_POINTS {
            let problem = format!(
                "only {} points of the scan lie on its ball, at least {MIN_POINTS} are needed",
                near.len()
            );
            return Err(missing(hold, problem));
        }
        let found = sphere_of_radius(&near, radius).map_err(|cause| DatumError::Fit {
            letter: hold.letter.to_owned(),
            feature: hold.name.to_owned(),
            cause,
        })?;
        let reach = (5.0 * input.noise_mm).max(0.02);
        if round < 2 {
            near.retain(|p| {
                ((p - found.centre).norm() - radius).abs() <= reach * if round == 0 { 5.0 } else { 1.0 }
            });
        }
        fit = Some(found);
    }
    let Some(fit) = fit else { return Err(missing(hold, "it was not fitted".into())) };
    let worst = (0..3).map(|i| fit.unit_covariance[i][i]).fold(0.0, f64::max);
    // Scaled by Birge's ratio where the ball's points scatter more than the scan's noise.
    let noise = fit.noise_mm().map_or(input.noise_mm, |seen| seen.max(input.noise_mm));
    let standard_mm = (worst * noise * noise + fixture_mm * fixture_mm).sqrt();
    let one = TargetMeasured { point: fit.centre, normal: None, standard_mm };
    Ok(Measured { targets: vec![one; hold.targets.len()], errors: Vec::new(), residual_mm: None })
}
