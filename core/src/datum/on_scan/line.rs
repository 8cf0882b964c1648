//! A target line on a scan.

use super::{FORM_LENGTH_MM, HOLE_COVERAGE, MIN_POINTS, missing, unseen};
use crate::datum::targets::TargetMeasured;
use crate::datum::{DatumError, DatumInput, Hold, Measured};
use crate::partition::{MeasuredPoint, flattened};
use crate::plan::DatumTarget;

/// A line: the least-squares line along it of the deviations of the points in a strip, told at both of its ends with
/// the uncertainty that it has there.
pub(super) fn on_line(
    input: &DatumInput,
    hold: &Hold,
    pad: &DatumTarget,
    placed: &[MeasuredPoint],
) -> Result<Measured, DatumError> {
    let Some(radius) = pad.patch_radius_mm else {
        return Err(missing(hold, "it has no `patch_radius_mm`, which a scan needs; write one".into()));
    };
    let ends = [pad.at, pad.line_to.unwrap_or(pad.at)];
    let length = (ends[1] - ends[0]).norm();
    if !(length > 2.0 * radius) {
        let problem = "its ends stand closer than its strip is wide; write a longer line, or a pad";
        return Err(missing(hold, problem.into()));
    }
    let e = (ends[1] - ends[0]) / length;
    let d = pad.direction.vector();
    let over: Vec<MeasuredPoint> = placed
        .iter()
        .filter(|p| {
            let off = p.point - ends[0];
            let along = off.dot(&e);
            let aside = off - e * along;
            let height = aside.dot(&d);
            let facing = input.nominal.mesh().normal(p.triangle).is_some_and(|n| n.dot(pad.direction) > 0.5);
            facing
                && (0.0..=length).contains(&along)
                && (aside - d * height).norm() <= radius
                && height.abs() <= radius + input.settings.reach_mm
        })
        .copied()
        .collect();
    if over.len() < MIN_POINTS {
        let problem = format!(
            "only {} points of the scan lie on its strip of {radius} mm to either side, at least {MIN_POINTS} are needed",
            over.len()
        );
        return Err(missing(hold, problem));
    }
    let spacing = input.scan.spacing_among(over.iter().map(|p| p.index));
    let seen = seen(over.iter().map(|p| (p.point - ends[0]).dot(&e)), length, spacing);
    if !(seen >= HOLE_COVERAGE) {
        return Err(unseen(hold, seen, HOLE_COVERAGE));
    }
    let mut targets = Vec::with_capacity(2);
    for (end, at) in ends.into_iter().zip([0.0, length]) {
        let reach_mm = radius + input.settings.reach_mm;
        let Some(flat) = flattened(input.nominal, end, pad.direction, reach_mm, &over) else {
            return Err(missing(hold, "the nominal does not lie under both of its ends".into()));
        };
        let heights: Vec<(f64, f64)> =
            flat.points.iter().map(|p| ((p - ends[0]).dot(&e), (p - end).dot(&d))).collect();
        let (height, standard_mm) = straight(&heights, at, length, input.noise_mm * flat.steepness);
        targets.push(TargetMeasured { point: end + d * height, normal: Some(flat.normal), standard_mm });
    }
    Ok(Measured::of(targets))
}

/// The share of a length that points stand for, three quarters of a spacing to either side each.
fn seen(along: impl Iterator<Item = f64>, length: f64, spacing_mm: f64) -> f64 {
    let mut sorted: Vec<f64> = along.collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let half = 0.75 * spacing_mm;
    let (mut covered, mut to) = (0.0, 0.0f64);
    for x in sorted {
        let (from, next) = ((x - half).max(to), (x + half).min(length));
        covered += (next - from).max(0.0);
        to = to.max(next);
    }
    covered / length
}

/// The height of the straight line through (along, height) at one place, mm, and its standard uncertainty from noise and
/// from form, which is seen at places a form's length apart.
fn straight(points: &[(f64, f64)], at: f64, length: f64, noise_mm: f64) -> (f64, f64) {
    let n = points.len() as f64;
    let mean = points.iter().map(|p| p.0).sum::<f64>() / n;
    let middle = points.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (x, y) in points {
        xx += (x - mean) * (x - mean);
        xy += (x - mean) * (y - middle);
    }
    let slope = if xx > 0.0 { xy / xx } else { 0.0 };
    let off = |p: &(f64, f64)| p.1 - middle - slope * (p.0 - mean);
    let square: f64 = points.iter().map(|p| off(p) * off(p)).sum();
    let unit = 1.0 / n + if xx > 0.0 { (at - mean) * (at - mean) / xx } else { 0.0 };
    let form = (square / (n - 2.0).max(1.0) - noise_mm * noise_mm).max(0.0);
    let places = (length / FORM_LENGTH_MM).clamp(1.0, n);
    (middle + slope * (at - mean), (unit * (noise_mm * noise_mm + form * n / places)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn a_straight_line_is_told_at_its_ends_with_what_it_scatters_there() {
        let (height, sure) = straight(&[(0.0, 1.0), (5.0, 1.5), (10.0, 2.0)], 10.0, 10.0, 0.0);
        assert!((height - 2.0).abs() < 1e-14 && sure < 1e-7);
        let mut random = Random::seeded(9);
        let (mut square, mut told) = (0.0, 0.0);
        for _ in 0..500 {
            let points: Vec<(f64, f64)> = (0..60)
                .map(|i| 0.5 * f64::from(i))
                .map(|x| (x, 0.2 - 0.01 * x + 0.02 * random.normal()))
                .collect();
            let (height, sure) = straight(&points, 0.0, 30.0, 0.02);
            square += (height - 0.2) * (height - 0.2);
            told += sure * sure;
        }
        // What noise feigns as form makes it larger than it is, never smaller.
        let ratio = (square / told).sqrt();
        assert!((0.6..1.05).contains(&ratio), "{ratio}");
    }

    #[test]
    fn half_a_line_is_half_seen() {
        let half = seen((0..50).map(|i| 0.1 * f64::from(i)), 10.0, 0.1);
        assert!((half - 0.5).abs() < 0.02, "{half}");
        assert!(seen((0..=100).map(|i| 0.1 * f64::from(i)), 10.0, 0.1) > 0.999);
        assert_eq!(seen(std::iter::empty(), 10.0, 0.1), 0.0);
    }
}
