//! Lines, spheres, balls of known radius, cones: laws, slow second methods, and points that say too little.

use super::law_tests::{slab, tube};
use super::{FitError, Freedom, Shape, associate, cone, line, sphere, sphere_of_radius};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math, random::Random};
use crate::run::quiet;
use std::f64::consts::{PI, TAU};

fn elsewhere(random: &mut Random) -> Motion<PartFrame, ScanFrame> {
    let shift = Vector::new(random.range(-1.0, 1.0), random.range(-1.0, 1.0), random.range(-1.0, 1.0));
    Motion::from_turn_and_shift(random.turn(), shift * 7000.0)
}

fn reversed_elsewhere(points: &[Point], motion: &Motion<PartFrame, ScanFrame>) -> Vec<Point> {
    points.iter().rev().map(|p| motion.point(p)).collect()
}

fn angle(a: Direction, b: Direction) -> f64 {
    a.vector().cross(&b.vector()).norm()
}

/// A cap of a sphere about z, its half opening in rad.
fn cap(random: &mut Random, n: usize, radius: f64, opening: f64, sigma: f64) -> Vec<Point> {
    let least = math::cos(opening);
    (0..n)
        .map(|_| {
            let z = random.range(least, 1.0);
            let (t, r) = (random.range(0.0, TAU), (1.0 - z * z).sqrt());
            let d = Vector::new(r * math::cos(t), r * math::sin(t), z);
            Point::from(d * (radius + sigma * random.normal()))
        })
        .collect()
}

/// A band of a cone about z with its apex at the origin: half angle and arc in rad, from and to along the generator.
pub(super) fn funnel(
    random: &mut Random,
    n: usize,
    half: f64,
    arc: f64,
    along: [f64; 2],
    sigma: f64,
) -> Vec<Point> {
    let (s, c) = (math::sin(half), math::cos(half));
    (0..n)
        .map(|_| {
            let (w, t) = (random.range(along[0], along[1]), random.range(-0.5 * arc, 0.5 * arc));
            let e = sigma * random.normal();
            let (r, z) = (w * s + e * c, w * c - e * s);
            Point::new(r * math::cos(t), r * math::sin(t), z)
        })
        .collect()
}

fn freedom<T: std::fmt::Debug>(fit: Result<T, FitError>) -> Freedom {
    match fit {
        Err(FitError::Undetermined { freedom, .. }) => freedom,
        other => panic!("expected undetermined, got {other:?}"),
    }
}

/// The slow second method: the direction that a hundred thousand small turns cannot better, by a shrinking compass
/// search on the sum of squared distances from a line through the centroid.
fn line_by_search(points: &[Point], start: Vector) -> Vector {
    let centre = points.iter().fold(Vector::zeros(), |s, p| s + p.coords) / points.len() as f64;
    let cost = |d: &Vector| points.iter().map(|p| (p.coords - centre).cross(d).norm_squared()).sum::<f64>();
    let (mut best, mut step) = (start.normalize(), 0.3);
    while step > 1e-9 {
        let (a, b) = Direction::new(best).unwrap().frame();
        let next = [a, -a, b, -b]
            .map(|side| (best + side * step).normalize())
            .into_iter()
            .find(|d| cost(d) < cost(&best));
        match next {
            Some(d) => best = d,
            None => step *= 0.5,
        }
    }
    best
}

#[test]
fn a_line_is_the_best_of_all_directions_and_moves_with_its_points() {
    for seed in 0..40 {
        let random = &mut Random::seeded(6000 + seed);
        let n = 3 + random.below(200);
        let points = slab(random, n, [80.0, 4.0, 2.0]);
        let Ok(fit) = line(&points) else { continue };
        // The cost is flat to rounding within 1e-8 of its least.
        let slow = line_by_search(&points, Vector::new(1.0, 0.3, -0.2));
        assert!(fit.direction.vector().cross(&slow).norm() < 1e-6, "seed {seed}");
        let distances: Vec<f64> = points.iter().map(|p| fit.distance(p)).collect();
        let mean2 = distances.iter().map(|d| d * d).sum::<f64>() / n as f64;
        assert!((fit.rms_mm - mean2.sqrt()).abs() < 1e-12);
        assert!((distances[fit.high.1] - fit.high.0).abs() < 1e-12);
        assert!(distances.iter().all(|d| *d <= fit.high.0 + 1e-12 && *d >= fit.low.0 - 1e-12));
        let motion = elsewhere(random);
        let there = line(&reversed_elsewhere(&points, &motion)).unwrap();
        assert!(angle(motion.direction(fit.direction), there.direction) < 1e-11, "seed {seed}");
        assert!(there.distance(&motion.point(&fit.centroid)) < 1e-10, "seed {seed}");
        assert!((there.rms_mm - fit.rms_mm).abs() < 1e-10);
        let big: Vec<Point> = points.iter().map(|p| p * 1000.0).collect();
        let big = line(&big).unwrap();
        assert!((big.rms_mm - 1000.0 * fit.rms_mm).abs() < 1e-9);
        assert!((big.unit_covariance[2][2] * 1e6 / fit.unit_covariance[2][2] - 1.0).abs() < 1e-9);
    }
}

/// Four points in the closed form: (+-10, +-1) about x, one of them moved by 0.4 across. The slope is that of the
/// principal axis, tan(2 a) = 2 sxy / (sxx - syy).
#[test]
fn a_line_through_four_points_is_the_principal_axis() {
    let flat = [(-10.0, -1.0), (-10.0, 1.0), (10.0, -1.0), (10.0, 1.4)];
    let points: Vec<Point> = flat.iter().map(|&(x, y)| Point::new(x, y, 5.0)).collect();
    let fit = line(&points).unwrap();
    // Means 0 and 0.1; sxx = 400, sxy = 4, syy = 1.21 + 0.81 + 1.21 + 1.69 = 4.92.
    let a = 0.5 * math::atan2(8.0, 400.0 - 4.92);
    assert!((fit.direction.vector() - Vector::new(math::cos(a), math::sin(a), 0.0)).norm() < 1e-15);
    assert!((fit.centroid - Point::new(0.0, 0.1, 5.0)).norm() < 1e-15);
}

#[test]
fn what_is_no_line_is_refused() {
    let random = &mut Random::seeded(1);
    assert_eq!(line(&[]), Err(FitError::TooFewPoints { shape: Shape::Line, need: 2, got: 0 }));
    assert_eq!(freedom(line(&[Point::new(4500.0, 1.0, 1.0); 5])), Freedom::Coincident);
    assert_eq!(freedom(line(&slab(random, 9, [5.0, 5.0, 5.0]))), Freedom::Turns);
    let two = line(&[Point::new(4500.0, 0.0, 0.0), Point::new(4501.0, 1.0, 0.0)]).unwrap();
    assert!(two.rms_mm < 1e-12 && two.noise_mm().is_none());
    let mut bad = slab(random, 9, [50.0, 1.0, 1.0]);
    bad[4].y = f64::NAN;
    assert_eq!(line(&bad), Err(FitError::NotFinite { index: 4 }));
}

#[test]
fn spheres_move_reorder_and_scale() {
    for seed in 0..60 {
        let random = &mut Random::seeded(6100 + seed);
        let (n, opening) = (8 + random.below(200), random.range(0.4, PI));
        let points = cap(random, n, 7.5, opening, 0.002);
        let fit = sphere(&points).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let allowed = 6.0 * 0.002 * fit.unit_covariance[3][3].sqrt();
        assert!((fit.radius_mm - 7.5).abs() < allowed, "seed {seed}: {fit:?}");
        let motion = elsewhere(random);
        let moved = reversed_elsewhere(&points, &motion);
        let there = sphere(&moved).unwrap();
        assert!((there.centre - motion.point(&fit.centre)).norm() < 2e-9, "seed {seed}");
        assert!((there.radius_mm - fit.radius_mm).abs() < 2e-9, "seed {seed}");
        let trace = |c: &[[f64; 4]; 4]| c[0][0] + c[1][1] + c[2][2];
        assert!((trace(&there.unit_covariance) / trace(&fit.unit_covariance) - 1.0).abs() < 1e-6);
        let small: Vec<Point> = points.iter().map(|p| p * 0.001).collect();
        assert!((sphere(&small).unwrap().radius_mm * 1000.0 - fit.radius_mm).abs() < 1e-9);
        // With the radius that it found, the centre stays; the residuals too.
        let ball = sphere_of_radius(&moved, there.radius_mm).unwrap();
        assert!((ball.centre - there.centre).norm() < 2e-9, "seed {seed}");
        assert!((ball.rms_mm - there.rms_mm).abs() < 1e-10);
    }
}

/// Six points on the axes, those along z pulled out by 2 e, the others by e: radius r + 4 e / 3 in closed form, since
/// the centre stays by symmetry and the radius is the mean distance.
#[test]
fn a_sphere_through_six_points_has_the_mean_radius() {
    let mut points = Vec::new();
    for axis in 0..3 {
        for sign in [-1.0, 1.0] {
            let mut p = Point::new(4000.0, -300.0, 20.0);
            p[axis] += sign * (10.0 + if axis == 2 { 0.2 } else { 0.1 });
            points.push(p);
        }
    }
    let fit = sphere(&points).unwrap();
    assert!((fit.radius_mm - (10.0 + 0.4 / 3.0)).abs() < 1e-12);
    assert!((fit.centre - Point::new(4000.0, -300.0, 20.0)).norm() < 1e-12);
    assert_eq!((fit.high.1 / 2, fit.low.1 / 2 < 2), (2, true));
}

#[test]
fn what_is_no_sphere_is_refused() {
    let random = &mut Random::seeded(2);
    let few = sphere(&[Point::origin(); 3]);
    assert_eq!(few, Err(FitError::TooFewPoints { shape: Shape::Sphere, need: 4, got: 3 }));
    assert_eq!(freedom(sphere(&[Point::new(1.0, 2.0, 3.0); 9])), Freedom::Coincident);
    let along: Vec<Point> = (0..9).map(|i| Point::new(f64::from(i), 4500.0, 0.0)).collect();
    assert_eq!(freedom(sphere(&along)), Freedom::Collinear);
    let ring: Vec<Point> = tube(random, 40, 9.0, 6.3, 0.0, 0.0);
    assert_eq!(freedom(sphere(&ring)), Freedom::Coplanar);
    for seed in 0..20 {
        let random = &mut Random::seeded(6200 + seed);
        // A ring with noise has a radius but no centre along its axis; a noisy flat has neither.
        let mut ring = tube(random, 1000, 9.0, 6.3, 0.0, 0.01);
        ring.iter_mut().for_each(|p| p.z += 0.01 * random.normal());
        assert!(matches!(freedom(sphere(&ring)), Freedom::Centre | Freedom::Radius), "seed {seed}");
        let mut flat = slab(random, 500, [50.0, 40.0, 0.0]);
        flat.iter_mut().for_each(|p| p.z = 0.01 * random.normal());
        let found = freedom(sphere(&flat));
        assert!(matches!(found, Freedom::Centre | Freedom::Radius), "seed {seed}: {found}");
    }
}

#[test]
fn a_ball_of_known_radius_is_found_on_a_small_cap() {
    for seed in 0..40 {
        let random = &mut Random::seeded(6300 + seed);
        let points = cap(random, 60, 12.7, 0.35, 0.003);
        let ball = sphere_of_radius(&points, 12.7).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
        let c = &ball.unit_covariance;
        let allowed = 5.0 * 0.003 * (c[0][0] + c[1][1] + c[2][2]).sqrt();
        assert!(ball.centre.coords.norm() < allowed, "seed {seed}: {ball:?}");
    }
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let points = cap(&mut Random::seeded(1), 20, 5.0, 1.0, 0.0);
        assert!(matches!(sphere_of_radius(&points, bad), Err(FitError::BadRadius { .. })), "{bad}");
    }
    // A ring fits a ball on either side.
    let ring = tube(&mut Random::seeded(3), 40, 3.0, 6.3, 0.0, 0.0);
    assert_eq!(freedom(sphere_of_radius(&ring, 5.0)), Freedom::Ambiguous);
    // Of twice the size: no such ball.
    let points = cap(&mut Random::seeded(4), 80, 5.0, PI, 0.0);
    assert_eq!(freedom(sphere_of_radius(&points, 50.0)), Freedom::Ambiguous);
}

#[test]
fn cones_move_reorder_and_scale_from_needles_to_nearly_flat() {
    for seed in 0..60 {
        let random = &mut Random::seeded(6400 + seed);
        let n = 12 + random.below(200);
        let half = [0.012, 0.05, 0.3, 0.8, 1.2, 1.45][random.below(6)];
        let from = random.range(2.0, 60.0);
        let along = [from, from + random.range(15.0, 60.0)];
        let arc = random.range(2.5, 6.3);
        let points = funnel(random, n, half, arc, along, 1e-5);
        let what = format!("seed {seed}: {n} points, half {half}, {along:?}, arc {arc}");
        let fit = cone(&points).unwrap_or_else(|e| panic!("{what}: {e}"));
        let allowed = 6.0 * 1e-5 * fit.unit_covariance[5][5].sqrt();
        assert!((fit.half_angle_rad - half).abs() < allowed, "{what}: {}", fit.half_angle_rad);
        assert!(fit.axis.vector().z > 0.9, "{what}");
        let motion = elsewhere(random);
        let there = cone(&reversed_elsewhere(&points, &motion)).unwrap();
        // Coordinates of 12 m are rounded to 2e-12 mm; the covariance says what that does.
        let c = &fit.unit_covariance;
        let room = 1e-10 + 3e-11 * (c[0][0] + c[1][1] + c[5][5]).sqrt();
        assert!(angle(there.axis, motion.direction(fit.axis)) < room, "{what}");
        assert!((there.half_angle_rad - fit.half_angle_rad).abs() < room, "{what}");
        let room = 1e-9 + 3e-11 * (c[2][2] + c[3][3] + c[4][4]).sqrt();
        let off = there.distance_from_axis(&motion.point(&fit.point));
        assert!(off < room, "{what}: {off:e}, room {room:e}");
        assert!((there.radius_mm - fit.radius_mm).abs() < room, "{what}");
        let large: Vec<Point> = points.iter().map(|p| p * 1000.0).collect();
        assert!((cone(&large).unwrap().half_angle_rad - fit.half_angle_rad).abs() < 1e-9, "{what}");
        for end in [fit.low, fit.high] {
            assert!((fit.distance(&points[end.1]) - end.0).abs() < 1e-10, "{what}");
        }
    }
}

#[test]
fn clean_cones_of_a_handful_of_points_are_met() {
    for seed in 0..100 {
        let random = &mut Random::seeded(6500 + seed);
        let n = 8 + random.below(8);
        let half = random.range(0.02, 1.5);
        let arc = random.range(3.5, 6.3);
        let points = funnel(random, n, half, arc, [5.0, 40.0], 0.0);
        let motion = elsewhere(random);
        let moved = reversed_elsewhere(&points, &motion);
        match cone(&moved) {
            Ok(fit) => {
                let room = 1e-7 + 1e-11 * fit.unit_covariance[5][5].sqrt();
                let off = (fit.half_angle_rad - half).abs();
                assert!(off < room, "seed {seed}: {n} points, half {half}: off by {off:e}");
                let room = 1e-6 + 1e-10 * fit.unit_covariance[4][4].sqrt();
                let apex = (fit.apex() - motion.point(&Point::origin())).norm();
                assert!(apex < room / math::tan(half), "seed {seed}: apex off by {apex:e}");
            }
            other => panic!("seed {seed}: {n} points, half {half}: {other:?}"),
        }
    }
}

#[test]
fn what_is_no_cone_is_refused() {
    let random = &mut Random::seeded(7);
    let few = cone(&[Point::origin(); 5]);
    assert_eq!(few, Err(FitError::TooFewPoints { shape: Shape::Cone, need: 6, got: 5 }));
    assert_eq!(freedom(cone(&[Point::new(1.0, 2.0, 3.0); 9])), Freedom::Coincident);
    let along: Vec<Point> = (0..9).map(|i| Point::new(f64::from(i), 4500.0, 0.0)).collect();
    assert_eq!(freedom(cone(&along)), Freedom::Collinear);
    assert_eq!(freedom(cone(&slab(random, 50, [9.0, 7.0, 0.0]))), Freedom::Coplanar);
    for seed in 0..10 {
        let random = &mut Random::seeded(6600 + seed);
        let pipe = tube(random, 300, 9.0, 6.3, 30.0, 0.01);
        assert_eq!(freedom(cone(&pipe)), Freedom::Untapered, "seed {seed}");
        let mut flat = slab(random, 300, [50.0, 40.0, 0.0]);
        flat.iter_mut().for_each(|p| p.z = 0.01 * random.normal());
        assert!(cone(&flat).is_err(), "seed {seed}");
        assert!(cone(&slab(random, 100, [9.0, 9.0, 9.0])).is_err(), "seed {seed}");
    }
}

/// Mean of squared error over stated variance, for spheres, balls and cones; 1 when the covariance is right.
#[test]
fn stated_covariances_are_what_trials_show() {
    let (sigma, trials) = (0.004, 400);
    let mut ratios = [0.0; 13];
    for seed in 0..trials {
        let random = &mut Random::seeded(7000 + seed);
        let v = sigma * sigma;
        let points = cap(random, 80, 15.0, 0.8, sigma);
        let fit = sphere(&points).unwrap();
        let c = &fit.unit_covariance;
        let e = [fit.centre.x, fit.centre.y, fit.centre.z, fit.radius_mm - 15.0];
        (0..4).for_each(|i| ratios[i] += e[i] * e[i] / (v * c[i][i]));
        let both = c[2][2] + c[3][3] + 2.0 * c[2][3];
        ratios[4] += (e[2] + e[3]) * (e[2] + e[3]) / (v * both);
        let ball = sphere_of_radius(&points, 15.0).unwrap();
        ratios[5] += ball.centre.z * ball.centre.z / (v * ball.unit_covariance[2][2]);

        let points = funnel(random, 120, 0.5, 2.5, [20.0, 45.0], sigma);
        let fit = cone(&points).unwrap();
        let c = &fit.unit_covariance;
        let [a, b] = fit.across.map(Direction::vector);
        let true_axis = Vector::z();
        let turn = fit.axis.vector() - true_axis;
        let foot = Vector::new(fit.point.x, fit.point.y, 0.0);
        // `point` is the foot of the centroid: the true one has the centroid's height on the true axis.
        let height = points.iter().map(|p| p.z).sum::<f64>() / points.len() as f64;
        let radius = fit.radius_mm - height * math::tan(0.5);
        let e = [turn.dot(&a), turn.dot(&b), foot.dot(&a), foot.dot(&b), radius, fit.half_angle_rad - 0.5];
        (0..6).for_each(|i| ratios[6 + i] += e[i] * e[i] / (v * c[i][i]));
        let both = c[4][4] + c[5][5] * 100.0 + 20.0 * c[4][5];
        ratios[12] += (e[4] + 10.0 * e[5]) * (e[4] + 10.0 * e[5]) / (v * both);
    }
    // Relative standard deviation of a mean of n squares is sqrt(2 / n); five of those.
    let slack = 5.0 * (2.0 / trials as f64).sqrt();
    for (i, total) in ratios.iter().enumerate() {
        let ratio = total / trials as f64;
        assert!((ratio - 1.0).abs() < slack, "parameter {i}: observed over stated variance {ratio}");
    }
}

#[test]
fn one_call_says_the_same_in_every_shape() {
    let random = &mut Random::seeded(8);
    let part_from_scan = elsewhere(random);
    let sets: [(Shape, Vec<Point>, usize); 6] = [
        (Shape::Line, slab(random, 50, [90.0, 0.1, 0.1]), 4),
        (Shape::Plane, slab(random, 50, [90.0, 50.0, 0.1]), 3),
        (Shape::Circle, tube(random, 50, 12.0, 5.0, 0.1, 0.01), 6),
        (Shape::Sphere, cap(random, 50, 12.0, 2.0, 0.01), 4),
        (Shape::Cylinder, tube(random, 50, 12.0, 5.0, 30.0, 0.01), 5),
        (Shape::Cone, funnel(random, 50, 0.6, 5.0, [10.0, 40.0], 0.01), 6),
    ];
    for (shape, points, freedoms) in sets {
        let moved: Vec<Point> = points.iter().map(|p| part_from_scan.point(p)).collect();
        let found = associate(&quiet(), shape, &moved).unwrap_or_else(|e| panic!("{shape}: {e}"));
        assert_eq!((found.shape, found.points), (shape, 50));
        assert_eq!(found.freedoms, freedoms as u64);
        assert_eq!(found.parameters.len(), freedoms);
        let covariance = found.covariance.as_ref().unwrap();
        assert!(covariance.len() == freedoms && covariance.iter().all(|row| row.len() == freedoms));
        for i in 0..freedoms {
            let parameter = &found.parameters[i];
            let s = parameter.standard_deviation.unwrap();
            assert!(s > 0.0 && (s * s / covariance[i][i] - 1.0).abs() < 1e-12, "{shape}: {parameter:?}");
            for j in 0..freedoms {
                assert_eq!(covariance[i][j], covariance[j][i], "{shape}");
            }
            let length = parameter.along.map_or(1.0, |a| Vector::from(a).norm());
            assert!((length - 1.0).abs() < 1e-12);
        }
        assert!(found.form_mm >= found.high.residual_mm - found.low.residual_mm);
        assert!(found.noise_mm.unwrap() > 0.0 && found.rms_mm > 0.0);
        assert_eq!(found.direction.is_none(), shape == Shape::Sphere);
        assert_eq!(found.out_of_plane.is_some(), shape == Shape::Circle);
        let text = serde_json::to_string(&found).unwrap();
        assert_eq!(serde_json::from_str::<super::Association>(&text).unwrap(), found);
        // Wherever it lies and however large, the error in the size is a few of its standard deviations.
        if let Some(radius) = found.radius_mm.filter(|_| shape != Shape::Cone) {
            let at = found.parameters.iter().position(|p| p.name == "radius").unwrap();
            let s = found.parameters[at].standard_deviation.unwrap();
            assert!((radius - 12.0).abs() < 5.0 * s, "{shape}: {radius}, {s}");
        }
    }
    // Exactly determined: an answer, no noise, no covariance.
    let three = [Point::new(1.0, 0.0, 0.0), Point::new(0.0, 2.0, 0.0), Point::new(0.0, 0.0, 3.0)];
    let found = associate(&quiet(), Shape::Circle, &three).unwrap();
    assert!(found.covariance.is_none() && found.noise_mm.is_none() && found.form_mm < 1e-12);
    assert!(found.parameters.iter().all(|p| p.standard_deviation.is_none()));
    let two = associate(&quiet(), Shape::Circle, &three[..2]);
    assert_eq!(two, Err(FitError::TooFewPoints { shape: Shape::Circle, need: 3, got: 2 }));
}

/// A ring's centre with height and tilts: the 3D circle's covariance against trials, noise of 0.02 mm across the
/// plane and 0.005 mm in it.
#[test]
fn covariance_of_a_circle_in_its_own_plane_is_what_trials_show() {
    let trials = 500;
    let mut ratios = [0.0; 6];
    for seed in 0..trials {
        let random = &mut Random::seeded(7600 + seed);
        let mut points = tube(random, 60, 20.0, 2.5, 0.0, 0.005);
        points.iter_mut().for_each(|p| p.z += 0.02 * random.normal());
        let found = associate(&quiet(), Shape::Circle, &points).unwrap();
        let centre = Vector::from(found.point_mm);
        let tilt = Vector::from(found.direction.unwrap()) - Vector::z();
        for (i, parameter) in found.parameters.iter().enumerate() {
            let error = match (parameter.name.as_str(), parameter.along) {
                ("shift", Some(along)) => centre.dot(&Vector::from(along)),
                ("tilt", Some(towards)) => tilt.dot(&Vector::from(towards)),
                _ => found.radius_mm.unwrap() - 20.0,
            };
            // The estimated noise adds a few percent of scatter, well inside the slack.
            ratios[i] += error * error / found.covariance.as_ref().unwrap()[i][i];
        }
    }
    let slack = 5.0 * (2.0 / trials as f64).sqrt() + 2.0 / 57.0;
    for (i, total) in ratios.iter().enumerate() {
        let ratio = total / trials as f64;
        assert!((ratio - 1.0).abs() < slack, "parameter {i}: observed over stated variance {ratio}");
    }
}

#[test]
fn the_same_bits_on_any_number_of_threads() {
    let random = &mut Random::seeded(13);
    let ball = cap(random, 20_000, 5.0, 1.0, 0.01);
    let tip = funnel(random, 20_000, 0.4, 4.0, [5.0, 20.0], 0.01);
    let needle = slab(random, 20_000, [90.0, 0.1, 0.1]);
    let all = || (line(&needle).unwrap(), sphere(&ball).unwrap(), cone(&tip).unwrap());
    let on = |threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(all);
    assert_eq!(on(1), on(3));
}
