//! The laws of extreme criteria on a thousand random sets of planes, lines, cylinders and cones; circles and spheres
//! stand in `criterion_tests`.
//!
//! No zone is wider than that about the least-squares shape, no inscribed shape smaller than what lies within the
//! points about the least-squares axis, no circumscribed one larger than what holds them; and what is answered rests on
//! its contacts.

use super::law_tests::{slab, tube, width_by_enumeration};
use super::round_tests::funnel;
use super::{
    Criterion, Extremal, FitError, Freedom, Shape, associate_by, cone, cone_by, cylinder, cylinder_by, line,
    line_by, minimum_zone_plane, plane,
};
use crate::geometry::{math, random::Random};
use crate::run::quiet;
use rayon::prelude::*;
use std::f64::consts::TAU;
use std::sync::atomic::{AtomicUsize, Ordering};

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
    let unproven = AtomicUsize::new(0);
    let answered = thousand(100_000, |random| {
        let (n, form) = (4 + random.below(60), 10.0 * math::exp(random.range(-9.0, -2.0)));
        let points = slab(random, n, [40.0, 25.0, form]);
        let Ok(least) = plane(&points) else { return Ok(0) };
        let zone = minimum_zone_plane(&points).map_err(|e| e.to_string())?;
        let about_least = least.high.0 - least.low.0;
        law(zone.width_mm <= about_least + 1e-12, || format!("{} > {about_least}", zone.width_mm))?;
        law(!zone.above.is_empty() && !zone.below.is_empty(), || format!("{zone:?}"))?;
        if !zone.narrowest_of_all {
            // What could not be proven is held against every candidate.
            unproven.fetch_add(1, Ordering::Relaxed);
            let least = width_by_enumeration(&points);
            law(zone.width_mm <= least + 1e-11, || format!("{} > {least}, n {n}", zone.width_mm))?;
        }
        // Distance by distance from what was answered.
        let seen = points.iter().map(|p| (p - zone.point).dot(&zone.normal.vector()));
        let (low, high) = seen.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), d| (l.min(d), h.max(d)));
        law((high - low - zone.width_mm).abs() < 1e-11, || format!("{low} .. {high}, {}", zone.width_mm))?;
        Ok(1)
    });
    assert!(answered > 900, "{answered}");
    assert!(unproven.into_inner() <= 5, "not proven the narrowest");
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
    // All that have a least-squares line.
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
                // So few points may be held by a cylinder that lies across them, and by none nearby.
                Err(FitError::Undetermined { freedom: Freedom::HalfOpen | Freedom::Turns, .. }) => continue,
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

/// Short tubes and bands of cones: what they are apart in form counts as much there as their slopes do.
#[test]
fn least_squares_outside_comes_to_rest_on_short_shapes() {
    let answered = thousand(140_000, |random| {
        let n = 15 + random.below(60);
        let form = math::exp(random.range(-6.0, -3.0));
        let (sign, side) = if random.below(2) == 0 {
            (1.0, super::Material::Around)
        } else {
            (-1.0, super::Material::Within)
        };
        let outside = Criterion::LeastSquaresOutside(side);
        let height = random.range(0.5, 3.0);
        let points = tube(random, n, 4.0, TAU, height, form);
        let mut answered = 0;
        if let Ok(least) = cylinder(&points) {
            let found = cylinder_by(&quiet(), outside, &points)
                .map_err(|e| format!("tube {height} high, n {n}, form {form}, {sign}: {e}"))?;
            let worst = if sign > 0.0 { found.low.0 } else { -found.high.0 };
            law(worst > -1e-12 && found.rms_mm >= least.rms_mm, || format!("{found:?}"))?;
            at_rest(&found)?;
            answered += 1;
        }
        let half = random.range(0.2, 1.2);
        let points = funnel(random, n, half, TAU, [10.0, 10.0 + height], form);
        if let Ok(least) = cone(&points) {
            let found = cone_by(&quiet(), outside, &points)
                .map_err(|e| format!("cone {half}, {height} long, n {n}, form {form}, {sign}: {e}"))?;
            let worst = if sign > 0.0 { found.low.0 } else { -found.high.0 };
            law(worst > -1e-12 && found.rms_mm >= least.rms_mm, || format!("{found:?}"))?;
            at_rest(&found)?;
            answered += 1;
        }
        Ok(answered)
    });
    assert!(answered > 1500, "{answered}");
}
