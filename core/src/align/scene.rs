//! A scan of several things, taken apart: supports away, the rest in clusters.

use super::clusters::{Cluster, clusters};
use super::draw::drawn;
use super::locate::DENSE_POINTS;
use super::sample::Cloud;
use super::search::Search;
use super::support::{Flats, Support, supports};
use crate::geometry::{Direction, Point};
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::scan::{Normals, Points};
use rayon::prelude::*;

/// Of a larger scan no more points are looked at: several parts share them.
const MOST_POINTS: usize = 3_000_000;
/// A cluster of fewer cubes hangs in the air.
const STRAY_CUBES: usize = 6;
/// A cluster that covers less than this fraction of the part's whole surface is too small to be tried by
/// itself: a fifth of one side of a sheet.
const PLAUSIBLE: f64 = 0.1;
/// The cubes of a surface in any direction: a plane of area A cuts A (|x| + |y| + |z|) / e2 cubes of edge
/// e, with the mean of that sum over all normals, 3/2.
const CUBES_OF_A_SURFACE: f64 = 1.5;

/// What is left of a scan without its supports and strays.
pub(super) struct Scene {
    pub(super) supports: Vec<Support>,
    pub(super) cloud: Cloud,
    /// The scan's index of each point of `cloud`, ascending.
    pub(super) origin: Vec<u32>,
    /// The clusters of `cloud`, largest first.
    pub(super) clusters: Vec<Cluster>,
    /// Edge of the cubes that made them.
    pub(super) link_mm: f64,
}

impl Scene {
    /// Takes a scan apart; `spacing_mm` is the distance between neighbouring points.
    pub(super) fn new(
        run: &Run,
        search: &Search,
        points: Points,
        normals: Option<Normals>,
        spacing_mm: f64,
    ) -> Result<Self, Stopped> {
        run.check()?;
        let mut origin = drawn(points.len(), MOST_POINTS);
        let thinned = points.len() as f64 / origin.len().max(1) as f64;
        origin.retain(|&i| points.at(i as usize).iter().all(|c| c.is_finite()));
        let mut cloud = Cloud::pick(points, normals, &origin);
        // Where a file is thinned its points are that much further apart.
        let spacing_mm = (spacing_mm * thinned.sqrt()).max(1e-3);
        let flats = Flats::of(search.exact.mesh, search.exact.tree, search.settings.deviation_mm);
        let supports = supports(run, &cloud, &cloud.thinned(DENSE_POINTS), spacing_mm, &flats)?;
        if !supports.is_empty() {
            let kept = off(run, &supports, &cloud)?;
            cloud = cloud.some(&kept);
            origin = kept.iter().map(|&i| origin[i as usize]).collect();
        }
        let (link_mm, found) = linked(run, search, &cloud.points, spacing_mm)?;
        let mut kept: Vec<u32> =
            found.iter().filter(|c| c.cubes >= STRAY_CUBES).flat_map(|c| c.members.iter().copied()).collect();
        kept.par_sort_unstable();
        let mut clusters: Vec<Cluster> = found.into_iter().filter(|c| c.cubes >= STRAY_CUBES).collect();
        clusters.par_iter_mut().for_each(|c| {
            for m in &mut c.members {
                *m = kept.partition_point(|k| k < m) as u32;
            }
        });
        let cloud = cloud.some(&kept);
        let origin = kept.iter().map(|&i| origin[i as usize]).collect();
        Ok(Self { supports, cloud, origin, clusters, link_mm })
    }

    /// Whether a support holds a point.
    pub(super) fn supported(&self, p: &Point, normal: Option<Direction>) -> bool {
        self.supports.iter().any(|s| s.holds(p, normal))
    }
}

/// Area of a cluster, mm2, about.
pub(super) fn area_mm2(cubes: usize, link_mm: f64) -> f64 {
    cubes as f64 * link_mm * link_mm / CUBES_OF_A_SURFACE
}

impl Search<'_> {
    /// Whether a cluster is large enough to be tried.
    pub(super) fn plausible(&self, cubes: usize, link_mm: f64) -> bool {
        area_mm2(cubes, link_mm) >= PLAUSIBLE * self.area_mm2
    }
}

/// The points that no support holds.
fn off(run: &Run, supports: &[Support], cloud: &Cloud) -> Result<Vec<u32>, Stopped> {
    let parts: Result<Vec<Vec<u32>>, Stopped> = cloud
        .points
        .par_chunks(CHECK_EVERY)
        .enumerate()
        .map(|(chunk, points)| {
            run.check()?;
            let first = chunk * CHECK_EVERY;
            let free = |n: &usize| !supports.iter().any(|s| s.holds(&points[*n], cloud.normal(first + n)));
            Ok((0..points.len()).filter(free).map(|n| (first + n) as u32).collect())
        })
        .collect();
    Ok(parts?.into_iter().flatten().collect())
}

/// Clusters by the shortest link that leaves most points in clusters worth trying: the rows of a scanner
/// may lie further apart than the points in them.
fn linked(
    run: &Run,
    search: &Search,
    points: &[Point],
    spacing_mm: f64,
) -> Result<(f64, Vec<Cluster>), Stopped> {
    let mut link_mm = (2.0 * spacing_mm).max(search.settings.deviation_mm);
    loop {
        let found = clusters(run, points, link_mm)?;
        let worth: usize =
            found.iter().filter(|c| search.plausible(c.cubes, link_mm)).map(|c| c.members.len()).sum();
        // Seven tenths: the rest may be clutter.
        if worth * 10 >= points.len() * 7 || link_mm > search.bounds.diagonal() / 80.0 {
            return Ok((link_mm, found));
        }
        link_mm *= 2.0;
    }
}
