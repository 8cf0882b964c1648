use super::*;
use std::f64::consts::FRAC_1_SQRT_2;

/// A quarter of the unit circle as a rational quadratic: exact.
fn quarter() -> BSplineCurve {
    let points = vec![Point::new(1.0, 0.0, 0.0), Point::new(1.0, 1.0, 0.0), Point::new(0.0, 1.0, 0.0)];
    BSplineCurve::new(2, vec![0.0, 0.0, 0.0, 1.0, 1.0, 1.0], points, Some(vec![1.0, FRAC_1_SQRT_2, 1.0]))
        .unwrap()
}

/// A cubic in two pieces whose knots are uneven.
fn cubic() -> BSplineCurve {
    let points =
        (0..6).map(|i| Point::new(f64::from(i), f64::from(i * i % 5), f64::from(3 * i % 4))).collect();
    BSplineCurve::new(3, vec![0.0, 0.0, 0.0, 0.0, 0.3, 0.7, 2.0, 2.0, 2.0, 2.0], points, None).unwrap()
}

#[test]
fn a_rational_quadratic_is_a_circle_with_its_curvature() {
    let curve = quarter();
    for i in 0..=20 {
        let t = f64::from(i) / 20.0;
        let (p, d, dd) = curve.at(t);
        assert!((p.coords.norm() - 1.0).abs() < 1e-15);
        assert!(p.coords.dot(&d).abs() < 1e-14);
        // Curvature of the unit circle.
        let k = d.cross(&dd).norm() / (d.norm() * d.norm_squared());
        assert!((k - 1.0).abs() < 1e-13, "{k}");
    }
}

/// De Boor's own scheme: corners cut until one is left. Slow and obvious.
fn de_boor(c: &BSplineCurve, knots: &[f64], t: f64) -> Point {
    let p = c.knots.degree;
    let k = (p..knots.len() - p - 1).rev().find(|k| knots[*k] <= t && knots[*k] < knots[k + 1]).unwrap();
    let mut d: Vec<Point> = (0..=p).map(|j| c.points[k - p + j]).collect();
    for r in 1..=p {
        for j in (r..=p).rev() {
            let i = k - p + j;
            let a = (t - knots[i]) / (knots[i + p - r + 1] - knots[i]);
            d[j] = Point::from(d[j - 1].coords * (1.0 - a) + d[j].coords * a);
        }
    }
    d[p]
}

#[test]
fn a_curve_agrees_with_corner_cutting_and_its_derivatives_with_differences() {
    let curve = cubic();
    let knots = curve.knots.knots.clone();
    for i in 0..=40 {
        let t = f64::from(i) * 0.05;
        assert!((curve.at(t).0 - de_boor(&curve, &knots, t)).norm() < 1e-13, "{t}");
    }
    let h = 1e-4;
    for t in [0.1, 0.5, 0.9, 1.9] {
        let (_, d, dd) = curve.at(t);
        let (a, b) = (curve.at(t - h), curve.at(t + h));
        assert!(((b.0 - a.0) / (2.0 * h) - d).norm() < 1e-5);
        assert!(((b.1 - a.1) / (2.0 * h) - dd).norm() < 1e-4);
    }
}

#[test]
fn a_rational_surface_is_a_torus_of_quarter_circles() {
    // Circle of radius 1 about x = 3, swept a quarter about z: control points are products.
    let small = [(4.0, 0.0, 1.0), (4.0, 1.0, FRAC_1_SQRT_2), (3.0, 1.0, 1.0)];
    let turn = [(1.0, 0.0, 1.0), (1.0, 1.0, FRAC_1_SQRT_2), (0.0, 1.0, 1.0)];
    let (mut points, mut weights) = (Vec::new(), Vec::new());
    for (x, y, w) in turn {
        for (r, z, w2) in small {
            points.push(Point::new(x * r, y * r, z));
            weights.push(w * w2);
        }
    }
    let knots = vec![0.0, 0.0, 0.0, 1.0, 1.0, 1.0];
    let s = BSplineSurface::new([2, 2], [knots.clone(), knots], [3, 3], points, Some(weights)).unwrap();
    let h = 1e-5;
    for i in 1..8 {
        for j in 1..8 {
            let (u, v) = (f64::from(i) / 8.0, f64::from(j) / 8.0);
            let jet = s.at(u, v);
            let rho = (jet.p.x * jet.p.x + jet.p.y * jet.p.y).sqrt();
            assert!(((rho - 3.0) * (rho - 3.0) + jet.p.z * jet.p.z - 1.0).abs() < 1e-14);
            let (a, b, c, d) = (s.at(u - h, v), s.at(u + h, v), s.at(u, v - h), s.at(u, v + h));
            for (got, from) in [
                (jet.u, (b.p - a.p) / (2.0 * h)),
                (jet.v, (d.p - c.p) / (2.0 * h)),
                (jet.uu, (b.u - a.u) / (2.0 * h)),
                (jet.uv, (d.u - c.u) / (2.0 * h)),
                (jet.vv, (d.v - c.v) / (2.0 * h)),
            ] {
                assert!((got - from).norm() < 1e-7, "{u} {v}: {got} {from}");
            }
        }
    }
}

#[test]
fn what_makes_no_curve_is_refused() {
    let points = vec![Point::origin(); 3];
    let make = |degree, knots: &[f64], weights: Option<Vec<f64>>| {
        BSplineCurve::new(degree, knots.to_vec(), points.clone(), weights)
    };
    let good = [0.0, 0.0, 0.0, 1.0, 1.0, 1.0];
    assert!(make(2, &good, None).is_some());
    assert!(make(0, &good, None).is_none());
    assert!(make(26, &good, None).is_none());
    assert!(make(2, &good[1..], None).is_none());
    assert!(make(2, &[0.0; 6], None).is_none());
    assert!(make(2, &[0.0, 0.0, 1.0, 0.5, 1.0, 1.0], None).is_none());
    assert!(make(2, &[0.0, 0.0, 0.0, f64::NAN, 1.0, 1.0], None).is_none());
    assert!(make(2, &good, Some(vec![1.0, 0.0, 1.0])).is_none());
    assert!(make(2, &good, Some(vec![1.0, 1.0])).is_none());
    assert!(BSplineSurface::new([2, 2], [good.to_vec(), good.to_vec()], [3, 3], points, None).is_none());
}
