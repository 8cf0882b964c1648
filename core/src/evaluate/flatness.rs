//! Flatness (ISO 1101:2017, 17.3): the width of the zone between two parallel planes.

use crate::associate::{minimum_zone_plane, plane};
use crate::conformity::decide;
use crate::geometry::Point;
use crate::nominal::Carrier;
use crate::plan::Association;
use crate::record::{Evaluation, Extreme, Interval, Limits};
use crate::run::Stopped;
use crate::uncertainty::{Budget, Source};

use super::profile::Field;
use super::{Subject, place, settle};

/// Evaluates a flatness on the filtered surface.
pub(super) fn evaluate(
    subject: &Subject,
    zone_width_mm: f64,
    association: Association,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    let reference = match association {
        Association::LeastSquares => "least-squares plane, (G) of ISO 1101:2017",
        Association::MinimumZone => "minimum zone, (C) of ISO 1101:2017",
    };
    evaluation.operators.insert("reference".into(), reference.into());
    let Some(Carrier::Plane { normal, .. }) = subject.bound.carrier else {
        evaluation.reason = "the face bound to the feature is not a plane".into();
        return Ok(());
    };
    let (field, missing) = match Field::new(subject, evaluation)? {
        Ok(found) => found,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(());
        }
    };
    // The filtered surface: every point moved along the nominal normal to its filtered height.
    let mut surface: Vec<Point> = Vec::with_capacity(field.feature.points.len());
    let mut origin: Vec<u32> = Vec::with_capacity(field.feature.points.len());
    for (i, (p, g)) in field.feature.points.iter().zip(&field.filtered.value).enumerate() {
        if let Some(g) = g {
            surface.push(p.point + normal.vector() * (g - p.deviation_mm));
            origin.push(i as u32);
        }
    }
    let found = match association {
        Association::MinimumZone => {
            minimum_zone_plane(&surface).map(|z| (z.width_mm, z.normal, z.low, z.high))
        }
        Association::LeastSquares => plane(&surface).map(|f| (f.high.0 - f.low.0, f.normal, f.low, f.high)),
    };
    let (raw, up, low, high) = match found {
        Ok(found) => found,
        Err(error) => {
            evaluation.reason = error.to_string();
            return Ok(());
        }
    };
    // Positive outside the material, whichever way the reference's normal happens to point.
    let (low, high) = if up.dot(normal) < 0.0 { ((-high.0, high.1), (-low.0, low.1)) } else { (low, high) };
    let at = |(value_mm, i): (f64, usize)| Extreme { value_mm, at_mm: place(&surface[i]) };
    evaluation.minimum = Some(at(low));
    evaluation.maximum = Some(at(high));
    let r = &field.rehearsal;
    // A recognised systematic effect is corrected: JCGM 100:2008, 3.2.4. A width is never negative.
    let value = (raw - r.range_bias_mm).max(0.0);
    let extremes = field.filtered.extremes().expect("a rehearsal needs extremes");
    let spacing = subject.context.scan.spacing_mm();
    let (a, b) =
        (field.between_points_mm(extremes.low.1, spacing), field.between_points_mm(extremes.high.1, spacing));
    let budget =
        Budget::new().with(Source::Noise, r.range_spread_mm).with(Source::Sampling, (a * a + b * b).sqrt());
    let u = budget.combined_mm();
    let limits = Limits { lower_mm: None, upper_mm: Some(zone_width_mm) };
    let decided = decide(
        &subject.context.plan.decision,
        value,
        u,
        &limits,
        zone_width_mm,
        Some(field.rehearsal.floor_mm),
    );
    let interval = Interval { low_mm: (value - 1.96 * u).max(0.0), high_mm: value + 1.96 * u };
    settle(evaluation, value, &budget, interval, decided, missing);
    Ok(())
}
