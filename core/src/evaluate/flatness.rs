//! Flatness (ISO 1101:2017, 17.3): the width of the zone between two parallel planes.

use crate::associate::{minimum_zone_plane, plane};
use crate::geometry::Point;
use crate::nominal::Carrier;
use crate::plan::Association;
use crate::record::{Evaluation, Extreme, Interval, Limits};
use crate::run::Stopped;
use crate::uncertainty::{Budget, Source};

use super::profile::Field;
use super::{Outcome, Subject, decide_between, place, settle};

/// Evaluates a flatness on the filtered surface.
pub(super) fn evaluate(
    subject: &Subject,
    zone_width_mm: f64,
    association: Association,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    let reference = match association {
        Association::MinimumZone => "minimum zone, (C) of ISO 1101:2017",
        _ => "least-squares plane, (G) of ISO 1101:2017",
    };
    evaluation.operators.insert("reference".into(), reference.into());
    let Some(Carrier::Plane { normal, .. }) = subject.bound.carrier else {
        evaluation.reason = "the face bound to the feature is not a plane".into();
        return Ok(());
    };
    let (mut field, missing) = match Field::new(subject, evaluation)? {
        Ok(found) => found,
        Err(reason) => {
            evaluation.reason = reason;
            return Ok(());
        }
    };
    // The filtered surface: every point moved along the nominal normal to its filtered height.
    let mut surface: Vec<Point> = Vec::with_capacity(field.feature.points.len());
    let mut origin: Vec<usize> = Vec::with_capacity(field.feature.points.len());
    for (i, (p, g)) in field.feature.points.iter().zip(&field.filtered.value).enumerate() {
        if let Some(g) = g {
            surface.push(p.point + normal.vector() * (g - p.deviation_mm));
            origin.push(i);
        }
    }
    let found = match association {
        Association::MinimumZone => minimum_zone_plane(&surface).map(|z| (z.point, z.normal)),
        _ => plane(&surface).map(|f| (f.centroid, f.normal)),
    };
    let (through, up) = match found {
        Ok(found) => found,
        Err(error) => {
            evaluation.reason = error.to_string();
            return Ok(());
        }
    };
    // From here on the field is the distance to the reference plane, positive outside the material.
    let up = if up.dot(normal) < 0.0 { up.reversed() } else { up };
    for (p, &i) in surface.iter().zip(&origin) {
        field.filtered.value[i] = Some((p - through).dot(&up.vector()));
    }
    let (Some(r), Some(extremes)) = (field.rehearse(subject, evaluation)?, field.filtered.extremes()) else {
        evaluation.reason = "no point of the feature has enough neighbours for the filter".into();
        return Ok(());
    };
    let at = |(value_mm, i): (f64, u32)| {
        let p = &field.feature.points[i as usize];
        Extreme { value_mm, at_mm: place(&p.point) }
    };
    evaluation.minimum = Some(at((extremes.low.0 - r.low_bias_mm, extremes.low.1)));
    evaluation.maximum = Some(at((extremes.high.0 - r.high_bias_mm, extremes.high.1)));
    let raw = extremes.high.0 - extremes.low.0;
    // A recognised systematic effect is corrected (JCGM 100:2008, 3.2.4), here its sure part. A width is never
    // negative.
    let between = [r.range_bias_mm, r.floor_mm.max(r.range_bias_mm)].map(|bias| (raw - bias).max(0.0));
    let step = |at: u32| field.between_points_mm(at, subject.context.scan);
    let (a, b) = (step(extremes.low.1), step(extremes.high.1));
    let budget =
        Budget::new().with(Source::Noise, r.range_spread_mm).with(Source::Sampling, (a * a + b * b).sqrt());
    let u = budget.combined_mm();
    let limits = Limits { lower_mm: None, upper_mm: Some(zone_width_mm) };
    let rule = &subject.context.plan.decision;
    let decided = decide_between(rule, between, u, &limits, zone_width_mm, Some(r.floor_mm));
    let interval = Interval { low_mm: (between[1] - 1.96 * u).max(0.0), high_mm: between[0] + 1.96 * u };
    settle(
        evaluation,
        Outcome { value_mm: between[0], budget, interval, decided, missing, part_proves: true },
    );
    Ok(())
}
