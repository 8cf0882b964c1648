//! Fair samples: of a scan so that dense patches do not pull, of a surface so that large triangles count.

use crate::geometry::{Aabb, Direction, Point, TriangleMesh, Vector, random::Random};

/// Points with or without normals.
#[derive(Clone, Debug)]
pub(super) struct Cloud {
    pub(super) points: Vec<Point>,
    pub(super) normals: Option<Vec<Direction>>,
}

impl Cloud {
    pub(super) fn normal(&self, index: usize) -> Option<Direction> {
        self.normals.as_ref().map(|n| n[index])
    }

    fn pick(points: &[Point], normals: Option<&[Direction]>, chosen: &[u32]) -> Self {
        Self {
            points: chosen.iter().map(|&i| points[i as usize]).collect(),
            normals: normals.map(|n| chosen.iter().map(|&i| n[i as usize]).collect()),
        }
    }

    /// Every so-many-th of the finite points, so that at most `most` stay.
    pub(super) fn strided(points: &[Point], normals: Option<&[Direction]>, most: usize) -> Self {
        let stride = points.len().div_ceil(most.max(1)).max(1);
        let chosen: Vec<u32> = (0..points.len())
            .step_by(stride)
            .filter(|&i| points[i].iter().all(|c| c.is_finite()))
            .map(|i| i as u32)
            .collect();
        Self::pick(points, normals, &chosen)
    }

    /// One point for each occupied cube of a grid whose edge is chosen so that about `count` points stay
    /// (all of them when there are no more): each then stands for about the same area.
    pub(super) fn thinned(&self, count: usize) -> Self {
        let all = self.points.len();
        if all <= count || count == 0 {
            return self.clone();
        }
        let bounds = Aabb::of(&self.points);
        // On a surface the number of occupied cubes falls with the square of their edge; bisecting on
        // the logarithm needs no such law, and twelve halvings of a factor of 4,096 leave 0.2 %.
        let (mut fine, mut coarse) = (bounds.diagonal() / 4096.0, bounds.diagonal());
        if !(fine > 0.0) {
            return Self::pick(&self.points, self.normals.as_deref(), &[0]);
        }
        let mut best = self.occupied(&bounds, fine);
        if best.len() <= count {
            return Self::pick(&self.points, self.normals.as_deref(), &best);
        }
        for _ in 0..12 {
            let edge = (fine * coarse).sqrt();
            let chosen = self.occupied(&bounds, edge);
            if chosen.len() > count {
                fine = edge;
            } else {
                coarse = edge;
                let close = chosen.len() * 10 >= count * 9;
                best = chosen;
                if close {
                    break;
                }
            }
        }
        Self::pick(&self.points, self.normals.as_deref(), &best)
    }

    /// The lowest index in each occupied cube, ascending.
    fn occupied(&self, bounds: &Aabb, edge: f64) -> Vec<u32> {
        let mut keyed: Vec<(u64, u32)> = self
            .points
            .iter()
            .enumerate()
            .map(|(i, p)| {
                // At most 4,096 cubes an axis, so three numbers of 21 bits are ample.
                let cell = (p - bounds.low) / edge;
                let key = ((cell.x as u64) << 42) | ((cell.y as u64) << 21) | cell.z as u64;
                (key, i as u32)
            })
            .collect();
        keyed.sort_unstable();
        keyed.dedup_by_key(|k| k.0);
        let mut chosen: Vec<u32> = keyed.into_iter().map(|k| k.1).collect();
        chosen.sort_unstable();
        chosen
    }
}

/// A point of the nominal surface with the normal there.
#[derive(Clone, Copy, Debug)]
pub(super) struct SurfacePoint {
    pub(super) point: Point,
    pub(super) normal: Vector,
}

/// Points spread over a surface, one for each `area_mm2` as the triangles follow one another, each at a
/// seeded random place in its triangle. Triangles without area get none.
pub(super) fn surface(mesh: &TriangleMesh, area_mm2: f64) -> Vec<SurfacePoint> {
    let mut random = Random::seeded(0x5ca7);
    let mut samples = Vec::new();
    let mut owed = 0.5;
    for t in 0..mesh.triangles().len() as u32 {
        let Some(normal) = mesh.normal(t) else { continue };
        owed += mesh.area(t) / area_mm2;
        let [a, b, c] = mesh.corners(t);
        while owed >= 1.0 {
            owed -= 1.0;
            let (mut u, mut v) = (random.unit(), random.unit());
            if u + v > 1.0 {
                (u, v) = (1.0 - u, 1.0 - v);
            }
            samples.push(SurfacePoint { point: a + (b - a) * u + (c - a) * v, normal: normal.vector() });
        }
    }
    samples
}

/// Whole area of a mesh, mm2.
pub(super) fn area(mesh: &TriangleMesh) -> f64 {
    (0..mesh.triangles().len() as u32).map(|t| mesh.area(t)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinning_is_fair_to_area_not_to_density() {
        // The left half of a square holds nine times as many points as the right half.
        let mut random = Random::seeded(3);
        let mut points = Vec::new();
        for i in 0..40_000 {
            let x = if i % 10 == 0 { random.range(50.0, 100.0) } else { random.range(0.0, 50.0) };
            points.push(Point::new(x, random.range(0.0, 100.0), 0.0));
        }
        let thin = Cloud { points, normals: None }.thinned(400);
        let left = thin.points.iter().filter(|p| p.x < 50.0).count();
        assert!((300..=400).contains(&thin.points.len()), "{}", thin.points.len());
        assert!((left as f64 / thin.points.len() as f64 - 0.5).abs() < 0.06, "{left}");
    }

    #[test]
    fn points_on_one_place_thin_to_one() {
        let cloud = Cloud { points: vec![Point::new(1.0, 2.0, 3.0); 50], normals: None };
        assert_eq!(cloud.thinned(10).points.len(), 1);
    }
}
