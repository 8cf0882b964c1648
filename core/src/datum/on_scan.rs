//! Datum features and targets as a scan shows them.

use crate::associate::{AssociatedPlane, hole, plane_of_face, sphere_of_radius};
use crate::geometry::{Cholesky, Direction, Point};
use crate::partition::{Partition, Rim, Seen, spread};
use crate::plan::BoundFeature;
use crate::run::{CHECK_EVERY, Run};

pub(super) mod features;
mod line;
mod pad;
mod slot;

use super::targets::TargetMeasured;
use super::{DatumError, DatumInput, Hold, HoldKind, Measured};
use features::on_features;
use line::on_line;
use pad::on_pad;
use slot::on_slot;

/// Less of a datum plane than this is no datum: seen at one end it would tip (common practice, no source).
pub(super) const PLANE_COVERAGE: f64 = 0.8;

/// Less than this of the turn of a datum hole, or of a flank of a slot, is no datum (common practice, no source).
pub(super) const HOLE_COVERAGE: f64 = 0.5;

/// Most places that tell the area of a plane's cells.
const MOST_PLACES: f64 = 100_000.0;

/// Fewer points on a pad, a flank or a ball do not tell noise from form.
const MIN_POINTS: usize = 6;

/// Form repeats within about this length, so places closer together are no new evidence, mm (common practice, no
/// source).
pub(super) const FORM_LENGTH_MM: f64 = 2.5;

/// Points of a ball lie within this of its surface, mm, where the best fit says it is: ten times what a best fit of a
/// warped part errs by.
const BALL_REACH_MM: f64 = 2.0;

/// What does not change from round to round.
pub(super) struct Extracts {
    /// Rims of the faces of each hold; `None` for a face that has another border.
    rims: Vec<Vec<Option<Rim>>>,
}

impl Extracts {
    pub(super) fn new(input: &DatumInput, holds: &[Hold]) -> Self {
        let rims = |h: &Hold| match &h.kind {
            HoldKind::Plane { bound, .. } => vec![Some(Rim::new(input.nominal, &bound.triangles))],
            HoldKind::Features(features) => features.rims(input.nominal),
            _ => Vec::new(),
        };
        Self { rims: holds.iter().map(rims).collect() }
    }

    /// Every hold at one alignment; `sure` where the part rests and all of the uncertainty is wanted.
    pub(super) fn measure(
        &mut self,
        run: &Run,
        input: &DatumInput,
        holds: &[Hold],
        partition: &Partition,
        sure: bool,
    ) -> Result<Vec<Measured>, DatumError> {
        let mut normal: Option<Direction> = None;
        let mut all = Vec::with_capacity(holds.len());
        let placed = if holds.iter().any(|h| matches!(h.kind, HoldKind::Pad(_))) {
            partition.placed(input.scan).collect()
        } else {
            Vec::new()
        };
        for (hold, rims) in holds.iter().zip(&self.rims) {
            let found = match (&hold.kind, rims.first().and_then(Option::as_ref)) {
                (HoldKind::Plane { bound, normal: facing }, Some(rim)) => {
                    let plane = on_plane(run, input, hold, bound, *facing, rim, partition)?;
                    normal = normal.or(Some(plane.normal));
                    of_plane(hold, &plane)
                }
                (HoldKind::Hole { bound, axis }, _) => {
                    // Square to the first datum, as the second and third datum of a system must be.
                    on_hole(input, hold, bound, normal.unwrap_or(*axis), (partition, sure))?
                }
                (HoldKind::Slot { bound, at, axis, along }, _) => {
                    on_slot(input, hold, bound, (*at, *axis, *along), (partition, sure))?
                }
                (HoldKind::Features(features), _) => {
                    on_features(run, input, hold, (features, rims), partition, sure)?
                }
                (HoldKind::Pad(pad), _) if pad.line_to.is_some() => on_line(input, hold, pad, &placed)?,
                (HoldKind::Pad(pad), _) => on_pad(input, hold, pad, (&placed, sure))?,
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
    lacking((hold.letter, &hold.name), problem)
}

/// The letter of a datum and what it is taken from.
pub(super) type Who<'a> = (&'a str, &'a str);

pub(super) fn lacking((letter, feature): Who, problem: String) -> DatumError {
    DatumError::Missing { letter: letter.to_owned(), feature: feature.to_owned(), problem }
}

fn unseen(hold: &Hold, seen: f64, need: f64) -> DatumError {
    too_little((hold.letter, &hold.name), seen, need)
}

pub(super) fn too_little((letter, feature): Who, seen: f64, need: f64) -> DatumError {
    DatumError::Unseen {
        letter: letter.to_owned(),
        feature: feature.to_owned(),
        percent: 100.0 * seen,
        need: 100.0 * need,
    }
}

fn picked(hold: &Hold, bound: &BoundFeature) -> Result<(), DatumError> {
    picked_of((hold.letter, &hold.name), bound)
}

fn picked_of(who: Who, bound: &BoundFeature) -> Result<(), DatumError> {
    if bound.triangles.is_empty() {
        let problem = "it is placed by numbers and not picked on the nominal, so it takes measured points";
        return Err(lacking(who, problem.into()));
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
    // Sixty-four to a cell, and not more than tell its area.
    let pitch_mm = (input.cell_mm / 8.0).max((bound.area_mm2 / MOST_PLACES).sqrt());
    let places: Vec<_> =
        spread(input.nominal, &bound.triangles, pitch_mm).into_iter().map(|p| p.at).collect();
    let fitted = plane_of_face(&face.points, &places, facing, input.cell_mm, input.noise_mm, seen.fraction);
    fitted.map_err(|cause| DatumError::Fit {
        letter: hold.letter.to_owned(),
        feature: hold.name.to_owned(),
        cause,
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
    Measured { targets, errors, residual_mm: Some(plane.residual_mm), left_mm: Vec::new() }
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
    (partition, sure): (&Partition, bool),
) -> Result<Measured, DatumError> {
    picked(hold, bound)?;
    let mut found =
        hole(partition, input.scan, input.nominal, bound, axis, input.noise_mm).map_err(|cause| {
            DatumError::Hole { letter: hold.letter.to_owned(), feature: hold.name.to_owned(), cause }
        })?;
    if !(found.seen.fraction >= HOLE_COVERAGE) {
        return Err(unseen(hold, found.seen.fraction, HOLE_COVERAGE));
    }
    if sure {
        found = found.without_shared(input.correlated);
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
    Ok(Measured { targets: vec![one; hold.targets.len()], errors, residual_mm: None, left_mm: Vec::new() })
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
        let p = motion.point(&p);
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
    Ok(Measured::of(vec![one; hold.targets.len()]))
}
