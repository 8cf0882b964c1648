//! One pose against others, asked of ever more points until they tell: a pose that is far off is told by a
//! few hundred, one hole by a few of a million.

use super::evidence::{Evidence, Reach, Sits, sits};
use super::refine::Pose;
use super::sample::Cloud;
use super::samples::Samples;
use super::search::Search;
use crate::run::{Run, Stopped};

/// Densities that are asked, sparsest first.
const LEVELS: usize = 5;
/// That of the points which stand for equal areas.
const DENSE: usize = 2;

/// A pose and how the points sit under it.
pub(super) struct Standing<'s, 'a> {
    search: &'s Search<'a>,
    scan: &'s Samples<'s>,
    pose: Pose,
    reach: Reach,
    /// By level, once asked.
    sat: [Option<Vec<Sits>>; LEVELS],
}

/// What a level's points said.
#[derive(Clone, Copy, Debug)]
pub(super) struct Said {
    pub(super) evidence: Evidence,
    /// By how many more of the points the pose is favoured, as a fraction of all of them.
    pub(super) margin: f64,
    level: usize,
}

impl<'s, 'a> Standing<'s, 'a> {
    pub(super) fn new(search: &'s Search<'a>, scan: &'s Samples<'s>, pose: Pose, reach: Reach) -> Self {
        Self { search, scan, pose, reach, sat: [const { None }; LEVELS] }
    }

    fn cloud(&self, level: usize) -> Option<&'s Cloud> {
        let scan = self.scan;
        match level {
            0 => Some(&scan.fine),
            1 => Some(&scan.last),
            DENSE => Some(&scan.dense),
            3 => Some(&scan.all),
            _ => scan.everything(),
        }
    }

    /// How points of a level sit under the pose itself.
    fn own(&mut self, run: &Run, level: usize, cloud: &Cloud) -> Result<&[Sits], Stopped> {
        if self.sat[level].is_none() {
            self.sat[level] = Some(sits(run, &self.search.exact, cloud, &self.pose, &self.reach)?);
        }
        Ok(self.sat[level].as_deref().unwrap_or_default())
    }

    /// Points of equal areas that fit under the pose.
    pub(super) fn fitting(&mut self, run: &Run) -> Result<u64, Stopped> {
        let own = self.own(run, DENSE, &self.scan.dense)?;
        Ok(own.iter().filter(|s| **s == Sits::Fits).count() as u64)
    }

    /// Whether more points would say the same: four times as many as are needed, and the ratio beyond three
    /// standard deviations of counts (Poisson's).
    pub(super) fn clear(&self, e: Evidence) -> bool {
        let settings = self.search.settings;
        let (pro, contra, ratio) = (e.pro as f64, e.contra as f64, settings.evidence_ratio);
        e.pro >= 4 * settings.least_evidence
            && pro - ratio * contra >= 3.0 * (pro + ratio * ratio * contra).sqrt()
    }

    /// The pose against a rival by few points; `mirror` where the rival lies on the points' mirror image.
    pub(super) fn glance(&mut self, run: &Run, rival: &Pose, mirror: bool) -> Result<Said, Stopped> {
        let said = self.asked(run, rival, mirror, 0)?;
        if self.clear(said.evidence) { Ok(said) } else { self.asked(run, rival, mirror, 1) }
    }

    /// The pose against a rival, by as many points as it takes.
    pub(super) fn against(&mut self, run: &Run, rival: &Pose, mirror: bool) -> Result<Said, Stopped> {
        let mut level = 0;
        loop {
            let said = self.asked(run, rival, mirror, level)?;
            if self.clear(said.evidence) || level + 1 == LEVELS || self.cloud(level + 1).is_none() {
                return Ok(said);
            }
            level += 1;
        }
    }

    /// The same, asked of no fewer than the points of equal areas, for those who read the numbers.
    pub(super) fn counted(
        &mut self,
        run: &Run,
        rival: &Pose,
        mirror: bool,
        said: Said,
    ) -> Result<Evidence, Stopped> {
        if said.level >= DENSE {
            return Ok(said.evidence);
        }
        Ok(self.asked(run, rival, mirror, DENSE)?.evidence)
    }

    fn asked(&mut self, run: &Run, rival: &Pose, mirror: bool, level: usize) -> Result<Said, Stopped> {
        let cloud = self.cloud(level).unwrap_or(&self.scan.dense);
        let (exact, reach) = (&self.search.exact, self.reach);
        let theirs = if mirror {
            sits(run, exact, &cloud.reflected(), rival, &reach)?
        } else {
            sits(run, exact, cloud, rival, &reach)?
        };
        let evidence = Evidence::between(self.own(run, level, cloud)?, &theirs);
        let margin = (evidence.pro as f64 - evidence.contra as f64) / cloud.points.len().max(1) as f64;
        Ok(Said { evidence, margin, level })
    }
}
