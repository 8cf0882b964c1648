//! The deviation and coverage at every vertex of the nominal, for maps, and on a finer mesh, for pictures.

use rayon::prelude::*;

use super::picture::{self, Picture};
use crate::geometry::sum::CHUNK;
use crate::geometry::{Direction, Point, TriangleMesh, Vector, math};
use crate::nominal::Nominal;
use crate::partition::{MeasuredPoint, Partition};
use crate::record::DeviationMap;
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::search::PointGrid;

/// The surroundings of a vertex are this many sectors of a turn; a vertex is covered as far as they hold
/// points.
const SECTORS: usize = 8;

/// The deviation and coverage at each vertex of the nominal, and the finer picture where one is needed.
///
/// At each vertex of the nominal the weighted mean of the deviations of points within two spacings (at least
/// 1.5 mm) that lie on triangles facing as the vertex does, `None` where there is none; and of the sectors
/// around the vertex that hold surface those in which such a point lies, as a fraction. The picture's
/// vertices get their deviation alike.
pub(super) fn deviation(
    run: &Run,
    nominal: &Nominal,
    scan: &Scan,
    partition: &Partition,
) -> Result<(DeviationMap, Option<Picture>), Stopped> {
    let mesh = nominal.mesh();
    let around = Around::new(nominal, scan, partition);
    let normals = vertex_normals(mesh);
    // The sectors around each vertex into which its triangles reach: where there is surface to be seen.
    let mut surface = vec![0u8; mesh.vertices().len()];
    for (t, corners) in mesh.triangles().iter().enumerate() {
        let [a, b, c] = mesh.corners(t as u32);
        let middle = (a.coords + b.coords + c.coords) / 3.0;
        for &v in corners {
            let Some(normal) = normals[v as usize] else { continue };
            let (sector, from) = (Sectors::about(normal), mesh.vertices()[v as usize].coords);
            // Both edges and the middle: a triangle may span several sectors.
            for p in [a.coords, b.coords, c.coords, middle] {
                surface[v as usize] |= sector.of(&(p - from));
            }
        }
    }
    let at_vertices = at_each(run, mesh, &normals, |v, vertex, normal| {
        let (sector, there) = (Sectors::about(normal), surface[v]);
        let mut seen = 0u8;
        let mean = around.mean(vertex, normal, |foot| seen |= sector.of(&(foot - vertex)));
        let covered = (seen & there).count_ones() as f32 / there.count_ones().max(1) as f32;
        (mean, covered)
    })?;
    let (deviation_mm, coverage) = at_vertices.into_iter().map(|v| v.unwrap_or((None, 0.0))).unzip();
    let picture = match picture::cut(run, nominal, scan.spacing_mm())? {
        None => None,
        Some(mesh) => {
            let normals = vertex_normals(&mesh);
            let values =
                at_each(run, &mesh, &normals, |_, vertex, normal| around.mean(vertex, normal, |_| ()))?;
            let deviation_mm = values.into_iter().map(Option::flatten).collect();
            Some(Picture { mesh, deviation_mm })
        }
    };
    Ok((DeviationMap { deviation_mm, coverage }, picture))
}

/// The points that may lie around a vertex.
struct Around<'a> {
    nominal: &'a Nominal,
    placed: Vec<MeasuredPoint>,
    /// Under each point, on the nominal, so that a large deviation does not move it away from its vertex.
    feet: Vec<Point>,
    grid: PointGrid,
    reach_mm: f64,
}

impl<'a> Around<'a> {
    fn new(nominal: &'a Nominal, scan: &Scan, partition: &Partition) -> Self {
        let reach_mm = 1.5f64.max(2.0 * scan.spacing_mm());
        let placed: Vec<_> = partition.placed(scan).collect();
        let feet: Vec<Point> = placed
            .iter()
            .map(|p| match nominal.mesh().normal(p.triangle) {
                Some(n) => p.point - n.vector() * p.deviation_mm,
                None => p.point,
            })
            .collect();
        let grid = PointGrid::new(&feet, reach_mm);
        Self { nominal, placed, feet, grid, reach_mm }
    }

    /// The weighted mean at a place, mm; `each` is told the foot of every point that went in.
    fn mean(&self, at: &Point, normal: Direction, mut each: impl FnMut(&Point)) -> Option<f32> {
        let (mut sum, mut weight) = (0.0, 0.0);
        self.grid.within(at, self.reach_mm, |i, d2| {
            let p = &self.placed[i as usize];
            if self.nominal.mesh().normal(p.triangle).is_some_and(|n| n.dot(normal) > 0.5) {
                let w = math::exp(-4.0 * d2 / (self.reach_mm * self.reach_mm));
                sum += w * p.deviation_mm;
                weight += w;
                each(&self.feet[i as usize]);
            }
        });
        (weight > 0.0).then(|| (sum / weight) as f32)
    }
}

/// The area-weighted normal of each vertex; `None` where its triangles have no area.
fn vertex_normals(mesh: &TriangleMesh) -> Vec<Option<Direction>> {
    let mut normals = vec![Vector::zeros(); mesh.vertices().len()];
    for (t, corners) in mesh.triangles().iter().enumerate() {
        for &v in corners {
            normals[v as usize] += mesh.area_vector(t as u32);
        }
    }
    normals.into_iter().map(Direction::new).collect()
}

/// `value` of each vertex, its place and its normal, in their order; `None` for a vertex without a normal.
fn at_each<T: Send>(
    run: &Run,
    mesh: &TriangleMesh,
    normals: &[Option<Direction>],
    value: impl Fn(usize, &Point, Direction) -> T + Sync,
) -> Result<Vec<Option<T>>, Stopped> {
    let parts: Result<Vec<Vec<Option<T>>>, Stopped> = mesh
        .vertices()
        .par_chunks(CHUNK)
        .enumerate()
        .map(|(c, chunk)| {
            run.check()?;
            let one = |(k, vertex): (usize, &Point)| {
                let v = c * CHUNK + k;
                normals[v].map(|normal| value(v, vertex, normal))
            };
            Ok(chunk.iter().enumerate().map(one).collect())
        })
        .collect();
    Ok(parts?.into_iter().flatten().collect())
}

/// A map on which nothing was seen.
pub(super) fn nothing(nominal: &Nominal) -> DeviationMap {
    let vertices = nominal.mesh().vertices().len();
    DeviationMap { deviation_mm: vec![None; vertices], coverage: vec![0.0; vertices] }
}

/// Sectors of the turn about a normal.
struct Sectors(Vector, Vector);

impl Sectors {
    fn about(normal: Direction) -> Self {
        let (u, v) = normal.frame();
        Self(u, v)
    }

    /// The bit of the sector in which a direction lies; none for no direction.
    fn of(&self, d: &Vector) -> u8 {
        let (x, y) = (d.dot(&self.0), d.dot(&self.1));
        if x == 0.0 && y == 0.0 {
            return 0;
        }
        let turn = math::atan2(y, x) / std::f64::consts::TAU + 0.5;
        1 << ((turn * SECTORS as f64) as usize).min(SECTORS - 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Motion;
    use crate::geometry::random::Random;
    use crate::partition::PartitionSettings;
    use crate::read::RawScan;
    use crate::run::quiet;
    use crate::scan::LengthUnit;
    use crate::search::SurfaceTree;

    /// A plate of 200 x 100 mm of two triangles, scanned with 0.01 mm of noise.
    fn plate(height: impl Fn(f64, f64) -> Option<f64>) -> (Nominal, Scan) {
        let corners = [[0.0, 0.0], [200.0, 0.0], [200.0, 100.0], [0.0, 100.0]];
        let points = corners.map(|[x, y]| Point::new(x, y, 0.0)).to_vec();
        let raw = RawScan { points, triangles: vec![[0, 1, 2], [0, 2, 3]], ..RawScan::default() };
        let side = Some(crate::nominal::Side::BehindNormal);
        let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, side, &quiet()).unwrap();
        let mut random = Random::seeded(11);
        let mut points = Vec::new();
        for i in 0..250 {
            for j in 0..125 {
                let (x, y) = (0.4 + 0.8 * f64::from(i), 0.4 + 0.8 * f64::from(j));
                if let Some(z) = height(x, y) {
                    points.push(Point::new(x, y, z + 0.01 * random.normal()));
                }
            }
        }
        let normals = Some(vec![Vector::z(); points.len()]);
        let raw = RawScan { points, normals, ..RawScan::default() };
        (nominal, Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap())
    }

    #[test]
    fn a_bump_within_a_large_triangle_shows_in_the_picture_and_nothing_where_nothing_is() {
        let bump = |x: f64, y: f64| {
            let d2 = (x - 60.0) * (x - 60.0) + (y - 40.0) * (y - 40.0);
            0.3 * (1.0 - d2 / 64.0).max(0.0)
        };
        let unseen = |x: f64, y: f64| (x - 150.0).abs() < 10.0 && (y - 50.0).abs() < 10.0;
        let (nominal, scan) = plate(|x, y| (!unseen(x, y)).then(|| bump(x, y)));
        let tree = SurfaceTree::new(nominal.mesh());
        let settings = PartitionSettings { reach_mm: 2.0, min_cos: 0.5 };
        let partition =
            Partition::new(&quiet(), &nominal, &tree, &scan, Motion::identity(), &settings).unwrap();
        let (map, picture) = deviation(&quiet(), &nominal, &scan, &partition).unwrap();
        assert_eq!(map.deviation_mm.len(), 4, "the map stays at the nominal's own vertices");
        let picture = picture.unwrap();
        let mut top = 0.0f64;
        for (p, d) in picture.mesh.vertices().iter().zip(&picture.deviation_mm) {
            let inside = |r: f64| (p.x - 150.0).abs() < r && (p.y - 50.0).abs() < r;
            match d {
                None => assert!(inside(10.5), "{p} was seen"),
                Some(d) => {
                    assert!(!inside(8.0), "{p} was not seen");
                    // The mean over 1.6 mm of a dome that falls by 0.075 mm per mm at most, and of its noise.
                    assert!((f64::from(*d) - bump(p.x, p.y)).abs() < 0.04, "{p}: {d}");
                    top = top.max(f64::from(*d));
                }
            }
        }
        assert!((top - 0.3).abs() < 0.02, "{top}");
    }
}
