//! Every call of the product that is timed, in one place.

use rayon::prelude::*;
use scantling_core::align::{self, FineSettings, LocateSettings};
use scantling_core::geometry::{Direction, Foot, Motion, PartFrame, Point, ScanFrame, TriangleMesh};
use scantling_core::nominal::Nominal;
use scantling_core::read::step::{self, StepFile, StepSettings};
use scantling_core::read::{self, LengthUnit, RawScan, Source, Taken, TextLayout};
use scantling_core::run::{Limits, Run, quiet};
use scantling_core::scan::{Points, Scan};
use scantling_core::search::{self, PointTree, SurfaceTree};

use anyhow::{Result, anyhow};
use std::fs;
use std::path::Path;

pub type PartFromScan = Motion<PartFrame, ScanFrame>;

/// As [`quiet`], for files of any size.
fn unlimited() -> Run<'static> {
    Run { limits: Limits { file_bytes: u64::MAX, points: 1 << 30, triangles: 1 << 30 }, ..quiet() }
}

pub fn tree(mesh: &TriangleMesh) -> SurfaceTree {
    SurfaceTree::new(mesh)
}

/// The nearest point of the surface to each point, on all threads, in whatever order points come.
pub fn closest(tree: &SurfaceTree, points: &[Point]) -> Vec<Option<Foot>> {
    tree.nearest_each(points, f64::INFINITY, |_, foot| foot)
}

/// Distances to the `k`-th nearest other point of each point.
pub fn kth(points: &[Point], k: usize) -> Result<Vec<f64>> {
    let found = PointTree::new(points).k_nearest(k, &quiet())?;
    let distance = |i: usize| {
        found.of(i).last().map_or(f64::INFINITY, |&last| (points[last as usize] - points[i]).norm())
    };
    Ok((0..points.len()).into_par_iter().with_min_len(4096).map(distance).collect())
}

/// Normals from twenty neighbours.
pub fn normals(points: &[Point]) -> Result<Vec<Option<Direction>>> {
    Ok(search::normals(points, 20, None, &quiet())?)
}

/// A file of points or triangles, as the product takes it in.
pub fn read(path: &Path) -> Result<RawScan> {
    Ok(read::read(&fs::read(path)?, &unlimited())?)
}

/// A scan of points, as the product takes it in: in the file's own precision.
pub fn read_scan(path: &Path) -> Result<Taken> {
    Ok(read::take_from(&mut fs::File::open(path)?, &TextLayout::default(), &unlimited())?)
}

/// A STEP file, as the product takes it in: all faces as triangles within 0.01 mm.
pub fn step(path: &Path) -> Result<StepFile> {
    Ok(step::read(&unlimited(), &fs::read(path)?, &StepSettings { chord_mm: 0.01, ..StepSettings::default() })?)
}

pub fn nominal(raw: RawScan) -> Result<Nominal> {
    Ok(Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet())?)
}

pub fn scan(taken: impl Into<Taken>) -> Result<Scan> {
    Ok(Scan::new(taken, LengthUnit::Millimetre, &quiet())?)
}

/// Points with no normals, as a scan.
pub fn bare(points: Vec<Point>) -> Result<Scan> {
    let source = Source::default();
    scan(RawScan { points, normals: None, triangles: Vec::new(), source })
}

pub fn fine(
    nominal: &Nominal,
    tree: &SurfaceTree,
    scan: &Scan,
    near: PartFromScan,
) -> Result<align::Alignment> {
    Ok(align::fine(&quiet(), nominal, tree, scan, near, &FineSettings::default())?)
}

/// The pose, or why there is none.
pub fn locate(nominal: &Nominal, tree: &SurfaceTree, scan: &Scan) -> Result<PartFromScan> {
    let found = align::locate(&quiet(), nominal, tree, scan, &LocateSettings::default());
    Ok(found.map_err(|e| anyhow!("{e}"))?.part_from_scan)
}

/// Signed distance of each point, outside positive, by the side of the nearest triangle.
pub fn deviations(nominal: &Nominal, tree: &SurfaceTree, points: Points, pose: &PartFromScan) -> Vec<f32> {
    let mut all = Vec::with_capacity(points.len());
    // Some at a time: all of them placed would be two copies of the scan.
    for points in points.chunks(1 << 18) {
        let placed: Vec<Point> = points.par_iter().with_min_len(4096).map(|p| pose.point(&p)).collect();
        all.extend(tree.nearest_each(&placed, f64::INFINITY, |i, foot| {
            let Some(foot) = foot else { return f32::NAN };
            let way = placed[i] - foot.point;
            let outside = nominal.mesh().normal(foot.triangle).is_none_or(|n| n.vector().dot(&way) >= 0.0);
            (if outside { foot.distance } else { -foot.distance }) as f32
        }));
    }
    all
}
