//! Surfaces that are written as turned, extruded, trimmed or B-spline surfaces: ends that reach their axis, and plain
//! surfaces by another name.
//!
//! Areas and volumes by their closed forms (of ellipsoids of revolution, from memory), that of a spline's dome by Simpson's
//! rule over its Bernstein polynomials.

#![allow(clippy::unwrap_used, reason = "a sample that cannot be read fails the test")]

mod step_text;

use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

use scantling_core::geometry::{Point, Vector, math};
use scantling_core::nominal::{Carrier, Face, Nominal, NominalFile, read};
use scantling_core::run::quiet;
use scantling_core::search::SurfaceTree;
use step_text::{StepText, Way, volume};

const X: Vector = Vector::new(1.0, 0.0, 0.0);
const Y: Vector = Vector::new(0.0, 1.0, 0.0);
const Z: Vector = Vector::new(0.0, 0.0, 1.0);
const O: Point = Point::new(0.0, 0.0, 0.0);

fn nominal(text: &str) -> Nominal {
    let nominal = read(text.as_bytes(), &NominalFile::default(), &quiet()).unwrap_or_else(|e| panic!("{e}"));
    assert!(nominal.missing().is_empty(), "{:?}", nominal.missing());
    assert!(nominal.closed());
    nominal
}

fn face<'a>(nominal: &'a Nominal, label: &str) -> &'a Face {
    nominal.faces().iter().find(|f| f.label == label).unwrap()
}

/// The ends of a tube of radius 10 mm: how a profile is written, how high its end is, its area and volume.
#[derive(Clone, Copy, Debug, PartialEq)]
enum End {
    Cone,
    Dome,
    Hemisphere,
    Flat,
    Steep,
    Disc,
    Paraboloid,
}

const ENDS: [End; 7] =
    [End::Cone, End::Dome, End::Hemisphere, End::Flat, End::Steep, End::Disc, End::Paraboloid];
const DOME: [(f64, f64); 4] = [(10.0, 0.0), (10.0, 5.0), (5.0, 8.0), (0.0, 8.0)];

impl End {
    fn height(self) -> f64 {
        match self {
            End::Cone | End::Hemisphere => 10.0,
            End::Dome => 8.0,
            End::Flat => 5.0,
            End::Steep => 15.0,
            End::Disc => 0.0,
            End::Paraboloid => 6.0,
        }
    }

    /// A curve in the plane of x and z, and whether it runs from the rim to the tip.
    fn profile(self, s: &mut StepText) -> (u64, bool) {
        let rim = Point::new(10.0, 0.0, 0.0);
        match self {
            End::Cone | End::Disc => {
                let to = Point::new(0.0, 0.0, self.height());
                let (p, d) = (s.point(rim), s.direction((to - rim).normalize()));
                let v = s.put(&format!("VECTOR('',#{d},1.)"));
                (s.put(&format!("LINE('',#{p},#{v})")), true)
            }
            End::Dome => {
                let points = DOME.map(|(x, z)| Point::new(x, 0.0, z));
                (s.spline(3, &points, &[0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0], &[]), true)
            }
            End::Hemisphere => (s.circle(O, -Y, X, 10.0), true),
            End::Flat => {
                let axes = s.axes(O, -Y, X);
                (s.put(&format!("ELLIPSE('',#{axes},10.,5.)")), true)
            }
            End::Steep => {
                // Begins at its tip, so it runs down.
                let axes = s.axes(O, Y, Z);
                (s.put(&format!("ELLIPSE('',#{axes},15.,10.)")), false)
            }
            End::Paraboloid => {
                // z = 6 - x^2 / (4 f) with f such that x = 10 at z = 0; begins at its vertex, so it runs down.
                let axes = s.axes(Point::new(0.0, 0.0, 6.0), -Y, -Z);
                (s.put(&format!("PARABOLA('',#{axes},{:?})", 100.0 / 24.0)), false)
            }
        }
    }

    fn area(self) -> f64 {
        let a = 10.0_f64;
        match self {
            End::Cone => PI * a * (2.0 * a * a).sqrt(),
            End::Hemisphere => TAU * a * a,
            End::Disc => PI * a * a,
            End::Flat => {
                let e = (1.0_f64 - 0.25).sqrt();
                PI * a * a * (1.0 + (1.0 - e * e) / e * 0.5 * math::ln((1.0 + e) / (1.0 - e)))
            }
            End::Steep => {
                let (c, e) = (15.0_f64, (1.0 - 100.0 / 225.0_f64).sqrt());
                PI * a * a * (1.0 + c / (a * e) * math::atan2(e, (1.0 - e * e).sqrt()))
            }
            End::Paraboloid => {
                let h = 6.0_f64;
                let q = a * a + 4.0 * h * h;
                PI * a / (6.0 * h * h) * (q * q.sqrt() - a * a * a)
            }
            End::Dome => simpson(|t| {
                let (p, d) = dome(t);
                TAU * p.0 * (d.0 * d.0 + d.1 * d.1).sqrt()
            }),
        }
    }

    fn volume(self) -> f64 {
        let h = self.height();
        match self {
            End::Cone => PI * 100.0 * h / 3.0,
            End::Hemisphere | End::Flat | End::Steep => 2.0 / 3.0 * PI * 100.0 * h,
            End::Disc => 0.0,
            End::Paraboloid => 0.5 * PI * 100.0 * h,
            End::Dome => simpson(|t| {
                let (p, d) = dome(t);
                PI * p.0 * p.0 * d.1
            }),
        }
    }
}

fn dome(t: f64) -> ((f64, f64), (f64, f64)) {
    let s = 1.0 - t;
    let (b, d) = (
        [s * s * s, 3.0 * s * s * t, 3.0 * s * t * t, t * t * t],
        [-3.0 * s * s, 3.0 * s * s - 6.0 * s * t, 6.0 * s * t - 3.0 * t * t, 3.0 * t * t],
    );
    let sum = |w: [f64; 4], k: usize| -> f64 { (0..4).map(|i| w[i] * [DOME[i].0, DOME[i].1][k]).sum() };
    ((sum(b, 0), sum(b, 1)), (sum(d, 0), sum(d, 1)))
}

fn simpson(f: impl Fn(f64) -> f64) -> f64 {
    let n = 2000;
    let at = |i: i32| {
        f(f64::from(i) / f64::from(n))
            * if i == 0 || i == n {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            }
    };
    (0..=n).map(at).sum::<f64>() / (3.0 * f64::from(n))
}

/// A tube 5 mm long, a turned line, with a flat bottom and an end.
fn tube(end: End, seam: bool) -> String {
    let mut s = StepText::new();
    let bottom = s.whole_circle(O - Z * 5.0, Z, X, 10.0);
    let rim = Point::new(10.0, 0.0, 0.0);
    let (v, circle) = (s.vertex(rim), s.circle(O, Z, X, 10.0));
    let ring = s.edge(v, v, circle);
    let (p, d) = (s.point(rim), s.direction(Z));
    let vector = s.put(&format!("VECTOR('',#{d},1.)"));
    let line = s.put(&format!("LINE('',#{p},#{vector})"));
    let (wall, base) = (s.revolution(line, O, Z), s.plane(O - Z * 5.0, -Z, X));
    let (curve, up) = end.profile(&mut s);
    let surface = s.revolution(curve, O, Z);
    let mut way: Vec<Way> = vec![(ring, true)];
    if seam {
        let tip = s.vertex(Point::new(0.0, 0.0, end.height()));
        let edge = if up { s.edge(v, tip, curve) } else { s.edge(tip, v, curve) };
        way.extend([(edge, up), (edge, !up)]);
    }
    let faces = [
        s.face("base", base, &[vec![(bottom, false)]], true),
        s.face("wall", wall, &[vec![(bottom, true)], vec![(ring, false)]], true),
        s.face("end", surface, &[way], up),
    ];
    let body = s.solid(&faces);
    s.product("tube", &[body]);
    s.file()
}

#[test]
fn ends_that_reach_their_axis_are_closed_and_have_their_area() {
    for end in ENDS {
        for seam in [false, true] {
            let part = nominal(&tube(end, seam));
            let (area, wanted) = (face(&part, "end").area_mm2, end.area());
            assert!((area / wanted - 1.0).abs() < 2e-3, "{end:?} {seam}: {area} {wanted}");
            let (got, wanted) = (volume(&part), end.volume() + 500.0 * PI);
            assert!((got / wanted - 1.0).abs() < 3e-3, "{end:?} {seam}: {got} {wanted}");
            let Some(Carrier::Cylinder { radius_mm, hollow, .. }) = face(&part, "wall").carrier else {
                panic!()
            };
            assert!((radius_mm - 10.0).abs() < 1e-9 && !hollow);
            match (end, face(&part, "end").carrier) {
                (End::Cone, Some(Carrier::Cone { apex, axis, half_angle_rad, hollow })) => {
                    assert!(
                        (apex - Point::new(0.0, 0.0, 10.0)).norm() < 1e-9
                            && axis.vector().z < -0.999
                            && !hollow
                    );
                    assert!((half_angle_rad - PI / 4.0).abs() < 1e-9);
                }
                (End::Hemisphere, Some(Carrier::Sphere { centre, radius_mm, hollow })) => {
                    assert!(centre.coords.norm() < 1e-9 && (radius_mm - 10.0).abs() < 1e-9 && !hollow);
                }
                (End::Disc, Some(Carrier::Plane { normal, .. })) => assert!(normal.vector().z > 0.999),
                (End::Dome | End::Flat | End::Steep | End::Paraboloid, None) => {}
                other => panic!("{other:?}"),
            }
        }
    }
}

#[test]
fn distances_from_a_turned_end_are_right_up_to_its_tip() {
    for end in [End::Dome, End::Hemisphere, End::Flat, End::Steep, End::Disc, End::Paraboloid] {
        let part = nominal(&tube(end, false));
        let tree = SurfaceTree::new(part.mesh());
        // Above the tip all these are flat across the axis.
        for (x, y) in [(0.0, 0.0), (1e-7, 0.0), (0.0, -1e-4), (1e-3, 1e-3)] {
            for far in [0.3, -0.2] {
                let p = Point::new(x, y, end.height() + far);
                let foot = part.exact_foot(&p, &tree.nearest(&p, 5.0).unwrap());
                // In the tip itself there is no normal by the parameters, and the triangles serve.
                let Some(foot) = foot else {
                    assert!(x == 0.0 && y == 0.0, "{end:?}: no foot at {p}");
                    continue;
                };
                assert!((foot.distance_mm - far).abs() < 1e-5, "{end:?} {p}: {}", foot.distance_mm);
            }
        }
    }
}

/// How the wall of a cylinder of radius 5 mm and 20 mm height is written: its surface, and whether its normal points out.
const WALLS: [&str; 7] =
    ["rational", "backwards", "extruded", "extruded down", "turned", "trimmed", "trimmed against"];

fn wall(s: &mut StepText, kind: &str) -> (u64, bool) {
    let rational = |s: &mut StepText, turn: f64| {
        let ring = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0)];
        let rows: Vec<Vec<Point>> = ring
            .iter()
            .map(|(x, y)| {
                [0.0, 20.0].map(|z| Point::new(5.0 * f64::from(*x), turn * 5.0 * f64::from(*y), z)).to_vec()
            })
            .collect();
        let weights: Vec<Vec<f64>> =
            (0..9).map(|i| vec![if i % 2 == 0 { 1.0 } else { FRAC_1_SQRT_2 }; 2]).collect();
        let knots = [0.0, 0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 4.0];
        s.spline_surface([2, 1], &rows, [&knots, &[0.0, 0.0, 1.0, 1.0]], &weights)
    };
    match kind {
        "rational" => (rational(s, 1.0), true),
        "backwards" => (rational(s, -1.0), false),
        "extruded" | "extruded down" => {
            let circle = s.circle(O, Z, X, 5.0);
            let up = kind == "extruded";
            (s.extrusion(circle, if up { Z * 3.0 } else { -Z }), up)
        }
        "turned" => {
            let points =
                [(5.0, 0.0), (5.0, 8.0), (5.0, 12.0), (5.0, 20.0)].map(|(x, z)| Point::new(x, 0.0, z));
            let profile = s.spline(3, &points, &[0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0], &[]);
            (s.revolution(profile, O, Z), true)
        }
        _ => {
            let basis = s.cylinder(O, Z, X, 5.0);
            let against = kind == "trimmed against";
            let sense = if against { "T" } else { "F" };
            let trim =
                format!("RECTANGULAR_TRIMMED_SURFACE('',#{basis},0.,6.283185307179586,0.,20.,.{sense}.,.F.)");
            (s.put(&trim), !against)
        }
    }
}

#[test]
fn plain_surfaces_by_another_name_are_known_for_what_they_are() {
    for kind in WALLS {
        let mut s = StepText::new();
        let (low, high) = (s.whole_circle(O, Z, X, 5.0), s.whole_circle(O + Z * 20.0, Z, X, 5.0));
        let (surface, out) = wall(&mut s, kind);
        // The lid is a B-spline, the base an extruded line.
        let corner = |x: f64, y: f64| Point::new(x, y, 20.0);
        let rows = [vec![corner(-6.0, -6.0), corner(-6.0, 6.0)], vec![corner(6.0, -6.0), corner(6.0, 6.0)]];
        let lid = s.spline_surface([1, 1], &rows, [&[0.0, 0.0, 1.0, 1.0], &[0.0, 0.0, 1.0, 1.0]], &[]);
        let (p, d) = (s.point(O), s.direction(X));
        let vector = s.put(&format!("VECTOR('',#{d},1.)"));
        let line = s.put(&format!("LINE('',#{p},#{vector})"));
        let base = s.extrusion(line, Y);
        let faces = [
            s.face("wall", surface, &[vec![(low, true)], vec![(high, false)]], out),
            s.face("lid", lid, &[vec![(high, true)]], true),
            s.face("base", base, &[vec![(low, false)]], false),
        ];
        let body = s.solid(&faces);
        s.product("rod", &[body]);
        let part = nominal(&s.file());
        let got = volume(&part);
        assert!((got / (PI * 25.0 * 20.0) - 1.0).abs() < 5e-3, "{kind}: {got}");
        let Some(Carrier::Cylinder { axis, radius_mm, hollow, .. }) = face(&part, "wall").carrier else {
            panic!("{kind}: {:?}", face(&part, "wall").carrier)
        };
        assert!(!hollow && (radius_mm - 5.0).abs() < 1e-9 && axis.vector().z.abs() > 1.0 - 1e-12, "{kind}");
        for (label, z) in [("lid", 1.0), ("base", -1.0)] {
            let Some(Carrier::Plane { normal, .. }) = face(&part, label).carrier else {
                panic!("{kind} {label}")
            };
            assert!((normal.vector().z - z).abs() < 1e-12, "{kind} {label}");
        }
        // Outside is positive.
        let p = Point::new(4.0, 4.0, 9.0);
        let foot = SurfaceTree::new(part.mesh()).nearest(&p, 5.0).unwrap();
        let far = part.exact_foot(&p, &foot).unwrap().distance_mm;
        assert!((far - (32.0_f64.sqrt() - 5.0)).abs() < 1e-9, "{kind}: {far}");
    }
}

#[test]
fn spheres_and_cones_of_splines_are_known_and_what_bends_a_little_is_not() {
    // Half a sphere of radius 10 as a rational surface: a quarter of a meridian turned about z.
    let w = FRAC_1_SQRT_2;
    let ring = [
        (1.0, 0.0, 1.0),
        (1.0, 1.0, w),
        (0.0, 1.0, 1.0),
        (-1.0, 1.0, w),
        (-1.0, 0.0, 1.0),
        (-1.0, -1.0, w),
        (0.0, -1.0, 1.0),
        (1.0, -1.0, w),
        (1.0, 0.0, 1.0),
    ];
    let knots = [0.0, 0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 4.0];
    // (radius, height, weight) along the meridian.
    let sphere = [(10.0, 0.0, 1.0), (10.0, 10.0, w), (0.0, 10.0, 1.0)];
    let cone = [(10.0, 0.0, 1.0), (5.0, 5.0, 1.0), (0.0, 10.0, 1.0)];
    // A thousandth of a mm of bend.
    let bent = [(10.0, 0.0, 1.0), (5.001, 5.0, 1.0), (0.0, 10.0, 1.0)];
    for (profile, word) in [(sphere, "sphere"), (cone, "cone"), (bent, "")] {
        let mut s = StepText::new();
        let rows: Vec<Vec<Point>> = ring
            .iter()
            .map(|(x, y, _)| profile.iter().map(|(r, z, _)| Point::new(r * x, r * y, *z)).collect())
            .collect();
        let weights: Vec<Vec<f64>> =
            ring.iter().map(|(_, _, a)| profile.iter().map(|(_, _, b)| a * b).collect()).collect();
        let surface = s.spline_surface([2, 2], &rows, [&knots, &[0.0, 0.0, 0.0, 1.0, 1.0, 1.0]], &weights);
        let ring = s.whole_circle(O, Z, X, 10.0);
        let base = s.plane(O, -Z, X);
        let faces = [
            s.face("end", surface, &[vec![(ring, true)]], true),
            s.face("base", base, &[vec![(ring, false)]], true),
        ];
        let body = s.solid(&faces);
        s.product("end", &[body]);
        let part = nominal(&s.file());
        assert_eq!(face(&part, "end").carrier.map_or("", |c| c.word()), word);
    }
}
