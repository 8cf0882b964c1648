//! Thickness of walls whose made thickness is known in closed form.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod wall;

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, Point, Vector, math};
use scantling_core::nominal::Nominal;
use scantling_core::record::{Evaluation, Verdict};
use wall::{Points, Soup, map, plan_of, told};

const ALONG: &str = "patch_radius_mm = 2.0, lower_deviation_mm = -9.0, upper_deviation_mm = 9.0, definition = \"along_normal\"";
const BALL: &str = "patch_radius_mm = 2.0, lower_deviation_mm = -9.0, upper_deviation_mm = 9.0, definition = \"inscribed_ball\"";

/// Over 60 x 40 mm, from below z = 0 to what `height` says; the first surface is the lower one, which faces down.
fn slab(
    height: impl Fn(f64, f64) -> f64 + Sync + Copy,
) -> (impl Fn(f64, f64) -> Point + Sync, impl Fn(f64, f64) -> Point + Sync) {
    let upper = move |u: f64, v: f64| {
        let (x, y) = (60.0 * u - 30.0, 40.0 * v - 20.0);
        Point::new(x, y, height(x, y))
    };
    // Its numbers are exchanged, so that it faces down.
    let lower = |u: f64, v: f64| Point::new(60.0 * v - 30.0, 40.0 * u - 20.0, 0.0);
    (upper, lower)
}

fn slab_nominal(height: impl Fn(f64, f64) -> f64 + Sync + Copy) -> Nominal {
    let (upper, lower) = slab(height);
    let mut soup = Soup::default();
    soup.wall(&upper, &|u, v| lower(v, u), [30, 20]);
    soup.nominal()
}

fn slab_scan(height: impl Fn(f64, f64) -> f64 + Sync + Copy, noise_mm: f64, seed: u64) -> Points {
    let (upper, lower) = slab(height);
    let mut random = Random::seeded(seed);
    let mut points = Points::default();
    points.add(&upper, 15_000, noise_mm, &mut random, &|_| true);
    points.add(&lower, 15_000, noise_mm, &mut random, &|_| true);
    points
}

/// The places of the map with their thickness and what it should be.
fn worst(found: &Evaluation, truth: impl Fn(&Point) -> f64) -> (usize, f64) {
    let all = map(found);
    let worst = all.iter().map(|(p, mm)| (mm - truth(p)).abs()).fold(0.0, f64::max);
    (all.len(), worst)
}

#[test]
fn a_wedge_has_two_thicknesses_by_two_definitions() {
    // Lower plane z = 0, upper z = 2 + x tan 10 degrees. At x = 0: along the normal of the lower plane 2.000000, and the
    // ball's diameter 2 h cos a / (1 + cos a) = 1.984691. Elementary geometry, recomputed here for every place.
    let a = 10f64.to_radians();
    let slope = math::tan(a);
    let wedge = |x: f64, _: f64| 6.0 + x * slope;
    let along = |p: &Point| 6.0 + p.x * slope;
    let ball = |p: &Point| 2.0 * along(p) * math::cos(a) / (1.0 + math::cos(a));
    assert!((2.0 * 2.0 * math::cos(a) / (1.0 + math::cos(a)) - 1.984_691).abs() < 5e-7);
    let scan = slab_scan(wedge, 0.0, 1).scan();
    let lower = [("BELOW", Point::new(0.0, 0.0, 0.0), -Vector::z())];
    // Drawn as a wedge, and drawn as a plate and made as a wedge.
    let drawn = slab_nominal(wedge);
    for (nominal, fine) in [(&drawn, 1e-4), (&slab_nominal(|_, _| 6.0), 1e-4)] {
        for (definition, truth, slack) in
            [(ALONG, &along as &dyn Fn(&Point) -> f64, 0.0), (BALL, &ball, 2e-4)]
        {
            let found = told(nominal, &plan_of(&lower, definition, ""), &scan, Motion::identity());
            let (places, worst) = worst(&found, truth);
            println!("{definition}: {places} places, worst {worst:.6} mm");
            assert!(
                places > 200 && worst < fine + slack,
                "{definition}: {worst} of {places} places, {}",
                found.reason
            );
        }
    }
}

/// A tube: outer radius 25, inner 20, whose axis lies 0.5 aside; 40 long along z. Facets of the nominal one degree wide.
fn tube(centre: f64, radius: f64, out: f64, length: f64) -> impl Fn(f64, f64) -> Point + Sync {
    move |u: f64, v: f64| {
        // The turn runs so that the surface faces out of the material.
        let f = out * std::f64::consts::TAU * u;
        Point::new(centre + radius * math::cos(f), radius * math::sin(f), length * (v - 0.5))
    }
}

fn tube_nominal(inner_centre: f64) -> Nominal {
    let (outer, inner) = (tube(0.0, 25.0, 1.0, 40.0), tube(inner_centre, 20.0, -1.0, 40.0));
    let mut soup = Soup::default();
    soup.surface(&outer, [360, 20]);
    soup.surface(&inner, [360, 20]);
    for end in [0.0, 1.0] {
        soup.ruled(&|u| outer(u, end), &|u| inner(1.0 - u, end), 360);
    }
    soup.nominal()
}

#[test]
fn an_eccentric_tube_has_its_wall_by_both_definitions_and_none_across_the_duct() {
    let (r_out, r_in, e) = (25.0f64, 20.0f64, 0.5f64);
    let cosine = |p: &Point| p.x / (p.x * p.x + p.y * p.y).sqrt();
    // On the outer normal through the axis of the outer cylinder to the inner circle; and the ball that touches both.
    let along = |p: &Point| {
        let (c, s2) = (cosine(p), 1.0 - cosine(p) * cosine(p));
        r_out - e * c - (r_in * r_in - e * e * s2).sqrt()
    };
    let ball = |p: &Point| {
        let c = cosine(p);
        (r_out * r_out - 2.0 * r_out * e * c + e * e - r_in * r_in) / (r_out + r_in - e * c)
    };
    let mut random = Random::seeded(2);
    let mut points = Points::default();
    points.add(&tube(0.0, r_out, 1.0, 40.0), 60_000, 0.0, &mut random, &|_| true);
    points.add(&tube(e, r_in, -1.0, 40.0), 60_000, 0.0, &mut random, &|_| true);
    let scan = points.scan();
    let outside = [("OUT", Point::new(25.0, 0.0, 0.0), Vector::x())];
    // Facets lie inside of their circle by 25 (1 - cos 0.5 degrees) = 0.00095 mm at most.
    for (centre, fine) in [(e, 0.003), (0.0, 0.003)] {
        let nominal = tube_nominal(centre);
        for (definition, truth) in [(ALONG, &along as &dyn Fn(&Point) -> f64), (BALL, &ball)] {
            let found = told(&nominal, &plan_of(&outside, definition, ""), &scan, Motion::identity());
            let (places, worst) = worst(&found, truth);
            println!("axis {centre} {definition}: {places} places, worst {worst:.6} mm");
            assert!(places > 400 && worst < fine, "{definition}: {worst} of {places}, {}", found.reason);
            let result = found.thickness.unwrap();
            assert!((result.mean_mm - 5.0).abs() < 0.01, "{}", result.mean_mm);
        }
        // From inside the wall is the same, and never the 40 mm across the duct.
        let inside = [("IN", Point::new(centre - 20.0, 0.0, 0.0), Vector::x())];
        let found = told(&nominal, &plan_of(&inside, ALONG, ""), &scan, Motion::identity());
        let result = found.thickness.as_ref().unwrap();
        let (least, most) = (result.thinnest.value_mm, result.thickest.value_mm);
        assert!((4.49..4.52).contains(&least) && (5.48..5.51).contains(&most), "{least} {most}");
        assert!(found.coverage.unwrap().fraction > 0.99);
    }
}

#[test]
fn concentric_balls_are_two_apart_by_any_definition() {
    // Radii 50 and 52 (exact).
    let ball = |radius: f64, out: f64| {
        move |u: f64, v: f64| {
            let (e, f) = ((0.9 * v - 0.45) * std::f64::consts::PI, out * std::f64::consts::TAU * u);
            let (c, s) = (math::cos(e), math::sin(e));
            Point::new(radius * c * math::cos(f), radius * c * math::sin(f), radius * s)
        }
    };
    let (outer, inner) = (ball(52.0, 1.0), ball(50.0, -1.0));
    let mut soup = Soup::default();
    soup.surface(&outer, [240, 108]);
    soup.surface(&inner, [240, 108]);
    for end in [0.0, 1.0] {
        soup.ruled(&|u| outer(u, end), &|u| inner(1.0 - u, end), 240);
    }
    let nominal = soup.nominal();
    let mut random = Random::seeded(3);
    let mut points = Points::default();
    points.add(&outer, 150_000, 0.0, &mut random, &|_| true);
    points.add(&inner, 150_000, 0.0, &mut random, &|_| true);
    let scan = points.scan();
    let outside = [("OUT", Point::new(52.0, 0.0, 0.0), Vector::x())];
    for definition in [ALONG, BALL] {
        let found = told(&nominal, &plan_of(&outside, definition, ""), &scan, Motion::identity());
        let (places, worst) = worst(&found, |_| 2.0);
        println!("{definition}: {places} places, worst {worst:.6} mm");
        // A facet's sagitta is 52 (1 - cos 0.75 degrees) = 0.0045 mm; it is nearly the same on both sides.
        assert!(places > 500 && worst < 0.004, "{definition}: {worst}, {}", found.reason);
    }
}

#[test]
fn two_plates_with_a_gap_are_two_walls() {
    // Plates of 2.0 with a gap of 0.1: never 2.1 or 4.1 for one of them. The upper one is made 1.9, its lower face higher.
    let flat = |z: f64, up: bool| {
        move |u: f64, v: f64| {
            let (a, b) = if up { (u, v) } else { (v, u) };
            Point::new(60.0 * a - 30.0, 40.0 * b - 20.0, z)
        }
    };
    let mut soup = Soup::default();
    for (top, bottom) in [(4.1, 2.1), (2.0, 0.0)] {
        let lower = flat(bottom, false);
        soup.wall(&flat(top, true), &|u, v| lower(v, u), [30, 20]);
    }
    let nominal = soup.nominal();
    let mut random = Random::seeded(4);
    let mut points = Points::default();
    for (z, up) in [(4.1, true), (2.2, false), (2.0, true), (0.0, false)] {
        points.add(&flat(z, up), 15_000, 0.004, &mut random, &|_| true);
    }
    let scan = points.scan();
    for (id, z, n, truth) in
        [("TOP", 4.1, 1.0, 1.9), ("UNDER", 2.1, -1.0, 1.9), ("LOW", 2.0, 1.0, 2.0), ("BASE", 0.0, -1.0, 2.0)]
    {
        let features = [(id, Point::new(0.0, 0.0, z), Vector::z() * n)];
        for definition in [ALONG, BALL] {
            let found = told(&nominal, &plan_of(&features, definition, ""), &scan, Motion::identity());
            let (places, worst) = worst(&found, |_| truth);
            assert!(places > 200 && worst < 0.01, "{id} {definition}: {worst}, {}", found.reason);
        }
    }
}

#[test]
fn the_place_of_the_part_hardly_matters() {
    let scan = slab_scan(|x, y| 3.0 + 0.2 * math::sin(0.1 * x) * math::cos(0.1 * y), 0.01, 5).scan();
    let nominal = slab_nominal(|_, _| 3.0);
    let upper = [("TOP", Point::new(0.0, 0.0, 3.0), Vector::z())];
    let text = plan_of(
        &upper,
        "patch_radius_mm = 2.0, nominal_mm = 3.0, lower_deviation_mm = -0.3, upper_deviation_mm = 0.3",
        "",
    );
    let at = |moved| told(&nominal, &text, &scan, moved);
    let here = at(Motion::identity());
    // A millimetre off along the normal and a tilt of 3 mrad: the thickness differs by its cosine and by the place.
    let moved = Motion::from_turn_and_shift(Vector::new(0.003, -0.002, 0.0), Vector::new(0.0, 0.0, 0.4));
    let there = at(moved);
    for (a, b) in [(here.minimum, there.minimum), (here.maximum, there.maximum)] {
        let (a, b) = (a.unwrap(), b.unwrap());
        assert!((a.value_mm - b.value_mm).abs() < 0.004, "{a:?} {b:?}");
    }
    assert_eq!((here.verdict, there.verdict), (Verdict::Conforms, Verdict::Conforms), "{}", there.reason);
    let low = here.minimum.unwrap();
    assert!((low.value_mm - 2.8).abs() < 0.015, "{low:?}");
}

#[test]
fn limits_on_both_sides_are_held_by_thin_and_thick_places() {
    let nominal = slab_nominal(|_, _| 3.0);
    let upper = [("TOP", Point::new(0.0, 0.0, 3.0), Vector::z())];
    let bump = |x: f64, y: f64, at: f64| math::exp(-((x - at) * (x - at) + y * y) / 50.0);
    let height = move |x: f64, y: f64| 3.0 + 0.25 * bump(x, y, 15.0) - 0.25 * bump(x, y, -15.0);
    let scan = slab_scan(height, 0.01, 6).scan();
    let verdict = |limits: &str| {
        let text = plan_of(&upper, &format!("patch_radius_mm = 1.5, nominal_mm = 3.0, {limits}"), "");
        told(&nominal, &text, &scan, Motion::identity())
    };
    let both = verdict("lower_deviation_mm = -0.4, upper_deviation_mm = 0.4");
    assert_eq!(both.verdict, Verdict::Conforms, "{}", both.reason);
    assert_eq!((both.limits.lower_mm, both.limits.upper_mm), (Some(2.6), Some(3.4)));
    let (low, high) = (both.minimum.unwrap(), both.maximum.unwrap());
    // The mean of the bump over the patch is lower than its top by a quarter of the patch's square over 50.
    assert!((low.value_mm - 2.75).abs() < 0.02 && (low.at_mm[0] + 15.0).abs() < 2.5, "{low:?}");
    assert!((high.value_mm - 3.25).abs() < 0.02 && (high.at_mm[0] - 15.0).abs() < 2.5, "{high:?}");
    let thin = verdict("lower_deviation_mm = -0.15, upper_deviation_mm = 0.4");
    assert_eq!(thin.verdict, Verdict::DoesNotConform, "{}", thin.reason);
    assert!((thin.value_mm.unwrap() - low.value_mm).abs() < 1e-9);
    let thick = verdict("lower_deviation_mm = -0.4, upper_deviation_mm = 0.15");
    assert_eq!(thick.verdict, Verdict::DoesNotConform, "{}", thick.reason);
    assert!((thick.value_mm.unwrap() - high.value_mm).abs() < 1e-9);
    // One limit alone.
    assert_eq!(verdict("lower_deviation_mm = -0.4").verdict, Verdict::Conforms);
    assert_eq!(verdict("lower_deviation_mm = -0.15").verdict, Verdict::DoesNotConform);
    assert_eq!(verdict("upper_deviation_mm = 0.15").verdict, Verdict::DoesNotConform);
}

/// Root mean square of error over bound, of all places of the map. The bound of a place: white noise of each side over the
/// root of the number of its points within the patch, of both sides together (Gauss-Markov: no unbiased value does better).
/// Of the points those count that are `used`: all but the strip of 1 mm along the rim.
fn over_bound(
    found: &Evaluation,
    points: &Points,
    (noise_mm, patch_mm): (f64, f64),
    used: impl Fn(&Point) -> bool,
    other: impl Fn(&Point) -> Point,
) -> (f64, usize) {
    // A ball wider than the wall reaches the other side: only points that face as the place does count.
    let used: Vec<(&Point, &Vector)> =
        points.clean.iter().zip(&points.normals).filter(|(p, _)| used(p)).collect();
    let (mut sum, mut count) = (0.0, 0usize);
    for (p, mm) in map(found) {
        let q = other(&p);
        let out = p - q;
        let within = |c: &Point, out: Vector| {
            let near = |x: &&(&Point, &Vector)| x.1.dot(&out) > 0.0 && (x.0 - c).norm() <= patch_mm;
            used.iter().filter(near).count() as f64
        };
        let bound = noise_mm * (1.0 / within(&p, out) + 1.0 / within(&q, -out)).sqrt();
        sum += ((mm - 3.0) / bound) * ((mm - 3.0) / bound);
        count += 1;
    }
    ((sum / count as f64).sqrt(), count)
}

#[test]
fn white_noise_is_averaged_as_well_as_it_can_be_on_a_plate_and_on_a_curved_panel() {
    const NOISE: f64 = 0.03;
    let limits = "nominal_mm = 3.0, lower_deviation_mm = -0.3, upper_deviation_mm = 0.3";
    // A panel of radius 300, 3 mm thick, 10 degrees by 40 mm; facets of half a degree.
    let arc = |radius: f64, out: bool| {
        move |u: f64, v: f64| {
            let (a, b) = if out { (u, v) } else { (v, u) };
            let f = (10.0 * a - 5.0f64).to_radians();
            Point::new(radius * math::sin(f), 40.0 * b - 20.0, radius * math::cos(f))
        }
    };
    let mut soup = Soup::default();
    let inner = arc(297.0, false);
    soup.wall(&arc(300.0, true), &|u, v| inner(v, u), [20, 10]);
    let panel = soup.nominal();
    let plate = slab_nominal(|_, _| 3.0);
    // Few enough places that the map holds each of them.
    for patch_mm in [3.0, 4.0] {
        let (mut flat, mut curved) = (Vec::new(), Vec::new());
        for seed in 0..8 {
            let points = slab_scan(|_, _| 3.0, NOISE, 100 + seed);
            let thickness = format!("patch_radius_mm = {patch_mm:?}, {limits}");
            let top = [("TOP", Point::new(0.0, 0.0, 3.0), Vector::z())];
            let scan =
                Points { points: points.points.clone(), normals: points.normals.clone(), clean: Vec::new() }
                    .scan();
            let found = told(&plate, &plan_of(&top, &thickness, ""), &scan, Motion::identity());
            assert_eq!(found.verdict, Verdict::Conforms, "{}", found.reason);
            let inside = |p: &Point| p.x.abs() < 29.0 && p.y.abs() < 19.0;
            let below = |p: &Point| Point::new(p.x, p.y, 0.0);
            flat.push(over_bound(&found, &points, (NOISE, patch_mm), inside, below));
            let place_noise = found.thickness.unwrap().place_noise_mm;
            let said = NOISE * (2.0 / (6.25 * std::f64::consts::PI * patch_mm * patch_mm)).sqrt();
            assert!((place_noise / said - 1.0).abs() < 0.2, "told {place_noise}, by density {said}");

            let mut random = Random::seeded(200 + seed);
            let mut points = Points::default();
            points.add(&arc(300.0, true), 13_000, NOISE, &mut random, &|_| true);
            points.add(&arc(297.0, false), 13_000, NOISE, &mut random, &|_| true);
            let scan =
                Points { points: points.points.clone(), normals: points.normals.clone(), clean: Vec::new() }
                    .scan();
            let outside = [("OUT", Point::new(0.0, 0.0, 300.0), Vector::z())];
            let found = told(&panel, &plan_of(&outside, &thickness, ""), &scan, Motion::identity());
            assert_eq!(found.verdict, Verdict::Conforms, "{}", found.reason);
            let other = |p: &Point| {
                let r = (p.x * p.x + p.z * p.z).sqrt();
                Point::new(p.x * 297.0 / r, p.y, p.z * 297.0 / r)
            };
            let inside = |p: &Point| {
                let r = (p.x * p.x + p.z * p.z).sqrt();
                let end = 5f64.to_radians() * r - 1.0;
                p.y.abs() < 19.0 && r * math::atan2(p.x.abs(), p.z) < end
            };
            curved.push(over_bound(&found, &points, (NOISE, patch_mm), inside, other));
        }
        for (name, all) in [("plate", flat), ("panel of radius 300", curved)] {
            let count: usize = all.iter().map(|a| a.1).sum();
            let rms = (all.iter().map(|a| a.0 * a.0 * a.1 as f64).sum::<f64>() / count as f64).sqrt();
            println!("{name}, patch {patch_mm} mm: rms {rms:.3} of the bound, {count} places");
            assert!(rms < 1.15 && rms > 0.85, "{name}: {rms}");
        }
    }
}

#[test]
fn zones_have_targets_of_their_own_and_the_worst_of_them_settles() {
    // Drawn 3.0 all over; made with a ply drop from 3.0 to 2.4 between x = 2 and 6.
    let nominal = slab_nominal(|_, _| 3.0);
    let drop = |x: f64, _: f64| 3.0 - 0.6 * ((x - 2.0) / 4.0).clamp(0.0, 1.0);
    let scan = slab_scan(drop, 0.01, 7).scan();
    let lower = [("BELOW", Point::new(0.0, 0.0, 0.0), -Vector::z())];
    // 2.4 mm as 12 plies of 200 g/m2 of fibres of 1.8 g/cm3 that fill five ninths: 0.2 mm a ply.
    let laminate = "laminate = [{ plies = 12, areal_weight_g_m2 = 200, fibre_density_g_cm3 = 1.8, fibre_fraction = 0.5555555555555556 }]";
    let asked = |zone_limits: &str| {
        let text = format!(
            "patch_radius_mm = 1.5, nominal_mm = 3.0, lower_deviation_mm = -0.7, upper_deviation_mm = 0.1, zone = [ \
             {{ at_mm = [18.0, 0.0, 0.0], radius_mm = 11.5, {laminate}, {zone_limits} }} ]"
        );
        told(&nominal, &plan_of(&lower, &text, ""), &scan, Motion::identity())
    };
    let good = asked("lower_deviation_mm = -0.08, upper_deviation_mm = 0.08");
    assert_eq!(good.verdict, Verdict::Conforms, "{}", good.reason);
    let zones = good.thickness.as_ref().unwrap().zones.clone();
    assert_eq!(zones.len(), 2);
    assert_eq!(zones[1].name, "elsewhere");
    assert!(
        (zones[0].nominal_mm.unwrap() - 2.4).abs() < 1e-9 && (zones[0].mean_mm.unwrap() - 2.4).abs() < 0.004,
        "{zones:?}"
    );
    for extreme in [zones[0].minimum, zones[0].maximum] {
        assert!((extreme.unwrap().value_mm - 2.4).abs() < 0.02, "{zones:?}");
    }
    assert!((zones[1].maximum.unwrap().value_mm - 3.0).abs() < 0.02, "{zones:?}");
    assert!(good.operators.contains_key("places_left_out_at_zone_borders"));
    let bad = asked("lower_deviation_mm = 0.05, upper_deviation_mm = 0.2");
    assert_eq!(bad.verdict, Verdict::DoesNotConform, "{}", bad.reason);
    assert!(bad.reason.starts_with("zone within"), "{}", bad.reason);
    assert!((bad.limits.lower_mm.unwrap() - 2.45).abs() < 1e-9 && bad.value_mm.unwrap() < 2.42, "{bad:?}");
    // Without a zone the thin area breaks a limit about 3.0.
    let text = "patch_radius_mm = 1.5, nominal_mm = 3.0, lower_deviation_mm = -0.2, upper_deviation_mm = 0.2";
    let whole = told(&nominal, &plan_of(&lower, text, ""), &scan, Motion::identity());
    assert_eq!(whole.verdict, Verdict::DoesNotConform);
    // A zone that lies nowhere is told, and never passes.
    let text = "patch_radius_mm = 1.5, nominal_mm = 3.0, lower_deviation_mm = -0.7, upper_deviation_mm = 0.2, zone = [ \
                { at_mm = [180.0, 0.0, 0.0], radius_mm = 11.0, nominal_mm = 2.4 } ]";
    let nowhere = told(&nominal, &plan_of(&lower, text, ""), &scan, Motion::identity());
    assert_eq!(nowhere.verdict, Verdict::NotMeasured);
    assert!(nowhere.reason.contains("no place of the feature lies in it"), "{}", nowhere.reason);
}

#[test]
fn a_drawn_step_is_followed_by_the_nominals_own_thickness_and_by_a_zone_of_the_other_side() {
    // Drawn with a step of 1 mm over a chamfer of 2 mm; made 0.1 thicker on the thin side.
    let step = |x: f64, _: f64| 3.0 + ((x + 2.0) / 2.0).clamp(0.0, 1.0);
    let nominal = slab_nominal(step);
    let made = move |x: f64, y: f64| step(x, y) + if x < -4.0 { 0.1 } else { 0.0 };
    let scan = slab_scan(made, 0.008, 8).scan();
    let lower = [
        ("BELOW", Point::new(10.0, 0.0, 0.0), -Vector::z()),
        ("THIN", Point::new(-20.0, 0.0, 3.0), Vector::z()),
    ];
    let text = "patch_radius_mm = 1.5, lower_deviation_mm = -0.15, upper_deviation_mm = 0.15";
    let found = told(&nominal, &plan_of(&lower, text, ""), &scan, Motion::identity());
    assert_eq!(found.verdict, Verdict::Conforms, "{}", found.reason);
    let high = found.maximum.unwrap();
    assert!(
        (high.value_mm - 3.1).abs() < 0.02 && found.limits.upper_mm == Some(3.15),
        "{high:?} {:?}",
        found.limits
    );
    let text = "patch_radius_mm = 1.5, lower_deviation_mm = -0.15, upper_deviation_mm = 0.15, zone = [ { feature = \"THIN\", \
                nominal_mm = 3.0, upper_deviation_mm = 0.05 } ]";
    let found = told(&nominal, &plan_of(&lower, text, ""), &scan, Motion::identity());
    assert_eq!(found.verdict, Verdict::DoesNotConform, "{}", found.reason);
    let zone = &found.thickness.as_ref().unwrap().zones[0];
    assert_eq!((zone.name.as_str(), zone.verdict), ("THIN", Verdict::DoesNotConform));
    assert!((zone.mean_mm.unwrap() - 3.1).abs() < 0.01, "{zone:?}");
}

#[test]
fn what_was_not_seen_on_both_sides_is_not_measured_and_the_reason_says_why() {
    let nominal = slab_nominal(|_, _| 3.0);
    let (upper, lower) = slab(|_, _| 3.0);
    let top = [("TOP", Point::new(0.0, 0.0, 3.0), Vector::z())];
    let limits =
        "patch_radius_mm = 2.0, nominal_mm = 3.0, lower_deviation_mm = -0.3, upper_deviation_mm = 0.3";
    let scan_of = |above: &dyn Fn(&Point) -> bool, below: &dyn Fn(&Point) -> bool| {
        let mut random = Random::seeded(9);
        let mut points = Points::default();
        points.add(&upper, 15_000, 0.01, &mut random, above);
        points.add(&lower, 15_000, 0.01, &mut random, below);
        points
    };
    let measured = |points: Points, more: &str| {
        told(&nominal, &plan_of(&top, limits, more), &points.scan(), Motion::identity())
    };
    let one = measured(scan_of(&|_| true, &|_| false), "");
    assert_eq!((one.verdict, one.value_mm), (Verdict::NotMeasured, None));
    assert!(one.reason.contains("the other side of the wall was not seen"), "{}", one.reason);
    let other = measured(scan_of(&|_| false, &|_| true), "");
    assert!(
        other.verdict == Verdict::NotMeasured && other.reason.contains("the side of the feature itself"),
        "{}",
        other.reason
    );
    // A quarter of the other side is open.
    let part = || scan_of(&|_| true, &|p| p.x > -15.0);
    let found = measured(part(), "needs = { coverage = 0.95 }");
    assert_eq!((found.verdict, found.value_mm), (Verdict::NotMeasured, None), "{}", found.reason);
    let coverage = found.coverage.as_ref().unwrap();
    assert!((coverage.fraction - 0.75).abs() < 0.03, "{coverage:?}");
    let share = |why: &str| coverage.missing.iter().find(|m| m.why == why).map_or(0.0, |m| m.fraction);
    assert!((share("other_side") - 0.25).abs() < 0.03, "{coverage:?}");
    let gap = &coverage.gaps[0];
    assert!(gap.at_mm[0] < -18.0 && gap.at_mm[2].abs() < 1e-9 && gap.facing[2] < -0.99, "{gap:?}");
    assert!((gap.disc_mm - 2.0 * 14.0).abs() < 4.0, "{gap:?}");
    // What was seen is right, and with half as enough it is decided.
    let found = measured(part(), "needs = { coverage = 0.5 }");
    assert_eq!(found.verdict, Verdict::Conforms, "{}", found.reason);
    assert!((found.thickness.unwrap().mean_mm - 3.0).abs() < 0.002);
    // Too sparse for the plan.
    let sparse = measured(scan_of(&|_| true, &|_| true), "needs = { points_per_cm2 = 5000.0 }");
    assert!(
        sparse.verdict == Verdict::NotMeasured && sparse.reason.contains("on each cm2"),
        "{}",
        sparse.reason
    );
    let dense = measured(scan_of(&|_| true, &|_| true), "needs = { points_per_cm2 = 500.0 }");
    assert_eq!(dense.verdict, Verdict::Conforms, "{}", dense.reason);
    // A feature that is named and does not lie there.
    let text = plan_of(
        &[top[0], ("BELOW", Point::new(0.0, 0.0, 0.0), -Vector::z())],
        &format!("{limits}, opposite = \"BELOW\""),
        "",
    );
    let named = told(&nominal, &text, &scan_of(&|_| true, &|_| true).scan(), Motion::identity());
    assert_eq!(named.verdict, Verdict::Conforms, "{}", named.reason);
    let narrow = limits.replace("nominal_mm = 3.0, ", "largest_nominal_mm = 2.5, ");
    let none = told(
        &nominal,
        &plan_of(&top, &narrow, ""),
        &scan_of(&|_| true, &|_| true).scan(),
        Motion::identity(),
    );
    assert!(
        none.verdict == Verdict::NotMeasured && none.reason.contains("nothing that faces it"),
        "{}",
        none.reason
    );
}

#[test]
fn an_open_sheet_has_no_thickness() {
    let (upper, _) = slab(|_, _| 3.0);
    let mut soup = Soup::default();
    soup.surface(&upper, [30, 20]);
    let nominal = soup.sided(Some(scantling_core::nominal::Side::BehindNormal));
    let scan = slab_scan(|_, _| 3.0, 0.01, 10).scan();
    let top = [("TOP", Point::new(0.0, 0.0, 3.0), Vector::z())];
    let text = plan_of(&top, ALONG, "")
        .replace("file = \"wall.stl\"", "file = \"wall.stl\"\nside_of_material = \"behind_normal\"");
    let found = told(&nominal, &text, &scan, Motion::identity());
    assert!(found.verdict == Verdict::NotMeasured && found.reason.contains("open sheet"), "{}", found.reason);
}

#[test]
fn without_normals_a_wall_that_is_far_off_is_not_decided() {
    let nominal = slab_nominal(|_, _| 2.0);
    let top = [("TOP", Point::new(0.0, 0.0, 2.0), Vector::z())];
    let text = plan_of(
        &top,
        "patch_radius_mm = 2.0, nominal_mm = 2.0, lower_deviation_mm = -1.5, upper_deviation_mm = 1.5",
        "",
    );
    let near = told(&nominal, &text, &slab_scan(|_, _| 2.1, 0.01, 11).without_normals(), Motion::identity());
    assert_eq!(near.verdict, Verdict::Conforms, "{}", near.reason);
    let bump = |x: f64, y: f64| 2.0 + 0.8 * math::exp(-(x * x + y * y) / 40.0);
    let far = told(&nominal, &text, &slab_scan(bump, 0.01, 11).without_normals(), Motion::identity());
    assert!(far.verdict == Verdict::Undecided && far.reason.contains("no normals"), "{}", far.reason);
    assert_eq!(
        told(&nominal, &text, &slab_scan(bump, 0.01, 11).scan(), Motion::identity()).verdict,
        Verdict::Conforms
    );
}

#[test]
fn a_stray_point_is_a_spike_and_a_thin_ridge_is_not() {
    let nominal = slab_nominal(|_, _| 3.0);
    let top = [("TOP", Point::new(0.0, 0.0, 3.0), Vector::z())];
    let text = plan_of(
        &top,
        "patch_radius_mm = 1.5, nominal_mm = 3.0, lower_deviation_mm = -0.5, upper_deviation_mm = 0.5",
        "",
    );
    let mut points = slab_scan(|_, _| 3.0, 0.01, 12);
    let stray = points.points.iter().position(|p| p.z > 2.0 && p.x.abs() < 5.0 && p.y.abs() < 5.0).unwrap();
    points.points[stray].z += 1.0;
    let found = told(&nominal, &text, &points.scan(), Motion::identity());
    assert_eq!(found.operators["spikes_left_out"], "1");
    assert!(found.maximum.unwrap().value_mm < 3.03, "{:?}", found.maximum);
    // 1.2 mm wide, 0.3 high: a place on it shows its share of the patch.
    let ridge = |x: f64, _: f64| 3.0 + if x.abs() < 0.6 { 0.3 } else { 0.0 };
    let found = told(&nominal, &text, &slab_scan(ridge, 0.01, 12).scan(), Motion::identity());
    assert!(found.maximum.unwrap().value_mm > 3.1, "{:?} {:?}", found.maximum, found.operators);
}
