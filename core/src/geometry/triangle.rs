//! The closest point on a triangle.

use super::Point;

/// The closest point found on a surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Foot {
    /// Where on the surface, mm.
    pub point: Point,
    /// Which triangle.
    pub triangle: u32,
    /// Distance, mm, never negative.
    pub distance: f64,
}

/// The point of triangle `a b c` closest to `p`, and whether it lies inside (not on an edge or a corner).
/// Slivers and points are answered too: they act as their longest edge or their corner.
/// Ericson, Real-Time Collision Detection, 2005, section 5.1.5.
pub fn closest_point_on_triangle(p: &Point, a: &Point, b: &Point, c: &Point) -> Point {
    let ab = b - a;
    let ac = c - a;
    let ap = p - a;
    let d1 = ab.dot(&ap);
    let d2 = ac.dot(&ap);
    if d1 <= 0.0 && d2 <= 0.0 {
        return *a;
    }
    let bp = p - b;
    let d3 = ab.dot(&bp);
    let d4 = ac.dot(&bp);
    if d3 >= 0.0 && d4 <= d3 {
        return *b;
    }
    let cp = p - c;
    let d5 = ab.dot(&cp);
    let d6 = ac.dot(&cp);
    if d6 >= 0.0 && d5 <= d6 {
        return *c;
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        let length = d1 - d3;
        return if length > 0.0 { a + ab * (d1 / length) } else { *a };
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        let length = d2 - d6;
        return if length > 0.0 { a + ac * (d2 / length) } else { *a };
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 - d3 >= 0.0 && d5 - d6 >= 0.0 {
        let length = (d4 - d3) + (d5 - d6);
        return if length > 0.0 { b + (c - b) * ((d4 - d3) / length) } else { *b };
    }
    let total = va + vb + vc;
    a + ab * (vb / total) + ac * (vc / total)
}
