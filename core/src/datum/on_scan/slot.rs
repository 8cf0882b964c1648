//! A slot on a scan.

use super::{FORM_LENGTH_MM, HOLE_COVERAGE, MIN_POINTS, missing, picked, unseen};
use crate::datum::targets::TargetMeasured;
use crate::datum::{DatumError, DatumInput, Hold, Measured};
use crate::filter::left_over;
use crate::geometry::{Direction, Point, Vector};
use crate::partition::Partition;
use crate::plan::BoundFeature;

/// The middle between the flanks of a slot: the mean of the mean places of both, each fair to its length by equal
/// bins. What a flank's points scatter beyond the noise is its form, which is seen at as many places as its seen
/// length has; less what noise that neighbouring points share leaves over, where the uncertainty is wanted (`sure`).
pub(super) fn on_slot(
    input: &DatumInput,
    hold: &Hold,
    bound: &BoundFeature,
    (at, axis, along): (Point, Direction, Direction),
    (partition, sure): (&Partition, bool),
) -> Result<Measured, DatumError> {
    picked(hold, bound)?;
    let across = axis.vector().cross(&along.vector());
    let mut member = vec![false; input.nominal.mesh().triangles().len()];
    for &t in &bound.triangles {
        member[t as usize] = true;
    }
    // Flanks face each other; ends face along the slot.
    let mut flanks: [Vec<(f64, f64)>; 2] = Default::default();
    let mut places: [Vec<(Point, Vector)>; 2] = Default::default();
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
            places[s].push((p.point, across * if s == 1 { 1.0 } else { -1.0 }));
        }
    }
    let mut middle = 0.0;
    let mut variance = 0.0;
    for ((points, places), (low, high)) in flanks.iter().zip(&places).zip(lengths) {
        if points.len() < MIN_POINTS {
            let problem = format!(
                "only {} points lie on a flank of the slot, at least {MIN_POINTS} are needed: scan it from a slant",
                points.len()
            );
            return Err(missing(hold, problem));
        }
        let bin = (2.0 * input.scan.spacing_mm()).max(1e-3);
        let at = |i: usize| (places[i].0, places[i].1, [1.0]);
        let shared = if sure { left_over(input.correlated, places.len(), at) } else { 0.0 };
        let flank = Flank::new(points, (low, high), bin, (input.noise_mm, shared));
        if !(flank.seen >= HOLE_COVERAGE) {
            return Err(unseen(hold, flank.seen, HOLE_COVERAGE));
        }
        middle += 0.5 * flank.place_mm;
        variance += 0.25 * flank.variance;
    }
    let point = at + across * middle;
    let one = TargetMeasured { point, normal: None, standard_mm: variance.sqrt() };
    Ok(Measured::of(vec![one; hold.targets.len()]))
}

/// Where a flank lies across the slot.
struct Flank {
    /// Share of its length that was seen.
    seen: f64,
    /// The mean of its bins, mm.
    place_mm: f64,
    /// Its variance, mm2.
    variance: f64,
}

impl Flank {
    /// Of points (along, across), at least two, on a flank from `low` to `high`; `shared` is the variance that noise of
    /// neighbouring points leaves over about its mean.
    fn new(
        points: &[(f64, f64)],
        (low, high): (f64, f64),
        bin_mm: f64,
        (noise_mm, shared): (f64, f64),
    ) -> Self {
        let count = (((high - low) / bin_mm).ceil() as usize).clamp(1, 10_000);
        let mut bins = vec![(0.0, 0usize); count];
        for (x, y) in points {
            let i = ((x - low) / (high - low) * count as f64).max(0.0) as usize;
            let b = &mut bins[i.min(count - 1)];
            *b = (b.0 + y, b.1 + 1);
        }
        let filled: Vec<&(f64, usize)> = bins.iter().filter(|b| b.1 > 0).collect();
        let seen = filled.len() as f64 / count as f64;
        let n = filled.len() as f64;
        let place_mm = filled.iter().map(|b| b.0 / b.1 as f64).sum::<f64>() / n;
        let noise = filled.iter().map(|b| 1.0 / b.1 as f64).sum::<f64>() / (n * n);
        let all = points.len() as f64;
        let mean = points.iter().map(|p| p.1).sum::<f64>() / all;
        let square: f64 = points.iter().map(|p| (p.1 - mean) * (p.1 - mean)).sum();
        let form = (square / (all - 1.0) - noise_mm * noise_mm - shared).max(0.0);
        let places = (seen * (high - low) / FORM_LENGTH_MM).clamp(1.0, all);
        Self { seen, place_mm, variance: noise_mm * noise_mm * noise + form / places }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{math, random::Random};

    /// A flank of 20 mm whose form waves by 0.05 mm with some phase, seen with a little noise: the mean over a part of
    /// it is as uncertain as said, and noise alone as certain as noise makes it.
    #[test]
    fn the_form_of_a_flank_is_in_its_uncertainty() {
        let mut random = Random::seeded(21);
        let (mut square, mut told) = (0.0, 0.0);
        let runs = 300;
        for _ in 0..runs {
            let phase = random.range(0.0, 6.0);
            // Half of the flank, as its coverage just allows.
            let points: Vec<(f64, f64)> = (0..200)
                .map(|i| 0.05 * f64::from(i))
                .map(|x| (x, 0.05 * math::sin(0.9 * x + phase) + 0.002 * random.normal()))
                .collect();
            let flank = Flank::new(&points, (0.0, 20.0), 0.5, (0.002, 0.0));
            assert!((flank.seen - 0.5).abs() < 0.03);
            square += flank.place_mm * flank.place_mm;
            told += flank.variance;
        }
        let ratio = (square / told).sqrt();
        assert!((0.3..1.2).contains(&ratio), "{ratio}");
        assert!((told / f64::from(runs)).sqrt() > 0.01, "noise alone would say 0.0002 mm");
        let straight: Vec<(f64, f64)> =
            (0..400).map(|i| (0.05 * f64::from(i), 0.01 * random.normal())).collect();
        let flank = Flank::new(&straight, (0.0, 20.0), 0.5, (0.01, 0.0));
        assert!(flank.variance.sqrt() < 2.5 * 0.01 / 20.0, "{}", flank.variance.sqrt());
    }
}
