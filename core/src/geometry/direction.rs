//! Unit vectors.

use super::Vector;

/// A unit vector; length 1 by construction (to rounding).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Direction(Vector);

/// Shorter than this a vector has no direction worth the name: far below any length in a part, far
/// above the rounding of coordinates of metres.
const MIN_LENGTH_MM: f64 = 1e-30;

impl Direction {
    /// Along +x.
    pub const X: Self = Self(Vector::new(1.0, 0.0, 0.0));
    /// Along +y.
    pub const Y: Self = Self(Vector::new(0.0, 1.0, 0.0));
    /// Along +z.
    pub const Z: Self = Self(Vector::new(0.0, 0.0, 1.0));

    /// `None` when `v` is too short (or not finite) for its direction to mean anything.
    pub fn new(v: Vector) -> Option<Self> {
        let length = v.norm();
        (length.is_finite() && length > MIN_LENGTH_MM).then(|| Self(v / length))
    }

    /// Of a vector that was taken from a direction.
    pub(crate) fn of_unit(unit: Vector) -> Self {
        Self(unit)
    }

    /// The unit vector itself.
    pub fn vector(self) -> Vector {
        self.0
    }

    /// Cosine of the angle to another direction.
    pub fn dot(self, other: Self) -> f64 {
        self.0.dot(&other.0)
    }

    /// The opposite direction.
    pub fn reversed(self) -> Self {
        Self(-self.0)
    }

    /// The direction as a mirror at x = 0 shows it.
    pub fn reflected_x(self) -> Self {
        Self(Vector::new(-self.0.x, self.0.y, self.0.z))
    }

    /// Angle to another direction in rad, 0 to pi, accurate also when it is tiny.
    pub fn angle_to(self, other: Self) -> f64 {
        super::math::atan2(self.0.cross(&other.0).norm(), self.dot(other))
    }

    /// Two more unit vectors that make a right-handed triple `(a, b, self)`.
    /// Duff et al., "Building an Orthonormal Basis, Revisited", JCGT 6(1), 2017, listing 3.
    pub fn frame(self) -> (Vector, Vector) {
        let n = self.0;
        let sign = if n.z >= 0.0 { 1.0 } else { -1.0 };
        let a = -1.0 / (sign + n.z);
        let b = n.x * n.y * a;
        (
            Vector::new(1.0 + sign * n.x * n.x * a, sign * b, -sign * n.x),
            Vector::new(b, sign + n.y * n.y * a, -n.y),
        )
    }
}
