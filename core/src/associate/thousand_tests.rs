//! The laws of extreme criteria on a thousand random sets of planes, lines, cylinders and cones; circles and spheres
//! stand in `criterion_tests`.
//!
//! No zone is wider than that about the least-squares shape, no inscribed shape smaller than what lies within the
//! points about the least-squares axis, no circumscribed one larger than what holds them; and what is answered rests on
//! its contacts.

use super::law_tests::{slab, tube};
use super::round_tests::funnel;
use super::{
    Criterion, Extremal, FitError, Freedom, Shape, associate_by, cone, cone_by, cylinder, cylinder_by, line,
    line_by, minimum_zone_plane, plane,
};
use crate::geometry::{math, random::Random};
use crate::run::quiet;
use rayon::prelude::*;
use std::f64::consts::TAU;

const SETS: u64 = 1000;
const ZONE: Criterion = Criterion::MinimumZone;

fn at_rest<S>(found: &Extremal<S>, what: &str) {
    assert!(found.proof.gain < 1e-6, "{what}: {:?}", found.proof);
    let off =
        |c: &super::Contact| (c.residual_mm - found.low.0).abs().min((c.residual_mm - found.high.0).abs());
    let scale = 1e-10 * (1.0 + found.high.0.abs());
    assert!(!found.contacts.is_empty() && found.contacts.iter().all(|c| off(c) < scale), "{what}");
}

#[test]
fn planes() {
    (0..SETS).into_par_iter().for_each(|seed| {
        let random = &mut Random::seeded(100_000 + seed);
        let (n, form) = (4 + random.below(60), 10.0 * math::exp(random.range(-9.0, -2.0)));
        let points = slab(random, n, [40.0, 25.0, form]);
        let Ok(least) = plane(&points) else { return };
        let zone = minimum_zone_plane(&points).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        assert!(zone.width_mm <= least.high.0 - least.low.0 + 1e-12, "seed {seed}");
        assert!(zone.narrowest_of_all && !zone.above.is_empty() && !zone.below.is_empty(), "seed {seed}");
        // Distance by distance from what was answered.
        let seen: Vec<f64> = points.iter().map(|p| (p - zone.point).dot(&zone.normal.vector())).collect();
        let (low, high) =
            seen.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &d| (l.min(d), h.max(d)));
        assert!((high - low - zone.width_mm).abs() < 1e-11, "seed {seed}");
    });
}

#[test]
fn lines() {
    let unsettled: Vec<u64> = (0..SETS)
        .into_par_iter()
        .filter(|&seed| {
            let random = &mut Random::seeded(110_000 + seed);
            let n = 3 + random.below(80);
            let across = 10.0 * math::exp(random.range(-9.0, -2.5));
            let flat = across * random.range(0.05, 1.0);
            let points = slab(random, n, [60.0, across, flat]);
            let Ok(least) = line(&points) else { return false };
            match line_by(&quiet(), ZONE, &points) {
                Ok(found) => {
                    assert!(found.high.0 <= least.high.0 + 1e-12, "seed {seed}");
                    at_rest(&found, &format!("seed {seed}"));
                    false
                }
                Err(FitError::NotSettled { .. }) => true,
                Err(e) => panic!("seed {seed}: {e}"),
            }
        })
        .collect();
    assert!(unsettled.is_empty(), "{unsettled:?}");
}

#[test]
fn cylinders() {
    let answered: usize = (0..SETS)
        .into_par_iter()
        .map(|seed| {
            let random = &mut Random::seeded(120_000 + seed);
            let n = 12 + random.below(50);
            let (height, form) =
                (10.0 * math::exp(random.range(-0.7, 2.0)), math::exp(random.range(-7.0, -2.0)));
            let points = tube(random, n, 10.0, TAU, height, form);
            let Ok(least) = cylinder(&points) else { return 0 };
            let mut answered = 0;
            for criterion in [ZONE, Criterion::MaximumInscribed, Criterion::MinimumCircumscribed] {
                let what = format!("seed {seed}, {criterion}");
                let found = match cylinder_by(&quiet(), criterion, &points) {
                    Err(FitError::Undetermined { freedom: Freedom::HalfOpen, .. }) => continue,
                    other => other.unwrap_or_else(|e| panic!("{what}: {e}")),
                };
                answered += 1;
                at_rest(&found, &what);
                let radius = found.shape.radius_mm;
                match criterion {
                    ZONE => assert!(found.width_mm() <= least.high.0 - least.low.0 + 1e-12, "{what}"),
                    Criterion::MaximumInscribed => {
                        assert!(
                            radius >= least.radius_mm + least.low.0 - 1e-12 && found.low.0 > -1e-11,
                            "{what}"
                        );
                    }
                    _ => assert!(
                        radius <= least.radius_mm + least.high.0 + 1e-12 && found.high.0 < 1e-11,
                        "{what}"
                    ),
                }
            }
            answered
        })
        .sum();
    assert!(answered > 2800, "{answered}");
}

#[test]
fn cones() {
    let answered: usize = (0..SETS)
        .into_par_iter()
        .map(|seed| {
            let random = &mut Random::seeded(130_000 + seed);
            let n = 15 + random.below(50);
            let half = random.range(0.1, 1.2);
            let form = math::exp(random.range(-7.0, -3.0));
            let points = funnel(random, n, half, TAU, [10.0, 40.0], form);
            let Ok(least) = cone(&points) else { return 0 };
            let what = format!("seed {seed}");
            let found = cone_by(&quiet(), ZONE, &points).unwrap_or_else(|e| panic!("{what}: {e}"));
            assert!(found.width_mm() <= least.high.0 - least.low.0 + 1e-12, "{what}");
            at_rest(&found, &what);
            1
        })
        .sum();
    assert!(answered > 900, "{answered}");
}

/// In a tapered bore the circumscribed cylinder rests on one end; what is left of its axis hangs on a contact of next
/// to no weight, and that is told. A straight one is held along all of its length.
#[test]
fn a_hardly_held_axis_is_told() {
    let told = |taper: f64| {
        let random = &mut Random::seeded(3);
        let mut points = tube(random, 300, 10.0, TAU, 30.0, 0.005);
        for p in &mut points {
            let grown = 1.0 + taper * p.z / 10.0;
            (p.x, p.y) = (p.x * grown, p.y * grown);
        }
        let found =
            associate_by(&quiet(), Shape::Cylinder, Criterion::MinimumCircumscribed, &points).unwrap();
        assert!(found.noise_mm.is_some_and(|n| n > 0.004));
        assert!(
            found.cautions.iter().any(|c| c.contains("single points as they are: noise of 0.")),
            "{found:?}"
        );
        found.cautions.iter().any(|c| c.starts_with("hardly held"))
    };
    assert!(told(0.05) && !told(0.0));
}
