//! A rectangle with four unequal corner radii, walked round counter-clockwise.

use crate::geometry::{Point, Vector, math};
use std::f64::consts::FRAC_PI_2;

/// One place on an outline.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    /// Segment plus fraction of it, 0 to 8: even segments are the sides (bottom, right, top, left), odd
    /// ones the corners after them.
    pub(super) at: f64,
    pub(super) point: Point,
    /// Unit normal into the outline; the tangent is 90 degrees clockwise from it.
    pub(super) inward: Vector,
    /// 1 / radius; 0 on the sides.
    pub(super) curvature: f64,
}

/// The outline; corner 0 is at low x and low y, then counter-clockwise.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Outline {
    pub(super) low: [f64; 2],
    pub(super) high: [f64; 2],
    pub(super) radii: [f64; 4],
}

impl Outline {
    fn centre(&self, corner: usize) -> Point {
        let r = self.radii[corner];
        let x = if corner == 0 || corner == 3 { self.low[0] + r } else { self.high[0] - r };
        let y = if corner < 2 { self.low[1] + r } else { self.high[1] - r };
        Point::new(x, y, 0.0)
    }

    /// Ends of a side, in walking order.
    fn side(&self, side: usize) -> (Point, Point) {
        let outward = -inward_of_side(side);
        let next = (side + 1) % 4;
        (self.centre(side) + outward * self.radii[side], self.centre(next) + outward * self.radii[next])
    }

    /// Length of a side without its corners, mm.
    pub(super) fn side_length(&self, side: usize) -> f64 {
        let (a, b) = self.side(side);
        (b - a).norm()
    }

    /// The place at `at` (0 to 8).
    pub(super) fn place(&self, at: f64) -> Place {
        let at = at - 8.0 * (at / 8.0).floor();
        let segment = (at.floor() as usize).min(7);
        let fraction = at - segment as f64;
        let side = segment / 2;
        if segment.is_multiple_of(2) {
            let (a, b) = self.side(side);
            Place { at, point: a + (b - a) * fraction, inward: inward_of_side(side), curvature: 0.0 }
        } else {
            let corner = (side + 1) % 4;
            let angle = FRAC_PI_2 * (side as f64 - 1.0 + fraction);
            let outward = Vector::new(math::cos(angle), math::sin(angle), 0.0);
            let radius = self.radii[corner];
            let point = self.centre(corner) + outward * radius;
            Place { at, point, inward: -outward, curvature: 1.0 / radius }
        }
    }

    /// Places round the outline, at most `step_mm` apart on the sides, and so that a chord of a corner
    /// leaves its arc by at most `chord_mm`.
    pub(super) fn walk(&self, step_mm: f64, chord_mm: f64) -> Vec<Place> {
        let mut places = Vec::new();
        for segment in 0..8 {
            let side = segment / 2;
            let steps = if segment % 2 == 0 {
                self.side_length(side) / step_mm
            } else {
                // A chord over the angle t leaves the arc by r t^2 / 8.
                FRAC_PI_2 / (8.0 * chord_mm / self.radii[(side + 1) % 4]).sqrt()
            };
            let steps = steps.ceil().max(1.0) as usize;
            places.extend((0..steps).map(|i| self.place(segment as f64 + i as f64 / steps as f64)));
        }
        places
    }

    /// Signed distance, mm: negative inside.
    pub(super) fn distance(&self, p: &Point) -> f64 {
        for corner in 0..4 {
            let d = p - self.centre(corner);
            let (sx, sy) = corner_signs(corner);
            if d.x * sx > 0.0 && d.y * sy > 0.0 {
                return d.norm() - self.radii[corner];
            }
        }
        let x = (self.low[0] - p.x).max(p.x - self.high[0]);
        let y = (self.low[1] - p.y).max(p.y - self.high[1]);
        x.max(y)
    }

    /// The place whose normal passes through `p`, a point outside or near the outline.
    pub(super) fn parameter(&self, p: &Point) -> f64 {
        for corner in 0..4 {
            let d = p - self.centre(corner);
            let (sx, sy) = corner_signs(corner);
            if d.x * sx >= 0.0 && d.y * sy >= 0.0 {
                // Angle from the corner's first radius, which points along the side before it.
                let segment = (2 * corner + 7) % 8;
                let first = -inward_of_side((corner + 3) % 4);
                let second = -inward_of_side(corner);
                return segment as f64 + math::atan2(d.dot(&second), d.dot(&first)) / FRAC_PI_2;
            }
        }
        let nearest = |side: usize| -(p - self.side(side).0).dot(&inward_of_side(side));
        let side = (0..4).max_by(|&a, &b| nearest(a).total_cmp(&nearest(b))).unwrap_or(0);
        let (a, b) = self.side(side);
        2.0 * side as f64 + (p - a).dot(&(b - a)) / (b - a).norm_squared()
    }

    /// How far from `place` the outline is met, going out along the normal of another outline inside it.
    pub(super) fn ahead(&self, place: &Place) -> f64 {
        let (mut near, mut far) = (0.0, self.high[0] - self.low[0]);
        for _ in 0..60 {
            let middle = 0.5 * (near + far);
            if self.distance(&(place.point - place.inward * middle)) < 0.0 {
                near = middle;
            } else {
                far = middle;
            }
        }
        0.5 * (near + far)
    }

    /// Enclosed area, mm2.
    #[cfg(test)]
    pub(super) fn area(&self) -> f64 {
        let corners: f64 = self.radii.iter().map(|r| r * r).sum();
        (self.high[0] - self.low[0]) * (self.high[1] - self.low[1])
            - (1.0 - std::f64::consts::FRAC_PI_4) * corners
    }
}

fn inward_of_side(side: usize) -> Vector {
    [Vector::y(), -Vector::x(), -Vector::y(), Vector::x()][side]
}

fn corner_signs(corner: usize) -> (f64, f64) {
    [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)][corner]
}
