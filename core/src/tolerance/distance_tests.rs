use super::super::made_tests::{elsewhere, surface as made, taken, wall};
use super::*;
use crate::geometry::{Vector, random::Random};
use crate::plan::Situation;
use crate::run::quiet;

fn face(at: Point, u: Vector, v: Vector) -> Vec<Point> {
    (0..100).map(|k| at + u * (f64::from(k % 10) / 4.5 - 1.0) + v * (f64::from(k / 10) / 4.5 - 1.0)).collect()
}

fn asked(
    from: Subject,
    to: Subject,
    along: Option<Direction>,
    points: [&[Point]; 2],
) -> Result<f64, RuleError> {
    let found = Distance { from, to, along }.measure(&quiet(), &points.map(made))?;
    assert!(found.operators.iter().any(|o| o.0 == "caution"));
    Ok(found.numbers[0].value)
}

fn plane(at: Point, normal: Direction) -> Subject {
    Subject::new(Situation::Plane { at, normal })
}

fn hole(x: f64, y: f64, diameter_mm: f64) -> Subject {
    let at = Point::new(x, y, 0.0);
    Subject::new(Situation::Cylinder { at, axis: Direction::Z, diameter_mm, hollow: true })
}

#[test]
fn planes_are_told_from_the_centroid_of_the_first_along_the_normal_of_the_second() {
    let low = face(Point::origin(), Vector::x() * 20.0, Vector::y() * 20.0);
    // Tilted by 0.01 about its own centroid at x = 7: the second plane's normal counts, whichever it is.
    let high = face(Point::new(7.0, 0.0, 30.2), Vector::new(10.0, 0.0, 0.1), Vector::y() * 10.0);
    let of_low = plane(Point::new(5.0, 5.0, 0.0), Direction::Z.reversed());
    let of_high = plane(Point::new(0.0, 0.0, 30.0), Direction::Z);
    assert!((asked(of_high, of_low, None, [&high, &low]).unwrap() - 30.2).abs() < 1e-12);
    let cos = 1.0 / 1.0001f64.sqrt();
    // From the origin to a plane of slope 0.01 that has 30.2 - 0.07 over it.
    assert!((asked(of_low, of_high, None, [&low, &high]).unwrap() - 30.13 * cos).abs() < 1e-12);
    let along = Some(Direction::Z.reversed());
    assert!((asked(of_low, of_high, along, [&low, &high]).unwrap() - 30.2).abs() < 1e-12);
    // On the wrong side it is no distance of the nominal's.
    let under = face(Point::new(0.0, 0.0, -3.0), Vector::x(), Vector::y());
    assert!((asked(of_high, of_low, None, [&under, &low]).unwrap() + 3.0).abs() < 1e-12);
}

#[test]
fn holes_are_told_across_their_axes_at_the_middle_of_the_nominal() {
    let bore = |x: f64, y: f64, lean: f64| -> Vec<Point> {
        wall(9, 40, 20.0, |_, _| 4.0).iter().map(|p| Point::new(p.x + x + lean * p.z, p.y + y, p.z)).collect()
    };
    let (a, b) = (bore(0.0, 0.0, 0.0), bore(30.0, 40.1, 0.0));
    let expected = (900.0f64 + 40.1 * 40.1).sqrt();
    assert!(
        (asked(hole(0.0, 0.0, 8.0), hole(30.0, 40.0, 8.0), None, [&a, &b]).unwrap() - expected).abs() < 1e-9
    );
    // Only the upper half of the first was seen, which leans: it is told at the nominal's middle.
    let leaning: Vec<Point> = bore(0.0, 0.0, 0.01).into_iter().filter(|p| p.z >= 0.0).collect();
    let found = asked(hole(0.0, 0.0, 8.0), hole(30.0, 40.0, 8.0), None, [&leaning, &b]).unwrap();
    assert!((found - expected).abs() < 1e-3, "{found} {expected}");
    // Along x, positive as on the nominal.
    let along = Some(Direction::X);
    assert!(
        (asked(hole(0.0, 0.0, 8.0), hole(30.0, 40.0, 8.0), along, [&a, &b]).unwrap() - 30.0).abs() < 1e-9
    );
    // From a side.
    let side = face(Point::new(-12.0, 0.0, 0.0), Vector::y() * 9.0, Vector::z() * 9.0);
    let of_side = plane(Point::new(-12.0, 1.0, 2.0), Direction::X.reversed());
    for (from, to, points) in
        [(of_side, hole(0.0, 0.0, 8.0), [&side, &a]), (hole(0.0, 0.0, 8.0), of_side, [&a, &side])]
    {
        let points = points.map(Vec::as_slice);
        assert!((asked(from, to, None, points).unwrap() - 12.0).abs() < 1e-9);
    }
    // A thin wall along the given axis.
    let thin: Vec<Point> = a.iter().copied().filter(|p| p.z.abs() < 0.1).collect();
    let short = Subject::along(hole(0.0, 0.0, 8.0).situation, Direction::Z);
    assert!((asked(short, hole(30.0, 40.0, 8.0), None, [&thin, &b]).unwrap() - expected).abs() < 1e-9);
}

#[test]
fn crossed_axes_centres_and_middle_planes_have_their_distances() {
    let along_z = wall(9, 40, 20.0, |_, _| 4.0);
    let along_x: Vec<Point> = along_z.iter().map(|p| Point::new(p.z, p.y + 25.0, p.x + 3.0)).collect();
    let at = Point::new(0.0, 25.0, 3.0);
    let crossing =
        Subject::new(Situation::Cylinder { at, axis: Direction::X, diameter_mm: 8.0, hollow: true });
    for (from, to, points) in [
        (hole(0.0, 0.0, 8.0), crossing, [&along_z, &along_x]),
        (crossing, hole(0.0, 0.0, 8.0), [&along_x, &along_z]),
    ] {
        let points = points.map(Vec::as_slice);
        assert!((asked(from, to, None, points).unwrap() - 25.0).abs() < 1e-9);
    }
    let random = &mut Random::seeded(1);
    let mut ball = |at: Point| -> (Subject, Vec<Point>) {
        let points = (0..300).map(|_| at + random.direction().vector() * 5.0).collect();
        (Subject::new(Situation::Sphere { at, diameter_mm: 10.0, hollow: false }), points)
    };
    let ((one, one_points), (two, two_points)) =
        (ball(Point::new(3.0, 4.0, 50.0)), ball(Point::new(3.0, 4.0, 62.0)));
    assert!((asked(one, two, None, [&one_points, &two_points]).unwrap() - 12.0).abs() < 1e-9);
    for (from, to, points) in [
        (one, hole(0.0, 0.0, 8.0), [&one_points, &along_z]),
        (hole(0.0, 0.0, 8.0), one, [&along_z, &one_points]),
    ] {
        let points = points.map(Vec::as_slice);
        assert!((asked(from, to, None, points).unwrap() - 5.0).abs() < 1e-9);
    }
    // The middle of a groove from x = 8 to x = 12, from a side at x = -5.
    let mut groove = made(&face(Point::new(8.0, 0.0, 0.0), Vector::y() * 9.0, Vector::z() * 9.0));
    groove.points.extend(face(Point::new(12.0, 0.0, 0.0), Vector::y() * 9.0, Vector::z() * 9.0));
    groove.normals = (0..200).map(|i| if i < 100 { Direction::X } else { Direction::X.reversed() }).collect();
    let (at, across) = (Point::new(10.0, 0.0, 0.0), Direction::X);
    let width = Subject::new(Situation::Width { at, across, width_mm: 4.0, hollow: true });
    let side = made(&face(Point::new(-5.0, 0.0, 0.0), Vector::y() * 9.0, Vector::z() * 9.0));
    let of_side = plane(Point::new(-5.0, 0.0, 0.0), Direction::X.reversed());
    let rule = Distance { from: width, to: of_side, along: None };
    let found = rule.measure(&quiet(), &[groove, side]).unwrap();
    assert!((found.numbers[0].value - 15.0).abs() < 1e-12, "{found:?}");
}

#[test]
fn distances_move_and_turn_with_the_part() {
    let random = &mut Random::seeded(4);
    let noisy = |points: Vec<Point>, random: &mut Random| -> Vec<Point> {
        points
            .iter()
            .map(|p| p + Vector::new(random.normal(), random.normal(), random.normal()) * 0.01)
            .collect()
    };
    let a = noisy(wall(9, 40, 20.0, |_, _| 4.0), random);
    let b = noisy(face(Point::new(-12.0, 0.0, 0.0), Vector::y() * 9.0, Vector::z() * 9.0), random);
    let (of_a, of_b) = (hole(0.0, 0.0, 8.0), plane(Point::new(-12.0, 1.0, 2.0), Direction::X.reversed()));
    let here = asked(of_a, of_b, None, [&a, &b]).unwrap();
    let motion = elsewhere(random);
    let moved = [&a, &b].map(|side| side.iter().map(|p| motion.point(p)).collect::<Vec<Point>>());
    let there = [of_a, of_b].map(|s| Subject::new(taken(&motion, s.situation)));
    let found = asked(there[0], there[1], None, [&moved[0], &moved[1]]).unwrap();
    assert!((found - here).abs() < 1e-8, "{found} {here}");
    assert!((here - 12.0).abs() < 0.01 && here != 12.0);
}

#[test]
fn what_has_no_distance_is_refused() {
    let points = face(Point::origin(), Vector::x(), Vector::y());
    let good = plane(Point::origin(), Direction::Z);
    let nowhere = Subject::new(Situation::Surface);
    assert!(matches!(asked(nowhere, good, None, [&points, &points]), Err(RuleError::Missing(_))));
    assert!(matches!(asked(good, nowhere, None, [&points, &points]), Err(RuleError::Missing(_))));
    let nan = vec![Point::new(f64::NAN, 0.0, 0.0); 9];
    for bad in [&[][..], &points[..2], &nan, &[Point::origin(); 9]] {
        assert!(asked(good, good, None, [&points, bad]).is_err());
        assert!(asked(good, good, None, [bad, &points]).is_err());
    }
    assert!(Distance { from: good, to: good, along: None }.measure(&quiet(), &[made(&points)]).is_err());
}
