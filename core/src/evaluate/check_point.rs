//! A named check point on a scan: the mean plane of the deviations of a small patch, told along the point's
//! direction.

use crate::associate::plane;
use crate::conformity::decide;
use crate::filter::{Draws, REHEARSALS, SharedNoise, left_over};
use crate::geometry::{Direction, Point};
use crate::partition::{MeasuredPoint, flattened, turn_seen};
use crate::plan::PointOn;
use crate::record::{Components, Evaluation, Extreme, Interval};
use crate::run::{CHECK_EVERY, Stopped};
use crate::uncertainty::{Budget, Source, of_motion};

use super::patch_form::PatchForm;
use super::sight::Sight;
use super::{Outcome, Subject, effects, place, settle};

/// Fewer points in a patch do not tell its plane from its noise.
const MIN_POINTS: usize = 6;

/// The deviation at `at` along `direction`.
pub(super) fn evaluate(
    subject: &Subject,
    at: Point,
    direction: Direction,
    on: PointOn,
    patch_radius_mm: Option<f64>,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    let refuse = |evaluation: &mut Evaluation, reason: String| {
        evaluation.reason = reason;
        Ok(())
    };
    if on == PointOn::TrimEdge {
        let reason =
            "a point on a trimmed edge is not taken from scans in this version; give measured points";
        return refuse(evaluation, reason.into());
    }
    let Some(radius) = patch_radius_mm else {
        let reason =
            "the check point has no `patch_radius_mm`, which a scan needs, and no point of it was given";
        return refuse(evaluation, reason.into());
    };
    let Some(datums) = subject.datums else {
        return refuse(evaluation, "a surface profile needs a datum system".into());
    };
    let context = subject.context;
    let d = direction.vector();
    let mut patch: Vec<MeasuredPoint> = Vec::new();
    for (i, p) in subject.partition.placed(context.scan).enumerate() {
        if i % CHECK_EVERY == 0 {
            context.run.check()?;
        }
        let off = p.point - at;
        let along = off.dot(&d);
        let facing = context.nominal.mesh().normal(p.triangle).is_some_and(|n| n.dot(direction) > 0.5);
        // The nominal under the point is taken with it, so another skin behind it is not.
        if facing && (off - d * along).norm() <= radius && (along - p.deviation_mm).abs() <= radius {
            patch.push(p);
        }
    }
    evaluation.measured_by = "scan".into();
    evaluation.operators.insert("patch_radius_mm".into(), format!("{radius}"));
    evaluation.operators.insert(
        "value".into(),
        "least-squares plane of the patch's deviations, along the point's direction".into(),
    );
    if patch.len() < MIN_POINTS {
        let reason = format!(
            "only {} points of the scan lie within {radius} mm of the check point, at least {MIN_POINTS} are needed",
            patch.len()
        );
        return refuse(evaluation, reason);
    }
    let Some(flat) = flattened(context.nominal, at, direction, radius, &patch) else {
        let reason =
            format!("the nominal does not lie within {radius} mm of the check point along its direction");
        return refuse(evaluation, reason);
    };
    let fit = match plane(&flat.points) {
        Ok(fit) => fit.facing(direction),
        Err(error) => return refuse(evaluation, error.to_string()),
    };
    let cosine = fit.normal.dot(direction);
    if !(cosine > 0.5) {
        let reason = "the surface seen there does not face as the check point does".into();
        return refuse(evaluation, reason);
    }
    let spacing_mm = context.scan.spacing_among(patch.iter().map(|p| p.index));
    let places: Vec<Point> = patch.iter().map(|p| p.point).collect();
    let seen = turn_seen(&places, at, direction, radius, spacing_mm);
    let area_mm2 = std::f64::consts::PI * radius * radius;
    // What is open of a patch is open at its rim; it faces as the point does.
    let sight = Sight::of_turn(seen, Some(direction), area_mm2, patch.len());
    evaluation.coverage = Some(sight.coverage());
    let value = (fit.centroid - at).dot(&fit.normal.vector()) / cosine;
    let point = at + d * value;
    let off = d * value;
    evaluation.components = Some(Components { dx_mm: off.x, dy_mm: off.y, dz_mm: off.z, dn_mm: value });
    let extreme = Extreme { value_mm: value, at_mm: place(&point) };
    (evaluation.minimum, evaluation.maximum) = (Some(extreme), Some(extreme));
    let unit = fit.unit_variance_at(&point).max(0.0).sqrt() / cosine;
    let noise_mm = context.noise_mm * flat.steepness;
    // Noise that neighbours share is in the noise: what it leaves over about the plane is no form besides.
    let along = direction.frame();
    let row = |i: usize| {
        let off = flat.points[i] - at;
        (flat.points[i], d, [1.0, off.dot(&along.0), off.dot(&along.1)])
    };
    let of_shared = left_over(&context.inputs.correlated, flat.points.len(), row);
    let off = |p: &Point| {
        let d = p - fit.centroid;
        Point::new((p - at).dot(&along.0), (p - at).dot(&along.1), d.dot(&fit.normal.vector()))
    };
    let off: Vec<Point> = flat.points.iter().map(off).collect();
    let scatter = PatchForm::of(&off, noise_mm * noise_mm, of_shared);
    let shared = of_shared_noise(subject, &flat.points, (at, direction), value);
    let noise = (scatter.noise_mm2 * unit * unit + shared * shared).sqrt();
    // A patch this small is displaced as its middle is, to first order.
    let n = fit.normal.vector();
    let changes: Vec<f64> = effects::steps(subject)
        .iter()
        .map(|ways| ways.iter().map(|s| (s.at(&point, &n).dot(&n) / cosine).abs()).fold(0.0, f64::max))
        .collect();
    let budget = Budget::new()
        .with(Source::Noise, noise)
        .with(Source::Sampling, scatter.of_mean_mm2(radius).sqrt())
        .with(Source::Alignment, of_motion(&datums.covariance, datums.centre, point, direction))
        .with_all(&effects::lines(subject, &changes));
    let u = budget.combined_mm();
    let tolerance = evaluation.limits.upper_mm.unwrap_or(0.0) - evaluation.limits.lower_mm.unwrap_or(0.0);
    let decided = decide(&context.plan.decision, value, u, &evaluation.limits, tolerance, None);
    let interval = Interval { low_mm: value - 1.96 * u, high_mm: value + 1.96 * u };
    let missing = sight.missing(subject.characteristic);
    settle(evaluation, Outcome { value_mm: value, budget, interval, decided, missing, part_proves: false });
    Ok(())
}

/// What noise that neighbouring points share does to the value, mm: the plane of the patch with seeded draws of it, which move the
/// datums too.
fn of_shared_noise(
    subject: &Subject,
    patch: &[Point],
    (at, direction): (Point, Direction),
    value_mm: f64,
) -> f64 {
    let mut noise = SharedNoise::new(&subject.context.inputs.correlated);
    if noise.is_none() {
        return 0.0;
    }
    let d = direction.vector();
    let drawn: Vec<Draws> = patch.iter().map(|p| noise.at(p, &d)).collect();
    let mut square = 0.0;
    for draw in 0..REHEARSALS {
        let of_datums = |p: &Point| subject.datums.map_or(0.0, |a| d.dot(&a.shift_by_shared(draw, p)));
        let noisy = patch.iter().zip(&drawn).map(|(p, v)| p + d * (f64::from(v[draw]) + of_datums(p)));
        let Ok(fit) = plane(&noisy.collect::<Vec<Point>>()) else { return f64::INFINITY };
        let fit = fit.facing(direction);
        let there = (fit.centroid - at).dot(&fit.normal.vector()) / fit.normal.dot(direction);
        square += (there - value_mm) * (there - value_mm) / REHEARSALS as f64;
    }
    square.sqrt()
}
