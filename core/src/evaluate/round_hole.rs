//! Size and position of a round hole.

use crate::associate::{AssociatedHole, hole};
use crate::conformity::decide;
use crate::geometry::{Direction, Vector};
use crate::nominal::Carrier;
use crate::record::{Components, Evaluation, Interval};
use crate::uncertainty::{Budget, Source, of_motion};

use super::ideal::under;
use super::sight::Sight;
use super::{Outcome, Subject, own_datum, settle};

/// Associates the hole along its nominal axis and notes coverage and operators.
fn associated(
    subject: &Subject,
    evaluation: &mut Evaluation,
) -> Result<(AssociatedHole, Option<String>), String> {
    let Some(Carrier::Cylinder { axis, .. }) = subject.bound.carrier else {
        return Err("the face bound to the feature is not a cylinder".into());
    };
    let context = subject.context;
    let found = hole(subject.partition, context.scan, context.nominal, subject.bound, axis, context.noise_mm)
        .map_err(|e| e.to_string())?;
    let facing = found.seen.unseen_at.and_then(|p| under(&subject.bound.situation, &p, axis));
    let facing = facing.map(|on| on.normal);
    let sight = Sight::of_turn(found.seen, facing, subject.bound.area_mm2, found.points);
    evaluation.coverage = Some(sight.coverage());
    evaluation
        .operators
        .insert("association".into(), "least-squares circle of the wall, seen along the axis".into());
    evaluation.operators.insert("axis".into(), "nominal direction: the wall alone does not tell it".into());
    evaluation.operators.insert("points_left_out".into(), found.left_out.to_string());
    let missing = sight.missing(subject.characteristic);
    Ok((found, missing))
}

/// The least-squares diameter.
pub(super) fn diameter(subject: &Subject, nominal_mm: f64, tolerance_mm: f64, evaluation: &mut Evaluation) {
    let (found, missing) = match associated(subject, evaluation) {
        Ok(found) => found,
        Err(reason) => {
            evaluation.reason = reason;
            return;
        }
    };
    let value = 2.0 * found.radius_mm;
    let budget = Budget::new()
        .with(Source::Noise, 2.0 * found.covariance[2][2].max(0.0).sqrt())
        .with(Source::Sampling, 2.0 * found.sampling[2][2].max(0.0).sqrt());
    let u = budget.combined_mm();
    evaluation.operators.insert("nominal_mm".into(), format!("{nominal_mm}"));
    let decided = decide(&subject.context.plan.decision, value, u, &evaluation.limits, tolerance_mm, None);
    let interval = Interval { low_mm: value - 1.96 * u, high_mm: value + 1.96 * u };
    settle(evaluation, Outcome { value_mm: value, budget, interval, decided, missing, part_proves: false });
}

/// Position regardless of size (ISO 1101:2017, position tolerance): twice the distance of the axis from its true place,
/// square to the nominal axis, at the middle of the wall's depth.
pub(super) fn position(subject: &Subject, zone_diameter_mm: f64, evaluation: &mut Evaluation) {
    let Some(datums) = subject.datums else {
        evaluation.reason = "a position needs a datum system".into();
        return;
    };
    if let Some(reason) = own_datum(subject.context.plan, subject.characteristic) {
        evaluation.reason = reason;
        return;
    }
    let (found, missing) = match associated(subject, evaluation) {
        Ok(found) => found,
        Err(reason) => {
            evaluation.reason = reason;
            return;
        }
    };
    // A wall shorter than its diameter can lean by little before its size shows it; a longer one must be
    // followed along its depth, which this version does not do.
    if found.depth_mm > 2.0 * found.radius_mm {
        evaluation.reason =
            "the hole is deeper than wide; its axis over the depth is not evaluated in this version".into();
        return;
    }
    let Some(Carrier::Cylinder { point, axis, .. }) = subject.bound.carrier else { return };
    let across = |d: Vector| d - axis.vector() * d.dot(&axis.vector());
    let off = across(found.centre - point);
    let distance = off.norm();
    evaluation.components = Some(Components { dx_mm: off.x, dy_mm: off.y, dz_mm: off.z, dn_mm: distance });
    let (u, v) = found.across;
    // Along the way it is off; where it is hardly off any way will do, so the worst is taken.
    let along = |c: &[[f64; 3]; 3], d: &Vector| {
        let (x, y) = (d.dot(&u), d.dot(&v));
        (c[0][0] * x * x + 2.0 * c[0][1] * x * y + c[1][1] * y * y).max(0.0).sqrt()
    };
    let noise_along = |d: &Vector| along(&found.covariance, d);
    let sampling_along = |d: &Vector| along(&found.sampling, d);
    let alignment_along = |d: &Vector| {
        Direction::new(*d)
            .map_or(f64::INFINITY, |d| of_motion(&datums.covariance, datums.centre, found.centre, d))
    };
    let ways: Vec<Vector> = match Direction::new(off) {
        Some(d) if distance > 3.0 * (noise_along(&d.vector()) + alignment_along(&d.vector())) => {
            vec![d.vector()]
        }
        _ => vec![u, v, (u + v) / 2f64.sqrt(), (u - v) / 2f64.sqrt()],
    };
    let noise = ways.iter().map(noise_along).fold(0.0, f64::max);
    let sampling = ways.iter().map(sampling_along).fold(0.0, f64::max);
    let alignment = ways.iter().map(alignment_along).fold(0.0, f64::max);
    let budget = Budget::new()
        .with(Source::Noise, 2.0 * noise)
        .with(Source::Sampling, 2.0 * sampling)
        .with(Source::Alignment, 2.0 * alignment);
    let u = budget.combined_mm();
    let value = 2.0 * distance;
    let decided =
        decide(&subject.context.plan.decision, value, u, &evaluation.limits, zone_diameter_mm, None);
    let interval = Interval { low_mm: (value - 1.96 * u).max(0.0), high_mm: value + 1.96 * u };
    settle(evaluation, Outcome { value_mm: value, budget, interval, decided, missing, part_proves: false });
}
