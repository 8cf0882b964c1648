//! Patterns against single shapes by other code, closed forms, and what must not change.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use super::super::{Criterion, Material, circle_by, cylinder, cylinder_by, plane, plane_by};
use super::*;
use crate::geometry::random::Random;
use crate::run::quiet;

fn level(z: f64, up: bool) -> Ideal {
    let normal = if up { Direction::Z } else { Direction::Z.reversed() };
    Ideal::Plane { at: Point::new(0.0, 0.0, z), normal }
}

fn on(points: &[Point], ideal: usize) -> Vec<PatternPoint> {
    points.iter().map(|&point| PatternPoint { point, on: On::Ideal(ideal), weight: 1.0 }).collect()
}

fn twist(shift: [f64; 3], turn: [f64; 3]) -> Twist {
    Twist { shift: shift.into(), turn: turn.into() }
}

/// The motions that a plane square to z, or a tube along z, of some reach sees.
fn of_plane(reach: f64) -> Vec<Twist> {
    vec![
        twist([0., 0., 1.], [0.; 3]),
        twist([0.; 3], [1.0 / reach, 0., 0.]),
        twist([0.; 3], [0., 1.0 / reach, 0.]),
    ]
}

fn of_tube(reach: f64) -> Vec<Twist> {
    let mut all = of_plane(reach);
    all[0] = twist([1., 0., 0.], [0.; 3]);
    all.push(twist([0., 1., 0.], [0.; 3]));
    all
}

fn pattern(ideals: Vec<Ideal>, motions: Vec<Twist>, reach_mm: f64) -> Pattern {
    Pattern { ideals, motions, centre: Point::origin(), reach_mm }
}

fn solved(p: &Pattern, points: &[PatternPoint], criterion: Association) -> Together {
    associate_pattern(&quiet(), p, points, criterion).unwrap_or_else(|e| panic!("{criterion:?}: {e}"))
}

/// Where the nominal plane z = 0 lies among the measured points.
fn plane_found(found: &Together) -> (Point, Vector) {
    let back = found.nominal_from_measured.inverse();
    (back.point(&Point::origin()), back.vector(&Vector::z()))
}

#[test]
fn one_plane_is_the_plane_that_is_fitted_alone() {
    let mut random = Random::seeded(7);
    let points: Vec<Point> = (0..400)
        .map(|_| {
            let (x, y) = (random.range(-40.0, 40.0), random.range(-25.0, 25.0));
            Point::new(x, y, 0.3 + 0.01 * x - 0.004 * y - 0.0002 * x * x + 0.02 * random.normal())
        })
        .collect();
    let p = pattern(vec![level(0.0, true)], of_plane(30.0), 30.0);
    let all = on(&points, 0);
    let same = |found: &Together, at: Point, normal: Direction, tight: f64| {
        let (through, up) = plane_found(found);
        assert!((up - normal.vector()).norm() < tight, "{up} {normal:?}");
        assert!((through - at).dot(&normal.vector()).abs() < 30.0 * tight, "{through} {at}");
    };
    let least = solved(&p, &all, Association::LeastSquares);
    let alone = plane(&points).unwrap().facing(Direction::Z);
    same(&least, alone.centroid, alone.normal, 1e-12);
    assert!((least.rms_mm - alone.rms_mm).abs() < 1e-12);
    // The height at the centre of the pattern is as certain as that of the plane fitted alone.
    let unit = least.unit_covariance.unwrap()[0][0];
    let told = alone.unit_variance_at(&alone.centroid);
    assert!((unit / told - 1.0).abs() < 0.05, "{unit} {told}");
    let zone = solved(&p, &all, Association::MinimumZone);
    let alone = plane_by(&quiet(), Criterion::MinimumZone, &points).unwrap();
    same(&zone, alone.shape.point, alone.shape.normal, 1e-11);
    assert!((zone.left_mm[0][1] - zone.left_mm[0][0] - alone.width_mm()).abs() < 1e-11);
    let outside = solved(&p, &all, Association::LeastSquaresOutside);
    let facing = Criterion::LeastSquaresOutside(Material::Behind(Direction::Z));
    let alone = plane_by(&quiet(), facing, &points).unwrap();
    same(&outside, alone.shape.point, alone.shape.normal, 1e-9);
    assert!(outside.left_mm[0][1].abs() < 1e-11);
    let tangent = solved(&p, &all, Association::MinimaxOutside);
    assert!(tangent.left_mm[0][1].abs() < 1e-11);
    assert!((tangent.left_mm[0][0] + zone.left_mm[0][1] - zone.left_mm[0][0]).abs() < 1e-11);
}

/// A crowned face z = -c x2: whatever its rock, the narrowest zone and least squares lie level, and the tangent plane
/// touches the crown. Where the plane may only shift, it touches too.
#[test]
fn a_crowned_face_is_touched_on_its_crown() {
    let points: Vec<Point> = (-20..=20)
        .flat_map(|i| (-5..=5).map(move |j| (f64::from(i), f64::from(j))))
        .map(|(x, y)| Point::new(x, y, -0.001 * x * x))
        .collect();
    for motions in [of_plane(15.0), vec![of_plane(15.0)[0]]] {
        let p = pattern(vec![level(0.0, true)], motions, 15.0);
        for criterion in [Association::LeastSquaresOutside, Association::MinimaxOutside] {
            let (through, up) = plane_found(&solved(&p, &on(&points, 0), criterion));
            assert!(
                through.z.abs() < 1e-12 && (up - Vector::z()).norm() < 1e-11,
                "{criterion:?} {through} {up}"
            );
        }
        let (through, _) = plane_found(&solved(&p, &on(&points, 0), Association::MinimumZone));
        assert!((through.z + 0.2).abs() < 1e-12, "{through}");
        // Mean of x2 over -20..=20 is 140.
        let (through, _) = plane_found(&solved(&p, &on(&points, 0), Association::LeastSquares));
        assert!((through.z + 0.14).abs() < 1e-12, "{through}");
    }
}

fn wall(radius: f64, low: f64, high: f64, off: impl Fn(f64, f64) -> f64) -> Vec<Point> {
    let mut all = Vec::new();
    for i in 0..90 {
        for k in 0..12 {
            let (t, z) = (f64::from(i) * 0.0698, low + (high - low) * f64::from(k) / 11.0);
            let r = radius + off(t, z);
            all.push(Point::new(r * math::cos(t), r * math::sin(t), z));
        }
    }
    all
}

fn tube(radius_mm: f64, hollow: bool) -> Ideal {
    Ideal::Cylinder { at: Point::origin(), axis: Direction::Z, radius_mm, hollow }
}

#[test]
fn one_tube_is_the_cylinder_that_is_fitted_alone_and_seen_along_its_axis_the_circle() {
    let form = |t: f64, z: f64| 0.03 * math::cos(3.0 * t + 0.1 * z) + 0.02 * math::cos(t) + 0.001 * z;
    let points = wall(10.0, -15.0, 15.0, form);
    let all = on(&points, 0);
    let tilting = |hollow| pattern(vec![tube(9.7, hollow)], of_tube(10.0), 10.0);
    let upright = |hollow| Pattern {
        motions: vec![twist([1., 0., 0.], [0.; 3]), twist([0., 1., 0.], [0.; 3])],
        ..tilting(hollow)
    };
    let axis_of = |found: &Together| {
        let back = found.nominal_from_measured.inverse();
        (back.point(&Point::origin()), back.vector(&Vector::z()))
    };
    let apart = |at: Point, axis: Vector, other: Point| (other - at - axis * (other - at).dot(&axis)).norm();
    let alone = cylinder(&points).unwrap();
    let least = solved(&tilting(true), &all, Association::LeastSquares);
    let (at, axis) = axis_of(&least);
    assert!(axis.cross(&alone.axis.vector()).norm() < 1e-11 && apart(at, axis, alone.point) < 1e-10);
    // A hole grows out of its material as it gets smaller.
    assert!((9.7 - least.growths_mm[0] - alone.radius_mm).abs() < 1e-11);
    for (hollow, association, criterion) in [
        (true, Association::MinimumZone, Criterion::MinimumZone),
        (true, Association::MaximumInscribed, Criterion::MaximumInscribed),
        (false, Association::MinimumCircumscribed, Criterion::MinimumCircumscribed),
    ] {
        let alone = cylinder_by(&quiet(), criterion, &points).unwrap();
        let found = solved(&tilting(hollow), &all, association);
        let radius = if hollow { 9.7 - found.growths_mm[0] } else { 9.7 + found.growths_mm[0] };
        assert!((radius - alone.shape.radius_mm).abs() < 1e-9, "{association:?} {radius} {alone:?}");
        let (at, axis) = axis_of(&found);
        assert!(axis.cross(&alone.shape.axis.vector()).norm() < 1e-8, "{association:?}");
        assert!(apart(at, axis, alone.shape.point) < 1e-7, "{association:?}");
        let alone = circle_by(&quiet(), criterion, &points, Direction::Z).unwrap();
        let found = solved(&upright(hollow), &all, association);
        let (at, _) = axis_of(&found);
        assert!(apart(at, Vector::z(), alone.shape.centre) < 1e-9, "{association:?}");
        if association != Association::MinimumZone {
            assert!(found.left_mm[0][1].abs() < 1e-10, "{:?}", found.left_mm);
        }
    }
    // Outside the material the hole's axis is that of the narrowest zone, and its size the inner border.
    let zone = solved(&upright(true), &all, Association::MinimumZone);
    let tangent = solved(&upright(true), &all, Association::MinimaxOutside);
    assert!((axis_of(&zone).0 - axis_of(&tangent).0).norm() < 1e-12);
    assert!(tangent.left_mm[0][1].abs() < 1e-11 && tangent.left_mm[0][0] < -0.05);
    let wrong = associate_pattern(&quiet(), &tilting(true), &all, Association::MinimumCircumscribed);
    assert!(matches!(wrong, Err(TogetherError::NoMeaning(_))), "{wrong:?}");
    let half: Vec<Point> = points.iter().copied().filter(|p| p.x > 0.5).collect();
    let open = associate_pattern(&quiet(), &upright(true), &on(&half, 0), Association::MaximumInscribed);
    assert!(matches!(open, Err(TogetherError::Fit(FitError::Undetermined { .. }))), "{open:?}");
}

/// Two coaxial bores a long way from each other, made off each other by 0.2 mm along x: the one axis tilts to pass
/// between, and passes halfway by symmetry; separately fitted they would not tilt at all.
#[test]
fn two_coaxial_bores_share_one_axis_and_keep_their_own_sizes() {
    let bore = |z: f64, radius_mm: f64| Ideal::Cylinder {
        at: Point::new(0.0, 0.0, z),
        axis: Direction::Z,
        radius_mm,
        hollow: true,
    };
    let shifted = |points: Vec<Point>, x: f64, z: f64| -> Vec<Point> {
        points.into_iter().map(|p| p + Vector::new(x, 0.0, z)).collect()
    };
    let first = shifted(wall(6.02, -2.0, 2.0, |_, _| 0.0), 0.1, -40.0);
    let second = shifted(wall(9.05, -2.0, 2.0, |_, _| 0.0), -0.1, 40.0);
    let mut all = on(&first, 0);
    all.extend(on(&second, 1));
    let p = pattern(vec![bore(-40.0, 6.0), bore(40.0, 9.0)], of_tube(40.0), 40.0);
    for criterion in [Association::LeastSquares, Association::MinimumZone, Association::MinimaxOutside] {
        let found = solved(&p, &all, criterion);
        let back = found.nominal_from_measured.inverse();
        let at = |z: f64| back.point(&Point::new(0.0, 0.0, z));
        // Within what a slanting section of a bore is longer than a square one.
        assert!(
            (at(-40.0).x - 0.1).abs() < 2e-3 && (at(40.0).x + 0.1).abs() < 2e-3,
            "{criterion:?} {}",
            at(40.0)
        );
        assert!(at(40.0).y.abs() < 1e-3, "{criterion:?} {}", at(40.0));
        if criterion != Association::MinimaxOutside {
            assert!((found.growths_mm[0] + 0.02).abs() < 1e-3, "{criterion:?} {:?}", found.growths_mm);
            assert!((found.growths_mm[1] + 0.05).abs() < 1e-3, "{criterion:?} {:?}", found.growths_mm);
        }
    }
    let several = associate_pattern(&quiet(), &p, &all, Association::MaximumInscribed);
    assert!(matches!(several, Err(TogetherError::NoMeaning(_))), "{several:?}");
}

/// Planes that face away from each other keep their nominal distance. Made thinner, both can lie inside it; made
/// thicker they cannot, and least squares and the narrowest zone share what is over.
#[test]
fn two_sides_of_a_plate_lie_in_their_nominal_distance_or_not_at_all() {
    let grid = |z: f64| -> Vec<Point> {
        (-5..=5).flat_map(|i| (-5..=5).map(move |j| Point::new(f64::from(i), f64::from(j), z))).collect()
    };
    let made = |low: f64, high: f64| {
        let mut all = on(&grid(high), 0);
        all.extend(on(&grid(low), 1));
        all
    };
    let p = pattern(vec![level(4.0, true), level(0.0, false)], of_plane(5.0), 5.0);
    let height = |found: &Together| plane_found(found).0.z;
    for criterion in [Association::LeastSquares, Association::MinimumZone] {
        // 0.1 mm thicker than 4 mm: half on either side.
        let found = solved(&p, &made(0.3, 4.4), criterion);
        assert!((height(&found) - 0.35).abs() < 1e-11, "{criterion:?} {}", height(&found));
    }
    let thin = solved(&p, &made(0.3, 4.2), Association::MinimaxOutside);
    assert!((height(&thin) - 0.25).abs() < 1e-6, "{}", height(&thin));
    let thick = associate_pattern(&quiet(), &p, &made(0.3, 4.4), Association::MinimaxOutside);
    let Err(TogetherError::Blocked { by_mm }) = thick else { panic!("{thick:?}") };
    assert!((by_mm - 0.05).abs() < 1e-3, "{by_mm}");
}

#[test]
fn order_of_points_and_a_moved_part_change_nothing() {
    let mut random = Random::seeded(3);
    let points: Vec<Point> =
        wall(10.0, -12.0, 12.0, |t, z| 0.02 * math::cos(2.0 * t) + 0.0004 * z * math::cos(t))
            .into_iter()
            .map(|p| p + random.direction().vector() * 0.005)
            .collect();
    let p = pattern(vec![tube(10.0, true)], of_tube(10.0), 10.0);
    let moved: Motion<PartFrame, PartFrame> =
        Motion::turn_about(Point::new(3.0, 1.0, 0.0), Vector::new(0.004, -0.003, 0.0), Vector::x() * 0.2);
    for criterion in [Association::LeastSquares, Association::MinimumZone, Association::MinimaxOutside] {
        let first = solved(&p, &on(&points, 0), criterion);
        let mut turned: Vec<Point> = points.iter().map(|q| moved.point(q)).collect();
        turned.reverse();
        let second = solved(&p, &on(&turned, 0), criterion);
        let (a, b) = (first.nominal_from_measured, second.nominal_from_measured * moved);
        for z in [-12.0, 12.0] {
            // Places on the axis; the turn about it is left as it is.
            let place = a.inverse().point(&Point::new(0.0, 0.0, z));
            let off = b.point(&place);
            assert!(off.x.abs() < 1e-8 && off.y.abs() < 1e-8, "{criterion:?} {off}");
        }
        assert!((first.growths_mm[0] - second.growths_mm[0]).abs() < 1e-9, "{criterion:?}");
    }
}

#[test]
fn what_holds_nothing_is_refused_and_numbers_that_are_none_too() {
    let p = pattern(vec![level(0.0, true)], of_plane(10.0), 10.0);
    let line: Vec<Point> = (0..30).map(|i| Point::new(f64::from(i), 0.0, 0.0)).collect();
    for criterion in [Association::LeastSquares, Association::MinimumZone, Association::MinimaxOutside] {
        let refused = associate_pattern(&quiet(), &p, &on(&line, 0), criterion);
        assert!(matches!(refused, Err(TogetherError::Fit(FitError::Undetermined { .. }))), "{refused:?}");
        assert!(associate_pattern(&quiet(), &p, &[], criterion).is_err());
        let mut broken = on(&line, 0);
        broken[3].point.y = f64::NAN;
        let refused = associate_pattern(&quiet(), &p, &broken, criterion);
        assert_eq!(refused, Err(FitError::NotFinite { index: 3 }.into()));
        let mut light = on(&line, 0);
        light[4].weight = 0.0;
        assert!(associate_pattern(&quiet(), &p, &light, criterion).is_err());
    }
}

/// Facets that face up at heights 0, 0 and 0.3, and a shift along z: the largest weighted distance of s and 0.3 - s times w
/// is least at s = 0.3 w / (1 + w).
#[test]
fn weights_of_facets_scale_their_distances_in_a_minimum_zone() {
    let shift = Twist { turn: Vector::zeros(), shift: Vector::z() };
    let p = Pattern { ideals: vec![], motions: vec![shift], centre: Point::origin(), reach_mm: 50.0 };
    for weight in [1.0, 3.0, 1000.0] {
        for scale in [1.0, 0.01] {
            let points: Vec<PatternPoint> = [(0.0, 0.0, 1.0), (40.0, 0.0, 1.0), (0.0, 0.3, weight)]
                .map(|(x, z, w)| PatternPoint {
                    point: Point::new(x, 5.0, z),
                    on: On::Facet(Point::new(x, 5.0, 0.0), Direction::Z),
                    weight: w * scale,
                })
                .to_vec();
            let found = solved(&p, &points, Association::MinimumZone);
            let moved = -found.nominal_from_measured.translation().z;
            assert!((moved - 0.3 * weight / (1.0 + weight)).abs() < 1e-6, "{weight} x {scale}: {moved}");
        }
    }
}
