//! The winner against every rival, by the points that tell them apart.

use super::evidence::{Evidence, Reach, distances, maps_onto_itself};
use super::locate::Located;
use super::locate_error::LocateError;
use super::refine::{Descent, Pose, apart_mm};
use super::sample::{Cloud, SurfacePoint};
use super::samples::Samples;
use super::search::{Ranked, Search};
use super::standing::{Said, Standing};
use crate::geometry::{Motion, PartFrame, Point};
use crate::run::{CHECK_EVERY, Run, Stage, Stopped};
use rayon::prelude::*;
use std::sync::atomic::Ordering;

/// A rival this much worse than the winner stays worse when refined on more points.
const CLOSE_LOSS: f64 = 0.06;
/// Off the part, but within this many deviations of it, is beside it.
pub(super) const BESIDE: f64 = 12.0;
/// Rivals that the winner is compared with.
const RIVALS: usize = 10;

/// What the points say.
pub(super) enum Decision {
    /// One pose.
    Located(Located),
    /// Several; the error that says so.
    Undetermined(LocateError),
    /// None explains enough of the scan.
    NoFit {
        /// What the best explains.
        explained: f64,
        /// What lies beside the part under it.
        beside: f64,
    },
}

impl Search<'_> {
    /// Refines the first poses once more, and lets the points decide.
    pub(super) fn decide(
        &self,
        run: &Run,
        scan: &Samples<'_>,
        ranked: &[Ranked],
    ) -> Result<Decision, Stopped> {
        let deviation = self.settings.deviation_mm;
        let Samples { dense, last, .. } = scan;
        let best = ranked.first().map_or(1.0, |r| r.1);
        let (near, far): (Vec<Ranked>, Vec<Ranked>) =
            ranked.iter().copied().take(1 + RIVALS).partition(|r| r.1 <= best + CLOSE_LOSS);
        // Slides along what the scan hardly holds come to rest slowly.
        let descent = Descent { steps: 10, ..self.at_last(0.005 * deviation) };
        let mut poses = self.descend_all(run, &self.exact, last, &near, &descent)?;
        poses.extend(far);
        let poses = self.best_distinct(poses, 1 + RIVALS, self.same_mm());
        let Some(&(winner, _)) = poses.first() else {
            return Ok(Decision::NoFit { explained: 0.0, beside: 0.0 });
        };

        let found = distances(run, &self.exact, dense, &winner, 1.5 * deviation)?;
        let beside = self.beside(run, dense, &winner, &found)?;
        let within: Vec<f64> = found.into_iter().flatten().collect();
        let explained = within.len() as f64 / dense.points.len() as f64;
        let enough = explained >= self.settings.least_explained && beside <= self.settings.most_beside;
        if !enough {
            return Ok(Decision::NoFit { explained, beside });
        }
        let rms_mm = (within.iter().map(|d| d * d).sum::<f64>() / within.len() as f64).sqrt();
        let reach = reach(within, deviation);

        let mut standing = Standing::new(self, scan, winner, reach);
        let mut strongest: Option<(Said, Pose)> = None;
        let mut undecided: Vec<Pose> = Vec::new();
        for (rival, _) in &poses[1..] {
            let said = standing.against(run, rival, false)?;
            let doubt = !said.evidence.decides(self.settings.least_evidence, self.settings.evidence_ratio);
            let relative = *rival * winner.inverse();
            // With points to tell them apart this part of the scan is not symmetric; the nominal may
            // still be, when the scan's defects do the telling.
            if doubt || self.symmetric(run, &relative, reach.off_mm)? {
                undecided.push(*rival);
            }
            if strongest.is_none_or(|(s, _)| said.margin < s.margin) {
                strongest = Some((said, *rival));
            }
        }
        for turn in self.symmetries(run, reach.off_mm)? {
            let rival = turn * winner;
            if undecided.iter().all(|u| apart_mm(u, &rival, &self.bounds) > self.close_mm()) {
                undecided.push(rival);
            }
        }
        // Without any rival all points speak for the winner.
        let evidence = match strongest {
            Some((said, rival)) => standing.counted(run, &rival, false, said)?,
            None => Evidence { pro: standing.fitting(run)?, contra: 0 },
        };
        run.tell(Stage::Locate, 1.0);
        if undecided.is_empty() {
            return Ok(Decision::Located(Located {
                part_from_scan: winner,
                rms_mm,
                explained,
                evidence_for: evidence.pro,
                evidence_against: evidence.contra,
                tried: self.tried.load(Ordering::Relaxed),
            }));
        }
        let mut symmetric = false;
        for rival in &undecided {
            symmetric |= self.symmetric(run, &(*rival * winner.inverse()), reach.off_mm)?;
        }
        let poses = std::iter::once(winner).chain(undecided).collect();
        Ok(Decision::Undetermined(LocateError::Undetermined {
            poses,
            symmetric,
            evidence_for: evidence.pro,
            evidence_against: evidence.contra,
            explained,
        }))
    }

    /// Fraction of the points that are off the part but near it: clutter is mostly elsewhere, while another
    /// size or hand of the part lies beside it all along.
    pub(super) fn beside(
        &self,
        run: &Run,
        cloud: &Cloud,
        pose: &Pose,
        found: &[Option<f64>],
    ) -> Result<f64, Stopped> {
        let reach = BESIDE * self.settings.deviation_mm;
        let mut count = 0;
        for (chunk, near) in cloud.points.chunks(CHECK_EVERY).zip(found.chunks(CHECK_EVERY)) {
            run.check()?;
            let off = |(p, d): (&Point, &Option<f64>)| d.is_none().then(|| pose.point(p));
            let off: Vec<Point> = chunk.iter().zip(near).filter_map(off).collect();
            count += off.par_iter().filter(|q| self.exact.tree.nearest(q, reach).is_some()).count();
        }
        Ok(count as f64 / cloud.points.len() as f64)
    }

    pub(super) fn symmetric(
        &self,
        run: &Run,
        relative: &Motion<PartFrame, PartFrame>,
        tolerance_mm: f64,
    ) -> Result<bool, Stopped> {
        // A sparse sample settles nearly every case that is not symmetric.
        let lies = |s: &SurfacePoint| {
            let normal = relative.vector(&s.normal);
            self.exact.distance(&relative.point(&s.point), Some(&normal), tolerance_mm).is_some()
        };
        if !self.nominal.iter().all(lies) {
            return Ok(false);
        }
        let fair = self.area_mm2 / 20_000.0;
        maps_onto_itself(run, &self.exact, self.exact.mesh, relative, tolerance_mm, fair)
    }
}

/// What fits and what is off, by the distances that a pose leaves. Four robust standard deviations hold
/// noise and warp; never so little that the pose's own error counts, never so much that a deviation passes
/// for a fit.
pub(super) fn reach(mut within: Vec<f64>, deviation: f64) -> Reach {
    within.sort_unstable_by(f64::total_cmp);
    let median = within.get(within.len() / 2).copied().unwrap_or(0.0);
    let fits_mm = (4.0 * 1.4826 * median).clamp(0.3 * deviation, 0.8 * deviation);
    Reach { fits_mm, off_mm: fits_mm + deviation }
}
