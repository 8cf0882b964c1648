//! Tori and slots: answers by construction, stated covariances against trials, points that say too little.

use super::law_tests::{slab, tube};
use super::{
    Criterion, FitError, Freedom, Material, Shape, associate, associate_by, slot, slot_by, torus, torus_by,
};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math, random::Random};
use crate::run::quiet;
use std::f64::consts::{PI, TAU};

fn elsewhere(random: &mut Random) -> Motion<PartFrame, ScanFrame> {
    let shift = Vector::new(random.range(-1.0, 1.0), random.range(-1.0, 1.0), random.range(-1.0, 1.0));
    Motion::from_turn_and_shift(random.turn(), shift * 7000.0)
}

/// A point of a surface, its normal, and the derivatives of its distance by the parameters.
type Spot = (Point, Vector, Vec<f64>);

/// A torus about z: angle about the axis and about the tube. Parameters: three shifts, two tilts, two radii.
fn on_torus(major: f64, minor: f64, f: f64, p: f64) -> Spot {
    let out = Vector::new(math::cos(f), math::sin(f), 0.0);
    let normal = out * math::cos(p) + Vector::z() * math::sin(p);
    let at = Point::from(out * major + normal * minor);
    // A turn by w moves the surface at x by w x x, so the distance falls by n . (w x x) = w . (x x n).
    let turned = at.coords.cross(&normal);
    (at, normal, vec![normal.x, normal.y, normal.z, turned.x, turned.y, math::cos(p), 1.0])
}

/// A slot in z = 0 along x, `s` along its outline from the middle of a long side. Parameters: two shifts, a turn, half
/// the distance between the ends, the radius.
fn on_slot(half: f64, radius: f64, s: f64) -> Spot {
    let quarter = PI * radius;
    let round = 4.0 * half + 2.0 * quarter;
    let s = s.rem_euclid(round);
    let (centre, normal) = if s < 2.0 * half {
        (Vector::new(s - half, 0.0, 0.0), Vector::new(0.0, -1.0, 0.0))
    } else if s < 2.0 * half + quarter {
        let t = (s - 2.0 * half) / radius - 0.5 * PI;
        (Vector::new(half, 0.0, 0.0), Vector::new(math::cos(t), math::sin(t), 0.0))
    } else if s < 4.0 * half + quarter {
        (Vector::new(3.0 * half + quarter - s, 0.0, 0.0), Vector::new(0.0, 1.0, 0.0))
    } else {
        let t = (s - 4.0 * half - quarter) / radius + 0.5 * PI;
        (Vector::new(-half, 0.0, 0.0), Vector::new(math::cos(t), math::sin(t), 0.0))
    };
    let at = Point::from(centre + normal * radius);
    let turned = at.coords.cross(&normal).z;
    (at, normal, vec![normal.x, normal.y, turned, normal.x.abs(), 1.0])
}

/// Points off the surface by a field that no move of the shape makes smaller: the shape itself is their exact
/// least-squares answer (Forbes and Minh, "Generation of numerical artefacts for geometric form and tolerance
/// assessment", Int. J. Metrol. Qual. Eng. 3, 2012, 145-150).
fn by_construction(spots: &[Spot], random: &mut Random, size: f64) -> Vec<Point> {
    let columns = spots[0].2.len();
    let mut basis: Vec<Vec<f64>> = Vec::new();
    let take_off = |v: &mut Vec<f64>, basis: &[Vec<f64>]| {
        for _ in 0..2 {
            for b in basis {
                let along: f64 = v.iter().zip(b).map(|(x, y)| x * y).sum();
                v.iter_mut().zip(b).for_each(|(x, y)| *x -= along * y);
            }
        }
    };
    for k in 0..columns {
        let mut column: Vec<f64> = spots.iter().map(|s| s.2[k]).collect();
        take_off(&mut column, &basis);
        let norm = column.iter().map(|v| v * v).sum::<f64>().sqrt();
        basis.push(column.iter().map(|v| v / norm).collect());
    }
    let mut field: Vec<f64> = spots.iter().map(|_| size * random.normal()).collect();
    take_off(&mut field, &basis);
    spots.iter().zip(field).map(|(s, e)| s.0 + s.1 * e).collect()
}

fn spots_of_torus(random: &mut Random, n: usize, [major, minor]: [f64; 2], [f, p]: [f64; 2]) -> Vec<Spot> {
    (0..n)
        .map(|_| {
            let (f, p) = (random.range(-0.5 * f, 0.5 * f), random.range(-0.5 * p, 0.5 * p));
            on_torus(major, minor, f, p)
        })
        .collect()
}

fn spots_of_slot(random: &mut Random, n: usize, half: f64, radius: f64) -> Vec<Spot> {
    let round = 4.0 * half + TAU * radius;
    (0..n).map(|i| on_slot(half, radius, round * (i as f64 + random.range(0.0, 0.9)) / n as f64)).collect()
}

#[test]
fn tori_are_those_they_were_constructed_from_wherever_they_lie() {
    for seed in 0..60 {
        let random = &mut Random::seeded(seed);
        let n = 12 + random.below(150);
        let radii = [random.range(10.0, 60.0), random.range(2.0, 9.0)];
        // From a quarter bend to the whole ring, from half the tube to all of it.
        let arcs = [random.range(1.5, TAU), random.range(3.0, TAU)];
        let size = [0.0, 1e-4, 1e-2][random.below(3)];
        let spots = spots_of_torus(random, n, radii, arcs);
        let points = by_construction(&spots, random, size);
        let motion = elsewhere(random);
        let there: Vec<Point> = points.iter().rev().map(|p| motion.point(p)).collect();
        for (points, axis, centre) in [
            (&points, Direction::Z, Point::origin()),
            (&there, motion.direction(Direction::Z), motion.point(&Point::origin())),
        ] {
            let fit = torus(points).unwrap_or_else(|e| panic!("seed {seed}, {n} points, arcs {arcs:?}: {e}"));
            let off = (fit.centre - centre).norm();
            assert!(off < 1e-8, "seed {seed}: {off:e}, {n} points, arcs {arcs:?}, {size}");
            assert!(fit.axis.vector().cross(&axis.vector()).norm() < 1e-9, "seed {seed}");
            assert!((fit.major_radius_mm - radii[0]).abs() < 1e-8, "seed {seed}: {fit:?}");
            assert!((fit.minor_radius_mm - radii[1]).abs() < 1e-8, "seed {seed}: {fit:?}");
            assert!((fit.distance(&points[fit.high.1]) - fit.high.0).abs() < 1e-9, "seed {seed}");
        }
    }
}

#[test]
fn slots_are_those_they_were_constructed_from_wherever_they_lie() {
    for seed in 0..200 {
        let random = &mut Random::seeded(1000 + seed);
        let n = 20 + random.below(150);
        let (half, radius) = (random.range(1.0, 15.0), random.range(3.0, 9.0));
        let size = [0.0, 1e-4, 1e-2][random.below(3)];
        let spots = spots_of_slot(random, n, half, radius);
        let points = by_construction(&spots, random, size);
        let motion = elsewhere(random);
        let there: Vec<Point> = points.iter().rev().map(|p| motion.point(p)).collect();
        for (points, [z, x], centre) in [
            (&points, [Direction::Z, Direction::X], Point::origin()),
            (
                &there,
                [Direction::Z, Direction::X].map(|d| motion.direction(d)),
                motion.point(&Point::origin()),
            ),
        ] {
            let fit = slot(points, z).unwrap_or_else(|e| panic!("seed {seed}, {n}, {half} {radius}: {e}"));
            let off = (fit.centre - centre).norm();
            assert!(off < 1e-8, "seed {seed}: {off:e}, {n} points, {half} {radius}, {size}");
            assert!(fit.along.vector().cross(&x.vector()).norm() < 1e-9, "seed {seed}");
            assert!((fit.length_mm - 2.0 * (half + radius)).abs() < 1e-8, "seed {seed}: {fit:?}");
            assert!((fit.width_mm - 2.0 * radius).abs() < 1e-8, "seed {seed}: {fit:?}");
            assert!((fit.distance(&points[fit.low.1]) - fit.low.0).abs() < 1e-9, "seed {seed}");
        }
        let small: Vec<Point> = points.iter().map(|p| p * 1e-4).collect();
        let small = slot(&small, Direction::Z).unwrap();
        assert!((1e4 * small.width_mm - 2.0 * radius).abs() < 1e-8, "seed {seed}");
    }
}

#[test]
fn covariances_are_what_trials_show() {
    let (sigma, trials) = (0.02, 300);
    let (mut ring, mut long) = ([0.0; 7], [0.0; 5]);
    for seed in 0..trials {
        let random = &mut Random::seeded(2000 + seed);
        let spots = spots_of_torus(random, 80, [40.0, 8.0], [1.6, 3.5]);
        let points: Vec<Point> = spots.iter().map(|s| s.0 + s.1 * (sigma * random.normal())).collect();
        let fit = torus(&points).unwrap();
        let off = fit.centre.coords;
        let lean = fit.axis.vector();
        let [a, b] = fit.across.map(Direction::vector);
        // The axis is z to within the tilts that are judged.
        let errors = [
            -Vector::z().dot(&a),
            -Vector::z().dot(&b),
            off.dot(&a),
            off.dot(&b),
            off.dot(&lean),
            fit.major_radius_mm - 40.0,
            fit.minor_radius_mm - 8.0,
        ];
        for k in 0..7 {
            ring[k] += errors[k] * errors[k] / (sigma * sigma * fit.unit_covariance[k][k]);
        }
        let spots = spots_of_slot(random, 60, 12.0, 4.0);
        let points: Vec<Point> = spots.iter().map(|s| s.0 + s.1 * (sigma * random.normal())).collect();
        let fit = slot(&points, Direction::Z).unwrap();
        let off = fit.centre.coords;
        let errors = [
            off.dot(&fit.along.vector()),
            off.dot(&fit.across.vector()),
            fit.along.vector().y,
            fit.length_mm - 32.0,
            fit.width_mm - 8.0,
        ];
        for k in 0..5 {
            long[k] += errors[k] * errors[k] / (sigma * sigma * fit.unit_covariance[k][k]);
        }
    }
    // Relative standard deviation of a mean of n squares is sqrt(2 / n); five of those.
    let slack = 5.0 * (2.0 / trials as f64).sqrt();
    for (what, totals) in [("torus", &ring[..]), ("slot", &long[..])] {
        for (k, total) in totals.iter().enumerate() {
            let ratio = total / trials as f64;
            assert!((ratio - 1.0).abs() < slack, "{what}, parameter {k}: observed over stated {ratio}");
        }
    }
}

fn freedom<T: std::fmt::Debug>(fit: Result<T, FitError>) -> Freedom {
    match fit {
        Err(FitError::Undetermined { freedom, .. }) => freedom,
        other => panic!("expected undetermined, got {other:?}"),
    }
}

#[test]
fn what_is_no_torus_or_does_not_tell_is_refused() {
    let random = &mut Random::seeded(5);
    let too_few = torus(&slab(random, 7, [1.0, 1.0, 1.0]));
    assert_eq!(too_few, Err(FitError::TooFewPoints { shape: Shape::Torus, need: 8, got: 7 }));
    assert_eq!(freedom(torus(&[Point::new(4500.0, 0.0, 0.0); 9])), Freedom::Coincident);
    let line: Vec<Point> = (0..20).map(|i| Point::new(f64::from(i), 2.0 * f64::from(i), 1.0)).collect();
    assert_eq!(freedom(torus(&line)), Freedom::Collinear);
    assert_eq!(freedom(torus(&slab(random, 50, [9.0, 5.0, 0.0]))), Freedom::Coplanar);
    for seed in 0..5 {
        let random = &mut Random::seeded(seed);
        let ball: Vec<Point> = (0..200)
            .map(|_| Point::from(random.direction().vector() * (8.0 + 0.01 * random.normal())))
            .collect();
        assert!(
            matches!(torus(&ball), Err(FitError::Undetermined { .. })),
            "seed {seed}: {:?}",
            torus(&ball)
        );
        let pipe = tube(random, 200, 5.0, TAU, 30.0, 0.01);
        assert!(
            matches!(torus(&pipe), Err(FitError::Undetermined { .. })),
            "seed {seed}: {:?}",
            torus(&pipe)
        );
        let cube = slab(random, 200, [9.0, 9.0, 9.0]);
        assert!(
            matches!(torus(&cube), Err(FitError::Undetermined { .. })),
            "seed {seed}: {:?}",
            torus(&cube)
        );
        // A patch of two degrees by ten within its noise.
        let patch = spots_of_torus(random, 200, [60.0, 8.0], [0.035, 0.17]);
        let patch: Vec<Point> = patch.iter().map(|s| s.0 + s.1 * (0.01 * random.normal())).collect();
        assert!(
            matches!(torus(&patch), Err(FitError::Undetermined { .. })),
            "seed {seed}: {:?}",
            torus(&patch)
        );
    }
}

#[test]
fn what_is_no_slot_or_does_not_tell_is_refused() {
    let few = slot(&[Point::origin(); 5], Direction::Z);
    assert_eq!(few, Err(FitError::TooFewPoints { shape: Shape::Slot, need: 6, got: 5 }));
    assert_eq!(freedom(slot(&[Point::new(4500.0, 0.0, 0.0); 9], Direction::Z)), Freedom::Coincident);
    let line: Vec<Point> = (0..20).map(|i| Point::new(f64::from(i), 2.0 * f64::from(i), 1.0)).collect();
    assert_eq!(freedom(slot(&line, Direction::Z)), Freedom::Collinear);
    for seed in 0..10 {
        let random = &mut Random::seeded(seed);
        let round = tube(random, 80, 5.0, TAU, 1.0, 0.01);
        assert!(matches!(slot(&round, Direction::Z), Err(FitError::Undetermined { .. })), "seed {seed}");
        // Two straight sides without ends: the length is open.
        let mut rails = slab(random, 60, [30.0, 0.02, 0.0]);
        for (i, p) in rails.iter_mut().enumerate() {
            p.y += if i % 2 == 0 { 4.0 } else { -4.0 };
        }
        assert_eq!(freedom(slot(&rails, Direction::Z)), Freedom::Length, "seed {seed}");
        // One end missing.
        let spots = spots_of_slot(random, 200, 12.0, 4.0);
        let spots = spots.iter().filter(|s| s.0.x < 11.9);
        let open: Vec<Point> = spots.map(|s| s.0 + s.1 * (0.01 * random.normal())).collect();
        assert_eq!(freedom(slot(&open, Direction::Z)), Freedom::Length, "seed {seed}");
    }
}

#[test]
fn other_criteria_and_the_one_call_know_torus_and_slot() {
    let run = &quiet();
    for seed in 0..20 {
        let random = &mut Random::seeded(3000 + seed);
        let spots = spots_of_torus(random, 100, [40.0, 8.0], [4.0, TAU]);
        let points: Vec<Point> = spots.iter().map(|s| s.0 + s.1 * (0.02 * random.normal())).collect();
        let least = torus(&points).unwrap();
        let zone = torus_by(run, Criterion::MinimumZone, &points).unwrap();
        assert!(zone.width_mm() <= least.high.0 - least.low.0 && zone.proof.gain < 1e-6, "seed {seed}");
        let spots = spots_of_slot(random, 60, 12.0, 4.0);
        let points: Vec<Point> = spots.iter().map(|s| s.0 + s.1 * (0.02 * random.normal())).collect();
        let least = slot(&points, Direction::Z).unwrap();
        let zone = slot_by(run, Criterion::MinimumZone, &points, Direction::Z).unwrap();
        assert!(zone.width_mm() <= least.high.0 - least.low.0 && zone.proof.gain < 1e-6, "seed {seed}");
        let outside = Criterion::LeastSquaresOutside(Material::Around);
        let inner = slot_by(run, outside, &points, Direction::Z).unwrap();
        assert!(inner.low.0 > -1e-12 && inner.shape.width_mm < least.width_mm, "seed {seed}");
        let told = associate(run, Shape::Slot, &points).unwrap();
        assert_eq!((told.width_mm, told.freedoms), (Some(least.width_mm), 8));
        assert_eq!(told.covariance.unwrap().len(), 8);
        let told = associate_by(run, Shape::Slot, outside, &points).unwrap();
        assert_eq!(told.criterion, "least_squares_outside");
        assert!(told.covariance.is_none() && !told.contacts.is_empty() && told.proof.is_some());
    }
}
