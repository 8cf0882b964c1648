use super::super::made_tests::{ask, bore, elsewhere, shuffled, strewn, taken, wall};
use super::*;
use crate::geometry::random::Random;
use std::f64::consts::PI;

const BOTH: [Reference; 2] = [Reference::MinimumZone, Reference::LeastSquares];

fn roundness(situation: Situation, reference: Reference, section_mm: f64) -> Roundness {
    Roundness { of: Subject::new(situation), reference, section_mm }
}

fn value(rule: &Roundness, points: &[Point]) -> f64 {
    ask(rule, points).unwrap().numbers[0].value
}

#[test]
fn lobes_of_any_number_show_with_twice_their_height() {
    for lobes in [2.0, 3.0, 5.0, 7.0] {
        let points = wall(9, 420, 40.0, |t, _| 10.0 + 0.05 * math::cos(lobes * t));
        for reference in BOTH {
            let found = value(&roundness(bore(20.0), reference, 5.0), &points);
            assert!((found - 0.1).abs() < 3e-4, "{lobes} lobes {reference:?}: {found}");
        }
    }
}

/// Of lobes of height e an odd number n of evenly spaced points sees at the worst turn e cos(pi / 2 n) on the side seen
/// better (Forbes, NPL DITC 210/92, table 1: 0.984808 of nine). Their phases lie pi / n apart from nearest peak to
/// nearest valley, so that the whole width seen is 2 e cos(pi / 2 n) where both are missed by as much, and
/// e (1 + cos(pi / n)) = 2 e cos^2(pi / 2 n), the least, where one is met.
#[test]
fn nine_points_see_of_lobes_what_is_published() {
    let part = math::cos(PI / 18.0);
    assert!((part - 0.984_808).abs() < 5e-7);
    let seen = |turn: f64| {
        let points = wall(5, 9, 40.0, |t, _| 10.0 + 1e-3 * math::cos(2.0 * t + turn));
        value(&roundness(bore(20.0), Reference::LeastSquares, 10.0), &points) / 2e-3
    };
    assert!((seen(PI / 18.0) - part).abs() < 1e-4, "{}", seen(PI / 18.0));
    assert!((seen(0.0) - part * part).abs() < 1e-4, "{}", seen(0.0));
    for k in 0..36 {
        let turn = f64::from(k) * PI / 36.0;
        assert!(seen(turn) >= part * part - 1e-4 && seen(turn) <= part + 1e-4, "{turn}: {}", seen(turn));
    }
}

/// Sections are judged one by one: a barrel's and a bent bore's are round.
#[test]
fn a_barrel_and_a_bent_bore_are_round_and_the_worst_section_counts() {
    for reference in BOTH {
        let rule = roundness(bore(20.0), reference, 4.0);
        assert!(value(&rule, &wall(11, 60, 40.0, |_, z| 10.0 - 1e-3 * z * z)) < 1e-9);
        let bent: Vec<Point> = wall(11, 60, 40.0, |_, _| 10.0)
            .iter()
            .map(|p| Point::new(p.x + 5e-4 * p.z * p.z, p.y, p.z))
            .collect();
        assert!(value(&rule, &bent) < 1e-3);
        let uneven = wall(11, 120, 40.0, |t, z| 10.0 + (0.05 + 1e-3 * z) * math::cos(3.0 * t));
        let found = ask(&rule, &uneven).unwrap();
        assert_eq!(found.instances.len(), 11);
        for (k, section) in found.instances.iter().enumerate() {
            let z = 4.0 * k as f64 - 20.0;
            assert!((section.value_mm - 2.0 * (0.05 + 1e-3 * z)).abs() < 1e-3, "{section:?}");
            assert!((section.at.unwrap().z - z).abs() < 1e-3, "{section:?}");
        }
        assert!((found.numbers[0].value - 0.14).abs() < 1e-3);
        assert!(found.numbers[0].at.unwrap().z > 19.9);
    }
}

/// Lobes of 0.05 across the axis are 0.05 cos(a) square to the cone. Points lie anywhere along it.
#[test]
fn a_cone_is_judged_square_to_its_surface_wherever_its_points_lie() {
    let half = PI / 6.0;
    let cone = |hollow| Situation::Cone {
        at: Point::origin(),
        axis: Direction::Z,
        half_angle_rad: half,
        radius_mm: 20.0,
        hollow,
    };
    let random = &mut Random::seeded(2);
    let perfect = strewn(random, 3000, 20.0, |_, z| 20.0 + z * math::tan(half));
    let lobed = wall(41, 120, 20.0, |t, z| 20.0 + z * math::tan(half) + 0.05 * math::cos(4.0 * t));
    for reference in BOTH {
        let rule = roundness(cone(true), reference, 2.0);
        assert!(value(&rule, &perfect) < 1e-8);
        // A section a row: uneven points would pull the least-squares circle aside.
        let found = value(&roundness(cone(true), reference, 0.5), &lobed);
        assert!((found - 0.1 * math::cos(half)).abs() < 1e-3, "{found}");
        // Told to the other end it is the same cone.
        let Situation::Cone { at, axis, half_angle_rad, radius_mm, hollow } = cone(true) else { continue };
        let turned = Situation::Cone { at, axis: axis.reversed(), half_angle_rad, radius_mm, hollow };
        assert!(value(&roundness(turned, reference, 2.0), &perfect) < 1e-8);
    }
}

/// r = R + e u_z^2: along a meridian e between pole and equator, along the equator nothing.
#[test]
fn a_ball_is_judged_in_great_circles() {
    let random = &mut Random::seeded(3);
    let points: Vec<Point> = (0..20_000)
        .map(|_| {
            let u = random.direction().vector();
            Point::new(5.0, 6.0, 7.0) + u * (10.0 + 0.05 * u.z * u.z)
        })
        .collect();
    let ball = Situation::Sphere { at: Point::new(5.0, 6.0, 7.0), diameter_mm: 20.0, hollow: false };
    for reference in BOTH {
        let found = ask(&roundness(ball, reference, 0.6), &points).unwrap();
        // Uneven points pull a section's least-squares centre a little aside.
        assert!((found.numbers[0].value - 0.05).abs() < 3e-3, "{found:?}");
        assert_eq!(found.instances.len(), 9);
        assert!(found.instances[0].value_mm < 1e-3, "{:?}", found.instances[0]);
    }
}

#[test]
fn roundness_moves_turns_and_reorders() {
    for seed in 0..5 {
        let random = &mut Random::seeded(20 + seed);
        let points = strewn(random, 2000, 30.0, |t, z| 8.0 + 0.02 * math::cos(5.0 * t) + 1e-3 * z);
        let motion = elsewhere(random);
        let moved: Vec<Point> = shuffled(&points, random).iter().map(|p| motion.point(p)).collect();
        for reference in BOTH {
            let here = value(&roundness(bore(16.0), reference, 3.0), &points);
            let there = value(&roundness(taken(&motion, bore(16.0)), reference, 3.0), &moved);
            assert!((here - there).abs() < 1e-7, "seed {seed}: {here} {there}");
            let large: Vec<Point> = points.iter().map(|p| p * 10.0).collect();
            assert!((value(&roundness(bore(160.0), reference, 30.0), &large) - 10.0 * here).abs() < 1e-6);
        }
    }
}

#[test]
fn what_is_not_seen_all_round_is_refused() {
    let full = wall(9, 60, 40.0, |_, _| 10.0);
    let half: Vec<Point> = full.iter().copied().filter(|p| p.y > 0.1).collect();
    let mut broken = full.clone();
    broken[5].z = f64::INFINITY;
    for reference in BOTH {
        let rule = roundness(bore(20.0), reference, 4.0);
        assert!(matches!(ask(&rule, &half), Err(RuleError::Missing(_))));
        for bad in [&[][..], &full[..2], &broken, &[Point::origin(); 40]] {
            assert!(ask(&rule, bad).is_err());
        }
        assert!(ask(&roundness(bore(20.0), reference, f64::NAN), &full).is_err());
        let plane = Situation::Plane { at: Point::origin(), normal: Direction::Z };
        assert!(matches!(ask(&roundness(plane, reference, 1.0), &full), Err(RuleError::Missing(_))));
    }
}
