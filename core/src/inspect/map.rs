//! The deviation at every vertex of the nominal, for pictures and maps.

use rayon::prelude::*;

use crate::geometry::sum::CHUNK;
use crate::geometry::{Direction, Point, Vector, math};
use crate::nominal::Nominal;
use crate::partition::Partition;
use crate::record::DeviationMap;
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::search::PointGrid;

/// Weighted mean of the deviations of points within two spacings (at least 1.5 mm) of each vertex that
/// lie on triangles facing as the vertex does; `None` where there is none.
pub(super) fn deviation(
    run: &Run,
    nominal: &Nominal,
    scan: &Scan,
    partition: &Partition,
) -> Result<DeviationMap, Stopped> {
    let mesh = nominal.mesh();
    let reach = 1.5f64.max(2.0 * scan.spacing_mm());
    let mut normals = vec![Vector::zeros(); mesh.vertices().len()];
    for (t, corners) in mesh.triangles().iter().enumerate() {
        for &v in corners {
            normals[v as usize] += mesh.area_vector(t as u32);
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
    let parts: Result<Vec<Vec<Option<f32>>>, Stopped> = mesh
        .vertices()
        .par_chunks(CHUNK)
        .enumerate()
        .map(|(c, chunk)| {
            run.check()?;
            let value = |(k, vertex): (usize, &Point)| {
                let normal = Direction::new(normals[c * CHUNK + k])?.vector();
                let (mut sum, mut weight) = (0.0, 0.0);
                grid.within(vertex, reach, |i, d2| {
                    let p = &placed[i as usize];
                    if mesh.normal(p.triangle).is_some_and(|n| n.vector().dot(&normal) > 0.5) {
                        let w = math::exp(-4.0 * d2 / (reach * reach));
                        sum += w * p.deviation_mm;
                        weight += w;
                    }
                });
                (weight > 0.0).then(|| (sum / weight) as f32)
            };
            Ok(chunk.iter().enumerate().map(value).collect())
        })
        .collect();
    Ok(DeviationMap { deviation_mm: parts?.concat() })
}
