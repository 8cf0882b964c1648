//! Points that say too little, or nothing, or are no points.

use super::{FitError, Freedom, Shape, circle, cylinder, minimum_zone_plane, plane};
use crate::geometry::{Direction, Point, Vector, math, random::Random};

type Fit = (Shape, fn(&[Point]) -> Option<FitError>);

/// Each fit with its error only.
const FITS: [Fit; 4] = [
    (Shape::Plane, |p| plane(p).err()),
    (Shape::Plane, |p| minimum_zone_plane(p).err()),
    (Shape::Circle, |p| circle(p, Direction::Z).err()),
    (Shape::Cylinder, |p| cylinder(p).err()),
];

fn ring(n: usize, radius: f64, arc: f64, z: f64) -> Vec<Point> {
    (0..n)
        .map(|i| {
            let t = arc * i as f64 / n as f64;
            Point::new(radius * math::cos(t), radius * math::sin(t), z)
        })
        .collect()
}

fn freedom(error: Option<FitError>) -> Option<Freedom> {
    match error {
        Some(FitError::Undetermined { freedom, .. }) => Some(freedom),
        other => panic!("expected undetermined, got {other:?}"),
    }
}

#[test]
fn too_few_points_are_counted() {
    for (shape, fit) in FITS {
        let need = if shape == Shape::Cylinder { 6 } else { 3 };
        for got in 0..need {
            let points = ring(got, 5.0, 6.0, 0.0);
            assert_eq!(fit(&points), Some(FitError::TooFewPoints { shape, need, got }));
        }
    }
}

#[test]
fn what_is_no_number_is_named_by_its_index() {
    for (_, fit) in FITS {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e10, 1e300, f64::MAX] {
            for axis in 0..3 {
                let mut points = ring(20, 5.0, 6.0, 0.0);
                points[7][axis] = bad;
                assert_eq!(fit(&points), Some(FitError::NotFinite { index: 7 }), "{bad}");
            }
        }
    }
}

#[test]
fn one_place_many_times_determines_nothing() {
    for (_, fit) in FITS {
        for at in [Point::origin(), Point::new(4500.0, -1.0, 0.1), Point::new(1e-310, 0.0, 0.0)] {
            assert_eq!(freedom(fit(&[at; 12])), Some(Freedom::Coincident));
        }
        let mut nearly = vec![Point::new(4500.0, 1.0, 2.0); 12];
        nearly[3].x = 4500.0 + 9.1e-13;
        assert_eq!(freedom(fit(&nearly)), Some(Freedom::Coincident));
    }
}

#[test]
fn a_line_determines_nothing() {
    let mut random = Random::seeded(3);
    for far in [0.0, 4500.0, 12_000.0] {
        let along = Vector::new(0.36, 0.48, 0.8);
        let line: Vec<Point> =
            (0..40).map(|_| Point::new(far, far, -far) + along * random.range(-50.0, 50.0)).collect();
        for (shape, fit) in FITS {
            assert_eq!(freedom(fit(&line)), Some(Freedom::Collinear), "{shape} at {far}");
        }
    }
    for (_, fit) in FITS {
        let two: Vec<Point> = (0..10).map(|i| Point::new(f64::from(i % 2), 0.0, 0.0)).collect();
        assert_eq!(freedom(fit(&two)), Some(Freedom::Collinear));
    }
}

#[test]
fn a_noisy_line_determines_no_plane_circle_or_cylinder() {
    for seed in 0..20 {
        let mut random = Random::seeded(seed);
        let line: Vec<Point> = (0..1000)
            .map(|_| {
                let x = random.range(-50.0, 50.0);
                Point::new(x, 0.01 * random.normal(), 0.01 * random.normal())
            })
            .collect();
        // In the plane of view the line has noise on one side only: its curvature is within that.
        assert_eq!(freedom(circle(&line, Direction::Z).err()), Some(Freedom::Radius), "seed {seed}");
        assert_eq!(freedom(plane(&line).err()), Some(Freedom::Turns), "seed {seed}");
        assert_eq!(freedom(cylinder(&line).err()), Some(Freedom::Cloud), "seed {seed}");
        let wide: Vec<Point> = line.iter().map(|p| Point::new(p.x, p.x * p.y, p.z)).collect();
        assert!(plane(&wide).is_ok(), "seed {seed}");
    }
}

#[test]
fn a_cube_determines_no_plane() {
    let cube: Vec<Point> =
        (0..8).map(|i| Point::new(f64::from(i & 1), f64::from(i >> 1 & 1), f64::from(i >> 2))).collect();
    assert_eq!(freedom(plane(&cube).err()), Some(Freedom::Turns));
    assert_eq!(freedom(minimum_zone_plane(&cube).err()), Some(Freedom::Turns));
}

#[test]
fn a_plane_determines_no_cylinder() {
    let mut random = Random::seeded(5);
    let flat: Vec<Point> =
        (0..200).map(|_| Point::new(random.range(-9.0, 9.0), random.range(-9.0, 9.0), 0.0)).collect();
    assert_eq!(freedom(cylinder(&flat).err()), Some(Freedom::Radius));
    let noisy: Vec<Point> = flat.iter().map(|p| p + Vector::z() * (0.01 * random.normal())).collect();
    assert!(matches!(cylinder(&noisy), Err(FitError::Undetermined { .. })), "{:?}", cylinder(&noisy));
}

#[test]
fn a_sphere_is_no_cylinder_in_particular() {
    let mut random = Random::seeded(6);
    let ball: Vec<Point> = (0..300).map(|_| Point::from(random.direction().vector() * 8.0)).collect();
    match cylinder(&ball) {
        Err(FitError::Undetermined { .. }) => {}
        // Drawn points are not quite even, so one direction may be a little better; it is a bad fit.
        Ok(fit) => assert!(fit.rms_mm > 1.0),
        Err(other) => panic!("{other}"),
    }
}

#[test]
fn a_ring_alone_determines_no_cylinder() {
    let error = cylinder(&ring(60, 10.0, 6.2, 1.0)).err();
    assert_eq!(freedom(error), Some(Freedom::Radius));
}

#[test]
fn an_arc_within_its_noise_has_no_radius() {
    let mut random = Random::seeded(7);
    // Two degrees of a 100 mm circle: sagitta 0.015 mm.
    let arc = ring(200, 100.0, 0.035, 0.0);
    let mut rough = |sigma: f64| -> Vec<Point> {
        arc.iter().map(|p| p + Vector::new(random.normal(), random.normal(), 0.0) * sigma).collect()
    };
    assert_eq!(freedom(circle(&rough(0.05), Direction::Z).err()), Some(Freedom::Radius));
    let fit = circle(&rough(1e-6), Direction::Z).unwrap();
    let sigma = 1e-6 * fit.unit_covariance[2][2].sqrt();
    assert!((fit.radius_mm - 100.0).abs() < 4.0 * sigma && sigma < 0.1, "{fit:?}");
}

#[test]
fn three_points_are_met_exactly() {
    let three = [Point::new(1.0, 0.0, 3.0), Point::new(0.0, 2.0, 3.0), Point::new(-1.5, 0.2, 3.0)];
    let far: Vec<Point> = three.iter().map(|p| p + Vector::new(4500.0, 9000.0, -100.0)).collect();
    for points in [&three[..], &far] {
        let round = circle(points, Direction::Z).unwrap();
        assert!(round.rms_mm < 1e-12, "{}", round.rms_mm);
        assert_eq!(round.noise_mm(), None);
        assert!(round.unit_covariance.as_flattened().iter().all(|c| c.is_finite()));
        let flat = plane(points).unwrap();
        assert!(flat.rms_mm < 1e-11);
        assert_eq!(flat.noise_mm(), None);
        assert!(minimum_zone_plane(points).unwrap().width_mm < 1e-11);
    }
}

#[test]
fn coplanar_points_have_a_zone_of_no_width() {
    for far in [0.0, 12_000.0] {
        for n in [3, 4, 9, 400] {
            let mut random = Random::seeded(n);
            let (u, v) = random.direction().frame();
            let points: Vec<Point> = (0..n)
                .map(|_| {
                    Point::new(far, 0.0, -far) + u * random.range(-40.0, 40.0) + v * random.range(-4.0, 4.0)
                })
                .collect();
            let zone = minimum_zone_plane(&points).unwrap();
            assert!(zone.width_mm < 1e-11, "{} of {n} at {far}", zone.width_mm);
            assert!(!zone.above.is_empty() && !zone.below.is_empty());
        }
    }
    let grid: Vec<Point> = (0..100).map(|i| Point::new(f64::from(i % 10), f64::from(i / 10), 2.0)).collect();
    let zone = minimum_zone_plane(&grid).unwrap();
    assert_eq!(zone.width_mm, 0.0);
    assert!(zone.narrowest_of_all);
}

#[test]
fn repeated_points_change_no_zone() {
    let mut random = Random::seeded(9);
    let points: Vec<Point> = (0..50)
        .map(|_| Point::new(random.range(-9.0, 9.0), random.range(-9.0, 9.0), random.range(-0.1, 0.1)))
        .collect();
    let twice: Vec<Point> = points.iter().chain(&points).copied().collect();
    let (one, two) = (minimum_zone_plane(&points).unwrap(), minimum_zone_plane(&twice).unwrap());
    assert!((one.width_mm - two.width_mm).abs() < 1e-14);
}
