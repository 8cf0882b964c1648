//! The plane that a point is drawn to, and how far the point may go before it is another one.

use super::ground::Ground;
use super::sums::Sums;
use crate::geometry::{Foot, Point, Vector};
use crate::nominal::Nominal;

/// The tangent plane at a foot: that of its triangle; on an edge or corner, that across the way to the point, so that
/// the distance does not jump where the nearest triangle changes.
#[derive(Clone, Copy)]
pub(super) struct Plane {
    normal: Vector,
    offset: f64,
    /// [`NOWHERE`]: none within reach.
    triangle: u32,
}

const NOWHERE: u32 = u32::MAX;

/// A foot from which the point lies aside by more is on an edge, mm: more than rounding.
const ASIDE_MM: f64 = 1e-7;

impl Plane {
    pub(super) const NONE: Self = Self { normal: Vector::new(0.0, 0.0, 0.0), offset: 0.0, triangle: NOWHERE };

    /// The plane of a point at `p` with this foot, whose triangle has these corners and the unit normal `face`, and half
    /// of what the triangle's nearest edge is further than the foot, mm: only nearer to it than twice its own move can
    /// a point come to have another triangle as near. Past an edge that closes in, the neighbour at a right angle is
    /// as near where the foot is as far from the edge as the point from the foot; sharper ones are not looked for.
    pub(super) fn of([a, b, c]: &[Point; 3], face: &Vector, foot: &Foot, p: &Point) -> (Self, f64) {
        let off = p - foot.point;
        let on_edge = (off - face * off.dot(face)).norm() > ASIDE_MM;
        let normal = if on_edge { off / foot.distance } else { *face };
        let offset = normal.dot(&foot.point.coords);
        let inward = |a: &Point, b: &Point| {
            let along = b - a;
            let side = face.dot(&along.cross(&(foot.point - a)));
            // Positive inside; squares keep their order.
            side * side.abs() / along.norm_squared()
        };
        let least = |x: f64, y: f64| if x < y { x } else { y };
        let inside2 = least(least(inward(a, b), inward(b, c)), inward(c, a));
        let room =
            if on_edge || !(inside2 > 0.0) { 0.0 } else { 0.5 * (inside2.sqrt() - foot.distance).max(0.0) };
        (Self { normal, offset, triangle: foot.triangle }, room)
    }

    /// The tangent plane of the exact surface under a point at `p` with this foot on the mesh, where the nominal has one
    /// there, and how far the point may go before it is asked again.
    pub(super) fn exact(nominal: &Nominal, foot: &Foot, p: &Point) -> Option<(Self, f64)> {
        let there = nominal.exact_foot(p, foot)?;
        let normal = there.normal.vector();
        // A point that slides by this leaves a surface of 3 mm radius by less than a nanometre.
        const ROOM_MM: f64 = 1e-3;
        Some((Self { normal, offset: normal.dot(&there.point.coords), triangle: foot.triangle }, ROOM_MM))
    }

    /// How far a point at `p` lies off the plane, mm.
    #[inline]
    pub(super) fn off(&self, p: &Point) -> f64 {
        self.normal.dot(&p.coords) - self.offset
    }

    /// Whether both are the same to the bit.
    pub(super) fn is(&self, other: &Self) -> bool {
        self.triangle == other.triangle && self.offset == other.offset && self.normal == other.normal
    }

    /// Adds the equation of a point at `p`.
    #[inline]
    pub(super) fn pair(&self, ground: &Ground, p: &Point, weight: f64, sums: &mut Sums) {
        if self.triangle != NOWHERE {
            sums.pair(&ground.row(p, &self.normal), self.off(p), weight);
        }
    }

    /// Takes it out again.
    pub(super) fn unpair(&self, ground: &Ground, p: &Point, weight: f64, sums: &mut Sums) {
        if self.triangle != NOWHERE {
            sums.unpair(&ground.row(p, &self.normal), self.off(p), weight);
        }
    }
}
