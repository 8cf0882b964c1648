//! Rigid motions named by both their frames, so that a wrong product does not compile.

use super::{Direction, Matrix3, Point, Vector, math};
use std::marker::PhantomData;
use std::ops::Mul;

/// A coordinate system that a motion leads to or from.
pub trait Frame: Copy + std::fmt::Debug + Send + Sync + 'static {}

/// The part's own axes: those of its nominal (vehicle or drawing axes).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PartFrame;
impl Frame for PartFrame {}

/// The axes in which the scanner wrote its points.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ScanFrame;
impl Frame for ScanFrame {}

/// A rigid motion that takes coordinates of frame `From` to coordinates of frame `To`:
/// `part_from_scan: Motion<PartFrame, ScanFrame>`.
pub struct Motion<To, From> {
    rotation: Matrix3,
    translation: Vector,
    frames: PhantomData<(To, From)>,
}

// Written out because a derive would ask the same of the frame markers.
impl<To, From> Clone for Motion<To, From> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<To, From> Copy for Motion<To, From> {}
impl<To, From> PartialEq for Motion<To, From> {
    fn eq(&self, other: &Self) -> bool {
        self.rotation == other.rotation && self.translation == other.translation
    }
}
impl<To, From> std::fmt::Debug for Motion<To, From> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Motion")
            .field("rotation", &self.rotation)
            .field("translation", &self.translation)
            .finish()
    }
}

impl<To, From> Motion<To, From> {
    /// No motion at all.
    pub fn identity() -> Self {
        Self { rotation: Matrix3::identity(), translation: Vector::zeros(), frames: PhantomData }
    }

    /// `None` unless `rotation` is a right-handed orthonormal matrix within 1e-9 and all is finite.
    pub fn new(rotation: Matrix3, translation: Vector) -> Option<Self> {
        let error = (rotation * rotation.transpose() - Matrix3::identity()).abs().max();
        (error <= 1e-9 && rotation.determinant() > 0.0 && translation.iter().all(|v| v.is_finite()))
            .then_some(Self { rotation, translation, frames: PhantomData })
    }

    /// A turn by the rotation vector `turn` (axis times angle, rad) about the origin, then a shift, mm.
    pub fn from_turn_and_shift(turn: Vector, shift: Vector) -> Self {
        Self { rotation: rotation_of(turn), translation: shift, frames: PhantomData }
    }

    /// A turn by the rotation vector `turn` (rad) about the point `centre`, then a shift, mm.
    pub fn turn_about(centre: Point, turn: Vector, shift: Vector) -> Self {
        let rotation = rotation_of(turn);
        Self { rotation, translation: centre.coords - rotation * centre.coords + shift, frames: PhantomData }
    }

    /// The rotation matrix.
    pub fn rotation(&self) -> &Matrix3 {
        &self.rotation
    }

    /// The shift after the rotation, mm.
    pub fn translation(&self) -> Vector {
        self.translation
    }

    /// A point taken along.
    #[inline]
    pub fn point(&self, p: &Point) -> Point {
        Point::from(self.rotation * p.coords + self.translation)
    }

    /// A vector taken along (turned, not shifted).
    #[inline]
    pub fn vector(&self, v: &Vector) -> Vector {
        self.rotation * v
    }

    /// A direction taken along.
    pub fn direction(&self, d: Direction) -> Direction {
        Direction::new(self.rotation * d.vector()).expect("a rotation keeps the length of a unit vector")
    }

    /// Rotation matrix, row by row, and shift, mm: as records tell a motion.
    pub fn rows(&self) -> ([[f64; 3]; 3], [f64; 3]) {
        let (r, t) = (self.rotation(), self.translation());
        (std::array::from_fn(|i| std::array::from_fn(|j| r[(i, j)])), [t.x, t.y, t.z])
    }

    /// The motion back.
    pub fn inverse(&self) -> Motion<From, To> {
        let back = self.rotation.transpose();
        Motion { rotation: back, translation: -(back * self.translation), frames: PhantomData }
    }

    /// The rotation's angle in rad, 0 to pi.
    pub fn turn_rad(&self) -> f64 {
        let r = &self.rotation;
        let axis = Vector::new(r[(2, 1)] - r[(1, 2)], r[(0, 2)] - r[(2, 0)], r[(1, 0)] - r[(0, 1)]);
        math::atan2(axis.norm(), r.trace() - 1.0)
    }

    /// Brings the matrix back to an exact rotation after many products (Gram-Schmidt on its columns).
    pub fn orthonormalised(&self) -> Self {
        let x = self.rotation.column(0).normalize();
        let y0 = self.rotation.column(1).into_owned();
        let y = (y0 - x * x.dot(&y0)).normalize();
        let z = x.cross(&y);
        Self {
            rotation: Matrix3::from_columns(&[x, y, z]),
            translation: self.translation,
            frames: PhantomData,
        }
    }
}

impl<A, B, C> Mul<Motion<B, C>> for Motion<A, B> {
    type Output = Motion<A, C>;
    fn mul(self, other: Motion<B, C>) -> Motion<A, C> {
        Motion {
            rotation: self.rotation * other.rotation,
            translation: self.rotation * other.translation + self.translation,
            frames: PhantomData,
        }
    }
}

/// The rotation matrix of a rotation vector (Rodrigues), with series where the angle is tiny.
fn rotation_of(turn: Vector) -> Matrix3 {
    let angle2 = turn.norm_squared();
    let (a, b) = if angle2 < 1e-12 {
        // sin(t)/t and (1-cos(t))/t^2 to beyond f64 accuracy at t < 1e-6.
        (1.0 - angle2 / 6.0, 0.5 - angle2 / 24.0)
    } else {
        let angle = angle2.sqrt();
        (math::sin(angle) / angle, (1.0 - math::cos(angle)) / angle2)
    };
    let k = turn.cross_matrix();
    Matrix3::identity() + k * a + k * k * b
}
