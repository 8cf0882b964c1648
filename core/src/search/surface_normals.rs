//! Normals of a cloud from each point's neighbours.

use super::PointTree;
use super::neighbours::Near;
use crate::geometry::{Direction, Point, Vector};
use crate::run::{Run, Stopped};

/// Below this part of the squared spread across the neighbours the second and third axis are as good as
/// equal: the points lie on a line, or at one place, and every direction across is as good.
const LINE: f64 = 1e-12;

/// For each point the direction across the plane of the `k` points nearest to it, itself counted, by
/// principal components (Hoppe et al., "Surface reconstruction from unorganized points", SIGGRAPH 1992,
/// section 3.2). It looks towards `viewpoint` where that is known (mm, in the points' axes); else its
/// component of the largest size, the first of equal ones, is positive: that agrees among neighbours of one
/// face, but says nothing about the side of the material.
///
/// `None` for a point that is not finite, for fewer than three neighbours and where they lie on a line.
/// Blind at edges: neighbours of both faces give a direction between.
pub fn normals(
    points: &[Point],
    k: usize,
    viewpoint: Option<&Point>,
    run: &Run,
) -> Result<Vec<Option<Direction>>, Stopped> {
    let mut all = vec![None; points.len()];
    let tree = PointTree::new(points);
    run.check()?;
    let normal_of = |near: &Near| {
        let normal = across(near.offsets())?;
        let side = match viewpoint {
            Some(v) => normal.vector().dot(&(v - near.point)),
            None => normal.vector()[normal.vector().iamax()],
        };
        // A point seen edge-on keeps what the other rule would say.
        Some(if side < 0.0 { normal.reversed() } else { normal })
    };
    let work = |near: &mut Near, made: &mut Vec<_>| made.push(normal_of(near));
    tree.each(k, 1, work, run, |number, normal| all[number as usize] = normal[0])?;
    Ok(all)
}

/// The direction of least spread.
fn across(offsets: impl Iterator<Item = Vector>) -> Option<Direction> {
    let mut count = 0.0;
    let mut sum = Vector::zeros();
    let (mut xx, mut yy, mut zz, mut xy, mut xz, mut yz) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for d in offsets {
        count += 1.0;
        sum += d;
        xx += d.x * d.x;
        yy += d.y * d.y;
        zz += d.z * d.z;
        xy += d.x * d.y;
        xz += d.x * d.z;
        yz += d.y * d.z;
    }
    if count < 3.0 {
        return None;
    }
    let mean = sum / count;
    xx -= sum.x * mean.x;
    yy -= sum.y * mean.y;
    zz -= sum.z * mean.z;
    xy -= sum.x * mean.y;
    xz -= sum.x * mean.z;
    yz -= sum.y * mean.z;
    least_axis([xx, yy, zz], [xy, xz, yz])
}

/// Axis of the least eigenvalue of a symmetric 3 x 3 matrix without negative ones, given its diagonal and
/// `[xy, xz, yz]`. The eigenvalue is the least root of the characteristic polynomial; Newton's method from
/// below rises to it without passing it, since all roots are real (Stoer and Bulirsch, Introduction to
/// Numerical Analysis, 3rd edition, section 5.5, theorem 5.5.5, from memory). The axis is across the rows of
/// the matrix less that eigenvalue; the longest of their three products is taken.
fn least_axis(diagonal: [f64; 3], other: [f64; 3]) -> Option<Direction> {
    let trace = diagonal[0] + diagonal[1] + diagonal[2];
    if !(trace.is_finite() && trace > f64::MIN_POSITIVE) {
        return None;
    }
    let [a, b, c] = diagonal.map(|d| d / trace);
    let [d, e, f] = other.map(|o| o / trace);
    // p(t) = t^3 - t^2 + minors t - determinant
    let minors = (a * b - d * d) + (a * c - e * e) + (b * c - f * f);
    let determinant = a * (b * c - f * f) - d * (d * c - f * e) + e * (d * f - b * e);
    let mut t = 0.0;
    // Steps double the digits; at a double root they halve the error, and then the direction is refused or
    // within what rounding leaves of it.
    for _ in 0..40 {
        let value = ((t - 1.0) * t + minors) * t - determinant;
        let slope = (3.0 * t - 2.0) * t + minors;
        if !(slope > 0.0) {
            break;
        }
        let step = value / slope;
        // From below the polynomial is negative; anything else is rounding.
        if !(step < -1e-17) {
            break;
        }
        t -= step;
    }
    let rows = [Vector::new(a - t, d, e), Vector::new(d, b - t, f), Vector::new(e, f, c - t)];
    let mut longest = rows[0].cross(&rows[1]);
    for other in [rows[0].cross(&rows[2]), rows[1].cross(&rows[2])] {
        if other.norm_squared() > longest.norm_squared() {
            longest = other;
        }
    }
    // The products' length is that of (first - least) (second - least) or a third of it.
    if longest.norm_squared() > LINE * LINE { Direction::new(longest) } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::quiet;

    #[test]
    fn least_axes_are_those_of_an_eigenvalue_solver() {
        let mut random = Random::seeded(2);
        for round in 0..20_000 {
            let scale = [1.0, 1e-6, 1e8][round % 3];
            let flat = [1.0, 0.3, 1e-2, 1e-5, 0.0][round % 5];
            let mut m = nalgebra::Matrix3::zeros();
            let frame = Direction::new(Vector::from_fn(|_, _| random.range(-1.0, 1.0))).unwrap();
            let (u, v) = frame.frame();
            for (axis, size) in [(u, 1.0), (v, random.range(0.4, 1.0)), (frame.vector(), 0.3 * flat)] {
                m += axis * axis.transpose() * (size * scale);
            }
            let found = least_axis([m.m11, m.m22, m.m33], [m.m12, m.m13, m.m23]).unwrap();
            let solver = m.symmetric_eigen();
            let wanted = solver.eigenvectors.column(solver.eigenvalues.imin()).into_owned();
            let sine = found.vector().cross(&wanted).norm();
            assert!(sine < 1e-12, "round {round}: {sine:e}");
        }
    }

    #[test]
    fn normals_of_a_ball_point_along_its_radius() {
        let mut random = Random::seeded(11);
        let centre = Point::new(400.0, -900.0, 1200.0);
        let (mut points, mut radial) = (Vec::new(), Vec::new());
        while points.len() < 20_000 {
            let Some(r) = Direction::new(Vector::from_fn(|_, _| random.range(-1.0, 1.0))) else { continue };
            points.push(centre + r.vector() * 50.0);
            radial.push(r);
        }
        let inward = normals(&points, 20, Some(&centre), &quiet()).unwrap();
        for (n, r) in inward.iter().zip(&radial) {
            // The neighbours lie within about 3 mm, over which the ball turns by 0.06.
            assert!(n.unwrap().dot(*r) < -0.998);
        }
        for n in normals(&points, 20, None, &quiet()).unwrap() {
            let n = n.unwrap().vector();
            assert!(n[n.iamax()] > 0.0);
        }
    }

    #[test]
    fn what_has_no_normal_gets_none() {
        let none =
            |points: &[Point], k| normals(points, k, None, &quiet()).unwrap().iter().all(Option::is_none);
        let line: Vec<Point> =
            (0..100).map(|i| Point::new(0.1 * f64::from(i), 7.0, 0.3 * f64::from(i))).collect();
        assert!(none(&line, 8));
        assert!(none(&vec![Point::new(3.0, 4.0, 5.0); 50], 20));
        assert!(none(&[Point::origin(), Point::new(1.0, 0.0, 0.0)], 20));
        assert!(none(&[Point::new(f64::NAN, 0.0, 0.0)], 20));
        assert!(none(&[], 20));
        let mut square = vec![Point::origin(), Point::new(1.0, 0.0, 2.0), Point::new(0.0, 1.0, 2.0)];
        assert!(none(&square, 2));
        square.push(Point::new(f64::INFINITY, 0.0, 0.0));
        let found = normals(&square, 20, None, &quiet()).unwrap();
        assert!(found[3].is_none() && found[..3].iter().all(Option::is_some));
    }
}
