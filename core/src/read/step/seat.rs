//! A place of a boundary brought onto the surfaces that it bounds.
//!
//! Files hold edges that lie some hundredths of a mm off their surfaces. Where two surfaces cross, there is a
//! place nearby on both; where they touch without meeting, one in the middle between them is the least far
//! off each.

use super::surfaces::Surface;
use crate::geometry::{Matrix3, Point, Vector, symmetric_eigen3};

/// Steps at most; two or three are enough.
const STEPS: usize = 10;
/// A place moves by no more than this many times as far as it lies off. Surfaces that cross at less than some
/// 15 degrees have their common line too far away to be what the edge meant.
const REACH: f64 = 4.0;
/// On the surface to what counts, mm.
const ON_MM: f64 = 1e-7;

/// Where a place went.
pub(super) struct Seated {
    pub place: Point,
    /// Largest distance that is left to one of the surfaces, mm.
    pub left_mm: f64,
    /// Parameters on each surface, for the next place along an edge.
    pub near: Vec<Option<(f64, f64)>>,
}

/// What lies between a place and each surface.
struct Offsets {
    /// Away from each surface, of length 1, and how far, mm.
    all: Vec<(Vector, f64)>,
    near: Vec<Option<(f64, f64)>>,
    worst: f64,
}

fn offsets(p: &Point, surfaces: &[&Surface], near: Option<&[Option<(f64, f64)>]>) -> Offsets {
    let mut out = Offsets { all: Vec::new(), near: Vec::new(), worst: 0.0 };
    for (i, surface) in surfaces.iter().enumerate() {
        let from = near.and_then(|n| *n.get(i)?);
        let found = surface.parameters_of(p, from);
        out.near.push(found);
        let Some((u, v)) = found else { continue };
        let d = p - surface.jet(u, v).p;
        let far = d.norm();
        out.worst = out.worst.max(far);
        // Beyond the end of a surface the way back is not along its normal.
        if far > ON_MM {
            out.all.push((d / far, far));
        } else if let Some(normal) = surface.normal(u, v) {
            out.all.push((normal.vector(), d.dot(&normal.vector())));
        }
    }
    out
}

/// Gauss-Newton steps on the squared distances, by the pseudo-inverse of three times three without the
/// directions in which a step would lead too far (Golub and Van Loan, "Matrix Computations", 4th ed., 2013,
/// section 5.5, from memory). The place that lies least far off all surfaces is taken, the first of them at
/// the latest.
pub(super) fn seat(start: &Point, surfaces: &[&Surface], near: Option<&[Option<(f64, f64)>]>) -> Seated {
    let mut p = *start;
    let mut now = offsets(&p, surfaces, near);
    let reach = REACH * now.worst;
    let mut best = Seated { place: p, left_mm: now.worst, near: now.near.clone() };
    for _ in 0..STEPS {
        if now.worst < ON_MM {
            break;
        }
        let (mut matrix, mut slope) = (Matrix3::zeros(), Vector::zeros());
        for (away, far) in &now.all {
            matrix += away * away.transpose();
            slope += away * *far;
        }
        let (values, axes) = symmetric_eigen3(&matrix);
        let mut step = Vector::zeros();
        for i in [2, 1, 0] {
            let along = axes[i].dot(&slope);
            if values[i] > 1e-12 && along.abs() <= reach * values[i] {
                step -= axes[i] * (along / values[i]);
            }
        }
        p += step;
        if !((p - start).norm() <= reach) {
            break;
        }
        now = offsets(&p, surfaces, Some(&now.near));
        if now.worst < best.left_mm {
            best = Seated { place: p, left_mm: now.worst, near: now.near.clone() };
        }
        if step.norm() < ON_MM {
            break;
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Direction, math};
    use crate::read::step::curves::Axes;

    fn plane(z: f64, tilt: f64) -> Surface {
        let normal = Direction::new(Vector::new(-math::sin(tilt), 0.0, math::cos(tilt))).unwrap();
        Surface::Plane { axes: Axes::new(Point::new(0.0, 0.0, z), normal, None) }
    }

    fn tube(radius: f64) -> Surface {
        Surface::Cylinder { axes: Axes::new(Point::origin(), Direction::Z, None), radius }
    }

    #[test]
    fn a_place_near_two_surfaces_that_cross_comes_onto_both() {
        let (a, b) = (plane(3.0, 0.4), tube(5.0));
        let start = Point::new(5.02, 0.01, 3.0 + 5.0 * math::tan(0.4));
        let seated = seat(&start, &[&a, &b], None);
        assert!(seated.left_mm < 1e-7 && (seated.place - start).norm() < 0.05);
        assert!(a.distance(&seated.place).unwrap() < 1e-7 && b.distance(&seated.place).unwrap() < 1e-7);
    }

    #[test]
    fn between_surfaces_that_do_not_meet_it_comes_into_the_middle() {
        // The plane x = 5.03 beside a tube of radius 5: 0.03 apart where they are nearest.
        let side = Surface::Plane { axes: Axes::new(Point::new(5.03, 0.0, 0.0), Direction::X, None) };
        let tube = tube(5.0);
        for x in [5.0, 5.01, 5.03, 5.04] {
            let seated = seat(&Point::new(x, 0.0, 2.0), &[&tube, &side], None);
            assert!((seated.left_mm - 0.015).abs() < 1e-9, "{}", seated.left_mm);
            assert!((seated.place - Point::new(5.015, 0.0, 2.0)).norm() < 1e-6);
        }
    }

    #[test]
    fn a_corner_comes_onto_three_and_one_that_lies_right_stays() {
        let (a, b) = (plane(0.0, 0.0), tube(5.0));
        let c = Surface::Plane { axes: Axes::new(Point::new(0.0, 3.0, 0.0), Direction::Y, None) };
        let seated = seat(&Point::new(4.01, 3.02, -0.01), &[&a, &b, &c], None);
        assert!((seated.place - Point::new(4.0, 3.0, 0.0)).norm() < 1e-6);
        let right = Point::new(4.0, 3.0, 0.0);
        assert_eq!(seat(&right, &[&a, &b, &c], None).place, right);
    }

    #[test]
    fn planes_almost_parallel_do_not_send_it_far_away() {
        // 0.02 apart and 1 degree: they meet 1.1 mm away.
        let (a, b) = (plane(0.0, 0.0), plane(0.02, 1f64.to_radians()));
        let seated = seat(&Point::origin(), &[&a, &b], None);
        assert!(seated.place.coords.norm() < 0.08 && seated.left_mm < 0.0101, "{}", seated.left_mm);
    }
}
