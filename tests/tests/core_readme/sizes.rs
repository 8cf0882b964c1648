//! Figures of sizes, distances, angles and forms: the rule is asked of surfaces whose answer follows by hand.

use std::f64::consts::PI;

use scantling_core::geometry::{Direction, Point, Vector, math};
use scantling_core::plan::{Situation, SizeOperator, StraightnessOf};
use scantling_core::tolerance::{
    Angle, Cylindricity, Distance, Radius, Reference, Roundness, Size, Straightness, Subject, Surface,
};

use super::asked::{found, told, value};
use super::made::{groove, patch, points, wall};

pub(super) fn cylinder(diameter_mm: f64, hollow: bool) -> Situation {
    Situation::Cylinder { at: Point::origin(), axis: Direction::Z, diameter_mm, hollow }
}

pub(super) fn width() -> Situation {
    Situation::Width { at: Point::origin(), across: Direction::Y, width_mm: 10.0, hollow: true }
}

fn upright(radius: impl Fn(f64, f64) -> f64) -> Surface {
    wall(Point::origin(), Vector::z(), true, [-20.0, 20.0], radius)
}

/// A bore of 20 mm with three bays of 0.1 mm.
fn lobed() -> Surface {
    upright(|turn, _| 10.0 + 0.1 * math::cos(3.0 * turn).max(0.0))
}

/// A bore of 20 mm whose axis bends by 0.3 mm from its middle to both ends.
fn bent() -> Surface {
    let mut surface = upright(|_, _| 10.0);
    for p in &mut surface.points {
        p.x += 0.3 * p.z * p.z / 400.0;
    }
    surface
}

fn sizes(of: Situation, operator: SizeOperator, surface: &Surface) -> Vec<f64> {
    let rule = Size { of: Subject::new(of), operator, section_mm: 5.0 };
    found(&rule, std::slice::from_ref(surface)).numbers.iter().map(|n| n.value).collect()
}

pub(super) fn size_of_lobed(operator: SizeOperator, hand: f64) -> String {
    let size = sizes(cylinder(20.0, true), operator, &lobed())[0];
    format!("a bore of 20 with three bays of 0.1, {}", told(hand, size, 5e-4))
}

pub(super) fn two_point_sizes() -> String {
    let oval = upright(|turn, _| {
        let (x, y) = (math::cos(turn) / 10.05, math::sin(turn) / 9.95);
        1.0 / (x * x + y * y).sqrt()
    });
    let ends = sizes(cylinder(20.0, true), SizeOperator::TwoPoint, &oval);
    format!("an oval bore, {}; {}", told(19.9, ends[0], 1e-6), told(20.1, ends[1], 1e-6))
}

pub(super) fn envelope() -> String {
    let ends = sizes(cylinder(20.0, true), SizeOperator::Envelope, &bent());
    let [mating, most] = [told(19.7, ends[0], 2e-3), told(20.0, ends[1], 2e-3)];
    format!("a bore of 20 bent by 0.3, mating size {mating}; largest two-point size {most}")
}

pub(super) fn width_of_planes() -> String {
    let wedge = groove([|x| 5.0 + 0.004 * (x - 50.0), |_| -5.0]);
    let least = sizes(width(), SizeOperator::LeastSquares, &wedge)[0];
    let local = sizes(width(), SizeOperator::TwoPoint, &wedge);
    let ends = [told(9.8, local[0], 5e-4), told(10.2, local[1], 5e-4)];
    format!("flanks that open by 0.4, (GG) {}; (LP) {}; {}", told(10.0, least, 5e-4), ends[0], ends[1])
}

pub(super) fn radius() -> String {
    let mut fillet = wall(Point::origin(), Vector::z(), true, [0.0, 20.0], |_, _| 3.0);
    fillet.points.retain(|p| p.x > 0.0 && p.y > 0.0);
    let rule = Radius { of: Subject::new(cylinder(6.0, true)) };
    format!("a quarter of a cylinder, {}", told(3.0, value(&rule, &fillet), 1e-9))
}

fn plane_at(at: Point, normal: Direction) -> Subject {
    Subject::new(Situation::Plane { at, normal })
}

pub(super) fn distance() -> String {
    let low = points(patch(Point::origin(), Vector::x() * 20.0, Vector::y() * 20.0));
    // Leans by 0.01 about its own centroid.
    let high = points(patch(Point::new(7.0, 0.0, 30.2), Vector::new(10.0, 0.0, 0.1), Vector::y() * 10.0));
    let rule = Distance {
        from: plane_at(Point::new(0.0, 0.0, 30.0), Direction::Z),
        to: plane_at(Point::origin(), Direction::Z.reversed()),
        along: None,
    };
    let value = found(&rule, &[high, low]).numbers[0].value;
    format!("a leaning plane over another, {}", told(30.2, value, 1e-9))
}

pub(super) fn angle() -> String {
    let turned = |degrees: f64| {
        let t = degrees.to_radians();
        let along = Vector::new(math::cos(t), 0.0, -math::sin(t));
        let normal = Direction::new(Vector::new(math::sin(t), 0.0, math::cos(t))).expect("a normal");
        (plane_at(Point::origin(), normal), points(patch(Point::origin(), along, Vector::y())))
    };
    let ((level, low), (steep, _), (_, made)) = (turned(0.0), turned(60.0), turned(61.0));
    let rule = Angle { from: level, to: Some(steep), nominal_rad: PI / 3.0 };
    let planes = found(&rule, &[low, made]).numbers[0].value.to_degrees();
    let half_angle_rad = PI / 9.0;
    let cone = Subject::new(Situation::Cone {
        at: Point::origin(),
        axis: Direction::Z,
        half_angle_rad,
        radius_mm: 15.0,
        hollow: false,
    });
    let surface =
        wall(Point::origin(), Vector::z(), false, [-10.0, 10.0], |_, z| 15.0 + z * math::tan(half_angle_rad));
    let apex = value(&Angle { from: cone, to: None, nominal_rad: 0.7 }, &surface).to_degrees();
    format!("drawn 60, made 61 degrees, {}; a cone, {}", told(61.0, planes, 1e-8), told(40.0, apex, 1e-6))
}

const ZONE: Reference = Reference::MinimumZone;

fn barrel() -> Surface {
    upright(|_, z| 10.0 - 1e-3 * z * z)
}

fn straightness(of: StraightnessOf, surface: &Surface) -> f64 {
    let rule = Straightness {
        subject: Subject::new(cylinder(20.0, true)),
        of,
        reference: ZONE,
        section_mm: if of == StraightnessOf::Axis { 5.0 } else { 1.0 },
    };
    value(&rule, surface)
}

pub(super) fn straight_lines() -> String {
    format!("a wall that bulges by 0.4, {}", told(0.4, straightness(StraightnessOf::Lines, &barrel()), 1e-6))
}

pub(super) fn straight_axis() -> String {
    let value = straightness(StraightnessOf::Axis, &bent());
    format!("an axis bent by 0.3, {}", told(0.3, value, 1e-3))
}

pub(super) fn roundness() -> String {
    let rule = Roundness { of: Subject::new(cylinder(20.0, true)), reference: ZONE, section_mm: 5.0 };
    format!("three bays of 0.1, {}", told(0.1, value(&rule, &lobed()), 5e-4))
}

pub(super) fn cylindricity() -> String {
    let rule = Cylindricity { reference: ZONE };
    format!("a wall that bulges by 0.4, {}", told(0.4, value(&rule, &barrel()), 1e-6))
}
