use super::field::RandomField;
use super::*;
use crate::geometry::random::Random;
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math};
use crate::run::quiet;

/// Straight from above, without noise but what is asked for.
fn scanner(spacing_mm: f64, imperfections: Imperfections) -> Scanner {
    Scanner {
        views: vec![Direction::Z],
        normal_error_rad: 0.0,
        imperfections,
        ..Scanner::front(spacing_mm, 0.0, 7)
    }
}

fn still() -> Motion<ScanFrame, TableFrame> {
    Motion::identity()
}

/// A square of `size_mm` about the origin with its normal along z.
fn plate(size_mm: f64) -> Made {
    let table = Table { size_mm: [size_mm; 2], roughness_mm: 0.0 };
    Made::of_mesh(table.mesh().unwrap(), Vec::new(), Vec::new())
}

/// A box of `size_mm` that stands on the plane z = 0 in the middle.
fn block(size_mm: [f64; 3]) -> Scene {
    let clamp = Clamp { foot: Point::origin(), size_mm, turn_rad: 0.0 };
    Scene { clamps: vec![clamp], ..Scene::default() }
}

fn on(plate: Made) -> Scene {
    let part = ScenePart { made: plate, table_from_part: Motion::identity() };
    Scene { parts: vec![part], ..Scene::default() }
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(s, n), v| (s + v * v, n + 1.0));
    let mean: f64 = sum / count;
    mean.sqrt()
}

#[test]
fn correlated_noise_has_its_deviation_and_falls_off_as_stated() {
    let (length_mm, deviation_mm) = (6.0, 0.03);
    // Products over many fields, each at pairs of places 0, 6 and 12 mm apart.
    let mut sums = [0.0; 3];
    let mut count = 0.0;
    for seed in 0..60 {
        let noise = Some(CorrelatedNoise { deviation_mm, length_mm });
        let imperfections = Imperfections { correlated_noise: noise, ..Imperfections::default() };
        let scanner = Scanner { seed, ..scanner(3.0, imperfections) };
        let scan = scanner.scan_scene(&quiet(), &on(plate(120.0)), &still()).unwrap();
        for (i, p) in scan.points.iter().enumerate().step_by(7) {
            let mut nearest = [(f64::INFINITY, 0.0); 3];
            for q in &scan.points {
                let d = ((q.x - p.x) * (q.x - p.x) + (q.y - p.y) * (q.y - p.y)).sqrt();
                for (k, best) in nearest.iter_mut().enumerate() {
                    let off = (d - length_mm * k as f64).abs();
                    if off < best.0 {
                        *best = (off, p.z * q.z);
                    }
                }
            }
            assert_eq!(nearest[0].0, 0.0, "{i}");
            assert!(nearest[1].0 < 0.05 && nearest[2].0 < 0.05 || p.x.abs().max(p.y.abs()) > 40.0);
            (0..3).for_each(|k| sums[k] += nearest[k].1);
            count += 1.0;
        }
    }
    let variance = sums[0] / count;
    assert!((variance.sqrt() / deviation_mm - 1.0).abs() < 0.03, "{}", variance.sqrt());
    // exp(-1/2) and exp(-2); the nearest points are within 0.05 mm of 6 and 12 mm.
    for (k, expected) in [(1, 0.60653), (2, 0.13534)] {
        let correlation = sums[k] / count / variance;
        assert!((correlation - expected).abs() < 0.03, "{k}: {correlation}");
    }
}

#[test]
fn a_random_field_is_gaussian_enough() {
    let mut random = Random::seeded(5);
    let (mut beyond_one, mut beyond_two) = (0.0, 0.0);
    let mut count = 0.0;
    for seed in 0..20 {
        let field = RandomField::new(seed, 2.0);
        for _ in 0..500 {
            let p = Point::from(Vector::from_fn(|_, _| random.range(-200.0, 200.0)));
            let v: f64 = field.at(&p).abs();
            beyond_one += f64::from(v > 1.0);
            beyond_two += f64::from(v > 2.0);
            count += 1.0;
        }
    }
    // 31.73 % and 4.55 % of a normal distribution; three standard deviations of 10,000 draws.
    assert!((beyond_one / count - 0.3173_f64).abs() < 0.014, "{beyond_one}");
    assert!((beyond_two / count - 0.0455_f64).abs() < 0.0063, "{beyond_two}");
}

#[test]
fn noise_grows_with_the_angle_to_the_view() {
    let lean = 60.0_f64.to_radians();
    let view = Direction::new(Vector::new(math::sin(lean), 0.0, math::cos(lean))).unwrap();
    for (growth, expected) in [(0.0, 1.0), (1.0, 2.0), (0.5, 1.5)] {
        let imperfections = Imperfections { noise_growth: growth, ..Imperfections::default() };
        let scanner = Scanner { views: vec![view], noise_mm: 0.02, ..scanner(0.5, imperfections) };
        let scan = scanner.scan_scene(&quiet(), &on(plate(60.0)), &still()).unwrap();
        let found = rms(scan.points.iter().map(|p| p.z)) / 0.02;
        // 14,400 points: three standard deviations are 1.8 %.
        assert!((found / expected - 1.0).abs() < 0.019, "{growth}: {found}");
    }
}

#[test]
fn as_many_points_drop_out_as_the_surface_makes_one_by_one_and_in_patches() {
    for (surface, angle_deg, expected) in [
        (SurfaceClass::Dull, 0.0, 0.01),
        (SurfaceClass::Dark, 0.0, 0.08),
        (SurfaceClass::Gloss, 0.0, 0.4),
        (SurfaceClass::Gloss, 20.0, 0.05),
        // Half of the way from 30 to 70 degrees: a quarter of the way from 0.08 to 0.7.
        (SurfaceClass::Dark, 50.0, 0.235),
    ] {
        let lean = f64::to_radians(angle_deg);
        let view = Direction::new(Vector::new(math::sin(lean), 0.0, math::cos(lean))).unwrap();
        // Patches are few to a plate: they are held to less.
        for (patch_mm, tolerance) in [(None, 0.011), (Some(0.5), 0.04)] {
            let count = |drop_out| {
                let imperfections = Imperfections { drop_out, ..Imperfections::default() };
                let scanner = Scanner { views: vec![view], ..scanner(0.5, imperfections) };
                scanner.scan_scene(&quiet(), &on(plate(70.0)), &still()).unwrap().points.len() as f64
            };
            let missing = 1.0 - count(Some(DropOut { surface, patch_mm })) / count(None);
            assert!(
                (missing - expected).abs() < tolerance,
                "{surface:?} {angle_deg} {patch_mm:?}: {missing}"
            );
        }
    }
}

#[test]
fn seams_are_the_mean_difference_of_a_pass() {
    let seams = Some(PassSeams { least_mm: 0.02, largest_mm: 0.05, turn_rad: 0.0 });
    let unkind = Imperfections { seams, ..Imperfections::default() };
    let scene = block([60.0, 50.0, 40.0]);
    let scan = |imperfections| {
        let scanner = Scanner { imperfections, ..Scanner::front(1.0, 0.02, 7) };
        scanner.scan_scene(&quiet(), &scene, &still()).unwrap()
    };
    let (kind, moved) = (scan(Imperfections::default()), scan(unkind.clone()));
    let mut seen = 0;
    for view in 0..7 {
        let of_view = |i: &usize| kind.view[*i] == view;
        let index: Vec<usize> = (0..kind.points.len()).filter(of_view).collect();
        if index.len() < 100 {
            continue;
        }
        let mean = index.iter().fold(Vector::zeros(), |s, &i| s + (moved.points[i] - kind.points[i]))
            / index.len() as f64;
        let expected = if view == 0 { 0.0..=1e-12 } else { 0.02..=0.05 };
        assert!(expected.contains(&mean.norm()), "{view}: {mean:?}");
        assert!(index.iter().all(|&i| (moved.points[i] - kind.points[i] - mean).norm() < 1e-9));
        seen += 1;
    }
    assert!(seen >= 4, "{seen}");
    // A turn moves each pass by no more than its angle times half the size.
    let turning = Some(PassSeams { least_mm: 0.0, largest_mm: 0.0, turn_rad: 1e-3 });
    let turned = scan(Imperfections { seams: turning, ..unkind });
    let largest = (0..kind.points.len()).map(|i| (turned.points[i] - kind.points[i]).norm());
    let largest = largest.fold(0.0, f64::max);
    assert!(largest > 1e-3 && largest < 1e-3 * 44.0, "{largest}");
}

#[test]
fn lengths_are_wrong_by_the_scale_error() {
    let unkind = Imperfections { scale_error_ppm: 250.0, ..Imperfections::default() };
    let from = Motion::from_turn_and_shift(Vector::new(0.3, 1.0, -0.5), Vector::new(900.0, 10.0, -70.0));
    let [good, long] = [Imperfections::default(), unkind]
        .map(|i| scanner(5.0, i).scan_scene(&quiet(), &on(plate(200.0)), &from).unwrap().points);
    for i in 1..good.len() {
        let (a, b) = ((good[i] - good[0]).norm(), (long[i] - long[0]).norm());
        assert!((b / a - 1.00025).abs() < 1e-9, "{a} {b}");
    }
}

#[test]
fn edges_are_round_with_their_radius() {
    let radius_mm = 0.8;
    let unkind = Imperfections { edge_radius_mm: Some(radius_mm), ..Imperfections::default() };
    let scan = Scanner { imperfections: unkind, normal_error_rad: 0.0, ..Scanner::front(0.2, 0.0, 3) }
        .scan_scene(&quiet(), &block([20.0, 16.0, 10.0]), &still())
        .unwrap();
    // Along the upper edge at x = 10 the rounding's axis is at x = 10 - r, z = 10 - r.
    let (mut round, mut outside) = (0, 0);
    for (p, n) in scan.points.iter().zip(&scan.normals) {
        // Away from the corners and the lower edges.
        if p.y.abs() > 6.0 || p.z < 2.0 {
            continue;
        }
        let (dx, dz) = (p.x - (10.0 - radius_mm), p.z - (10.0 - radius_mm));
        if dx > 1e-6 && dz > 1e-6 {
            let off = (dx * dx + dz * dz).sqrt();
            assert!((off - radius_mm).abs() < 1e-9, "{p:?}");
            let out = Direction::new(Vector::new(dx, 0.0, dz)).unwrap();
            assert!(n.angle_to(out) < 1e-6, "{p:?}");
            round += 1;
        } else {
            outside += 1;
            assert!((p.x.abs() - 10.0).abs() < 1e-9 || p.z > 9.0 || p.x < 0.0, "{p:?}");
        }
    }
    assert!(round > 300 && outside > 1000, "{round} {outside}");
}

#[test]
fn smoothing_leaves_the_share_of_white_noise_that_its_weights_say() {
    let (spacing_mm, length_mm) = (0.5, 2.5);
    let unkind = Imperfections { smoothing_mm: Some(length_mm), ..Imperfections::default() };
    let scan = |i| {
        Scanner { noise_mm: 0.02, ..scanner(spacing_mm, i) }.scan_scene(&quiet(), &on(plate(80.0)), &still())
    };
    let inside = |p: &&Point| p.x.abs() < 36.0 && p.y.abs() < 36.0;
    let [before, after] = [Imperfections::default(), unkind]
        .map(|i| rms(scan(i).unwrap().points.iter().filter(inside).map(|p| p.z)));
    // Integrals of w = (1 - t^2)^2 over the disc: pi / 3, of its square: pi / 5.
    let share = spacing_mm / length_mm * (9.0 / (5.0 * std::f64::consts::PI)).sqrt();
    assert!((before / 0.02 - 1.0).abs() < 0.02, "{before}");
    // Smoothed noise has some 400 independent patches on the plate: 3.5 % of standard deviation.
    assert!((after / before / share - 1.0).abs() < 0.11, "{} {share}", after / before);
}

#[test]
fn holes_up_to_the_size_are_closed_with_points_that_are_not_there() {
    let surround = WindowSurround::sized(0.75);
    let mesh = surround.mesh();
    let made = Made::of_mesh(mesh.clone(), surround.carriers(&mesh), Vec::new());
    let unkind = Imperfections { filled_openings_mm: Some(9.5), ..Imperfections::default() };
    let scan = scanner(0.7, unkind).scan_scene(&quiet(), &on(made), &still()).unwrap();
    for hole in surround.holes() {
        let radius = 0.5 * hole.diameter_mm;
        let inside = |p: &&Point| ((p.x - hole.centre.x), (p.y - hole.centre.y));
        let near = |p: &&Point| {
            let (x, y) = inside(p);
            (x * x + y * y).sqrt() < radius - 0.01
        };
        let lid: Vec<&Point> = scan.points.iter().filter(near).collect();
        if hole.diameter_mm < 9.5 {
            // One point a square of the spacing, less the wall that is hardly seen from straight above.
            let expected = std::f64::consts::PI * radius * radius / 0.49;
            assert!(
                (lid.len() as f64 - expected).abs() < 0.12 * expected + 4.0,
                "{}: {}",
                hole.id,
                lid.len()
            );
            assert!(lid.iter().all(|p| p.z.abs() < 1e-9), "{}", hole.id);
        } else {
            assert!(lid.is_empty(), "{}: {}", hole.id, lid.len());
        }
    }
    let filled = scan.taken.iter().filter(|t| **t == Taken::Filling).count();
    assert!(filled > 200);
    // The part's own outside and opening are no holes of that size, and a box has none.
    let unkind = Imperfections { filled_openings_mm: Some(100.0), ..Imperfections::default() };
    let scan = scanner(1.0, unkind).scan_scene(&quiet(), &block([20.0, 20.0, 5.0]), &still()).unwrap();
    assert!(scan.taken.iter().all(|t| *t == Taken::Surface));
}

#[test]
fn targets_stand_above_the_surface_by_their_thickness() {
    let targets = Some(ReferenceTargets { count: 5, diameter_mm: 8.0, thickness_mm: 0.15 });
    let unkind = Imperfections { targets, ..Imperfections::default() };
    let mut scene = on(plate(150.0));
    scene.table = Some(Table { size_mm: [400.0, 400.0], roughness_mm: 0.0 });
    scene.parts[0].table_from_part = Motion::from_turn_and_shift(Vector::zeros(), Vector::z() * 10.0);
    let scan = scanner(0.5, unkind).scan_scene(&quiet(), &scene, &still()).unwrap();
    let mut raised = Vec::new();
    for (i, p) in scan.points.iter().enumerate() {
        let high = (p.z - 10.15).abs() < 1e-9;
        assert_eq!(high, scan.taken[i] == Taken::Target);
        if high {
            assert_eq!(scan.origin[i], Origin::Part(0));
            raised.push(*p);
        }
    }
    // Five discs of 8 mm, some of them cut by the plate's border.
    let area = raised.len() as f64 * 0.25 / (std::f64::consts::PI * 16.0);
    assert!(area > 3.0 && area < 5.05, "{area}");
    let close = |p: &Point| raised.iter().filter(|q| (*q - p).norm() < 8.1).count() as f64;
    assert!(raised.iter().all(|p| close(p) * 0.25 < 1.05 * std::f64::consts::PI * 16.0));
}

#[test]
fn an_unkind_scan_has_the_same_bits_on_any_number_of_threads() {
    let unkind = Imperfections {
        correlated_noise: Some(CorrelatedNoise { deviation_mm: 0.01, length_mm: 5.0 }),
        noise_growth: 1.0,
        drop_out: Some(DropOut { surface: SurfaceClass::Gloss, patch_mm: Some(4.0) }),
        seams: Some(PassSeams { least_mm: 0.02, largest_mm: 0.05, turn_rad: 1e-4 }),
        edge_radius_mm: Some(0.4),
        smoothing_mm: Some(8.0),
        filled_openings_mm: Some(9.0),
        scale_error_ppm: 100.0,
        targets: Some(ReferenceTargets { count: 6, diameter_mm: 12.0, thickness_mm: 0.1 }),
    };
    let demo = demo_parts(3, 0.75);
    let scanner = Scanner { imperfections: unkind, ..Scanner::front(5.0, 0.02, 7) };
    let from: Motion<ScanFrame, PartFrame> = demo.bad.scan_from_part;
    let scan = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| scanner.scan(&demo.bad.made, &from).unwrap())
    };
    let one = scan(1);
    assert!(one.points.len() > 3_000);
    assert_eq!(one, scan(3));
}

#[test]
fn imperfections_that_make_no_sense_are_refused() {
    let off = Imperfections::default;
    let noise = |deviation_mm, length_mm| Some(CorrelatedNoise { deviation_mm, length_mm });
    let seams = |least_mm, largest_mm, turn_rad| Some(PassSeams { least_mm, largest_mm, turn_rad });
    let targets = |diameter_mm, thickness_mm| Some(ReferenceTargets { count: 1, diameter_mm, thickness_mm });
    for wrong in [
        Imperfections { noise_growth: f64::NAN, ..off() },
        Imperfections { correlated_noise: noise(-0.1, 1.0), ..off() },
        Imperfections { correlated_noise: noise(0.1, 0.0), ..off() },
        Imperfections { seams: seams(0.05, 0.02, 0.0), ..off() },
        Imperfections { seams: seams(0.02, f64::INFINITY, 0.0), ..off() },
        Imperfections { seams: seams(0.02, 0.05, -1.0), ..off() },
        Imperfections { edge_radius_mm: Some(0.0), ..off() },
        Imperfections { smoothing_mm: Some(f64::NAN), ..off() },
        Imperfections { filled_openings_mm: Some(-1.0), ..off() },
        Imperfections { scale_error_ppm: f64::INFINITY, ..off() },
        // A thousand times the spacing is an opening of a million points.
        Imperfections { filled_openings_mm: Some(1001.0), ..off() },
        Imperfections { smoothing_mm: Some(51.0), ..off() },
        Imperfections { targets: targets(0.0, 0.1), ..off() },
        Imperfections { targets: targets(5.0, f64::NAN), ..off() },
    ] {
        let answer = scanner(1.0, wrong.clone()).scan_scene(&quiet(), &on(plate(10.0)), &still());
        assert!(matches!(answer, Err(ScannerError::Imperfection { .. })), "{wrong:?}");
    }
}
