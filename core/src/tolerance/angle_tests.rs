use super::super::made_tests::{surface as made, wall};
use super::*;
use crate::geometry::{Direction, Point, Vector, math};
use crate::run::quiet;

fn face(u: Vector, v: Vector) -> Vec<Point> {
    (0..100)
        .map(|k| Point::new(3.0, 4.0, 5.0) + u * (f64::from(k % 10) - 4.5) + v * (f64::from(k / 10) - 4.5))
        .collect()
}

/// A face that holds y and lies at a turn from z towards x, with its normal.
fn turned(degrees: f64) -> (Subject, Vec<Point>, Direction) {
    let t = degrees.to_radians();
    let normal = Direction::new(Vector::new(math::sin(t), 0.0, math::cos(t))).unwrap();
    let points = face(Vector::y(), normal.vector().cross(&Vector::y()));
    (Subject::new(Situation::Plane { at: Point::origin(), normal }), points, normal)
}

fn degrees(from: Subject, to: Subject, drawn: f64, points: [&[Point]; 2]) -> f64 {
    let rule = Angle { from, to: Some(to), nominal_rad: drawn.to_radians() };
    rule.measure(&quiet(), &points.map(made)).unwrap().numbers[0].value.to_degrees()
}

#[test]
fn of_the_two_angles_of_two_planes_the_drawings_one_is_told() {
    let (level, level_points, _) = turned(0.0);
    let (steep, _, _) = turned(60.0);
    // Made a degree steeper.
    let (_, steep_points, _) = turned(61.0);
    let points: [&[Point]; 2] = [&level_points, &steep_points];
    assert!((degrees(level, steep, 60.0, points) - 61.0).abs() < 1e-10);
    assert!((degrees(level, steep, 120.0, points) - 119.0).abs() < 1e-10);
    assert!((degrees(steep, level, 120.0, [&steep_points, &level_points]) - 119.0).abs() < 1e-10);
}

/// Up to and over the nominal the value changes as the part does: no fold at a right angle.
#[test]
fn a_right_angle_is_told_through_the_material_of_a_corner_on_both_sides_of_it() {
    let (level, level_points, _) = turned(0.0);
    let (upright, _, _) = turned(90.0);
    for off in [-1.0, -0.1, 0.0, 0.1, 1.0] {
        let (_, points, _) = turned(90.0 + off);
        let found = degrees(level, upright, 90.0, [&level_points, &points]);
        // Normals that open further leave less material between the faces.
        assert!((found - (90.0 - off)).abs() < 1e-10, "{off}: {found}");
    }
}

#[test]
fn axes_and_planes_and_slots_have_angles() {
    let axis = |degrees: f64| -> (Subject, Vec<Point>) {
        let t = degrees.to_radians();
        let direction = Direction::new(Vector::new(math::sin(t), 0.0, math::cos(t))).unwrap();
        let (a, b) = direction.frame();
        let points = wall(9, 40, 30.0, |_, _| 4.0)
            .iter()
            .map(|p| Point::origin() + a * p.x + b * p.y + direction.vector() * p.z)
            .collect();
        let at = Point::origin();
        let of = Situation::Cylinder { at, axis: direction, diameter_mm: 8.0, hollow: true };
        (Subject::new(of), points)
    };
    let ((upright, upright_points), (leaning, _), (_, leaned)) = (axis(0.0), axis(30.0), axis(31.0));
    assert!((degrees(upright, leaning, 30.0, [&upright_points, &leaned]) - 31.0).abs() < 1e-8);
    assert!((degrees(upright, leaning, 150.0, [&upright_points, &leaned]) - 149.0).abs() < 1e-8);
    // The axis rises 60 degrees over the level plane, made 59.
    let (level, level_points, _) = turned(0.0);
    assert!((degrees(leaning, level, 60.0, [&leaned, &level_points]) - 59.0).abs() < 1e-8);
    assert!((degrees(level, leaning, 120.0, [&level_points, &leaned]) - 121.0).abs() < 1e-8);
    // An axis that was given is not measured.
    let given = Subject::along(leaning.situation, Direction::Z);
    let rule = Angle { from: given, to: Some(level), nominal_rad: 1.0 };
    let refused = rule.measure(&quiet(), &[made(&leaned), made(&level_points)]);
    assert!(matches!(refused, Err(RuleError::Missing(_))));
}

#[test]
fn a_cone_has_an_apex_angle_and_nothing_else_has() {
    let half = 20f64.to_radians();
    let points = wall(11, 60, 20.0, |_, z| 15.0 + z * math::tan(half));
    let cone = Subject::new(Situation::Cone {
        at: Point::origin(),
        axis: Direction::Z,
        half_angle_rad: half,
        radius_mm: 15.0,
        hollow: false,
    });
    let rule = Angle { from: cone, to: None, nominal_rad: 2.0 * half };
    let found = rule.measure(&quiet(), &[made(&points)]).unwrap();
    assert!((found.numbers[0].value - 2.0 * half).abs() < 1e-9);
    let (level, level_points, _) = turned(0.0);
    let rule = Angle { from: level, to: None, nominal_rad: 1.0 };
    assert!(matches!(rule.measure(&quiet(), &[made(&level_points)]), Err(RuleError::Missing(_))));
    let ball = Subject::new(Situation::Sphere { at: Point::origin(), diameter_mm: 1.0, hollow: false });
    let rule = Angle { from: level, to: Some(ball), nominal_rad: 1.0 };
    assert!(rule.measure(&quiet(), &[made(&level_points), made(&points)]).is_err());
    for bad in [vec![], vec![Point::new(f64::NAN, 0.0, 0.0); 9], vec![Point::origin(); 9]] {
        let rule = Angle { from: level, to: Some(level), nominal_rad: 1.0 };
        assert!(rule.measure(&quiet(), &[made(&level_points), made(&bad)]).is_err());
    }
}
