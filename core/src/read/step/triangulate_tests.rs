use super::*;
use crate::geometry::{Direction, math};
use crate::read::step::curves::Axes;
use crate::read::step::loops::lay_out;
use crate::read::step::surfaces::Surface;
use crate::run::quiet;
use std::f64::consts::{PI, TAU};

fn limits(chord_mm: f64) -> Limits {
    Limits { chord_mm, whole_mm: chord_mm, corners: MOST }
}

fn axes() -> Axes {
    Axes::new(Point::new(1.0, -2.0, 3.0), Direction::new([1.0, 2.0, 2.0].into()).unwrap(), None)
}

/// Area, and the largest distance of a triangle's middle or edge from the surface, of a face with these loops.
fn mesh(surface: &Surface, loops: &[Vec<Point>]) -> (f64, f64, usize) {
    let vertices: Vec<Point> = loops.iter().flatten().copied().collect();
    let mut next = 0;
    let ids: Vec<Vec<u32>> = loops
        .iter()
        .map(|l| {
            let begin = next;
            next += l.len() as u32;
            (begin..next).collect()
        })
        .collect();
    let (chart, layout) = lay_out(surface, &ids, &vertices, 0.01, &quiet()).unwrap();
    let mut all = vertices;
    all.extend(&layout.added);
    let filling = fill(&chart, &layout.polygons, &all, &[], &[], limits(0.01), &quiet()).unwrap();
    all.extend(&filling.inner);
    let (mut area, mut worst) = (0.0, 0.0_f64);
    let mut edges: HashMap<(u32, u32), i32> = HashMap::new();
    for t in &filling.triangles {
        let [a, b, c] = t.map(|v| all[v as usize]);
        let double = (b - a).cross(&(c - a));
        area += 0.5 * double.norm();
        let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
        worst = worst.max(surface.distance(&middle).unwrap());
        let (u, v) = surface.parameters_of(&middle, None).unwrap();
        if let Some(normal) = surface.normal(u, v) {
            assert!(
                double.norm() < 1e-9 || double.dot(&normal.vector()) > 0.0,
                "a triangle lies upside down"
            );
        }
        for (i, j) in [(0, 1), (1, 2), (2, 0)] {
            *edges.entry((t[i].min(t[j]), t[i].max(t[j]))).or_default() += if t[i] < t[j] { 1 } else { -1 };
        }
    }
    // What is left open is the boundary: as many edges as corners on the loops.
    let open = edges.values().filter(|n| **n != 0).count();
    assert!(edges.values().all(|n| n.abs() <= 1));
    (area, worst, open)
}

fn ring(surface: &Surface, n: usize, at: impl Fn(f64) -> (f64, f64)) -> Vec<Point> {
    (0..n).map(|i| at(i as f64 / n as f64)).map(|(u, v)| surface.jet(u, v).p).collect()
}

#[test]
fn a_square_with_a_hole_has_its_area() {
    let plane = Surface::Plane { axes: axes() };
    let square =
        [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)].map(|(u, v)| plane.jet(u, v).p).to_vec();
    let hole = [(4.0, 4.0), (4.0, 6.0), (6.0, 6.0), (6.0, 4.0)].map(|(u, v)| plane.jet(u, v).p).to_vec();
    let (area, worst, open) = mesh(&plane, &[square, hole]);
    assert!((area - 96.0).abs() < 1e-9 && worst < 1e-12 && open == 8);
}

#[test]
fn a_tube_between_two_circles_is_closed_by_a_seam() {
    let tube = Surface::Cylinder { axes: axes(), radius: 5.0 };
    let low = ring(&tube, 64, |f| (TAU * f, 0.0));
    let high = ring(&tube, 50, |f| (1.0 - TAU * f, 20.0));
    let (area, worst, open) = mesh(&tube, &[low.clone(), high]);
    assert!(
        (area / (TAU * 5.0 * 20.0) - 1.0).abs() < 2e-3 && worst < 0.011 && open == 114,
        "{area} {worst} {open}"
    );
    // The upper rim is a wave; a hole lies where the seam might be.
    let wave = ring(&tube, 200, |f| (1.0 - TAU * f, 20.0 + math::sin(3.0 * TAU * f)));
    let hole = ring(&tube, 40, |f| (0.3 * math::cos(TAU * f), 10.0 - 1.5 * math::sin(TAU * f)));
    let (area, worst, open) = mesh(&tube, &[wave, low, hole]);
    let expected = TAU * 5.0 * 20.0 - PI * 0.3 * 5.0 * 1.5;
    assert!((area / expected - 1.0).abs() < 2e-3 && worst < 0.011 && open == 304, "{area} {worst} {open}");
}

#[test]
fn a_cone_runs_up_to_its_tip_with_and_without_a_corner_there() {
    let cone = Surface::Cone { axes: axes(), radius: 6.0, half_angle: -0.5 };
    let base = ring(&cone, 64, |f| (TAU * f, 0.0));
    let tip = cone.poles()[0];
    let slant = 6.0 / math::sin(0.5);
    let (area, worst, open) = mesh(&cone, std::slice::from_ref(&base));
    assert!(
        (area / (PI * 6.0 * slant) - 1.0).abs() < 3e-3 && worst < 0.011 && open == 64,
        "{area} {worst} {open}"
    );
    // A quarter with a corner at the tip.
    let mut quarter: Vec<Point> = base[..=16].to_vec();
    quarter.push(tip.place);
    let (area, worst, open) = mesh(&cone, &[quarter]);
    assert!((area / (0.25 * PI * 6.0 * slant) - 1.0).abs() < 3e-3 && worst < 0.011 && open == 18);
}

#[test]
fn a_torus_between_two_rings_is_the_side_that_lies_to_their_left() {
    let torus = Surface::Torus { axes: axes(), major: 10.0, minor: 3.0 };
    // Area between v = a and v = b: r (R (b - a) + r (sin b - sin a)) a turn.
    let band = |a: f64, b: f64| TAU * 3.0 * (10.0 * (b - a) + 3.0 * (math::sin(b) - math::sin(a)));
    let up = |v: f64| ring(&torus, 120, move |f| (TAU * f, v));
    let down = |v: f64| ring(&torus, 120, move |f| (-TAU * f, v));
    for (a, b) in [(0.3, 1.5), (5.5, 0.5 + TAU), (1.0, 0.5 + TAU)] {
        let (area, worst, open) = mesh(&torus, &[up(a), down(b)]);
        assert!(
            (area / band(a, b) - 1.0).abs() < 4e-3 && worst < 0.011 && open == 240,
            "{a} {b}: {area} {worst}"
        );
    }
    // A bent pipe: rings the other way.
    let first = ring(&torus, 60, |f| (0.2, TAU * f));
    let second = ring(&torus, 60, |f| (1.8, -TAU * f));
    // To the left of growing v lies smaller u: from 0.2 down to 1.8 less a turn.
    let (area, worst, open) = mesh(&torus, &[first, second]);
    let expected = (TAU - 1.6) * TAU * 3.0 * 10.0;
    assert!(
        (area / expected - 1.0).abs() < 4e-3 && worst < 0.011 && open == 120,
        "{area} {expected} {worst}"
    );
}

#[test]
fn a_loop_along_the_seam_twice_is_the_whole_tube() {
    let tube = Surface::Cylinder { axes: axes(), radius: 5.0 };
    let n = 64;
    // Up the seam at u = 0 and down again, as most files tell a tube.
    let vertices: Vec<Point> =
        ring(&tube, n, |f| (TAU * f, 0.0)).into_iter().chain(ring(&tube, n, |f| (TAU * f, 8.0))).collect();
    let (low, high) = (0..n as u32, n as u32..2 * n as u32);
    let mut l: Vec<u32> = low.collect();
    l.push(0);
    l.push(n as u32);
    l.extend(high.rev());
    let (chart, layout) = lay_out(&tube, &[l], &vertices, 0.01, &quiet()).unwrap();
    let filling = fill(&chart, &layout.polygons, &vertices, &[], &[], limits(0.02), &quiet()).unwrap();
    assert_eq!(filling.triangles.len(), 2 * n);
}

#[test]
fn crossing_and_empty_boundaries_are_refused() {
    let plane = Surface::Plane { axes: axes() };
    let bow = [(0.0, 0.0), (10.0, 10.0), (10.0, 0.0), (0.0, 10.0)].map(|(u, v)| plane.jet(u, v).p);
    let (chart, layout) = lay_out(&plane, &[vec![0, 1, 2, 3]], &bow, 0.01, &quiet()).unwrap();
    let fault = fill(&chart, &layout.polygons, &bow, &[], &[], limits(0.01), &quiet()).unwrap_err();
    assert_eq!(fault, FillFault::Crossing);
    let (chart, layout) = lay_out(&plane, &[vec![0, 1]], &bow, 0.01, &quiet()).unwrap();
    let fault = fill(&chart, &layout.polygons, &bow, &[], &[], limits(0.01), &quiet()).unwrap_err();
    assert_eq!(fault, FillFault::Empty);
}
