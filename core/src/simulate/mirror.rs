//! The opposite hand: a nominal mirrored.

use crate::geometry::{Direction, Point, TriangleMesh, Vector};
use crate::nominal::Carrier;

/// Mirrors a mesh through the plane x = 0; its triangles are turned round, so that their normals still
/// point out of the material.
pub fn mirrored(mesh: &TriangleMesh) -> TriangleMesh {
    let vertices = mesh.vertices().iter().map(mirror).collect();
    let triangles = mesh.triangles().iter().map(|t| [t[0], t[2], t[1]]).collect();
    TriangleMesh::new(vertices, triangles).expect("a mirrored mesh has the indices it had")
}

/// The exact surfaces under the triangles of a mirrored mesh.
pub fn mirrored_carriers(carriers: &[Option<Carrier>]) -> Vec<Option<Carrier>> {
    let turned = |d: Direction| {
        let v = d.vector();
        Direction::new(Vector::new(-v.x, v.y, v.z)).expect("a mirror keeps the length of a unit vector")
    };
    let of = |carrier: &Carrier| match *carrier {
        Carrier::Plane { point, normal } => Carrier::Plane { point: mirror(&point), normal: turned(normal) },
        Carrier::Cone { apex, axis, half_angle_rad, hollow } => {
            Carrier::Cone { apex: mirror(&apex), axis: turned(axis), half_angle_rad, hollow }
        }
        Carrier::Sphere { centre, radius_mm, hollow } => {
            Carrier::Sphere { centre: mirror(&centre), radius_mm, hollow }
        }
        Carrier::Torus { centre, axis, radius_mm, tube_radius_mm, hollow } => {
            Carrier::Torus { centre: mirror(&centre), axis: turned(axis), radius_mm, tube_radius_mm, hollow }
        }
        Carrier::Cylinder { point, axis, radius_mm, hollow } => {
            Carrier::Cylinder { point: mirror(&point), axis: turned(axis), radius_mm, hollow }
        }
    };
    carriers.iter().map(|c| c.as_ref().map(of)).collect()
}

fn mirror(p: &Point) -> Point {
    Point::new(-p.x, p.y, p.z)
}
