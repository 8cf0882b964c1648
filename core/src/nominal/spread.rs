//! How the area of a surface is spread about its centroid and which way it faces: what changes when it turns or bends though
//! area and centroid stay.

use serde::{Deserialize, Serialize};

use crate::geometry::{Point, TriangleMesh, Vector};

/// Moments of a surface about the centroid of its area. Both faces of a right angle differ in them, and so do a pin and a hole.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Mean of the outward normal; of unit length on a plane, zero on what goes all round.
    pub facing: [f64; 3],
    /// Second moments of the area over the area, mm2: xx, yy, zz, xy, xz, yz.
    pub moments_mm2: [f64; 6],
    /// Mean distance from the centroid along the outward normal, mm: the radius of a pin, of a hole with a minus.
    pub outward_mm: f64,
}

impl Spread {
    /// Of some triangles about the centroid of their area; `None` where they have no area.
    pub fn of(mesh: &TriangleMesh, triangles: &[u32], centroid: &Point) -> Option<Self> {
        let mut area = 0.0;
        let (mut facing, mut outward) = (Vector::zeros(), 0.0);
        let mut moments = [0.0; 6];
        for &t in triangles {
            let corners = mesh.corners(t).map(|p| p - centroid);
            let own = mesh.area(t);
            let Some(normal) = mesh.normal(t) else { continue };
            area += own;
            facing += normal.vector() * own;
            outward += normal.vector().dot(&corners[0]) * own;
            // The integral of a product over a triangle: a twelfth of its area times the products of the corners and that of
            // their sum.
            let sum = corners[0] + corners[1] + corners[2];
            for (k, (i, j)) in [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)].into_iter().enumerate() {
                let products: f64 = corners.iter().map(|c| c[i] * c[j]).sum();
                moments[k] += own / 12.0 * (products + sum[i] * sum[j]);
            }
        }
        (area.is_finite() && area > 0.0).then(|| Self {
            facing: (facing / area).into(),
            moments_mm2: moments.map(|m| m / area),
            outward_mm: outward / area,
        })
    }

    /// About how far the places of one surface lie from those of the other where both have one centroid, mm: the largest of what
    /// facing, moments and distance from the centroid tell. Not a number where one of them is none.
    pub fn apart_mm(&self, other: &Self) -> f64 {
        let extent = |s: &Self| (s.moments_mm2[0] + s.moments_mm2[1] + s.moments_mm2[2]).sqrt();
        let size = extent(self).max(extent(other));
        if size == 0.0 {
            return 0.0;
        }
        let turned = (Vector::from(self.facing) - Vector::from(other.facing)).norm() * size;
        // Products of two coordinates stand twice in the matrix.
        let squares = |k: usize| {
            let d = self.moments_mm2[k] - other.moments_mm2[k];
            d * d * if k < 3 { 1.0 } else { 2.0 }
        };
        let spread = (0..6).map(squares).sum::<f64>().sqrt() / size;
        let outward = (self.outward_mm - other.outward_mm).abs();
        [turned, spread, outward].into_iter().fold(0.0, |most, x| if x <= most { most } else { x })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Motion, PartFrame};

    /// A rectangle of 40 x 30 mm turned about its middle, halved one way or the other.
    fn rectangle(turn: Vector, otherwise: bool) -> Spread {
        let motion = Motion::<PartFrame, PartFrame>::from_turn_and_shift(turn, Vector::zeros());
        let corners = [(-20.0, -15.0), (20.0, -15.0), (20.0, 15.0), (-20.0, 15.0)];
        let corners = corners.map(|(x, y)| motion.point(&Point::new(x, y, 0.0)));
        let halves = if otherwise { [[0, 1, 3], [1, 2, 3]] } else { [[0, 1, 2], [0, 2, 3]] };
        let mesh = TriangleMesh::new(corners.to_vec(), halves.to_vec()).unwrap();
        Spread::of(&mesh, &[0, 1], &Point::origin()).unwrap()
    }

    #[test]
    fn a_tilt_is_seen_and_how_it_is_cut_into_triangles_is_not() {
        let level = rectangle(Vector::zeros(), false);
        assert!(level.apart_mm(&rectangle(Vector::zeros(), true)) < 1e-12);
        assert!((level.moments_mm2[0] - 1600.0 / 12.0).abs() < 1e-10);
        assert!((level.moments_mm2[1] - 900.0 / 12.0).abs() < 1e-10);
        // The root mean square distance from the middle, sqrt((40^2 + 30^2) / 12), times the angle.
        let degree = 1f64.to_radians();
        let apart = level.apart_mm(&rectangle(Vector::y() * degree, false));
        assert!((apart - degree * (2500.0f64 / 12.0).sqrt()).abs() < 1e-3, "{apart}");
        // In its own plane: by the moments alone.
        let apart = level.apart_mm(&rectangle(Vector::z() * degree, false));
        assert!(apart > 0.05 && apart < 0.3, "{apart}");
    }

    #[test]
    fn what_is_no_number_is_not_near() {
        let level = rectangle(Vector::zeros(), false);
        let lost = Spread { outward_mm: f64::NAN, ..level };
        assert!(!(level.apart_mm(&lost) <= 1e9));
    }
}
