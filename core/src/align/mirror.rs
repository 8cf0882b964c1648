//! The other hand of a part.

use crate::geometry::{Matrix3, Motion, Point, TriangleMesh, Vector};

/// A motion as a mirror at x = 0 on both its sides shows it.
pub(super) fn reflected<To, From>(motion: &Motion<To, From>) -> Motion<To, From> {
    let mirror = Matrix3::from_diagonal(&Vector::new(-1.0, 1.0, 1.0));
    let shift = mirror * motion.translation();
    Motion::new(mirror * motion.rotation() * mirror, shift)
        .expect("a rotation between two mirrors is a rotation")
}

/// The nominal of the other hand: mirrored at x = 0, its triangles turned so that they face outwards again.
pub(super) fn other_hand(mesh: &TriangleMesh) -> TriangleMesh {
    let vertices = mesh.vertices().iter().map(|p| Point::new(-p.x, p.y, p.z)).collect();
    TriangleMesh::new(vertices, mesh.triangles().to_vec())
        .expect("the same numbers with another sign are a mesh")
        .reversed()
}
