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

const ZONE: Criterion = Criterion::MinimumZone;

/// What was answered of one set: how many answers, or what is wrong.
type Kept = Result<usize, String>;

/// Runs the sets side by side; every one that breaks a law is named. How many answers there were.
fn thousand(first: u64, of: impl Fn(&mut Random) -> Kept + Sync) -> usize {
    let told: Vec<Kept> = (first..first + 1000)
        .into_par_iter()
        .map(|seed| of(&mut Random::seeded(seed)).map_err(|e| format!("seed {seed}: {e}")))
        .collect();
    let broken: Vec<&String> = told.iter().filter_map(|t| t.as_ref().err()).collect();
    assert!(broken.is_empty(), "{} sets: {broken:#?}", broken.len());
    told.iter().flatten().sum()
}

fn law(kept: bool, words: impl FnOnce() -> String) -> Result<(), String> {
    if kept { Ok(()) } else { Err(words()) }
}

fn at_rest<S>(found: &Extremal<S>) -> Result<(), String> {
    let off =
        |c: &super::Contact| (c.residual_mm - found.low.0).abs().min((c.residual_mm - found.high.0).abs());
    let touch = 1e-10 * (1.0 + found.high.0.abs());
    law(found.proof.gain < 1e-6, || format!("{:?}", found.proof))?;
    law(!found.contacts.is_empty() && found.contacts.iter().all(|c| off(c) < touch), || {
        format!("{:?} of {} .. {}", found.contacts, found.low.0, found.high.0)
    })
}

#[test]
fn planes() {
    let answered = thousand(100_000, |random| {
        let (n, form) = (4 + random.below(60), 10.0 * math::exp(random.range(-9.0, -2.0)));
        let points = slab(random, n, [40.0, 25.0, form]);
        let Ok(least) = plane(&points) else { return Ok(0) };
        let zone = minimum_zone_plane(&points).map_err(|e| e.to_string())?;
        let about_least = least.high.0 - least.low.0;
        law(zone.width_mm <= about_least + 1e-12, || format!("{} > {about_least}", zone.width_mm))?;
        law(zone.narrowest_of_all && !zone.above.is_empty() && !zone.below.is_empty(), || {
            format!("{zone:?}")
        })?;
        // Distance by distance from what was answered.
        let seen = points.iter().map(|p| (p - zone.point).dot(&zone.normal.vector()));
        let (low, high) = seen.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), d| (l.min(d), h.max(d)));
        law((high - low - zone.width_mm).abs() < 1e-11, || format!("{low} .. {high}, {}", zone.width_mm))?;
        Ok(1)
    });
    assert!(answered > 900, "{answered}");
}

#[test]
fn lines() {
    let answered = thousand(110_000, |random| {
        let n = 3 + random.below(80);
        let across = 10.0 * math::exp(random.range(-9.0, -2.5));
        let flat = across * random.range(0.05, 1.0);
        let points = slab(random, n, [60.0, across, flat]);
        let Ok(least) = line(&points) else { return Ok(0) };
        let found = line_by(&quiet(), ZONE, &points).map_err(|e| format!("n {n}: {e}"))?;
        law(found.high.0 <= least.high.0 + 1e-12, || format!("{} > {}", found.high.0, least.high.0))?;
        at_rest(&found)?;
        Ok(1)
    });
    assert!(answered > 950, "{answered}");
}

#[test]
fn cylinders() {
    let answered = thousand(120_000, |random| {
        let n = 12 + random.below(50);
        let height = 10.0 * math::exp(random.range(-0.7, 2.0));
        let form = math::exp(random.range(-7.0, -2.0));
        let points = tube(random, n, 10.0, TAU, height, form);
        let Ok(least) = cylinder(&points) else { return Ok(0) };
        let mut answered = 0;
        for criterion in [ZONE, Criterion::MaximumInscribed, Criterion::MinimumCircumscribed] {
            let found = match cylinder_by(&quiet(), criterion, &points) {
                Err(FitError::Undetermined { freedom: Freedom::HalfOpen, .. }) => continue,
                other => {
                    other.map_err(|e| format!("{criterion}, n {n}, height {height}, form {form}: {e}"))?
                }
            };
            answered += 1;
            at_rest(&found).map_err(|e| format!("{criterion}: {e}"))?;
            let (radius, about) = (found.shape.radius_mm, least.radius_mm);
            let kept = match criterion {
                ZONE => found.width_mm() <= least.high.0 - least.low.0 + 1e-12,
                Criterion::MaximumInscribed => radius >= about + least.low.0 - 1e-12 && found.low.0 > -1e-11,
                _ => radius <= about + least.high.0 + 1e-12 && found.high.0 < 1e-11,
            };
            law(kept, || format!("{criterion}: {radius}, {} wide; {least:?}", found.width_mm()))?;
        }
        Ok(answered)
    });
    assert!(answered > 2800, "{answered}");
}

#[test]
fn cones() {
    let answered = thousand(130_000, |random| {
        let (n, half) = (15 + random.below(50), random.range(0.1, 1.2));
        let form = math::exp(random.range(-7.0, -3.0));
        let points = funnel(random, n, half, TAU, [10.0, 40.0], form);
        let Ok(least) = cone(&points) else { return Ok(0) };
        let found = cone_by(&quiet(), ZONE, &points).map_err(|e| e.to_string())?;
        let about_least = least.high.0 - least.low.0;
        law(found.width_mm() <= about_least + 1e-12, || format!("{} > {about_least}", found.width_mm()))?;
        at_rest(&found)?;
        Ok(1)
    });
    assert!(answered > 900, "{answered}");
}

/// A tapered pin's circumscribed cylinder rests on its thick end; its axis hangs on points of the rest that hardly count,
/// and that is told. A straight one is held along all of its length.
#[test]
fn a_hardly_held_axis_is_told() {
    let told = |taper: f64, seed: u64| {
        let random = &mut Random::seeded(seed);
        let mut points = tube(random, 300, 10.0, TAU, 30.0, 0.005);
        for p in &mut points {
            let grown = 1.0 + taper * p.z / 15.0;
            (p.x, p.y) = (p.x * grown, p.y * grown);
        }
        let found =
            associate_by(&quiet(), Shape::Cylinder, Criterion::MinimumCircumscribed, &points).unwrap();
        assert!(found.noise_mm.is_some_and(|n| n > 0.004));
        assert!(
            found.cautions.iter().any(|c| c.contains("single points as they are: noise of 0.")),
            "{found:?}"
        );
        println!("{taper} {seed}: {:?}", found.contacts.iter().map(|c| c.weight).collect::<Vec<_>>());
        usize::from(
            found.cautions.iter().any(|c| c.starts_with("hardly held") || c.starts_with("not unique")),
        )
    };
    let count = |taper: f64| (0..20).map(|seed| told(taper, seed)).sum::<usize>();
    let (tapered, straight) = (count(0.02), count(0.0));
    assert!(tapered > straight, "{tapered} of 20 tapered, {straight} of 20 straight");
}
