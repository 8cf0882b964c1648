//! The deviation and coverage at every vertex of the nominal, for pictures and maps.

use rayon::prelude::*;

use crate::geometry::sum::CHUNK;
use crate::geometry::{Direction, Point, Vector, math};
use crate::nominal::Nominal;
use crate::partition::Partition;
use crate::record::DeviationMap;
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::search::PointGrid;

/// The surroundings of a vertex are this many sectors of a turn; a vertex is covered as far as they hold
/// points.
const SECTORS: usize = 8;

/// At each vertex the weighted mean of the deviations of points within two spacings (at least 1.5 mm) that
/// lie on triangles facing as the vertex does, `None` where there is none; and of the sectors around the
/// vertex that hold surface those in which such a point lies, as a fraction.
pub(super) fn deviation(
    run: &Run,
    nominal: &Nominal,
    scan: &Scan,
    partition: &Partition,
) -> Result<DeviationMap, Stopped> {
    let mesh = nominal.mesh();
    let reach = 1.5f64.max(2.0 * scan.spacing_mm());
    let mut normals = vec![Vector::zeros(); mesh.vertices().len()];
    // Directions from each vertex into its triangles: where there is surface to be seen.
    let mut surface: Vec<Vec<Vector>> = vec![Vec::new(); mesh.vertices().len()];
    for (t, corners) in mesh.triangles().iter().enumerate() {
        let [a, b, c] = mesh.corners(t as u32);
        let middle = (a.coords + b.coords + c.coords) / 3.0;
        for &v in corners {
            normals[v as usize] += mesh.area_vector(t as u32);
            let from = mesh.vertices()[v as usize].coords;
            // Both edges and the middle: a triangle may span several sectors.
            surface[v as usize].extend([a.coords, b.coords, c.coords, middle].map(|p| p - from));
        }
    }
    let placed: Vec<_> = partition.placed(scan).collect();
    // Under the point, on the nominal, so that a large deviation does not move it away from its vertex.
    let feet: Vec<Point> = placed
        .iter()
        .map(|p| match mesh.normal(p.triangle) {
            Some(n) => p.point - n.vector() * p.deviation_mm,
            None => p.point,
        })
        .collect();
    let grid = PointGrid::new(&feet, reach);
    let parts: Result<Vec<Vec<(Option<f32>, f32)>>, Stopped> = mesh
        .vertices()
        .par_chunks(CHUNK)
        .enumerate()
        .map(|(c, chunk)| {
            run.check()?;
            let value = |(k, vertex): (usize, &Point)| {
                let Some(normal) = Direction::new(normals[c * CHUNK + k]) else { return (None, 0.0) };
                let sector = Sectors::about(normal);
                let there = surface[c * CHUNK + k].iter().fold(0u8, |all, d| all | sector.of(d));
                let (mut sum, mut weight, mut seen) = (0.0, 0.0, 0u8);
                grid.within(vertex, reach, |i, d2| {
                    let p = &placed[i as usize];
                    if mesh.normal(p.triangle).is_some_and(|n| n.dot(normal) > 0.5) {
                        let w = math::exp(-4.0 * d2 / (reach * reach));
                        sum += w * p.deviation_mm;
                        weight += w;
                        seen |= sector.of(&(feet[i as usize] - vertex));
                    }
                });
                let covered = (seen & there).count_ones() as f32 / there.count_ones().max(1) as f32;
                ((weight > 0.0).then(|| (sum / weight) as f32), covered)
            };
            Ok(chunk.iter().enumerate().map(value).collect())
        })
        .collect();
    let (deviation_mm, coverage) = parts?.concat().into_iter().unzip();
    Ok(DeviationMap { deviation_mm, coverage })
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
