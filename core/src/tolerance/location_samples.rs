//! Made surfaces for the tests of location, orientation and run-out.

use super::Surface;
use crate::geometry::{Direction, Point, Vector, math};
use crate::plan::Situation;
use std::f64::consts::PI;

/// A hole along z whose centre should be at a place.
pub(super) fn hole_situation(at: Point) -> Situation {
    Situation::Hole { at, axis: Direction::Z, diameter_mm: None }
}

/// A shaft along z whose middle should be at a place.
pub(super) fn shaft_situation(at: Point) -> Situation {
    Situation::Cylinder { at, axis: Direction::Z, diameter_mm: 10.0, hollow: false }
}

/// The wall of a round bore about the axis `at + slope h` between two heights h: exact on its cylinder, its rings square
/// to z, normals into the bore, deviations 0.
pub(super) fn bore(at: Point, slope: Vector, diameter_mm: f64, heights: [f64; 2]) -> Surface {
    let axis = slope.normalize();
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    for ring in 0..9 {
        let h = heights[0] + (heights[1] - heights[0]) * f64::from(ring) / 8.0;
        for k in 0..72 {
            let f = 2.0 * PI * (f64::from(k) + 0.5 * f64::from(ring % 2)) / 72.0;
            let way = Vector::new(math::cos(f), math::sin(f), 0.0);
            // As far from the axis as the radius, and at the height of the ring.
            let across = (way - axis * axis.dot(&way)).norm();
            points.push(at + slope * h + way * (0.5 * diameter_mm / across));
            normals.push(Direction::new(-way).unwrap());
        }
    }
    Surface { deviations_mm: vec![0.0; points.len()], points, normals, ..Surface::default() }
}

/// The same with material within it.
pub(super) fn shaft(at: Point, slope: Vector, diameter_mm: f64, heights: [f64; 2]) -> Surface {
    let mut surface = bore(at, slope, diameter_mm, heights);
    for n in &mut surface.normals {
        *n = n.reversed();
    }
    surface
}

/// Heights over a rectangle of 100 by 60 mm at z = 0 that faces up, and its deviations.
pub(super) fn face(height: impl Fn(f64, f64) -> f64) -> Surface {
    let (mut points, mut deviations_mm) = (Vec::new(), Vec::new());
    for i in 0..=20 {
        for j in 0..=12 {
            let (x, y) = (5.0 * f64::from(i), 5.0 * f64::from(j));
            points.push(Point::new(x, y, height(x, y)));
            deviations_mm.push(height(x, y));
        }
    }
    Surface { normals: vec![Direction::Z; points.len()], points, deviations_mm, ..Surface::default() }
}

/// Two flanks square to y over 100 by 20 mm, at the heights `y` of the upper and the lower; a groove's normals face each
/// other.
pub(super) fn flanks(y: [fn(f64, f64) -> f64; 2], groove: bool) -> Surface {
    let (mut points, mut normals) = (Vec::new(), Vec::new());
    for (side, y) in y.iter().enumerate() {
        let out = if (side == 0) == groove { Direction::Y.reversed() } else { Direction::Y };
        for i in 0..=40 {
            for j in 0..=8 {
                // The two flanks are not measured at the same places.
                let (x, z) = (2.5 * f64::from(i), 2.5 * f64::from(j) + 0.3 * side as f64);
                points.push(Point::new(x, y(x, z), z));
                normals.push(out);
            }
        }
    }
    Surface { deviations_mm: vec![0.0; points.len()], points, normals, ..Surface::default() }
}
