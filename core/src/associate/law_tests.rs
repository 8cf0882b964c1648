//! What must not change, what must change in proportion, slow second methods.

use super::{circle, cylinder, minimum_zone_plane, plane};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math, random::Random};

const TRIALS: u64 = 40;

fn shuffled(points: &[Point], random: &mut Random) -> Vec<Point> {
    let mut out = points.to_vec();
    for i in (1..out.len()).rev() {
        out.swap(i, random.below(i + 1));
    }
    out
}

pub(super) fn slab(random: &mut Random, n: usize, sizes: [f64; 3]) -> Vec<Point> {
    (0..n)
        .map(|_| {
            let [a, b, c] = sizes.map(|s| random.range(-0.5 * s, 0.5 * s));
            Point::new(a, b, c)
        })
        .collect()
}

/// Points of a cylinder about z: arc in rad, height and noise in mm.
pub(super) fn tube(
    random: &mut Random,
    n: usize,
    radius: f64,
    arc: f64,
    height: f64,
    sigma: f64,
) -> Vec<Point> {
    (0..n)
        .map(|_| {
            let t = random.range(-0.5 * arc, 0.5 * arc);
            let r = radius + sigma * random.normal();
            Point::new(r * math::cos(t), r * math::sin(t), random.range(-0.5 * height, 0.5 * height))
        })
        .collect()
}

/// A random turn and a shift of up to 12 m.
fn elsewhere(random: &mut Random) -> Motion<PartFrame, ScanFrame> {
    let shift = Vector::new(random.range(-1.0, 1.0), random.range(-1.0, 1.0), random.range(-1.0, 1.0));
    Motion::from_turn_and_shift(random.turn(), shift * 7000.0)
}

fn angle(a: Direction, b: Direction) -> f64 {
    a.vector().cross(&b.vector()).norm()
}

#[test]
fn planes_move_turn_reorder_and_scale() {
    for seed in 0..TRIALS {
        let random = &mut Random::seeded(seed);
        let n = 3 + random.below(300);
        let points = slab(random, n, [80.0, 30.0, 0.2]);
        let Ok(fit) = plane(&points) else { continue };
        let zone = minimum_zone_plane(&points).unwrap();
        let part_from_scan = elsewhere(random);
        let moved: Vec<Point> = shuffled(&points, random).iter().map(|p| part_from_scan.point(p)).collect();
        let (fit2, zone2) = (plane(&moved).unwrap(), minimum_zone_plane(&moved).unwrap());
        assert!(angle(part_from_scan.direction(fit.normal), fit2.normal) < 1e-11, "seed {seed}");
        assert!(fit2.distance(&part_from_scan.point(&fit.centroid)).abs() < 1e-10, "seed {seed}");
        assert!((fit.rms_mm - fit2.rms_mm).abs() < 1e-10, "seed {seed}");
        assert!((zone.width_mm - zone2.width_mm).abs() < 1e-10, "seed {seed}");
        assert!(zone.width_mm <= fit.high.0 - fit.low.0 + 1e-12, "seed {seed}");
        let scaled: Vec<Point> = points.iter().map(|p| p * 1000.0).collect();
        let fit3 = plane(&scaled).unwrap();
        assert!((fit3.rms_mm - 1000.0 * fit.rms_mm).abs() < 1e-10, "seed {seed}");
        let width3 = minimum_zone_plane(&scaled).unwrap().width_mm;
        assert!((width3 - 1000.0 * zone.width_mm).abs() < 1e-9, "seed {seed}");
        // Slopes are angles: their unit covariance goes with the inverse square of size.
        let ratio = fit.unit_covariance[2][2] / fit3.unit_covariance[2][2];
        assert!((ratio * 1e-6 - 1.0).abs() < 1e-9, "seed {seed}");
    }
}

#[test]
fn circles_move_turn_reorder_and_scale() {
    for seed in 0..TRIALS {
        let random = &mut Random::seeded(100 + seed);
        let n = 4 + random.below(60);
        let arc = random.range(1.0, 6.3);
        let points = tube(random, n, 7.5, arc, 3.0, 0.01);
        let fit = circle(&points, Direction::Z).unwrap();
        let part_from_scan = elsewhere(random);
        let moved: Vec<Point> = shuffled(&points, random).iter().map(|p| part_from_scan.point(p)).collect();
        let fit2 = circle(&moved, part_from_scan.direction(Direction::Z)).unwrap();
        assert!((fit2.centre - part_from_scan.point(&fit.centre)).norm() < 1e-9, "seed {seed}");
        assert!((fit2.radius_mm - fit.radius_mm).abs() < 1e-9, "seed {seed}");
        let ratio = fit2.unit_covariance[2][2] / fit.unit_covariance[2][2];
        assert!((ratio - 1.0).abs() < 1e-6, "seed {seed}");
        let scaled: Vec<Point> = points.iter().map(|p| p * 0.001).collect();
        let fit3 = circle(&scaled, Direction::Z).unwrap();
        assert!((fit3.radius_mm * 1000.0 - fit.radius_mm).abs() < 1e-10, "seed {seed}");
        let back = circle(&points, Direction::Z.reversed()).unwrap();
        assert!((back.centre - fit.centre).norm() < 1e-10, "seed {seed}");
    }
}

#[test]
fn cylinders_move_turn_reorder_and_scale() {
    for seed in 0..TRIALS {
        let random = &mut Random::seeded(200 + seed);
        let n = 8 + random.below(200);
        let arc = random.range(2.0, 6.3);
        // From a washer to a needle.
        let height = 10.0 * math::exp(random.range(-2.5, 4.0));
        let points = tube(random, n, 7.5, arc, height, 0.002);
        let fit = cylinder(&points).unwrap_or_else(|e| panic!("seed {seed}, height {height}: {e}"));
        assert!((fit.radius_mm - 7.5).abs() < 0.2, "seed {seed}, height {height}: {fit:?}");
        let part_from_scan = elsewhere(random);
        let moved: Vec<Point> = shuffled(&points, random).iter().map(|p| part_from_scan.point(p)).collect();
        let fit2 = cylinder(&moved).unwrap();
        assert!(angle(part_from_scan.direction(fit.axis), fit2.axis) < 1e-9, "seed {seed}");
        assert!(fit2.distance_from_axis(&part_from_scan.point(&fit.point)) < 1e-9, "seed {seed}");
        assert!((fit2.radius_mm - fit.radius_mm).abs() < 1e-9, "seed {seed}");
        let scaled: Vec<Point> = points.iter().map(|p| p * 1000.0).collect();
        let fit3 = cylinder(&scaled).unwrap();
        assert!((fit3.radius_mm - 1000.0 * fit.radius_mm).abs() < 1e-8, "seed {seed}");
    }
}

#[test]
fn a_clean_cylinder_is_found_in_every_direction_and_form() {
    for seed in 0..200 {
        let random = &mut Random::seeded(300 + seed);
        let n = 10 + random.below(50);
        let (radius, arc) = (random.range(1.0, 30.0), random.range(1.0, 6.3));
        let height = radius * math::exp(random.range(-2.0, 4.0));
        let points = tube(random, n, radius, arc, height, 0.0);
        let part_from_scan = elsewhere(random);
        let moved: Vec<Point> = points.iter().map(|p| part_from_scan.point(p)).collect();
        let fit = cylinder(&moved).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        assert!((fit.radius_mm - radius).abs() < 1e-6, "seed {seed}: {radius} {arc} {height} {fit:?}");
        assert!(angle(fit.axis, part_from_scan.direction(Direction::Z)) < 1e-6, "seed {seed}");
    }
}

#[test]
fn a_handful_of_points_finds_its_cylinder_be_it_a_washer_or_a_needle() {
    for seed in 0..300 {
        let random = &mut Random::seeded(700 + seed);
        let n = 6 + random.below(4);
        let (arc, height) = (random.range(1.5, 6.3), math::exp(random.range(-2.5, 5.0)));
        let sigma = [0.0, 1e-6, 1e-4][random.below(3)];
        let part_from_scan = elsewhere(random);
        let points: Vec<Point> =
            tube(random, n, 1.0, arc, height, sigma).iter().map(|p| part_from_scan.point(p)).collect();
        let fit = cylinder(&points).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let allowed = 1e-6 + 8.0 * sigma * fit.unit_covariance[4][4].sqrt();
        let off = (fit.radius_mm - 1.0).abs();
        assert!(off < allowed, "seed {seed}: {n} points, height {height}, off by {off}, allowed {allowed}");
    }
}

#[test]
fn a_plane_turned_round_mirrors_its_residuals() {
    let points = slab(&mut Random::seeded(1), 40, [9.0, 5.0, 0.3]);
    let up = plane(&points).unwrap().facing(Direction::Z);
    let down = up.clone().facing(Direction::Z.reversed());
    assert!(up.normal.vector().z > 0.0 && down.normal.vector().z < 0.0);
    for fit in [&up, &down] {
        for end in [fit.low, fit.high] {
            assert!((fit.distance(&points[end.1]) - end.0).abs() < 1e-13);
        }
        let right = fit.along[0].vector().cross(&fit.along[1].vector());
        assert!((right - fit.normal.vector()).norm() < 1e-14);
    }
}

/// Every direction in which a face meets a vertex or an edge an edge; any minimum is among them.
pub(super) fn width_by_enumeration(points: &[Point]) -> f64 {
    let mut normals = Vec::new();
    let n = points.len();
    for i in 0..n {
        for j in i + 1..n {
            for k in i..n {
                for l in k + 1..n {
                    let cross = (points[j] - points[i]).cross(&(points[l] - points[k]));
                    normals.extend(Direction::new(cross));
                }
            }
        }
    }
    let width = |d: &Direction| {
        let heights = points.iter().map(|p| p.coords.dot(&d.vector()));
        let (low, high) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
        high - low
    };
    normals.iter().map(width).fold(f64::INFINITY, f64::min)
}

#[test]
fn zones_are_the_narrowest_of_all_by_enumeration() {
    let mut proven = 0;
    for seed in 0..300 {
        let random = &mut Random::seeded(400 + seed);
        let n = 4 + random.below(8);
        let thick = math::exp(random.range(-6.0, 0.0));
        let mut points = slab(random, n, [9.0, 6.0, thick]);
        if seed % 3 == 0 {
            // Onto a grid: many points in line, many equal heights.
            for p in &mut points {
                *p = Point::new(p.x.round(), p.y.round(), (p.z / thick * 3.0).round() * thick);
            }
        }
        let Ok(zone) = minimum_zone_plane(&points) else { continue };
        let least = width_by_enumeration(&points);
        assert!(zone.width_mm >= least - 1e-12, "seed {seed}");
        if zone.narrowest_of_all {
            proven += 1;
            assert!(zone.width_mm <= least + 1e-11, "seed {seed}: {} {least}", zone.width_mm);
        }
        for (contacts, height) in [(&zone.above, zone.high.0), (&zone.below, zone.low.0)] {
            for &i in contacts {
                let at = (points[i] - zone.point).dot(&zone.normal.vector());
                assert!((at - height).abs() < 1e-11, "seed {seed}");
            }
        }
    }
    assert!(proven > 200, "only {proven} proven");
}

#[test]
fn a_bent_sheet_with_rows_of_equal_contacts_has_its_known_zone() {
    // Height x^2 on a grid: two rows above, one row below.
    let points: Vec<Point> = (-20..=20)
        .flat_map(|i| (-10..=10).map(move |j| (f64::from(i) / 20.0, f64::from(j))))
        .map(|(x, y)| Point::new(10.0 * x, y, x * x))
        .collect();
    let zone = minimum_zone_plane(&points).unwrap();
    assert!((zone.width_mm - 1.0).abs() < 1e-12, "{}", zone.width_mm);
}

#[test]
fn a_large_set_has_the_zone_of_its_extremes() {
    let random = &mut Random::seeded(11);
    let mut points = slab(random, 200_000, [900.0, 600.0, 0.1]);
    for p in &mut points {
        p.z += 1e-6 * p.x * p.x;
    }
    let zone = minimum_zone_plane(&points).unwrap();
    assert!(zone.narrowest_of_all);
    // A set holding the contacts and part of the rest has the same zone.
    let mut few: Vec<Point> = zone.above.iter().chain(&zone.below).map(|&i| points[i]).collect();
    few.extend(points.iter().step_by(500));
    assert!((minimum_zone_plane(&few).unwrap().width_mm - zone.width_mm).abs() < 1e-10);
}

#[test]
fn the_same_input_gives_the_same_bits_on_any_number_of_threads() {
    let random = &mut Random::seeded(12);
    let (sheet, pipe) = (slab(random, 50_000, [90.0, 60.0, 0.1]), tube(random, 20_000, 5.0, 4.0, 9.0, 0.01));
    let all = || {
        (
            plane(&sheet).unwrap(),
            minimum_zone_plane(&sheet).unwrap(),
            circle(&pipe, Direction::Z).unwrap(),
            cylinder(&pipe).unwrap(),
        )
    };
    let on = |threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(all);
    assert_eq!(on(1), on(3));
}
