//! A pad on a scan.

use super::{FORM_LENGTH_MM, MIN_POINTS, missing, unseen};
use crate::associate::{FitError, plane};
use crate::datum::targets::TargetMeasured;
use crate::datum::{DatumError, DatumInput, Hold, Measured};
use crate::filter::left_over;
use crate::geometry::{Direction, Point};
use crate::partition::{Flattened, MeasuredPoint, flattened, turn_seen};
use crate::plan::DatumTarget;

/// Less than this of the turn about a pad's middle is no pad: at the corner of a face a quarter is there, less a point's
/// width (common practice, no source).
const PAD_COVERAGE: f64 = 0.2;

/// A pad: the least-squares plane of the deviations of the points over it (of the places themselves it would lie
/// below the top of a curved face), told under the target with the uncertainty that it has there.
pub(super) fn on_pad(
    input: &DatumInput,
    hold: &Hold,
    pad: &DatumTarget,
    (placed, sure): (&[MeasuredPoint], bool),
) -> Result<Measured, DatumError> {
    let Some(radius) = pad.patch_radius_mm else {
        return Err(missing(hold, "it has no `patch_radius_mm`, which a scan needs; write one".into()));
    };
    let d = pad.direction.vector();
    let over: Vec<MeasuredPoint> = placed
        .iter()
        .filter(|p| {
            let off = p.point - pad.at;
            let along = off.dot(&d);
            let facing = input.nominal.mesh().normal(p.triangle).is_some_and(|n| n.dot(pad.direction) > 0.5);
            facing && along.abs() <= radius + input.settings.reach_mm && (off - d * along).norm() <= radius
        })
        .copied()
        .collect();
    if over.len() < MIN_POINTS {
        let problem = format!(
            "only {} points of the scan lie on its pad of {radius} mm radius, at least {MIN_POINTS} are needed",
            over.len()
        );
        return Err(missing(hold, problem));
    }
    let spacing_mm = input.scan.spacing_among(over.iter().map(|p| p.index));
    let places: Vec<Point> = over.iter().map(|p| p.point).collect();
    let seen = turn_seen(&places, pad.at, pad.direction, radius, spacing_mm);
    if !(seen.fraction >= PAD_COVERAGE) {
        return Err(unseen(hold, seen.fraction, PAD_COVERAGE));
    }
    let reach_mm = radius + input.settings.reach_mm;
    let Some(flat) = flattened(input.nominal, pad.at, pad.direction, reach_mm, &over) else {
        return Err(missing(hold, "the nominal does not lie under its pad".into()));
    };
    let across = pad.direction.frame();
    let at = |i: usize| {
        let off = flat.points[i] - pad.at;
        (flat.points[i], flat.normal.vector(), [1.0, off.dot(&across.0), off.dot(&across.1)])
    };
    let shared = if sure { left_over(input.correlated, flat.points.len(), at) } else { 0.0 };
    let one = under(&flat, pad.at, pad.direction, radius, (input.noise_mm, shared)).map_err(|cause| {
        DatumError::Fit { letter: hold.letter.to_owned(), feature: hold.name.to_owned(), cause }
    })?;
    Ok(Measured::of(vec![one; hold.targets.len()]))
}

/// The plane of the points over a pad, four or more, under its middle `at`: a scan of a pad at a rim may have its
/// middle aside, and is as much less certain there as the plane is extrapolated. `shared` is the variance that noise of
/// neighbouring points leaves over about the plane, which is no form.
fn under(
    over: &Flattened,
    at: Point,
    direction: Direction,
    radius_mm: f64,
    (noise_mm, shared): (f64, f64),
) -> Result<TargetMeasured, FitError> {
    let noise_mm = noise_mm * over.steepness;
    let fit = plane(&over.points)?.facing(direction);
    let d = direction.vector();
    let n = fit.normal.vector();
    let cosine = n.dot(&d);
    let point =
        if cosine.abs() > 0.1 { at + d * ((fit.centroid - at).dot(&n) / cosine) } else { fit.centroid };
    let unit = fit.unit_variance_at(&point);
    let count = over.points.len() as f64;
    // Form within the pad is seen at as many places as 2.5 mm apart, and is extrapolated as noise is.
    let seen = fit.noise_mm().unwrap_or(fit.rms_mm);
    let form = (seen * seen - noise_mm * noise_mm - shared).max(0.0);
    let apart = (radius_mm * radius_mm / (FORM_LENGTH_MM * FORM_LENGTH_MM)).clamp(1.0, count);
    let standard_mm = (unit * (noise_mm * noise_mm + form * count / apart)).sqrt();
    Ok(TargetMeasured { point, normal: Some(over.normal), standard_mm })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    /// Points on one side of a pad only, as at the rim of a face: what is told under its middle scatters as said.
    #[test]
    fn a_pad_seen_on_one_side_is_as_uncertain_as_it_scatters() {
        let mut random = Random::seeded(5);
        for (from, to) in [(-5.0, 5.0), (1.0, 5.0), (3.0, 5.0)] {
            let (mut square, mut told) = (0.0, 0.0);
            let runs = 400;
            for _ in 0..runs {
                let over: Vec<Point> = (0..40)
                    .map(|_| {
                        Point::new(random.range(from, to), random.range(-3.0, 3.0), 0.02 * random.normal())
                    })
                    .collect();
                let over = Flattened { points: over, steepness: 1.0, normal: Direction::Z };
                let one = under(&over, Point::origin(), Direction::Z, 5.0, (0.02, 0.0)).unwrap();
                square += one.point.z * one.point.z;
                told += one.standard_mm * one.standard_mm;
            }
            // The mean of 40 points alone would say 0.0032 mm, seven times too little for the last. What form noise
            // feigns makes it somewhat larger than it is, never smaller.
            let ratio = (square / told).sqrt();
            assert!((0.6..1.1).contains(&ratio), "from {from}: {ratio}");
        }
    }
}
