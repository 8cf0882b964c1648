use super::super::made_tests::{bore, strewn, wall};
use super::super::parallel_planes::Flanks;
use super::super::subject::Subject;
use super::*;
use crate::associate::sphere;
use crate::geometry::random::Random;
use crate::run::quiet;

fn sizes(points: &[Point], section_mm: f64) -> Result<[f64; 2], RuleError> {
    let axis = Axis::of(points, &Subject::new(bore(20.0)), Direction::Z)?;
    Ok(of_round(&quiet(), points, &axis, section_mm)?.ends()?.map(|l| l.size_mm))
}

/// By hand: of x = a cos t, y = b sin t two opposite places are 2 a to 2 b apart.
#[test]
fn an_ellipse_has_its_axes_as_smallest_and_largest_local_diameter() {
    let (a, b) = (10.05, 9.95);
    let radius = |t: f64, _: f64| {
        let (c, s) = (math::cos(t) / a, math::sin(t) / b);
        1.0 / (c * c + s * s).sqrt()
    };
    let [least, most] = sizes(&wall(11, 180, 40.0, radius), 4.0).unwrap();
    assert!((least - 2.0 * b).abs() < 1e-9 && (most - 2.0 * a).abs() < 1e-9, "{least} {most}");
    // No point stands exactly opposite another: the interpolation loses a part of e m^2 gap^2 / 8 with m = 2.
    let [least, most] = sizes(&wall(11, 91, 40.0, radius), 4.0).unwrap();
    assert!((least - 2.0 * b).abs() < 2e-4 && (most - 2.0 * a).abs() < 2e-4, "{least} {most}");
    let random = &mut Random::seeded(1);
    let [least, most] = sizes(&strewn(random, 5000, 40.0, radius), 2.0).unwrap();
    assert!((least - 2.0 * b).abs() < 2e-3 && (most - 2.0 * a).abs() < 2e-3, "{least} {most}");
}

/// cos(m (t + pi)) = -cos(m t) for odd m: what one side gains the other loses.
#[test]
fn odd_lobing_does_not_show_in_local_diameters_and_even_lobing_does() {
    for (lobes, seen) in [(3.0, 0.0), (5.0, 0.0), (7.0, 0.0), (2.0, 0.2), (4.0, 0.2)] {
        let points = wall(9, 360, 40.0, |t, _| 10.0 + 0.05 * math::cos(lobes * t));
        let [least, most] = sizes(&points, 5.0).unwrap();
        assert!((most - least - seen).abs() < 1e-4, "{lobes} lobes: {least} {most}");
        assert!((0.5 * (most + least) - 20.0).abs() < 1e-4, "{lobes} lobes: {least} {most}");
    }
}

#[test]
fn a_barrel_shows_in_its_sections() {
    // 0.001 z^2 at z = 20 is 0.4 of radius.
    let points = wall(21, 90, 40.0, |_, z| 10.0 - 0.001 * z * z);
    let axis = Axis::of(&points, &Subject::new(bore(20.0)), Direction::Z).unwrap();
    let found = of_round(&quiet(), &points, &axis, 2.0).unwrap();
    let [least, most] = found.ends().unwrap();
    assert!((least.size_mm - 19.2).abs() < 1e-9 && (most.size_mm - 20.0).abs() < 1e-9);
    assert!(least.at.z.abs() > 19.9 && most.at.z.abs() < 0.1);
    assert_eq!(found.instances.len(), 42);
    for (k, pair) in found.instances.chunks(2).enumerate() {
        let z = 2.0 * k as f64 - 20.0;
        assert!((pair[0].value_mm - (20.0 - 0.002 * z * z)).abs() < 1e-9, "{pair:?}");
    }
}

#[test]
fn a_wall_seen_from_one_side_has_no_local_diameter() {
    let half: Vec<Point> = wall(9, 90, 40.0, |_, _| 10.0).into_iter().filter(|p| p.y >= 0.0).collect();
    assert!(matches!(sizes(&half, 5.0), Err(RuleError::Missing(_))));
    // A wall of which most sections are seen to the half only.
    let mut most: Vec<Point> =
        wall(9, 90, 40.0, |_, _| 10.0).into_iter().filter(|p| p.y >= 0.0 || p.z > 8.0).collect();
    assert!(matches!(sizes(&most, 5.0), Err(RuleError::Missing(_))));
    most.extend(wall(9, 90, 40.0, |_, _| 10.0).into_iter().filter(|p| p.y < 0.0 && p.z > -8.0));
    assert!(sizes(&most, 5.0).is_ok());
}

/// A gap of g in 360 degrees leaves (360 - 2 g) / (360 - g) of the points with another opposite.
#[test]
fn three_quarters_of_the_points_must_have_another_opposite() {
    let open = |degrees: f64| -> Vec<Point> {
        let turn = |p: &Point| math::atan2(p.y, p.x).to_degrees();
        wall(9, 180, 40.0, |_, _| 10.0)
            .into_iter()
            .filter(|p| !(1.0..degrees + 1.0).contains(&turn(p)))
            .collect()
    };
    assert!(sizes(&open(60.0), 5.0).is_ok());
    let refused = sizes(&open(80.0), 5.0);
    assert!(matches!(refused, Err(RuleError::Missing(_))), "{refused:?}");
    let flank = |from: f64, y: f64| -> Vec<Point> {
        (0..2000).map(|k| Point::new(from + f64::from(k / 20), y, f64::from(k % 20))).collect()
    };
    let widths = |lower: &[Point]| {
        let upper = flank(0.0, 5.0);
        let planes = Flanks::new(&upper, lower, None).unwrap().least_squares(Direction::Y).unwrap();
        of_flanks(&quiet(), [&upper, lower], &planes, 1.5).map(|s| s.ends().unwrap().map(|l| l.size_mm))
    };
    let found = widths(&flank(20.0, -5.0)).unwrap();
    assert!(found.iter().all(|w| (w - 10.0).abs() < 1e-9), "{found:?}");
    let refused = widths(&flank(40.0, -5.0));
    assert!(matches!(refused, Err(RuleError::Missing(_))), "{refused:?}");
}

/// r = R + e u_z^2 is the same on both sides, so that local diameters go from 2 R to 2 R + 2 e.
#[test]
fn a_long_ball_shows_its_long_and_its_short_diameter() {
    let random = &mut Random::seeded(3);
    let points: Vec<Point> = (0..8000)
        .map(|_| {
            let u = random.direction().vector();
            Point::new(100.0, -50.0, 20.0) + u * (10.0 + 0.05 * u.z * u.z)
        })
        .collect();
    let fit = sphere(&points).unwrap();
    let [least, most] = of_sphere(&quiet(), &points, &fit, 0.8).unwrap().ends().unwrap();
    // 8000 points on 1257 mm2 are 0.4 mm apart: at the poles the nearest is that far off.
    assert!((least.size_mm - 20.0).abs() < 3e-4 && (most.size_mm - 20.1).abs() < 3e-4, "{least:?} {most:?}");
    let cap: Vec<Point> = points.into_iter().filter(|p| p.z > 20.0).collect();
    assert!(matches!(of_sphere(&quiet(), &cap, &fit, 0.8), Err(RuleError::Missing(_))));
}

#[test]
fn a_plane_is_met_exactly_wherever_its_points_lie_round_the_place() {
    let random = &mut Random::seeded(4);
    let mut inside = 0;
    for _ in 0..500 {
        let n = 3 + random.below(9);
        let near: Vec<[f64; 3]> = (0..n)
            .map(|_| {
                let (x, y) = (random.range(-1.0, 1.0), random.range(-1.0, 1.0));
                [x, y, 7.0 + 0.3 * x - 0.2 * y]
            })
            .collect();
        if surrounded(&near) {
            inside += 1;
            if let Some(value) = plane_at_origin(&near) {
                assert!((value - 7.0).abs() < 1e-9, "{near:?} {value}");
            }
        }
    }
    assert!(inside > 200 && inside < 480, "{inside}");
    let one_side = [[1.0, 0.0, 1.0], [2.0, 0.5, 2.0], [1.0, -0.5, 3.0]];
    assert!(!surrounded(&one_side));
    assert_eq!(at_origin(&one_side, 1.0), None);
    assert_eq!(at_origin(&one_side, 2.5), Some(1.0));
    assert_eq!(at_origin(&[], 1.0), None);
    assert_eq!(at_origin(&[[0.0, 0.0, 5.0], [1.0, 0.0, 9.0]], 1.0), Some(5.0));
}
