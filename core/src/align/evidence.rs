//! What tells one pose from another: the same points, asked under both.

use super::refine::{Exact, Pose, SAME_SIDE};
use super::sample::{Cloud, surface};
use crate::geometry::{Motion, PartFrame, Point, TriangleMesh, Vector};
use crate::run::{CHECK_EVERY, Run, Stopped};
use rayon::prelude::*;

/// How one point sits under one pose.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sits {
    /// No further from the surface than noise and form deviation explain.
    Fits,
    /// Neither clearly on nor clearly off.
    Between,
    /// Further from the surface than any deviation explains.
    Off,
}

/// The two distances that separate [`Sits`], mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Reach {
    pub(super) fits_mm: f64,
    pub(super) off_mm: f64,
}

/// Distances of all points under a pose, `None` beyond `reach_mm`, in the order of the points.
pub(super) fn distances(
    run: &Run,
    exact: &Exact,
    cloud: &Cloud,
    pose: &Pose,
    reach_mm: f64,
) -> Result<Vec<Option<f64>>, Stopped> {
    let chunks: Result<Vec<Vec<Option<f64>>>, Stopped> = cloud
        .points
        .par_chunks(CHECK_EVERY)
        .enumerate()
        .map(|(chunk, points)| {
            run.check()?;
            let mut cursor = exact.tree.cursor();
            let distance = |(i, p): (usize, &Point)| {
                let q = pose.point(p);
                let facing = cloud.normal(chunk * CHECK_EVERY + i).map(|n| pose.direction(n));
                let foot = match facing {
                    Some(n) => cursor.nearest_facing(&q, n, SAME_SIDE, reach_mm),
                    None => cursor.nearest(&q, reach_mm),
                };
                foot.map(|f| f.distance)
            };
            Ok(points.iter().enumerate().map(distance).collect())
        })
        .collect();
    Ok(chunks?.into_iter().flatten().collect())
}

/// How every point sits under a pose.
pub(super) fn sits(
    run: &Run,
    exact: &Exact,
    cloud: &Cloud,
    pose: &Pose,
    reach: &Reach,
) -> Result<Vec<Sits>, Stopped> {
    Ok(distances(run, exact, cloud, pose, reach.off_mm)?
        .into_iter()
        .map(|d| match d {
            Some(d) if d <= reach.fits_mm => Sits::Fits,
            Some(_) => Sits::Between,
            None => Sits::Off,
        })
        .collect())
}

/// Points that speak for one pose and against another, and the other way round.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Evidence {
    /// Fit under the first and are clearly off under the second.
    pub(super) pro: u64,
    /// Clearly off under the first and fit under the second.
    pub(super) contra: u64,
}

impl Evidence {
    pub(super) fn between(first: &[Sits], second: &[Sits]) -> Self {
        let mut e = Self::default();
        for pair in first.iter().zip(second) {
            match pair {
                (Sits::Fits, Sits::Off) => e.pro += 1,
                (Sits::Off, Sits::Fits) => e.contra += 1,
                _ => {}
            }
        }
        e
    }

    /// Whether the first pose is beyond doubt: at least `least` points for it, and at least `ratio`
    /// times as many as against it.
    pub(super) fn decides(self, least: u64, ratio: f64) -> bool {
        self.pro >= least && self.pro as f64 >= ratio * self.contra as f64
    }
}

/// Whether the nominal, moved by `relative`, lies on itself within `tolerance_mm` everywhere: each
/// triangle near its corners and at its middle, and a fair sample besides, facing the same way.
pub(super) fn maps_onto_itself(
    run: &Run,
    exact: &Exact,
    mesh: &TriangleMesh,
    relative: &Motion<PartFrame, PartFrame>,
    tolerance_mm: f64,
    fair_area_mm2: f64,
) -> Result<bool, Stopped> {
    let lies = |p: Point, n: Vector| {
        exact.distance(&relative.point(&p), Some(&relative.vector(&n)), tolerance_mm).is_some()
    };
    // The fair sample first: it settles nearly every case that is not symmetric.
    for chunk in surface(mesh, fair_area_mm2).chunks(CHECK_EVERY) {
        run.check()?;
        if !chunk.par_iter().all(|s| lies(s.point, s.normal)) {
            return Ok(false);
        }
    }
    let triangles: Vec<u32> = (0..mesh.triangles().len() as u32).collect();
    for chunk in triangles.chunks(CHECK_EVERY) {
        run.check()?;
        let all = chunk.par_iter().all(|&t| {
            let Some(normal) = mesh.normal(t) else { return true };
            let corners = mesh.corners(t);
            let middle = nalgebra::center(&nalgebra::center(&corners[0], &corners[1]), &corners[2]);
            corners.iter().all(|c| lies(c + (middle - c) * 0.05, normal.vector()))
        });
        if !all {
            return Ok(false);
        }
    }
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn evidence_counts_only_points_that_tell_the_poses_apart() {
        use Sits::{Between, Fits, Off};
        let e = Evidence::between(&[Fits, Fits, Off, Between, Fits], &[Off, Fits, Fits, Off, Between]);
        assert_eq!(e, Evidence { pro: 1, contra: 1 });
        assert!(!e.decides(1, 2.0));
        assert!(Evidence { pro: 40, contra: 8 }.decides(40, 5.0));
        assert!(!Evidence { pro: 39, contra: 0 }.decides(40, 5.0));
    }
}
