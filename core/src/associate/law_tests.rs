//! What must not change, what must change in proportion, slow second methods, seeded statistics.

use super::{CylinderFit, PlaneFit, circle, cylinder, minimum_zone_plane, plane};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math, random::Random};

const TRIALS: u64 = 40;

fn shuffled(points: &[Point], random: &mut Random) -> Vec<Point> {
    let mut out = points.to_vec();
    for i in (1..out.len()).rev() {
        out.swap(i, random.below(i + 1));
    }
    out
}

fn slab(random: &mut Random, n: usize, sizes: [f64; 3]) -> Vec<Point> {
    (0..n)
        .map(|_| {
            let [a, b, c] = sizes.map(|s| random.range(-0.5 * s, 0.5 * s));
            Point::new(a, b, c)
        })
        .collect()
}

/// Points of a cylinder about z: arc in rad, height and noise in mm.
fn tube(random: &mut Random, n: usize, radius: f64, arc: f64, height: f64, sigma: f64) -> Vec<Point> {
    (0..n)
        .map(|_| {
            let t = random.range(-0.5 * arc, 0.5 * arc);
            let r = radius + sigma * random.normal();
            Point::new(r * math::cos(t), r * math::sin(t), random.range(-0.5 * height, 0.5 * height))
        })
        .collect()
}

/// A motion of up to 12 m, and the scale, shuffle seed that go with a trial.
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
fn width_by_enumeration(points: &[Point]) -> f64 {
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

/// Mean of error' C^-1 error over trials; 1 per parameter when the covariance is right. Only the diagonal
/// and one combination are looked at, which needs no inverse.
struct Spread {
    ratios: Vec<f64>,
    trials: f64,
}

impl Spread {
    fn new(kinds: usize) -> Self {
        Self { ratios: vec![0.0; kinds], trials: 0.0 }
    }

    fn see(&mut self, pairs: &[(f64, f64)]) {
        self.trials += 1.0;
        for (total, (error, variance)) in self.ratios.iter_mut().zip(pairs) {
            *total += error * error / variance;
        }
    }

    /// Relative standard deviation of a mean of n squares is sqrt(2 / n); five of those.
    fn check(&self) {
        let slack = 5.0 * (2.0 / self.trials).sqrt();
        for (i, total) in self.ratios.iter().enumerate() {
            let ratio = total / self.trials;
            assert!((ratio - 1.0).abs() < slack, "parameter {i}: observed over stated variance {ratio}");
        }
    }
}

#[test]
fn covariance_of_a_short_arc_is_what_trials_show() {
    let sigma = 0.01;
    let mut spread = Spread::new(4);
    for seed in 0..800 {
        let random = &mut Random::seeded(1000 + seed);
        // 60 degrees of a 20 mm circle, in a plane askew.
        let part_from_scan = Motion::<PartFrame, ScanFrame>::from_turn_and_shift(
            Vector::new(0.3, -0.8, 0.5),
            Vector::new(4500.0, 0.0, 9.0),
        );
        let points: Vec<Point> =
            tube(random, 40, 20.0, 1.047, 1.0, sigma).iter().map(|p| part_from_scan.point(p)).collect();
        let axis = part_from_scan.direction(Direction::Z);
        let fit = circle(&points, axis).unwrap();
        let centre = part_from_scan.point(&Point::origin());
        let off = fit.centre - centre;
        let e = [off.dot(&fit.across[0].vector()), off.dot(&fit.across[1].vector()), fit.radius_mm - 20.0];
        let c = &fit.unit_covariance;
        let v = sigma * sigma;
        let both = c[0][0] + c[2][2] + 2.0 * c[0][2];
        spread.see(&[(e[0], v * c[0][0]), (e[1], v * c[1][1]), (e[2], v * c[2][2]), (e[0] + e[2], v * both)]);
    }
    spread.check();
}

#[test]
fn covariance_of_a_short_cylinder_is_what_trials_show() {
    let sigma = 0.005;
    let mut spread = Spread::new(6);
    for seed in 0..400 {
        let random = &mut Random::seeded(3000 + seed);
        let part_from_scan = Motion::<PartFrame, ScanFrame>::from_turn_and_shift(
            Vector::new(0.1, 0.2, 0.15),
            Vector::new(100.0, 50.0, 9.0),
        );
        // A 3 mm skin around a 15 mm hole, half of it seen.
        let points: Vec<Point> =
            tube(random, 80, 7.5, 3.1, 3.0, sigma).iter().map(|p| part_from_scan.point(p)).collect();
        let CylinderFit { point, axis, across, radius_mm, unit_covariance: c, .. } =
            cylinder(&points).unwrap();
        let true_axis = part_from_scan.direction(Direction::Z);
        let turn = axis.vector() - true_axis.vector() * axis.dot(true_axis).signum();
        let off = point - part_from_scan.point(&Point::origin());
        let foot = off - true_axis.vector() * off.dot(&true_axis.vector());
        let a = across.map(Direction::vector);
        // The axis through `point` is off by the foot; `point` itself slides along the axis freely.
        let e = [turn.dot(&a[0]), turn.dot(&a[1]), foot.dot(&a[0]), foot.dot(&a[1]), radius_mm - 7.5];
        let v = sigma * sigma;
        let mut pairs: Vec<(f64, f64)> = (0..5).map(|i| (e[i], v * c[i][i])).collect();
        pairs.push((e[2] + e[4], v * (c[2][2] + c[4][4] + 2.0 * c[2][4])));
        spread.see(&pairs);
    }
    spread.check();
}

#[test]
fn covariance_of_a_plane_is_what_trials_show() {
    let sigma = 0.02;
    let mut spread = Spread::new(3);
    let far = Point::new(70.0, 30.0, 0.0);
    for seed in 0..800 {
        let random = &mut Random::seeded(5000 + seed);
        let mut points = slab(random, 30, [60.0, 20.0, 0.0]);
        for p in &mut points {
            p.z += sigma * random.normal();
        }
        let fit: PlaneFit = plane(&points).unwrap();
        let rise = |i: usize| fit.along[i].vector().z;
        let v = sigma * sigma;
        spread.see(&[
            (rise(0), v * fit.unit_covariance[1][1]),
            (rise(1), v * fit.unit_covariance[2][2]),
            (fit.distance(&far), v * fit.unit_variance_at(&far)),
        ]);
    }
    spread.check();
}
