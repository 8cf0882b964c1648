//! The deviation and coverage at every vertex of the nominal, for maps, and on a finer mesh, for pictures.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::geometry::sum::CHUNK;
use crate::geometry::{Direction, Point, TriangleMesh, Vector, math};
use crate::nominal::Nominal;
use crate::partition::Partition;
use crate::record::DeviationMap;
use crate::run::{CHECK_EVERY, Run, Stopped};
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
    over(run, nominal.mesh(), nominal, scan, partition)
}

/// A mesh of the nominal's surface with the deviation at its vertices, fine enough to be looked at: between the
/// vertices of a large flat triangle nothing would be seen.
#[derive(Clone, Debug)]
pub struct Picture {
    /// The nominal's triangles, halved until no edge is long.
    pub mesh: TriangleMesh,
    /// The deviation at its vertices.
    pub deviation: DeviationMap,
}

/// Edges of a picture's mesh, mm: two or three make a dent that matters.
const PICTURE_EDGE_MM: f64 = 3.0;

/// Most triangles of a picture's mesh beyond the nominal's own, about.
const PICTURE_TRIANGLES: f64 = 300_000.0;

/// However long the triangles: no more than this, or the nominal's own.
const MOST_TRIANGLES: usize = 1_000_000;

/// `None` where the nominal's own mesh is fine enough.
pub(super) fn picture(
    run: &Run,
    nominal: &Nominal,
    scan: &Scan,
    partition: &Partition,
) -> Result<Option<Picture>, Stopped> {
    let mesh = nominal.mesh();
    let area: f64 = (0..mesh.triangles().len() as u32).map(|t| mesh.area(t)).sum();
    // A halved triangle has about a quarter of its longest edge's square as its area.
    let edge = PICTURE_EDGE_MM.max(2.0 * scan.spacing_mm()).max((4.0 * area / PICTURE_TRIANGLES).sqrt());
    let Some(mesh) = halved(run, mesh, edge)? else { return Ok(None) };
    let deviation = over(run, &mesh, nominal, scan, partition)?;
    Ok(Some(Picture { mesh, deviation }))
}

/// The mesh with triangles halved at their longest edge until none is longer than `edge_mm`; `None` when none is.
fn halved(run: &Run, mesh: &TriangleMesh, edge_mm: f64) -> Result<Option<TriangleMesh>, Stopped> {
    let mut vertices = mesh.vertices().to_vec();
    let mut middles: BTreeMap<(u32, u32), u32> = BTreeMap::new();
    let mut done = Vec::with_capacity(mesh.triangles().len());
    let mut open: Vec<[u32; 3]> = mesh.triangles().iter().rev().copied().collect();
    let mut count = 0usize;
    while let Some(t) = open.pop() {
        count += 1;
        if count.is_multiple_of(CHECK_EVERY) {
            run.check()?;
        }
        let long = |k: usize| (vertices[t[(k + 1) % 3] as usize] - vertices[t[k] as usize]).norm_squared();
        let k = (1..3).fold(0, |best, k| if long(k) > long(best) { k } else { best });
        // Very many slivers have hardly any area: their number is bounded by itself.
        if long(k) <= edge_mm * edge_mm || done.len() + open.len() >= MOST_TRIANGLES {
            done.push(t);
            continue;
        }
        let (a, b, c) = (t[k], t[(k + 1) % 3], t[(k + 2) % 3]);
        let m = *middles.entry((a.min(b), a.max(b))).or_insert_with(|| {
            vertices.push(nalgebra::center(&vertices[a as usize], &vertices[b as usize]));
            (vertices.len() - 1) as u32
        });
        open.push([m, b, c]);
        open.push([a, m, c]);
    }
    if done.len() == mesh.triangles().len() {
        return Ok(None);
    }
    Ok(TriangleMesh::new(vertices, done).ok())
}

/// [`deviation`] at the vertices of a mesh of the same surface.
fn over(
    run: &Run,
    mesh: &TriangleMesh,
    nominal: &Nominal,
    scan: &Scan,
    partition: &Partition,
) -> Result<DeviationMap, Stopped> {
    let under = nominal.mesh();
    let reach = 1.5f64.max(2.0 * scan.spacing_mm());
    let mut normals = vec![Vector::zeros(); mesh.vertices().len()];
    for (t, corners) in mesh.triangles().iter().enumerate() {
        for &v in corners {
            normals[v as usize] += mesh.area_vector(t as u32);
        }
    }
    // The sectors around each vertex into which its triangles reach: where there is surface to be seen. Both edges
    // and the middle of a triangle, which may span several.
    let mut surface = vec![0u8; mesh.vertices().len()];
    for (t, corners) in mesh.triangles().iter().enumerate() {
        let [a, b, c] = mesh.corners(t as u32);
        let middle = (a.coords + b.coords + c.coords) / 3.0;
        for &v in corners {
            let Some(normal) = Direction::new(normals[v as usize]) else { continue };
            let (sector, from) = (Sectors::about(normal), mesh.vertices()[v as usize].coords);
            for p in [a.coords, b.coords, c.coords, middle] {
                surface[v as usize] |= sector.of(&(p - from));
            }
        }
    }
    let placed: Vec<_> = partition.placed(scan).collect();
    // Under the point, on the nominal, so that a large deviation does not move it away from its vertex.
    let feet: Vec<Point> = placed
        .iter()
        .map(|p| match under.normal(p.triangle) {
            Some(n) => p.point - n.vector() * p.deviation_mm,
            None => p.point,
        })
        .collect();
    let grid = PointGrid::new(&feet, reach);
    type Told = (Option<f32>, f32);
    let parts: Result<Vec<Vec<Told>>, Stopped> = mesh
        .vertices()
        .par_chunks(CHUNK)
        .enumerate()
        .map(|(c, chunk)| {
            run.check()?;
            let value = |(k, vertex): (usize, &Point)| {
                let Some(normal) = Direction::new(normals[c * CHUNK + k]) else { return (None, 0.0) };
                let sector = Sectors::about(normal);
                let there = surface[c * CHUNK + k];
                let (mut sum, mut weight, mut seen) = (0.0, 0.0, 0u8);
                grid.within(vertex, reach, |i, d2| {
                    let p = &placed[i as usize];
                    if under.normal(p.triangle).is_some_and(|n| n.dot(normal) > 0.5) {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::quiet;

    #[test]
    fn a_coarse_mesh_is_halved_until_no_edge_is_long_and_keeps_its_area() {
        let corners = [[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]];
        let vertices = corners.map(|[x, y]| Point::new(x, y, 0.0)).to_vec();
        let plate = TriangleMesh::new(vertices, vec![[0, 1, 2], [0, 2, 3]]).unwrap();
        let fine = halved(&quiet(), &plate, 3.0).unwrap().unwrap();
        let mut area = 0.0;
        for t in 0..fine.triangles().len() as u32 {
            let [a, b, c] = fine.corners(t);
            assert!([b - a, c - b, a - c].iter().all(|e| e.norm() <= 3.0));
            assert!(fine.normal(t).unwrap().vector().z > 0.99);
            area += fine.area(t);
        }
        assert!((area - 6000.0).abs() < 1e-9);
        // Neighbours share their middles: about half as many vertices as triangles.
        assert!(fine.vertices().len() < fine.triangles().len());
        assert!(halved(&quiet(), &fine, 3.0).unwrap().is_none());
    }
}
