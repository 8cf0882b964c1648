//! The closest points of many points at once.

use rayon::prelude::*;

use super::SurfaceTree;
use super::tree::{Groups, normal};
use crate::geometry::sum::CHUNK;
use crate::geometry::{Aabb, Direction, Foot, Point, morton};

/// Which triangles may be nearest to a point with a normal.
#[derive(Clone, Copy, Debug)]
pub struct Facing<'a> {
    /// One for each point.
    pub normals: &'a [Direction],
    /// Least cosine between a point's normal and the triangle's.
    pub min_cos: f64,
}

/// As many points as a caller who may be stopped asks about at once: a few milliseconds of work.
pub const TOGETHER: usize = 1 << 16;

/// A foot without what its point tells again.
#[derive(Clone, Copy)]
struct Held {
    point: Point,
    /// [`NOTHING`] where there is none.
    triangle: u32,
}

/// No triangle has so high a number.
const NOTHING: u32 = u32::MAX;

impl Held {
    #[inline(always)]
    fn of(foot: Option<Foot>) -> Self {
        foot.map_or(Self { point: Point::origin(), triangle: NOTHING }, |f| Self {
            point: f.point,
            triangle: f.triangle,
        })
    }

    /// The foot of `p`, to the bit as it was found.
    #[inline(always)]
    fn foot(&self, p: &Point) -> Option<Foot> {
        let Self { point, triangle } = *self;
        let distance = (point - p).norm_squared().sqrt();
        (triangle != NOTHING).then_some(Foot { point, triangle, distance })
    }
}

/// Steps between points that follow a surface are about the square root of their number to its size; this
/// many times longer and a new order pays. Measured.
const JUMPY: f64 = 16.0;

impl SurfaceTree {
    /// What `work` makes of each point's index and the closest point of the surface no further than
    /// `reach_mm`, in the order of the points. Searches in the given order where that follows the surface,
    /// else in an order that does; the results are those of [`SurfaceTree::nearest`] either way and on any
    /// number of threads.
    pub fn nearest_each<T: Send>(
        &self,
        points: &[Point],
        reach_mm: f64,
        work: impl Fn(usize, Option<Foot>) -> T + Sync,
    ) -> Vec<T> {
        self.each(points, points.len(), |_, _| true, reach_mm, work)
    }

    /// As [`SurfaceTree::nearest_each`] with [`SurfaceTree::nearest_facing`]. Points without a normal of
    /// their own (when there are fewer normals) have no closest point.
    pub fn nearest_facing_each<T: Send>(
        &self,
        points: &[Point],
        facing: Facing<'_>,
        reach_mm: f64,
        work: impl Fn(usize, Option<Foot>) -> T + Sync,
    ) -> Vec<T> {
        let Facing { normals, min_cos } = facing;
        let faces = |i: usize, corners: [&Point; 3]| normal(corners).dot(&normals[i].vector()) >= min_cos;
        self.each(points, points.len().min(normals.len()), faces, reach_mm, work)
    }

    /// Points from `count` on have no closest point.
    fn each<T: Send>(
        &self,
        points: &[Point],
        count: usize,
        facing: impl Fn(usize, [&Point; 3]) -> bool + Sync,
        reach_mm: f64,
        work: impl Fn(usize, Option<Foot>) -> T + Sync,
    ) -> Vec<T> {
        let asked = &points[..count];
        let mut all: Vec<T> = if jumpy(asked) {
            let Curve { order, place } = along_a_curve(asked);
            let number = |k: usize| order[k] as usize;
            let found: Vec<Held> = (0..count)
                .into_par_iter()
                .with_min_len(CHUNK)
                .map_init(
                    || {
                        let facing = |k: usize, corners: [&Point; 3]| facing(number(k), corners);
                        Groups::new(self, count, |k| asked[number(k)], facing, reach_mm)
                    },
                    |groups, k| Held::of(groups.at(k)),
                )
                .collect();
            let given = place.par_iter().with_min_len(CHUNK).enumerate();
            given.map(|(i, &k)| work(i, found[k as usize].foot(&asked[i]))).collect()
        } else {
            (0..count)
                .into_par_iter()
                .with_min_len(CHUNK)
                .map_init(
                    || Groups::new(self, count, |i| asked[i], &facing, reach_mm),
                    |groups, i| work(i, groups.at(i)),
                )
                .collect()
        };
        all.extend((count..points.len()).map(|i| work(i, None)));
        all
    }
}

/// Of those that are finite.
fn bounds<'a>(points: impl IntoIterator<Item = &'a Point>) -> Aabb {
    Aabb::of(points.into_iter().filter(|p| p.iter().all(|c| c.is_finite())))
}

/// Points that tell of all.
const SAMPLE: usize = 1024;

/// Whether half of the steps from point to point are far longer than an order along the surface has.
fn jumpy(points: &[Point]) -> bool {
    if points.len() < SAMPLE || points.len() > u32::MAX as usize {
        return false;
    }
    let stride = points.len() / SAMPLE;
    let size = bounds(points.iter().step_by(stride)).diagonal();
    let limit = JUMPY * size / (points.len() as f64).sqrt();
    let long = |k: usize| (points[k * stride] - points[(k * stride + 1) % points.len()]).norm() > limit;
    (0..SAMPLE).filter(|&k| long(k)).count() > SAMPLE / 2
}

/// Points of one cell, about, where they lie on a surface: what is put in order together afterwards.
const IN_CELL: usize = 512;
/// Most cells along each axis: 2^6, whose counts fit a processor's cache.
const MOST_BITS: u32 = 6;

/// Points in the order of Morton's curve through rough cells, equal cells in the given order.
struct Curve {
    /// The points' indices in that order.
    order: Vec<u32>,
    /// Where in the order each point is.
    place: Vec<u32>,
}

fn along_a_curve(points: &[Point]) -> Curve {
    // What lies beyond the box of some falls into its outermost cells.
    let bounds = bounds(points.iter().step_by((points.len() / SAMPLE).max(1)));
    // A surface has about as many cells as a square of as many along each side.
    let bits = ((points.len() / IN_CELL).max(1).ilog2().div_ceil(2)).min(MOST_BITS);
    let largest = bounds.size().max();
    let scale = if largest > 0.0 { f64::from(1u32 << bits) / largest } else { 0.0 };
    let low = bounds.low;
    // A number that is no cell becomes 0, and all fit.
    let cell = |p: &Point, k: usize| (((p[k] - low[k]) * scale) as u32).min((1 << bits) - 1);
    let key = |p: &Point| morton::short_key(std::array::from_fn(|k| cell(p, k)));
    let mut place: Vec<u32> = points.par_iter().with_min_len(CHUNK).map(key).collect();
    let mut start = vec![0u32; 1 << (3 * bits)];
    for &key in &place {
        start[key as usize] += 1;
    }
    let mut sum = 0;
    for s in &mut start {
        (*s, sum) = (sum, sum + *s);
    }
    let mut order = vec![0; place.len()];
    for (i, place) in (0..).zip(&mut place) {
        let s = &mut start[*place as usize];
        order[*s as usize] = i;
        *place = *s;
        *s += 1;
    }
    Curve { order, place }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::geometry::{TriangleMesh, Vector};

    fn sheet() -> TriangleMesh {
        let n = 30u32;
        let vertices = (0..=n * n + 2 * n).map(|k| {
            let (i, j) = (f64::from(k % (n + 1)), f64::from(k / (n + 1)));
            Point::new(i, j, 0.03 * i * j - 0.02 * i * i)
        });
        let quads = (0..n * n).map(|k| k / n * (n + 1) + k % n);
        let triangles = quads.flat_map(|a| [[a, a + 1, a + n + 2], [a, a + n + 2, a + n + 1]]).collect();
        TriangleMesh::new(vertices.collect(), triangles).unwrap()
    }

    #[test]
    fn many_points_get_the_answers_of_each_one_in_any_order_on_any_number_of_threads() {
        let tree = SurfaceTree::new(&sheet());
        let mut random = Random::seeded(9);
        let mut points = Vec::new();
        let mut normals = Vec::new();
        for k in 0..30_000 {
            let (x, y) = (f64::from(k % 173) / 6.0, f64::from(k / 173) / 6.0);
            points.push(Point::new(x, y, random.range(-1.0, 3.0)));
            normals.push(random.direction());
        }
        points[77].x = f64::NAN;
        points[9_000].y = f64::INFINITY;
        for shuffled in [false, true] {
            if shuffled {
                for i in (1..points.len()).rev() {
                    points.swap(i, random.below(i + 1));
                }
            }
            assert_eq!(jumpy(&points), shuffled);
            let single: Vec<_> = points.iter().map(|p| tree.nearest(p, 2.0)).collect();
            let facing = Facing { normals: &normals[..29_999], min_cos: 0.3 };
            let mut single_facing: Vec<_> = points
                .iter()
                .zip(facing.normals)
                .map(|(p, n)| tree.nearest_facing(p, *n, facing.min_cos, 2.0))
                .collect();
            single_facing.push(None);
            for threads in [1, 3] {
                let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
                let (all, all_facing) = pool.install(|| {
                    (
                        tree.nearest_each(&points, 2.0, |i, foot| (i, foot)),
                        tree.nearest_facing_each(&points, facing, 2.0, |_, foot| foot),
                    )
                });
                assert!(all.iter().enumerate().all(|(i, (j, foot))| i == *j && *foot == single[i]));
                assert_eq!(all_facing, single_facing);
            }
        }
        assert!(tree.nearest_each(&[], 1.0, |_, f| f).is_empty());
    }

    #[test]
    fn needles_twins_points_and_large_triangles_far_from_the_origin_are_met_as_one_by_one() {
        let mut random = Random::seeded(31);
        let far = Vector::new(12e3, -7e3, 3e3);
        let (mut vertices, mut triangles) = (Vec::new(), Vec::new());
        for k in 0..3000u32 {
            let size = [1.0, 0.01, 40.0, 500.0][k as usize % 4];
            let thin = [1.0, 1e-7, 0.0, 0.3][k as usize / 4 % 4];
            let at = Point::new(random.range(0.0, 90.0), random.range(0.0, 90.0), random.range(0.0, 0.5));
            let (u, v) = (random.direction().vector() * size, random.direction().vector() * (size * thin));
            vertices.extend([at + far, at + far + u, at + far + v]);
            triangles.push([3 * k, 3 * k + 1, 3 * k + 2]);
            if k % 7 == 0 {
                triangles.push([3 * k, 3 * k + 1, 3 * k + 2]);
            }
        }
        let tree = SurfaceTree::new(&TriangleMesh::new(vertices, triangles).unwrap());
        let mut points = Vec::new();
        for k in 0..6000 {
            let height = if k % 50 == 0 { 300.0 } else { random.range(-0.3, 0.8) };
            let (x, y) = (f64::from(k % 80) * 1.1, f64::from(k / 80) * 1.1);
            points.push(Point::new(x, y, height) + far);
        }
        for reach in [f64::INFINITY, 0.4] {
            let all = tree.nearest_each(&points, reach, |_, foot| foot);
            for (p, foot) in points.iter().zip(all) {
                assert_eq!(foot, tree.nearest(p, reach));
            }
        }
    }

    #[test]
    fn strays_among_the_lines_of_a_scan_are_met_as_one_by_one() {
        let tree = SurfaceTree::new(&sheet());
        let mut random = Random::seeded(41);
        let mut points = Vec::new();
        for k in 0..12_000 {
            let (x, y) = (f64::from(k % 110) * 0.27, f64::from(k / 110) * 0.27);
            let mut p = Point::new(x, y, 0.03 * x * y - 0.02 * x * x + random.range(0.0, 0.1));
            if random.unit() < 0.05 {
                p += random.direction().vector() * random.range(0.5, 25.0);
            }
            points.push(p);
        }
        let all = tree.nearest_each(&points, f64::INFINITY, |_, foot| foot);
        for (p, foot) in points.iter().zip(all) {
            assert_eq!(foot, tree.nearest(p, f64::INFINITY));
        }
    }

    #[test]
    fn the_curve_visits_every_point_once_and_keeps_cells_together() {
        let mut random = Random::seeded(2);
        let mut points: Vec<Point> = Vec::new();
        for _ in 0..20_000 {
            points.push(Point::origin() + Vector::new(random.unit(), random.unit(), 0.0) * 1e3);
        }
        let Curve { order, place } = along_a_curve(&points);
        assert!(order.iter().enumerate().all(|(k, &i)| place[i as usize] as usize == k));
        let mut sorted = order.clone();
        sorted.sort_unstable();
        assert!(sorted.iter().enumerate().all(|(i, &k)| i == k as usize));
        // The order within a cell is left to the search.
        let off = |run: &[u32]| (points[run[0] as usize] - points[run[1] as usize]).norm();
        let mean = order.windows(2).map(off).sum::<f64>() / 20_000.0;
        assert!(mean < 70.0, "two points of a cell of 125 mm lie 65 mm apart in the mean, these {mean}");
    }
}
