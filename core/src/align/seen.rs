//! How much of the part a scan shows, and from where.

use super::evidence::distances;
use super::refine::Pose;
use super::sample::Cloud;
use super::search::Search;
use crate::geometry::{Direction, Point, Vector};
use crate::run::{Run, Stopped};
use crate::search::PointGrid;
use rayon::prelude::*;

/// How much of the part a scan shows, and from where.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    /// Fraction of the surface on the scanned side that points lie on.
    pub(super) fraction: f64,
    /// The mean normal of the points on it, in the part's axes; `None` without normals and when it was
    /// scanned from all round.
    view: Option<Direction>,
}

/// Nearly all of a side, from nearly the same direction (14 degrees): the same surface.
pub(super) fn alike(a: &Seen, b: &Seen) -> bool {
    let whole = |s: &Seen| s.fraction >= 0.85;
    whole(a) && whole(b) && a.view.zip(b.view).is_some_and(|(a, b)| a.dot(b) >= 0.97)
}

impl Search<'_> {
    /// Of the nominal's surface that faces the scanned side, the fraction that has points on it. Without
    /// normals, and for scans from all round, of the whole surface.
    pub(super) fn seen(&self, run: &Run, dense: &Cloud, pose: &Pose) -> Result<Seen, Stopped> {
        let found = distances(run, &self.exact, dense, pose, 1.5 * self.settings.deviation_mm)?;
        let on: Vec<u32> = (0..dense.points.len() as u32).filter(|&i| found[i as usize].is_some()).collect();
        let on = dense.some(&on);
        let points: Vec<Point> = on.points.iter().map(|p| pose.point(p)).collect();
        let Some(gap) = neighbour_mm(&points, self.bounds.diagonal()) else {
            return Ok(Seen { fraction: 0.0, view: None });
        };
        // Of evenly thinned points the nearest neighbour is about half a cube away, and every place within
        // two cubes of one.
        let near = 4.0 * gap;
        let grid = PointGrid::new(&points, near);
        let normals: Option<Vec<Vector>> =
            on.normals.as_ref().map(|n| n.iter().map(|n| pose.vector(&n.vector())).collect());
        let view = normals.as_ref().and_then(|n| {
            let mean = n.iter().fold(Vector::zeros(), |s, v| s + v) / n.len() as f64;
            // A scan from all round has no side.
            if mean.norm() >= 0.3 { Direction::new(mean) } else { None }
        });
        run.check()?;
        let asked: Vec<bool> = self
            .nominal
            .par_iter()
            .filter(|s| view.is_none_or(|v| s.normal.dot(&v.vector()) >= 0.35))
            .map(|s| {
                let mut covered = false;
                grid.within(&s.point, near, |i, _| {
                    covered |= normals.as_ref().is_none_or(|n| n[i as usize].dot(&s.normal) >= 0.5);
                });
                covered
            })
            .collect();
        let fraction = asked.iter().filter(|c| **c).count() as f64 / asked.len().max(1) as f64;
        Ok(Seen { fraction, view })
    }
}

/// Median distance to the nearest other point, over a few hundred of them.
fn neighbour_mm(points: &[Point], diagonal: f64) -> Option<f64> {
    let grid = PointGrid::new(points, 0.005 * diagonal);
    let stride = (points.len() / 300).max(1);
    let mut gaps: Vec<f64> = (0..points.len())
        .into_par_iter()
        .step_by(stride)
        .filter_map(|i| Some(grid.nearest(&points[i], 0.05 * diagonal, Some(i as u32))?.1))
        .collect();
    gaps.sort_unstable_by(f64::total_cmp);
    gaps.get(gaps.len() / 2).copied()
}
