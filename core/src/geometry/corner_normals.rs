//! Normals for shading: smooth over curved skin, sharp at edges.

use super::{Direction, TriangleMesh, Vector};

/// A vertex of very many triangles (the middle of a fan) would cost their square: there this many do.
const MOST_AROUND: usize = 64;

/// Unit normals of a mesh's triangles and of their corners.
#[derive(Clone, Debug, PartialEq)]
pub struct CornerNormals {
    faces: Vec<[f64; 3]>,
    corners: Vec<[[f64; 3]; 3]>,
}

impl CornerNormals {
    /// Per triangle and corner the mean of the area vectors round the corner that turn from the triangle's own
    /// by less than the angle of cosine `crease_cosine`. A triangle without area has the normal (0, 0, 0).
    /// Common practice, no source.
    pub fn new(mesh: &TriangleMesh, crease_cosine: f64) -> Self {
        let areas: Vec<Vector> = (0..mesh.triangles().len()).map(|t| mesh.area_vector(t as u32)).collect();
        let sizes: Vec<f64> = areas.iter().map(Vector::norm).collect();
        let (first, round) = triangles_round(mesh);
        let mean = |own: usize, v: u32| {
            let mut sum = Vector::zeros();
            for &other in round[first[v as usize]..first[v as usize + 1]].iter().take(MOST_AROUND) {
                let other = other as usize;
                if areas[own].dot(&areas[other]) > crease_cosine * sizes[own] * sizes[other] {
                    sum += areas[other];
                }
            }
            unit(sum).or(unit(areas[own])).unwrap_or_default()
        };
        let corners = mesh.triangles().iter().enumerate().map(|(t, own)| own.map(|v| mean(t, v))).collect();
        let faces = areas.iter().map(|&a| unit(a).unwrap_or_default()).collect();
        Self { faces, corners }
    }

    /// The unit normal in triangle `triangle` at the place with these weights of its corners; `None` where the
    /// corners' normals cancel or the triangle has no area.
    pub fn at(&self, triangle: u32, weights: [f64; 3]) -> Option<[f64; 3]> {
        let corners = &self.corners[triangle as usize];
        let sum: [f64; 3] = std::array::from_fn(|i| {
            corners[0][i] * weights[0] + corners[1][i] * weights[1] + corners[2][i] * weights[2]
        });
        unit(Vector::from(sum))
    }

    /// Cosine of the angle between the planes of two triangles; 0 where one has no area.
    pub fn cosine_between(&self, a: u32, b: u32) -> f64 {
        let (a, b) = (&self.faces[a as usize], &self.faces[b as usize]);
        a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    }
}

fn unit(v: Vector) -> Option<[f64; 3]> {
    Direction::new(v).map(|d| d.vector().into())
}

/// The triangles round vertex `v` are `round[first[v]..first[v + 1]]`, ascending.
fn triangles_round(mesh: &TriangleMesh) -> (Vec<usize>, Vec<u32>) {
    let mut first = vec![0usize; mesh.vertices().len() + 1];
    for t in mesh.triangles() {
        for &v in t {
            first[v as usize + 1] += 1;
        }
    }
    for v in 1..first.len() {
        first[v] += first[v - 1];
    }
    let mut next = first.clone();
    let mut round = vec![0u32; 3 * mesh.triangles().len()];
    for (index, t) in mesh.triangles().iter().enumerate() {
        for &v in t {
            round[next[v as usize]] = index as u32;
            next[v as usize] += 1;
        }
    }
    (first, round)
}

#[cfg(test)]
mod tests {
    use super::super::Point;
    use super::*;

    /// Two squares that meet at the line x = 0, the right one tilted by `tilt`.
    fn roof(tilt: f64) -> TriangleMesh {
        let (c, s) = (super::super::math::cos(tilt), super::super::math::sin(tilt));
        let points = [
            [-1.0, 0.0, 0.0],
            [0.0, 0.0, 0.0],
            [0.0, 1.0, 0.0],
            [-1.0, 1.0, 0.0],
            [c, 0.0, -s],
            [c, 1.0, -s],
        ];
        let points = points.map(|p| Point::new(p[0], p[1], p[2])).to_vec();
        TriangleMesh::new(points, vec![[0, 1, 2], [0, 2, 3], [1, 4, 5], [1, 5, 2]]).unwrap()
    }

    #[test]
    fn a_blunt_fold_is_smooth_and_a_sharp_one_stays() {
        let blunt = CornerNormals::new(&roof(0.2), 0.87);
        let n = blunt.at(0, [0.0, 1.0, 0.0]).unwrap();
        assert!(n[0] > 0.09 && n[0] < 0.14, "about half of the tilt: {n:?}");
        let sharp = CornerNormals::new(&roof(0.9), 0.87);
        assert_eq!(sharp.at(0, [0.0, 1.0, 0.0]).unwrap(), [0.0, 0.0, 1.0]);
        assert!((sharp.cosine_between(0, 2) - super::super::math::cos(0.9)).abs() < 1e-12);
    }

    #[test]
    fn a_triangle_without_area_has_no_normal() {
        let points = vec![Point::origin(), Point::new(1.0, 0.0, 0.0), Point::new(2.0, 0.0, 0.0)];
        let normals = CornerNormals::new(&TriangleMesh::new(points, vec![[0, 1, 2]]).unwrap(), 0.87);
        assert_eq!(normals.at(0, [1.0, 0.0, 0.0]), None);
        assert_eq!(normals.cosine_between(0, 0), 0.0);
    }
}
