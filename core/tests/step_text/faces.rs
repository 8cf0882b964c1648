//! Faces of every kind of surface, each within its own edges: what tests and the fuzz targets read.

use std::f64::consts::PI;

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Point, Vector, math};

use super::{StepText, Way};

const Z: Vector = Vector::new(0.0, 0.0, 1.0);
const X: Vector = Vector::new(1.0, 0.0, 0.0);
const O: Point = Point::new(0.0, 0.0, 0.0);

/// Half angle of the cone, rad.
pub(crate) const CONE: f64 = 0.35;

/// All faces of analytic surfaces.
pub(crate) const ANALYTIC: [fn(&mut StepText, bool) -> u64; 6] = [plane, cylinder, cone, zone, cap, torus];

/// The kinds of [`freeform`].
pub(crate) const FREEFORM: [&str; 4] = ["spline", "rational", "extrusion", "revolution"];

/// A place on a circle about z.
pub(crate) fn round(radius: f64, angle: f64, z: f64) -> Point {
    Point::new(radius * math::cos(angle), radius * math::sin(angle), z)
}

/// Loops for a face whose own normal is the surface's, or turned round for one whose is not.
fn loops(lower: u64, upper: u64, same: bool) -> Vec<Vec<Way>> {
    vec![vec![(lower, same)], vec![(upper, !same)]]
}

pub(crate) fn plane(s: &mut StepText, same: bool) -> u64 {
    let corners = [(0.0, 0.0), (40.0, 0.0), (55.0, 30.0), (-5.0, 20.0)];
    let corners = corners.map(|(x, y)| Point::new(x, y, 0.0));
    let vertices = corners.map(|p| (s.vertex(p), p));
    let edges = [0, 1, 2, 3].map(|i| s.straight(vertices[i], vertices[(i + 1) % 4]));
    let mut way: Vec<(u64, bool)> = edges.iter().map(|e| (*e, same)).collect();
    if !same {
        way.reverse();
    }
    let plane = s.plane(O, Z, X);
    s.face("plane", plane, &[way], same)
}

pub(crate) fn cylinder(s: &mut StepText, same: bool) -> u64 {
    let (a, b) = (s.whole_circle(O, Z, X, 12.0), s.whole_circle(O + Z * 25.0, Z, X, 12.0));
    let surface = s.cylinder(O, Z, X, 12.0);
    s.face("cylinder", surface, &loops(a, b, same), same)
}

pub(crate) fn cone(s: &mut StepText, same: bool) -> u64 {
    let wide = 8.0 + 20.0 * math::tan(CONE);
    let (a, b) = (s.whole_circle(O, Z, X, 8.0), s.whole_circle(O + Z * 20.0, Z, X, wide));
    let surface = s.cone(O, Z, X, 8.0, CONE);
    s.face("cone", surface, &loops(a, b, same), same)
}

pub(crate) fn zone(s: &mut StepText, same: bool) -> u64 {
    let (a, b) = (s.whole_circle(O - Z * 6.0, Z, X, 8.0), s.whole_circle(O + Z * 8.0, Z, X, 6.0));
    let surface = s.sphere(O, Z, X, 10.0);
    s.face("zone", surface, &loops(a, b, same), same)
}

pub(crate) fn cap(s: &mut StepText, same: bool) -> u64 {
    let rim = s.whole_circle(O - Z * 6.0, Z, X, 8.0);
    let surface = s.sphere(O, X, Z, 10.0);
    s.face("cap", surface, &[vec![(rim, same)]], same)
}

pub(crate) fn torus(s: &mut StepText, same: bool) -> u64 {
    // From the outer equator over the top to half way down inside: angles 0 to 150 degrees of the
    // tube.
    let (c, h) = (math::cos(5.0 * PI / 6.0), math::sin(5.0 * PI / 6.0));
    let a = s.whole_circle(O, Z, X, 20.0);
    let b = s.whole_circle(O + Z * (5.0 * h), Z, X, 15.0 + 5.0 * c);
    let surface = s.torus(O, Z, X, 15.0, 5.0);
    s.face("torus", surface, &loops(a, b, same), same)
}

/// Basis functions by their definition: Cox and de Boor's recursion as every textbook prints it.
fn basis(i: usize, degree: usize, t: f64, knots: &[f64]) -> f64 {
    if degree == 0 {
        let last = knots[knots.len() - 1];
        let closes = t == last && knots[i] < last && knots[i + 1] == last;
        return if (knots[i] <= t && t < knots[i + 1]) || closes { 1.0 } else { 0.0 };
    }
    let part = |a: f64, b: f64, value: f64| if b > a { value / (b - a) } else { 0.0 };
    let (left, right) = (knots[i + degree] - knots[i], knots[i + degree + 1] - knots[i + 1]);
    part(0.0, left, (t - knots[i]) * basis(i, degree - 1, t, knots))
        + part(0.0, right, (knots[i + degree + 1] - t) * basis(i + 1, degree - 1, t, knots))
}

fn curve_at(degree: usize, points: &[Point], knots: &[f64], weights: &[f64], t: f64) -> Point {
    let (mut sum, mut whole) = (Vector::zeros(), 0.0);
    for (i, p) in points.iter().enumerate() {
        let b = basis(i, degree, t, knots) * weights.get(i).copied().unwrap_or(1.0);
        sum += p.coords * b;
        whole += b;
    }
    Point::from(sum / whole)
}

/// A net of control points over 60 by 50 mm with waves of some mm, its knots uneven.
pub(crate) struct Patch {
    degrees: [usize; 2],
    rows: Vec<Vec<Point>>,
    knots: [Vec<f64>; 2],
    weights: Vec<Vec<f64>>,
}

impl Patch {
    pub(crate) fn new(rational: bool) -> Self {
        let mut random = Random::seeded(7);
        let row = |i: usize, random: &mut Random| -> Vec<Point> {
            (0..5)
                .map(|j| {
                    let wave = math::sin(0.9 * i as f64) * math::cos(0.8 * f64::from(j));
                    let slip = |r: &mut Random| 2.0 * r.unit() - 1.0;
                    Point::new(
                        10.0 * i as f64 + slip(random),
                        12.5 * f64::from(j) + slip(random),
                        6.0 * wave + slip(random),
                    )
                })
                .collect()
        };
        let rows: Vec<Vec<Point>> = (0..7).map(|i| row(i, &mut random)).collect();
        let knots = [
            vec![0.0, 0.0, 0.0, 0.0, 0.2, 0.45, 0.8, 1.0, 1.0, 1.0, 1.0],
            vec![-1.0, -1.0, -1.0, 0.5, 1.0, 3.0, 3.0, 3.0],
        ];
        let weights = if rational {
            (0..7).map(|_| (0..5).map(|_| 0.6 + 1.4 * random.unit()).collect()).collect()
        } else {
            Vec::new()
        };
        Self { degrees: [3, 2], rows, knots, weights }
    }

    /// The bowl z = x^2 / (2 r) + y^2 / (2 s) over x and y within 2 mm, exact as a patch of degree two: its control values of
    /// x^2 are the products of both ends.
    pub(crate) fn bowl([r, s]: [f64; 2]) -> Self {
        let place = [-2.0, 0.0, 2.0];
        let square = [4.0, -4.0, 4.0];
        let row = |i: usize| -> Vec<Point> {
            (0..3)
                .map(|j| Point::new(place[i], place[j], square[i] / (2.0 * r) + square[j] / (2.0 * s)))
                .collect()
        };
        let knots = || vec![0.0, 0.0, 0.0, 1.0, 1.0, 1.0];
        Self {
            degrees: [2, 2],
            rows: (0..3).map(row).collect(),
            knots: [knots(), knots()],
            weights: Vec::new(),
        }
    }

    pub(crate) fn at(&self, u: f64, v: f64) -> Point {
        let ends = |k: &[f64]| (k[0], k[k.len() - 1]);
        let ((u0, u1), (v0, v1)) = (ends(&self.knots[0]), ends(&self.knots[1]));
        let (u, v) = (u0 + (u1 - u0) * u, v0 + (v1 - v0) * v);
        let (mut sum, mut whole) = (Vector::zeros(), 0.0);
        for (i, row) in self.rows.iter().enumerate() {
            let bu = basis(i, self.degrees[0], u, &self.knots[0]);
            if bu == 0.0 {
                continue;
            }
            for (j, p) in row.iter().enumerate() {
                let w = self.weights.get(i).map_or(1.0, |r| r[j]);
                let b = bu * basis(j, self.degrees[1], v, &self.knots[1]) * w;
                sum += p.coords * b;
                whole += b;
            }
        }
        Point::from(sum / whole)
    }

    /// The surface within the curves of its own four sides.
    pub(crate) fn write(&self, s: &mut StepText) -> u64 {
        let (last_i, last_j) = (self.rows.len() - 1, self.rows[0].len() - 1);
        let column = |j: usize| self.rows.iter().map(|r| r[j]).collect::<Vec<_>>();
        let weights_of_row = |i: usize| self.weights.get(i).cloned().unwrap_or_default();
        let weights_of_column = |j: usize| self.weights.iter().map(|r| r[j]).collect::<Vec<_>>();
        let places = [(0, 0), (last_i, 0), (last_i, last_j), (0, last_j)].map(|(i, j)| self.rows[i][j]);
        let v = places.map(|p| s.vertex(p));
        let side = |s: &mut StepText, along: usize, points: Vec<Point>, w: Vec<f64>, from: u64, to: u64| {
            let curve = s.spline(self.degrees[along], &points, &self.knots[along], &w);
            s.edge(from, to, curve)
        };
        let bottom = side(s, 0, column(0), weights_of_column(0), v[0], v[1]);
        let right = side(s, 1, self.rows[last_i].clone(), weights_of_row(last_i), v[1], v[2]);
        let top = side(s, 0, column(last_j), weights_of_column(last_j), v[3], v[2]);
        let left = side(s, 1, self.rows[0].clone(), weights_of_row(0), v[0], v[3]);
        let knots = [self.knots[0].as_slice(), self.knots[1].as_slice()];
        let surface = s.spline_surface(self.degrees, &self.rows, knots, &self.weights);
        s.face("patch", surface, &[vec![(bottom, true), (right, true), (top, false), (left, false)]], true)
    }
}

/// Points, degree and knots of a curve that waves, in the plane of x and z.
fn profile() -> (Vec<Point>, Vec<f64>) {
    let points = [(14.0, 0.0), (18.0, 6.0), (11.0, 14.0), (20.0, 22.0), (16.0, 30.0), (13.0, 36.0)];
    let knots = vec![0.0, 0.0, 0.0, 0.0, 0.3, 0.55, 1.0, 1.0, 1.0, 1.0];
    (points.map(|(x, z)| Point::new(x, 0.0, z)).to_vec(), knots)
}

/// Writes a face of each freeform kind with its surface as a function.
pub(crate) fn freeform(text: &mut StepText, kind: &str) -> (u64, Box<dyn Fn(f64, f64) -> Point>) {
    let (points, knots) = profile();
    match kind {
        "spline" | "rational" => {
            let patch = Patch::new(kind == "rational");
            let face = patch.write(text);
            (face, Box::new(move |u, v| patch.at(u, v)))
        }
        "extrusion" => {
            // Not at a right angle to the curve.
            let along = Vector::new(3.0, 24.0, 2.0);
            let moved: Vec<Point> = points.iter().map(|p| p + along).collect();
            let ends = [points[0], points[5], moved[5], moved[0]].map(|p| (text.vertex(p), p));
            let curve = text.spline(3, &points, &knots, &[]);
            let near = text.edge(ends[0].0, ends[1].0, curve);
            let far_curve = text.spline(3, &moved, &knots, &[]);
            let far = text.edge(ends[3].0, ends[2].0, far_curve);
            let (last, first) = (text.straight(ends[1], ends[2]), text.straight(ends[0], ends[3]));
            let surface = text.extrusion(curve, along);
            let way = vec![(near, true), (last, true), (far, false), (first, false)];
            let face = text.face("extrusion", surface, &[way], true);
            (face, Box::new(move |u, v| curve_at(3, &points, &knots, &[], u) + along * v))
        }
        _ => {
            // A quarter of a turn about z; u runs round, v along the curve.
            let turned = |p: &Point, a: f64| round(p.x, a, p.z);
            let other: Vec<Point> = points.iter().map(|p| turned(p, 0.5 * PI)).collect();
            let ends = [points[0], other[0], other[5], points[5]].map(|p| text.vertex(p));
            let curve = text.spline(3, &points, &knots, &[]);
            let begin = text.edge(ends[0], ends[3], curve);
            let other = text.spline(3, &other, &knots, &[]);
            let end = text.edge(ends[1], ends[2], other);
            let low = text.circle(O + Z * points[0].z, Z, X, points[0].x);
            let low = text.edge(ends[0], ends[1], low);
            let high = text.circle(O + Z * points[5].z, Z, X, points[5].x);
            let high = text.edge(ends[3], ends[2], high);
            let surface = text.revolution(curve, O, Z);
            let way = vec![(low, true), (end, true), (high, false), (begin, false)];
            let face = text.face("revolution", surface, &[way], true);
            let at = move |u: f64, v: f64| turned(&curve_at(3, &points, &knots, &[], v), 0.5 * PI * u);
            (face, Box::new(at))
        }
    }
}
