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

/// On which part of a triangle a point lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feature {
    /// Inside.
    Face,
    /// On the edge from corner `k` to the next one, 0 to 2.
    Edge(u8),
    /// On corner `k`, 0 to 2.
    Vertex(u8),
}

/// Twice the area over the sum of two squared edges: below this a triangle is a sliver, and the products
/// of products that tell its regions apart lose so many digits that feet would be off by more than 1e-9 mm
/// on edges of 100 mm.
const SLIVER: f64 = 3e-4;

/// The point of triangle `a b c` closest to `p`.
/// Slivers and points are answered too: those without area act as their longest edge or their corner.
#[inline]
pub fn closest_point_on_triangle(p: &Point, a: &Point, b: &Point, c: &Point) -> Point {
    closest_on_triangle(p, a, b, c).0
}

/// As [`closest_point_on_triangle`], and on which part of the triangle it lies.
#[inline]
pub fn closest_on_triangle(p: &Point, a: &Point, b: &Point, c: &Point) -> (Point, Feature) {
    if is_sliver(a, b, c) { closest_on_sliver(p, a, b, c) } else { closest_on_well_shaped(p, a, b, c) }
}

/// Whether [`closest_on_sliver`] must be asked about this triangle.
#[inline]
pub(crate) fn is_sliver(a: &Point, b: &Point, c: &Point) -> bool {
    let (ab, ac) = (b - a, c - a);
    let edges = ab.norm_squared() + ac.norm_squared();
    !(ab.cross(&ac).norm_squared() > SLIVER * SLIVER * edges * edges)
}

/// Ericson, Real-Time Collision Detection, 2005, section 5.1.5.
#[inline(always)]
pub(crate) fn closest_on_well_shaped(p: &Point, a: &Point, b: &Point, c: &Point) -> (Point, Feature) {
    let ab = b - a;
    let ac = c - a;
    let (ap, bp, cp) = (p - a, p - b, p - c);
    let (d1, d2) = (ab.dot(&ap), ac.dot(&ap));
    let (d3, d4) = (ab.dot(&bp), ac.dot(&bp));
    let (d5, d6) = (ab.dot(&cp), ac.dot(&cp));
    let vc = d1 * d4 - d3 * d2;
    let vb = d5 * d2 - d1 * d6;
    let va = d3 * d6 - d5 * d4;
    // Most feet lie inside: first what needs no other question.
    if (va > 0.0) & (vb > 0.0) & (vc > 0.0) {
        let total = va + vb + vc;
        return (a + ab * (vb / total) + ac * (vc / total), Feature::Face);
    }
    if d1 <= 0.0 && d2 <= 0.0 {
        return (*a, Feature::Vertex(0));
    }
    if d3 >= 0.0 && d4 <= d3 {
        return (*b, Feature::Vertex(1));
    }
    if d6 >= 0.0 && d5 <= d6 {
        return (*c, Feature::Vertex(2));
    }
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        let length = d1 - d3;
        return (if length > 0.0 { a + ab * (d1 / length) } else { *a }, Feature::Edge(0));
    }
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        let length = d2 - d6;
        return (if length > 0.0 { a + ac * (d2 / length) } else { *a }, Feature::Edge(2));
    }
    if va <= 0.0 && d4 - d3 >= 0.0 && d5 - d6 >= 0.0 {
        let length = (d4 - d3) + (d5 - d6);
        return (if length > 0.0 { b + (c - b) * ((d4 - d3) / length) } else { *b }, Feature::Edge(1));
    }
    let total = va + vb + vc;
    // From very far away rounding can push the shares beyond the triangle; never out of its box's reach.
    let (v, w) = ((vb / total).clamp(0.0, 1.0), (vc / total).clamp(0.0, 1.0));
    (a + ab * v + ac * w, Feature::Face)
}

/// The nearest of the feet on the three edges, each well conditioned however thin the triangle; then the
/// foot on the plane, taken from there because its offset is then a short vector, if it falls inside.
/// Own derivation.
#[cold]
pub(crate) fn closest_on_sliver(p: &Point, a: &Point, b: &Point, c: &Point) -> (Point, Feature) {
    let corners = [*a, *b, *c];
    let edges = [b - a, c - b, a - c];
    let mut foot = *a;
    let mut feature = Feature::Vertex(0);
    let mut nearest2 = (p - a).norm_squared();
    let mut keep = |candidate: Point, on: Feature| {
        let d2 = (candidate - p).norm_squared();
        if d2 < nearest2 {
            (foot, feature, nearest2) = (candidate, on, d2);
        }
    };
    for k in 1..3 {
        keep(corners[k], Feature::Vertex(k as u8));
    }
    for k in 0..3 {
        let along = edges[k].dot(&(p - corners[k])) / edges[k].norm_squared();
        if along > 0.0 && along < 1.0 {
            keep(corners[k] + edges[k] * along, Feature::Edge(k as u8));
        }
    }
    // The shortest edge with the next one: the product that cancels least.
    let lengths = edges.map(|e| e.norm_squared());
    let k = (0..3).fold(0, |best, k| if lengths[k] < lengths[best] { k } else { best });
    let normal = edges[k].cross(&edges[(k + 1) % 3]);
    let n2 = normal.norm_squared();
    if n2 > 0.0 {
        let inside = p - normal * (normal.dot(&(p - foot)) / n2);
        if (0..3).all(|k| edges[k].cross(&(inside - corners[k])).dot(&normal) >= 0.0) {
            let d2 = (inside - p).norm_squared();
            if d2 < nearest2 {
                (foot, feature) = (inside, Feature::Face);
            }
        }
    }
    // Never beyond the corners' box, not even by rounding: what is left out by its box relies on that.
    let (low, high) = (a.inf(b).inf(c), a.sup(b).sup(c));
    (foot.sup(&low).inf(&high), feature)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Vector;
    use crate::geometry::random::Random;

    /// The nearest of many points of a triangle, found by halving its barycentric cell: slow and obvious.
    fn by_search(p: &Point, t: &[Point; 3]) -> f64 {
        let mut cell = *t;
        for _ in 0..120 {
            let mid = |i: usize, j: usize| nalgebra::center(&cell[i], &cell[j]);
            let (ab, bc, ca) = (mid(0, 1), mid(1, 2), mid(2, 0));
            let parts = [[cell[0], ab, ca], [ab, cell[1], bc], [ca, bc, cell[2]], [ab, bc, ca]];
            let reach = |c: &[Point; 3]| c.iter().map(|q| (q - p).norm()).fold(f64::INFINITY, f64::min);
            let best = (0..4).min_by(|&i, &j| reach(&parts[i]).total_cmp(&reach(&parts[j]))).unwrap();
            cell = parts[best];
        }
        (cell[0] - p).norm()
    }

    #[test]
    fn a_needle_and_a_cap_of_any_thinness_are_met_to_a_nanometre() {
        let mut random = Random::seeded(3);
        for i in 0..4000 {
            let mut width = 10.0;
            for _ in 0..i % 14 {
                width *= 0.1;
            }
            // In the plane z = 0, thin along y: the truth is that of the plane figure, plus the height.
            let at = if i % 2 == 0 { 0.0 } else { 40.0 };
            let t = [Point::new(0.0, 0.0, 0.0), Point::new(100.0, 0.0, 0.0), Point::new(at, width, 0.0)];
            let height = random.range(-1.0, 1.0);
            let (x, share) = (random.range(1.0, 99.0), random.range(0.0, 1.0));
            let top = if x < at { width * x / at } else { width * (100.0 - x) / (100.0 - at) };
            let p = Point::new(x, share * top, height);
            let found = (closest_point_on_triangle(&p, &t[0], &t[1], &t[2]) - p).norm();
            assert!((found - height.abs()).abs() < 1e-9, "{found} {height} {width}");
        }
    }

    #[test]
    fn well_shaped_triangles_agree_with_a_search_by_halves() {
        let mut random = Random::seeded(4);
        let mut point = || Point::from(Vector::new(random.normal(), random.normal(), random.normal()));
        for _ in 0..500 {
            let (t, p) = ([point(), point(), point()], point());
            let found = (closest_point_on_triangle(&p, &t[0], &t[1], &t[2]) - p).norm();
            // A search by halves may take a wrong turn, which only ever makes it longer.
            assert!(found <= by_search(&p, &t) + 1e-12);
        }
    }
}
