//! Fair samples: of a scan so that dense patches do not pull, of a surface so that large triangles count.

use crate::geometry::{Aabb, Direction, Point, TriangleMesh, Vector, random::Random};
use crate::scan::{Normals, Points};
use rayon::prelude::*;

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

    /// Some of the points, by index.
    pub(super) fn some(&self, chosen: &[u32]) -> Self {
        Self::pick((&self.points).into(), self.normals.as_deref().map(Normals::from), chosen)
    }

    /// The points as a mirror at x = 0 shows them: of the other hand.
    pub(super) fn reflected(&self) -> Self {
        Self {
            points: self.points.par_iter().map(|p| Point::new(-p.x, p.y, p.z)).collect(),
            normals: self.normals.as_ref().map(|n| n.par_iter().map(|n| n.reflected_x()).collect()),
        }
    }

    pub(super) fn pick(points: Points, normals: Option<Normals>, chosen: &[u32]) -> Self {
        Self {
            points: chosen.iter().map(|&i| points.at(i as usize)).collect(),
            normals: normals.map(|n| chosen.iter().map(|&i| n.at(i as usize)).collect()),
        }
    }

    /// One point for each occupied cube of a grid whose edge is chosen so that about `count` points stay
    /// (all of them when there are no more): each then stands for about the same area.
    pub(super) fn thinned(&self, count: usize) -> Self {
        if self.points.len() <= count {
            return self.clone();
        }
        let mut chosen: Vec<u32> = self.cubes(count).1;
        chosen.sort_unstable();
        Self::pick((&self.points).into(), self.normals.as_deref().map(Normals::from), &chosen)
    }

    /// Without points that hang in the air: those in a cube (of a size at which surface fills cubes
    /// without gaps) with fewer than two occupied ones among its 26 neighbours. Each stray point fills a
    /// cube of its own, so that thinning would give a few strays as much say as the part. Two, not more,
    /// because scanner lines far apart make chains of cubes.
    pub(super) fn without_strays(&self) -> Self {
        let (edge, _) = self.cubes((self.points.len() / 8).clamp(1, 30_000));
        let bounds = Aabb::of(&self.points);
        let keys: Vec<u64> = self.points.par_iter().map(|p| key(p, &bounds, edge)).collect();
        let mut occupied = keys.clone();
        occupied.par_sort_unstable();
        occupied.dedup();
        let firm: Vec<bool> = occupied
            .par_iter()
            .map(|&k| {
                let mut neighbours = 0;
                for n in 0..27u64 {
                    // The bias of one in `key` keeps every difference from borrowing across axes.
                    let other = k + (n % 3) * KEY_X + (n / 3 % 3) * KEY_Y + n / 9 - (KEY_X + KEY_Y + 1);
                    if other != k && occupied.binary_search(&other).is_ok() {
                        neighbours += 1;
                        if neighbours == 2 {
                            return true;
                        }
                    }
                }
                false
            })
            .collect();
        let chosen: Vec<u32> = keys
            .par_iter()
            .enumerate()
            .filter(|(_, k)| occupied.binary_search(k).is_ok_and(|at| firm[at]))
            .map(|(i, _)| i as u32)
            .collect();
        Self::pick((&self.points).into(), self.normals.as_deref().map(Normals::from), &chosen)
    }

    /// The edge of cubes of which about `count` are occupied (never more), and the lowest point in each.
    fn cubes(&self, count: usize) -> (f64, Vec<u32>) {
        let bounds = Aabb::of(&self.points);
        // On a surface the number of occupied cubes falls with the square of their edge; bisecting on
        // the logarithm needs no such law, and twelve halvings of a factor of 4,096 leave 0.2 %.
        let (mut fine, mut coarse) = (bounds.diagonal() / 4096.0, bounds.diagonal() * 1.01);
        if fine <= 0.0 {
            return (1.0, if self.points.is_empty() { Vec::new() } else { vec![0] });
        }
        let mut best = vec![0];
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
        (coarse, best)
    }

    /// The lowest index in each occupied cube.
    fn occupied(&self, bounds: &Aabb, edge: f64) -> Vec<u32> {
        let mut keyed: Vec<(u64, u32)> =
            self.points.par_iter().enumerate().map(|(i, p)| (key(p, bounds, edge), i as u32)).collect();
        keyed.par_sort_unstable();
        keyed.dedup_by_key(|k| k.0);
        keyed.into_iter().map(|k| k.1).collect()
    }
}

pub(super) const KEY_X: u64 = 1 << 42;
pub(super) const KEY_Y: u64 = 1 << 21;

/// The cube that holds `p`, counted from one: at most 1,000,000 an axis, so 21 bits are ample.
pub(super) fn key(p: &Point, bounds: &Aabb, edge: f64) -> u64 {
    let cell = (p - bounds.low) / edge;
    (cell.x as u64 + 1) * KEY_X + (cell.y as u64 + 1) * KEY_Y + cell.z as u64 + 1
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
    fn strays_go_and_sheets_and_lines_stay() {
        let mut random = Random::seeded(8);
        let mut points: Vec<Point> = (0..20_000)
            .map(|_| Point::new(random.range(0.0, 100.0), random.range(0.0, 100.0), 0.0))
            .collect();
        points.extend((0..5000).map(|i| Point::new(0.02 * f64::from(i), 0.0, 60.0)));
        for _ in 0..500 {
            points.push(Point::new(
                random.range(0.0, 100.0),
                random.range(0.0, 100.0),
                random.range(20.0, 50.0),
            ));
        }
        let kept = Cloud { points, normals: None }.without_strays().points;
        // A chain's two end cubes have one neighbour each and go.
        let sheet = kept.iter().filter(|p| p.z == 0.0).count();
        let line = kept.iter().filter(|p| p.z == 60.0).count();
        assert!(sheet > 19_990 && line > 4800, "{sheet} {line}");
        assert!(kept.len() - sheet - line < 25, "{}", kept.len() - sheet - line);
    }

    #[test]
    fn points_on_one_place_thin_to_one() {
        let cloud = Cloud { points: vec![Point::new(1.0, 2.0, 3.0); 50], normals: None };
        assert_eq!(cloud.thinned(10).points.len(), 1);
    }
}
