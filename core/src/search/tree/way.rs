//! What is certainly further from a far point than the best triangle so far.

use super::Best;
use crate::geometry::{Point, Vector};

/// Whether a surface of triangles with about this squared edge is far enough for [`Way::rules_out`] to pay,
/// and not so near that its products leave the range of numbers.
#[inline(always)]
pub(super) fn far(distance2: f64, edge2: f64) -> bool {
    distance2 > 4.0 * edge2 && distance2 > 1e-12
}

/// From a point to its best foot so far.
///
/// A triangle is no nearer than its corners reach along any direction, and no nearer than what two directions
/// at right angles make together: the way itself, and the one away from it towards the triangle. Own
/// derivation (separating axes).
#[derive(Clone, Copy, Debug)]
pub(super) struct Way {
    way: Vector,
    length2: f64,
    /// Squared distance beyond which a triangle does not matter, however feet and these sums are rounded.
    limit2: f64,
}

impl Way {
    #[inline(always)]
    pub(super) fn to(best: &Best, p: &Point, margin_mm: f64) -> Self {
        let way = best.foot - p;
        let limit = best.distance2.sqrt() + 2.0 * margin_mm;
        Self { way, length2: way.norm_squared(), limit2: limit * limit * (1.0 + 1e-9) }
    }

    /// Whether all of a triangle is further.
    #[inline(always)]
    pub(super) fn rules_out(&self, p: &Point, corners: [&Point; 3]) -> bool {
        let least = |[a, b, c]: [f64; 3]| {
            let ab = if a < b { a } else { b };
            if c < ab { c } else { ab }
        };
        let to = corners.map(|c| c - p);
        let along = to.map(|w| w.dot(&self.way));
        let ahead = least(along);
        // Behind the point nothing is told, and what is far enough ahead needs no other question.
        if !(ahead > 0.0) || ahead * ahead > self.limit2 * self.length2 {
            return ahead > 0.0;
        }
        let middle = to[0] + to[1] + to[2];
        let aside = middle * self.length2 - self.way * (along[0] + along[1] + along[2]);
        let aside2 = aside.norm_squared();
        // Shorter than that it is made of roundings and not at right angles any more.
        let usable = aside2 > 1e-6 * middle.norm_squared() * self.length2 * self.length2;
        let (aside2, beside) = if usable { (aside2, least(to.map(|w| w.dot(&aside)))) } else { (1.0, 0.0) };
        let beside = if beside > 0.0 { beside } else { 0.0 };
        let squared = ahead * ahead * aside2 + beside * beside * self.length2;
        squared > self.limit2 * self.length2 * aside2
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::closest_point_on_triangle;
    use crate::geometry::random::Random;

    #[test]
    fn nothing_as_near_is_ruled_out_and_most_that_is_further_is() {
        let mut random = Random::seeded(12);
        let (mut further, mut out) = (0, 0);
        for k in 0..200_000 {
            let d = random.range(3.0, 30.0);
            let p = Point::origin() + random.direction().vector() * random.range(0.0, 1e4);
            let u = random.direction().vector();
            let foot = p + u * d;
            let best = Best { distance2: (foot - p).norm_squared(), index: 0, slot: 0, foot };
            // On a bent surface around the foot, some on the way itself.
            let spread = if k % 5 == 0 { 0.5 } else { 8.0 };
            let at = foot + random.direction().vector() * random.range(0.0, spread);
            let at = at - u * (u.dot(&(at - foot)) * random.range(0.9, 1.0));
            let t = [0; 3].map(|_| at + random.direction().vector() * random.range(0.0, 1.5));
            let distance = (closest_point_on_triangle(&p, &t[0], &t[1], &t[2]) - p).norm();
            let ruled_out = Way::to(&best, &p, 1e-8).rules_out(&p, [&t[0], &t[1], &t[2]]);
            assert!(!ruled_out || distance > best.distance2.sqrt());
            further += u32::from(distance > best.distance2.sqrt());
            out += u32::from(ruled_out);
        }
        assert!(further > 50_000 && f64::from(out) > 0.7 * f64::from(further), "{out} of {further}");
    }

    #[test]
    fn the_foots_own_plane_is_never_ruled_out() {
        let best = Best { distance2: 100.0, index: 0, slot: 0, foot: Point::new(0.0, 0.0, 0.0) };
        let way = Way::to(&best, &Point::new(0.0, 0.0, 10.0), 0.0);
        let (a, b, c) = (Point::origin(), Point::new(1.0, 0.0, 0.0), Point::new(0.0, 1.0, 0.0));
        assert!(!way.rules_out(&Point::new(0.0, 0.0, 10.0), [&a, &b, &c]));
        let (d, e) = (Point::new(1.0, 1.0, 0.0), Point::new(2.0, 0.5, 0.0));
        assert!(way.rules_out(&Point::new(0.0, 0.0, 10.0), [&b, &d, &e]));
    }
}
