//! The truth of a demo part: every characteristic of its plan straight from the definitions, on dense points
//! of the made surface without noise. Slow and obvious on purpose; none of the code it judges is called.
//!
//! In one file, longer than others, so that it can be checked by itself.
//!
//! Weights are areas, so that the fineness of the mesh means nothing.

use scantling_core::geometry::{Direction, Point, Vector, math};
use scantling_core::simulate::window_surround::{Region, RoundHole};
use scantling_core::simulate::{Demo, DemoPart};
use std::collections::BTreeMap;

// The drawing's limits, written down a second time, mm.
const FLATNESS_MM: f64 = 0.5;
const PROFILE_MM: f64 = 0.4;
const DIAMETER_MM: f64 = 0.1;
const POSITION_MM: f64 = 0.4;
/// Nesting index of the drawing's filter, mm.
const NESTING_MM: f64 = 2.5;
/// The filter's weights beyond this are below 0.0002, mm.
const CUT_MM: f64 = 2.0;

/// A characteristic's true value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueValue {
    /// Flatness, diameter, position (twice the distance), or the deviation furthest from nominal; mm.
    pub value: f64,
    /// Smallest signed deviation, mm, positive outside the material; of a profile only.
    pub minimum: Option<f64>,
    /// Largest one.
    pub maximum: Option<f64>,
    /// By the drawing's limits.
    pub conforms: bool,
}

/// What is true of a made part.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// By number of the characteristic.
    pub values: BTreeMap<String, TrueValue>,
    /// Every hole's centre less its nominal place, in the datum system, mm.
    pub hole_offsets: BTreeMap<&'static str, [f64; 2]>,
    /// Mean of the deviation over the flat bottom of the dent, in the datum system, turned positive, mm.
    pub dent_depth_mm: Option<f64>,
}

impl Truth {
    /// Numbers of the characteristics that do not conform, ascending as text.
    pub fn failing(&self) -> Vec<&str> {
        self.values.iter().filter(|(_, v)| !v.conforms).map(|(n, _)| n.as_str()).collect()
    }

    /// Evaluates a made part of the demo.
    pub fn of(demo: &Demo, part: &DemoPart) -> Self {
        let flange = flange(demo);
        let flat = samples(part, &flange, 2.0);
        let walls: Vec<Vec<Sample>> =
            demo.surround.holes().iter().map(|h| samples(part, &wall(demo, h), 0.25)).collect();
        let frame = DatumFrame::new(demo, &flat, &walls);
        let mut values = BTreeMap::new();
        let mut tell = |number: usize, value: TrueValue| values.insert(number.to_string(), value);

        let heights: Vec<f64> = flat.iter().map(|s| frame.part_point(&s.made).z).collect();
        let value = least_zone(&flat, &filtered(&flat, &heights));
        tell(1, TrueValue { value, minimum: None, maximum: None, conforms: value <= FLATNESS_MM });

        let mut dent_depth_mm = None;
        for (i, region) in [Region::Wall, Region::Crown, Region::Reveal].into_iter().enumerate() {
            let skin = samples(part, &demo.surround.region_triangles(region), 1.0);
            let deviation: Vec<f64> =
                skin.iter().map(|s| (frame.part_point(&s.made) - s.nominal).dot(&s.normal)).collect();
            let smooth = filtered(&skin, &deviation);
            let minimum = smooth.iter().copied().fold(f64::INFINITY, f64::min);
            let maximum = smooth.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            tell(
                2 + i,
                TrueValue {
                    value: if -minimum > maximum { minimum } else { maximum },
                    minimum: Some(minimum),
                    maximum: Some(maximum),
                    conforms: minimum >= -PROFILE_MM && maximum <= PROFILE_MM,
                },
            );
            if let Some(found) = part.dent.as_ref().filter(|d| d.region == region) {
                dent_depth_mm = mean_depth(
                    found.dent.centre,
                    found.dent.inward,
                    found.dent.flat_radius_mm(),
                    &skin,
                    &deviation,
                );
            }
        }

        let mut hole_offsets = BTreeMap::new();
        for (i, hole) in demo.surround.holes().iter().enumerate() {
            let (centre, radius) = frame.circle(&walls[i]);
            let value = 2.0 * radius;
            let conforms = (value - hole.diameter_mm).abs() <= DIAMETER_MM;
            tell(5 + i, TrueValue { value, minimum: None, maximum: None, conforms });
            let off = frame.part_point(&centre) - hole.centre;
            hole_offsets.insert(hole.id, [off.x, off.y]);
            if i >= 2 {
                let value = 2.0 * (off.x * off.x + off.y * off.y).sqrt();
                let conforms = value <= POSITION_MM;
                tell(9 + i, TrueValue { value, minimum: None, maximum: None, conforms });
            }
        }
        Self { values, hole_offsets, dent_depth_mm }
    }
}

/// A small piece of the surface.
struct Sample {
    nominal: Point,
    normal: Vector,
    made: Point,
    area: f64,
}

fn flange(demo: &Demo) -> Vec<u32> {
    let mesh = &demo.nominal;
    let flat = |t: &u32| {
        mesh.corners(*t).iter().all(|p| p.z == 0.0)
            && mesh.normal(*t).is_some_and(|n| n.dot(Direction::Z) > 0.9)
    };
    (0..mesh.triangles().len() as u32).filter(flat).collect()
}

fn wall(demo: &Demo, hole: &RoundHole) -> Vec<u32> {
    let mesh = &demo.nominal;
    let on = |p: &Point| {
        let (x, y) = (p.x - hole.centre.x, p.y - hole.centre.y);
        ((x * x + y * y).sqrt() - 0.5 * hole.diameter_mm).abs() < 1e-6
    };
    (0..mesh.triangles().len() as u32).filter(|&t| mesh.corners(t).iter().all(on)).collect()
}

/// Cuts triangles at the middle of their longest edge until none is longer than `step_mm`.
fn samples(part: &DemoPart, triangles: &[u32], step_mm: f64) -> Vec<Sample> {
    let mut all = Vec::new();
    for &t in triangles {
        let mut open = vec![part.made.nominal().corners(t)];
        while let Some([a, b, c]) = open.pop() {
            let lengths = [(b - a).norm(), (c - b).norm(), (a - c).norm()];
            let longest = lengths.iter().copied().fold(0.0, f64::max);
            if longest > step_mm {
                // Turned so that the longest edge is the first.
                let [a, b, c] = match lengths.iter().position(|l| *l == longest) {
                    Some(1) => [b, c, a],
                    Some(2) => [c, a, b],
                    _ => [a, b, c],
                };
                let middle = nalgebra::center(&a, &b);
                open.extend([[a, middle, c], [middle, b, c]]);
                continue;
            }
            let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
            if let Some((nominal, normal)) = part.made.exact(t, &middle) {
                let area = 0.5 * (b - a).cross(&(c - a)).norm();
                let made = part.made.point(&nominal);
                all.push(Sample { nominal, normal: normal.vector(), made, area });
            }
        }
    }
    all
}

/// The datum system A|B|C on the made part.
struct DatumFrame {
    /// Axes of the part's coordinates, as they lie in the made part.
    axes: [Vector; 3],
    /// Datum B in datum A, made and nominal.
    origin: Point,
    nominal_origin: Point,
}

impl DatumFrame {
    fn new(demo: &Demo, flat: &[Sample], walls: &[Vec<Sample>]) -> Self {
        let (middle, up) = least_squares_plane(flat);
        let square = Self { axes: axes_on(up, Vector::x()), origin: middle, nominal_origin: Point::origin() };
        let onto_plane = |p: Point| p - up * (p - middle).dot(&up);
        let b = onto_plane(square.circle(&walls[0]).0);
        let c = onto_plane(square.circle(&walls[1]).0);
        // x along from B to C first; then turned back by what the drawing has between x and that line.
        let [along, across, _] = axes_on(up, c - b);
        let holes = demo.surround.holes();
        let line = holes[1].centre - holes[0].centre;
        let (cos, sin) = (line.x / line.norm(), line.y / line.norm());
        let axes = [along * cos - across * sin, along * sin + across * cos, up];
        let nominal_origin = Point::new(holes[0].centre.x, holes[0].centre.y, 0.0);
        Self { axes, origin: b, nominal_origin }
    }

    /// A made point in the drawing's coordinates.
    fn part_point(&self, p: &Point) -> Point {
        let d = p - self.origin;
        self.nominal_origin + Vector::new(d.dot(&self.axes[0]), d.dot(&self.axes[1]), d.dot(&self.axes[2]))
    }

    /// Centre (at the wall's mean height) and radius of the least-squares circle of a wall seen along
    /// datum A's normal, by Gauss and Newton from the mean.
    fn circle(&self, wall: &[Sample]) -> (Point, f64) {
        let total: f64 = wall.iter().map(|s| s.area).sum();
        let mean = wall.iter().fold(Vector::zeros(), |sum, s| sum + s.made.coords * s.area) / total;
        let flat: Vec<[f64; 3]> = wall
            .iter()
            .map(|s| (s.made.coords - mean, s.area))
            .map(|(d, area)| [d.dot(&self.axes[0]), d.dot(&self.axes[1]), area])
            .collect();
        let (mut x, mut y, mut radius) = (0.0, 0.0, 0.0);
        for _ in 0..50 {
            // Normal equations of dx, dy, dr; the residual is the distance less the radius.
            let mut n = [[0.0; 4]; 3];
            for [px, py, weight] in &flat {
                let (dx, dy) = (px - x, py - y);
                let distance = (dx * dx + dy * dy).sqrt();
                let row = [dx / distance, dy / distance, 1.0, distance - radius];
                for i in 0..3 {
                    for j in 0..4 {
                        n[i][j] += weight * row[i] * row[j];
                    }
                }
            }
            let [a, b, c] = solve3(n);
            (x, y, radius) = (x + a, y + b, radius + c);
        }
        (Point::from(mean + self.axes[0] * x + self.axes[1] * y), radius)
    }
}

/// Right-handed axes with the third along `up` and the first as near to `first` as can be.
fn axes_on(up: Vector, first: Vector) -> [Vector; 3] {
    let x = (first - up * first.dot(&up)).normalize();
    [x, up.cross(&x), up]
}

/// A point and the normal of the plane with the least sum of squared distances: heights over x and y are
/// fitted, and again in axes on the plane found, until it does not lean any more.
fn least_squares_plane(flat: &[Sample]) -> (Point, Vector) {
    let total: f64 = flat.iter().map(|s| s.area).sum();
    let middle =
        Point::from(flat.iter().fold(Vector::zeros(), |sum, s| sum + s.made.coords * s.area) / total);
    let mut up = Vector::z();
    for _ in 0..5 {
        let [x, y, z] = axes_on(up, Vector::x());
        let mut n = [[0.0; 4]; 3];
        for s in flat {
            let d = s.made - middle;
            let row = [d.dot(&x), d.dot(&y), 1.0, d.dot(&z)];
            for i in 0..3 {
                for j in 0..4 {
                    n[i][j] += s.area * row[i] * row[j];
                }
            }
        }
        let [a, b, _] = solve3(n);
        up = (z - x * a - y * b).normalize();
    }
    (middle, up)
}

/// Three equations by Cramer's rule; the fourth column is the right side.
fn solve3(n: [[f64; 4]; 3]) -> [f64; 3] {
    let column = |j: usize| Vector::new(n[0][j], n[1][j], n[2][j]);
    let (a, b, c, right) = (column(0), column(1), column(2), column(3));
    let whole = a.dot(&b.cross(&c));
    [right.dot(&b.cross(&c)) / whole, a.dot(&right.cross(&c)) / whole, a.dot(&b.cross(&right)) / whole]
}

/// The areal Gaussian filter of ISO 16610-61:2015 by brute force: at each sample the mean of all samples
/// within [`CUT_MM`], weighted by area and exp(-pi (r / (alpha L))^2).
fn filtered(samples: &[Sample], values: &[f64]) -> Vec<f64> {
    let cell = |p: &Point| p.coords.map(|c| (c / CUT_MM).floor() as i64).into();
    let mut cells: BTreeMap<[i64; 3], Vec<usize>> = BTreeMap::new();
    for (i, s) in samples.iter().enumerate() {
        cells.entry(cell(&s.nominal)).or_default().push(i);
    }
    let alpha2 = math::ln(2.0) / std::f64::consts::PI;
    let scale = std::f64::consts::PI / (alpha2 * NESTING_MM * NESTING_MM);
    let mut smooth = vec![f64::NAN; samples.len()];
    for ([x, y, z], members) in &cells {
        let beside = (0..27).map(|i| [x + i % 3 - 1, y + i / 3 % 3 - 1, z + i / 9 - 1]);
        let near: Vec<usize> = beside.filter_map(|c| cells.get(&c)).flatten().copied().collect();
        for &i in members {
            let (mut sum, mut weights) = (0.0, 0.0);
            for &j in &near {
                let r2 = (samples[j].nominal - samples[i].nominal).norm_squared();
                if r2 <= CUT_MM * CUT_MM {
                    let weight = samples[j].area * math::exp(-scale * r2);
                    sum += weight * values[j];
                    weights += weight;
                }
            }
            smooth[i] = sum / weights;
        }
    }
    smooth
}

/// Width of the narrowest zone between two parallel planes: the width is a convex function of the two
/// tilts, so that one golden section within another finds its least.
fn least_zone(flat: &[Sample], heights: &[f64]) -> f64 {
    let width = |a: f64, b: f64| {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (s, h) in flat.iter().zip(heights) {
            let z = h - a * s.nominal.x - b * s.nominal.y;
            (low, high) = (low.min(z), high.max(z));
        }
        high - low
    };
    golden(|a| golden(|b| width(a, b)))
}

/// Least value of a convex function over tilts of up to 0.002, to a millionth of them.
fn golden(f: impl Fn(f64) -> f64) -> f64 {
    let part = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut low, mut high) = (-2e-3, 2e-3);
    let (mut p, mut q) = (high - part * (high - low), low + part * (high - low));
    let (mut at_p, mut at_q) = (f(p), f(q));
    for _ in 0..30 {
        if at_p < at_q {
            (high, q, at_q) = (q, p, at_p);
            p = high - part * (high - low);
            at_p = f(p);
        } else {
            (low, p, at_p) = (p, q, at_q);
            q = low + part * (high - low);
            at_q = f(q);
        }
    }
    at_p.min(at_q)
}

/// Mean depth of the samples within `radius` of the dent's axis.
fn mean_depth(
    centre: Point,
    inward: Direction,
    radius: f64,
    skin: &[Sample],
    deviation: &[f64],
) -> Option<f64> {
    let (mut sum, mut area) = (0.0, 0.0);
    for (s, d) in skin.iter().zip(deviation) {
        let v = s.nominal - centre;
        let away = (v - inward.vector() * v.dot(&inward.vector())).norm();
        // Near the centre, not where the axis meets the part a second time.
        if away <= radius && v.norm() < 2.0 * radius {
            sum -= d * s.area;
            area += s.area;
        }
    }
    (area > 0.0).then(|| sum / area)
}

#[cfg(test)]
#[path = "truth_tests.rs"]
mod tests;
