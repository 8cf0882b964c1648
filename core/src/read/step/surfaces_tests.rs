use super::*;
use crate::geometry::random::Random;
use crate::read::step::bspline::{BSplineCurve, BSplineSurface};

fn axes() -> Axes {
    let z = Direction::new(Vector::new(1.0, 2.0, 3.0)).unwrap();
    Axes::new(Point::new(4.0, 5.0, 6.0), z, Direction::new(Vector::new(1.0, 1.0, 0.0)))
}

fn spline() -> Spline {
    let mut points = Vec::new();
    for i in 0..5 {
        for j in 0..4 {
            points.push(Point::new(f64::from(i) * 3.0, f64::from(j) * 2.0, f64::from((i * j + i) % 3)));
        }
    }
    let knots = [vec![0.0, 0.0, 0.0, 0.3, 0.7, 1.0, 1.0, 1.0], vec![0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0]];
    Spline::new(BSplineSurface::new([2, 3], knots, [5, 4], points, None).unwrap())
}

fn profile() -> Curve {
    let points =
        (0..5).map(|i| Point::new(5.0 + f64::from(i), 2.0 + f64::from(i * i % 3), f64::from(i))).collect();
    let knots = vec![0.0, 0.0, 0.0, 0.0, 0.4, 1.0, 1.0, 1.0, 1.0];
    Curve::spline(BSplineCurve::new(3, knots, points, None).unwrap())
}

/// Each surface with the range of its two parameters to try.
fn all() -> Vec<(Surface, [f64; 2], [f64; 2])> {
    let standing = Axes::new(Point::new(0.0, 0.0, 1.0), Direction::Z, None);
    vec![
        (Surface::Plane { axes: axes() }, [-5.0, 5.0], [-5.0, 5.0]),
        (Surface::Cylinder { axes: axes(), radius: 2.0 }, [0.0, TAU], [-5.0, 5.0]),
        (Surface::Cone { axes: axes(), radius: 2.0, half_angle: 0.3 }, [0.0, TAU], [-5.0, 5.0]),
        (Surface::Sphere { axes: axes(), radius: 2.0 }, [0.0, TAU], [-1.5, 1.5]),
        (Surface::Torus { axes: axes(), major: 5.0, minor: 2.0 }, [0.0, TAU], [0.0, TAU]),
        (Surface::Spline(Box::new(spline())), [0.01, 0.99], [0.01, 0.99]),
        (
            Surface::Extrusion { curve: profile(), along: Vector::new(0.0, 1.0, 2.0) },
            [0.05, 0.95],
            [-3.0, 3.0],
        ),
        (Surface::Revolution(Box::new(Turned::new(profile(), standing, None))), [0.0, 3.0], [0.05, 0.95]),
    ]
}

#[test]
fn derivatives_agree_with_differences() {
    let h = 1e-5;
    let mut random = Random::seeded(3);
    for (s, ru, rv) in all() {
        for _ in 0..20 {
            let (u, v) = (random.range(ru[0], ru[1]), random.range(rv[0], rv[1]));
            let jet = s.jet(u, v);
            let (a, b, c, d) = (s.jet(u - h, v), s.jet(u + h, v), s.jet(u, v - h), s.jet(u, v + h));
            for (got, from) in [
                (jet.u, (b.p - a.p) / (2.0 * h)),
                (jet.v, (d.p - c.p) / (2.0 * h)),
                (jet.uu, (b.u - a.u) / (2.0 * h)),
                (jet.uv, (d.u - c.u) / (2.0 * h)),
                (jet.vv, (d.v - c.v) / (2.0 * h)),
            ] {
                // Across a knot the second derivative of a quadratic or cubic jumps or bends.
                let bound = if matches!(s, Surface::Spline(_)) { 1e-2 } else { 1e-5 };
                assert!((got - from).norm() < bound * (1.0 + got.norm()), "{s:?} {u} {v}: {got} {from}");
            }
        }
    }
}

#[test]
fn the_parameters_of_a_place_lead_back_to_it() {
    let mut random = Random::seeded(4);
    for (s, ru, rv) in all() {
        for _ in 0..50 {
            let (u, v) = (random.range(ru[0], ru[1]), random.range(rv[0], rv[1]));
            let p = s.jet(u, v).p;
            let (gu, gv) = s.parameters_of(&p, None).unwrap();
            assert!((s.jet(gu, gv).p - p).norm() < 1e-8, "{s:?} {u} {v} {gu} {gv}");
            let (gu, gv) = s.parameters_of(&p, Some((u + 0.02, v - 0.02))).unwrap();
            assert!((s.jet(gu, gv).p - p).norm() < 1e-5, "{s:?} {u} {v} {gu} {gv}");
            if let Some(far) = s.distance(&p) {
                assert!(far < 1e-12);
            }
        }
    }
}

#[test]
fn the_nearest_place_of_one_off_the_surface_lies_along_the_normal() {
    let mut random = Random::seeded(5);
    for (s, ru, rv) in all() {
        for _ in 0..50 {
            let (u, v) = (random.range(ru[0], ru[1]), random.range(rv[0], rv[1]));
            let off = random.range(-0.2, 0.2);
            let Some(normal) = s.normal(u, v) else { continue };
            if let Surface::Cone { .. } = s
                && (v + 2.0 / math::tan(0.3)).abs() < 2.0
            {
                continue;
            }
            let p = s.jet(u, v).p + normal.vector() * off;
            let (gu, gv) = s.parameters_of(&p, None).unwrap();
            let got = (s.jet(gu, gv).p - p).norm();
            // Another place may be nearer on a wavy surface, never one further.
            assert!(got <= off.abs() + 1e-7, "{s:?}: {got} {off}");
            if let Some(far) = s.distance(&p) {
                assert!((far - got).abs() < 1e-9, "{s:?}: {far} {got}");
            }
        }
    }
}

#[test]
fn poles_and_periods_are_known() {
    let cone = Surface::Cone { axes: axes(), radius: 2.0, half_angle: 0.3 };
    let pole = cone.poles()[0];
    for u in [0.0, 1.0, 4.0] {
        assert!((cone.jet(u, pole.other).p - pole.place).norm() < 1e-12);
    }
    assert_eq!(cone.periods(), [Some(TAU), None]);
    // A spline whose last side is one place and whose first and last column meet.
    let circle = [(1.0, 0.0), (1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0), (1.0, 0.0)];
    let mut points = Vec::new();
    for (x, y) in circle {
        points.push(Point::new(x, y, 0.0));
        points.push(Point::new(0.0, 0.0, 3.0));
    }
    let knots = [vec![0.0, 0.0, 0.0, 0.25, 0.5, 0.75, 1.0, 1.0, 1.0], vec![0.0, 0.0, 2.0, 2.0]];
    let s = Surface::Spline(Box::new(Spline::new(
        BSplineSurface::new([2, 1], knots, [6, 2], points, None).unwrap(),
    )));
    assert_eq!(s.periods(), [Some(1.0), None]);
    assert_eq!(s.poles(), [Pole { place: Point::new(0.0, 0.0, 3.0), free: 0, other: 2.0 }]);
}
