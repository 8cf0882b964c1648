//! Shapes whose distances are known exactly (closed forms): what a mesh errs by, and what a best fit hides.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::associate::{On, Pattern, PatternPoint, associate_pattern, plane};
use scantling_core::geometry::{Direction, Point, TriangleMesh, Twist, Vector, math};
use scantling_core::plan::Association;
use scantling_core::run::quiet;
use scantling_core::search::SurfaceTree;

/// A ring of `sides` facets whose edges lie on a circle of 50 mm, 2 mm high.
fn ring(sides: usize) -> TriangleMesh {
    let at = |k: usize, z: f64| {
        let a = std::f64::consts::TAU * (k % sides) as f64 / sides as f64;
        Point::new(50.0 * math::cos(a), 50.0 * math::sin(a), z)
    };
    let mut vertices = Vec::new();
    let mut triangles = Vec::new();
    for k in 0..sides {
        let i = vertices.len() as u32;
        vertices.extend([at(k, 0.0), at(k + 1, 0.0), at(k + 1, 2.0), at(k, 2.0)]);
        triangles.extend([[i, i + 1, i + 2], [i, i + 2, i + 3]]);
    }
    TriangleMesh::new(vertices, triangles).unwrap()
}

#[test]
fn a_faceted_circle_errs_by_its_sagitta() {
    // R (1 - cos(pi / N)): the floor of any comparison against a mesh.
    for (sides, sagitta) in [(32, 0.240_764), (64, 0.060_227), (128, 0.015_059), (360, 0.001_904)] {
        let mesh = ring(sides);
        let tree = SurfaceTree::new(&mesh);
        let distance = |turn: f64| {
            let a = std::f64::consts::TAU * turn / sides as f64;
            let p = Point::new(50.0 * math::cos(a), 50.0 * math::sin(a), 1.0);
            tree.nearest(&p, 5.0).unwrap().distance
        };
        let closed = 50.0 * (1.0 - math::cos(std::f64::consts::PI / sides as f64));
        assert!((closed - sagitta).abs() < 1e-6, "{sides}: {closed}");
        assert!((distance(0.5) - closed).abs() < 1e-9, "{sides}: {}", distance(0.5));
        assert!(distance(1.0) < 1e-9, "{sides}");
    }
}

#[test]
fn a_best_fit_hides_half_of_what_half_of_a_surface_is_off() {
    // Half of the area offset by d: on its datums 0 and d; a translation alone fits it at -d/2 and +d/2, by least squares and by
    // minimax alike.
    let d = 0.3;
    let points: Vec<PatternPoint> = (0..400)
        .map(|i| {
            let (x, y) = (f64::from(i % 20) - 9.5, f64::from(i / 20) - 9.5);
            let foot = Point::new(x, y, 0.0);
            let z = if x > 0.0 { d } else { 0.0 };
            PatternPoint { point: Point::new(x, y, z), on: On::Facet(foot, Direction::Z), weight: 1.0 }
        })
        .collect();
    let pattern = Pattern {
        ideals: Vec::new(),
        motions: vec![Twist { turn: Vector::zeros(), shift: Vector::z() }],
        centre: Point::origin(),
        reach_mm: 10.0,
    };
    for criterion in [Association::LeastSquares, Association::MinimumZone] {
        let found = associate_pattern(&quiet(), &pattern, &points, criterion).unwrap();
        let moved = |z: f64| found.nominal_from_measured.point(&Point::new(1.0, 1.0, z)).z;
        assert!((moved(0.0) + 0.5 * d).abs() < 1e-9, "{criterion:?}: {}", moved(0.0));
        assert!((moved(d) - 0.5 * d).abs() < 1e-9, "{criterion:?}: {}", moved(d));
    }
}

#[test]
fn a_best_fit_hides_a_tilt() {
    // Tilt by q of a panel of length L: on its datums +-(L / 2) sin q at its ends, by best fit nothing.
    let (length, q) = (800.0, 0.002);
    let tilted = |x: f64, y: f64| Point::new(x * math::cos(q), y, x * math::sin(q));
    let points: Vec<Point> = (0..81)
        .flat_map(|i| (0..11).map(move |j| (10.0 * f64::from(i) - 400.0, 10.0 * f64::from(j))))
        .map(|(x, y)| tilted(x, y))
        .collect();
    let ends = points.iter().fold((0.0f64, 0.0f64), |(l, h), p| (l.min(p.z), h.max(p.z)));
    let closed = 0.5 * length * math::sin(q);
    assert!((ends.0 + closed).abs() < 1e-12 && (ends.1 - closed).abs() < 1e-12);
    let fit = plane(&points).unwrap();
    assert!(fit.high.0.abs() < 1e-12 && fit.low.0.abs() < 1e-12, "{:?} {:?}", fit.high, fit.low);
}
