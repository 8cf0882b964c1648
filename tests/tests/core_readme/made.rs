//! Surfaces that figures are computed on: exact, in closed form.

use std::f64::consts::TAU;

use scantling_core::geometry::{Direction, Point, Vector, math};
use scantling_core::tolerance::Surface;

/// A wall about the axis `at + slope h` between two heights h, mm: nine rings square to z of 72 points each, as far from
/// the axis as `radius` says of turn and height; every second ring half a step further round.
pub(super) fn wall(
    at: Point,
    slope: Vector,
    hollow: bool,
    [low, high]: [f64; 2],
    radius: impl Fn(f64, f64) -> f64,
) -> Surface {
    let axis = slope.normalize();
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    for ring in 0..9 {
        let h = low + (high - low) * f64::from(ring) / 8.0;
        for k in 0..72 {
            let turn = TAU * (f64::from(k) + 0.5 * f64::from(ring % 2)) / 72.0;
            let way = Vector::new(math::cos(turn), math::sin(turn), 0.0);
            let across = (way - axis * axis.dot(&way)).norm();
            points.push(at + slope * h + way * (radius(turn, h) / across));
            normals.push(Direction::new(if hollow { -way } else { way }).expect("a way round"));
        }
    }
    of(points, normals)
}

/// A round bore.
pub(super) fn bore(at: Point, slope: Vector, diameter_mm: f64, heights: [f64; 2]) -> Surface {
    wall(at, slope, true, heights, |_, _| 0.5 * diameter_mm)
}

/// A round shaft.
pub(super) fn shaft(at: Point, slope: Vector, diameter_mm: f64, heights: [f64; 2]) -> Surface {
    wall(at, slope, false, heights, |_, _| 0.5 * diameter_mm)
}

/// Heights over a rectangle of 100 by 60 mm at z = 0 that faces up; they are its deviations.
pub(super) fn face(height: impl Fn(f64, f64) -> f64) -> Surface {
    let grid = (0..=20).flat_map(|i| (0..=12).map(move |j| (5.0 * f64::from(i), 5.0 * f64::from(j))));
    let points: Vec<Point> = grid.map(|(x, y)| Point::new(x, y, height(x, y))).collect();
    let deviations_mm = points.iter().map(|p| p.z).collect();
    Surface { normals: vec![Direction::Z; points.len()], deviations_mm, points, ..Surface::default() }
}

/// The flanks of a groove, square to y over 100 by 20 mm, at the heights `y` of the upper and the lower one.
pub(super) fn groove(y: [fn(f64) -> f64; 2]) -> Surface {
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    for (y, out) in y.iter().zip([Direction::Y.reversed(), Direction::Y]) {
        for i in 0..=40 {
            for j in 0..=8 {
                let (x, z) = (2.5 * f64::from(i), 2.5 * f64::from(j));
                points.push(Point::new(x, y(x), z));
                normals.push(out);
            }
        }
    }
    of(points, normals)
}

/// A ball: rings of points from pole to pole.
pub(super) fn ball(at: Point, radius_mm: f64) -> Surface {
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    for i in 0..=12 {
        let up = TAU * (f64::from(i) / 24.0 - 0.25);
        for k in 0..24 {
            let turn = TAU * f64::from(k) / 24.0;
            let flat = math::cos(up);
            let out = Vector::new(flat * math::cos(turn), flat * math::sin(turn), math::sin(up));
            points.push(at + out * radius_mm);
            normals.push(Direction::new(out).expect("a way out"));
        }
    }
    of(points, normals)
}

/// A disc square to z between the radii 1.5 and 10.5 mm, with heights over radius and turn.
pub(super) fn disc(height: impl Fn(f64, f64) -> f64) -> Surface {
    let grid = (1..=10).flat_map(|ring| (0..72).map(move |k| (f64::from(ring) + 0.5, f64::from(k))));
    let place = |(r, k): (f64, f64)| {
        let turn = TAU * k / 72.0;
        Point::new(r * math::cos(turn), r * math::sin(turn), height(r, turn))
    };
    let points: Vec<Point> = grid.map(place).collect();
    let normals = vec![Direction::Z; points.len()];
    of(points, normals)
}

/// A parallelogram of points.
pub(super) fn patch(at: Point, u: Vector, v: Vector) -> Vec<Point> {
    let grid = (-5..=5).flat_map(|i| (-5..=5).map(move |j| (f64::from(i) / 5.0, f64::from(j) / 5.0)));
    grid.map(|(s, t)| at + u * s + v * t).collect()
}

/// Points alone.
pub(super) fn points(points: Vec<Point>) -> Surface {
    Surface { points, ..Surface::default() }
}

fn of(points: Vec<Point>, normals: Vec<Direction>) -> Surface {
    Surface { deviations_mm: vec![0.0; points.len()], points, normals, ..Surface::default() }
}
