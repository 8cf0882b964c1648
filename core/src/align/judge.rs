//! Whether the part lies at a pose among other things: asked of the points in the part's own box.

use super::decide::{BESIDE, Decision, reach};
use super::evidence::{Evidence, Reach, distances, maps_onto_itself};
use super::locate::{DENSE_POINTS, LEAST_POINTS, Located};
use super::locate_error::LocateError;
use super::mirror::reflected;
use super::refine::{Pose, apart_mm, descend, equations};
use super::sample::Cloud;
use super::samples::{Samples, Source};
use super::search::{Ranked, Search};
use super::seen::{Seen, alike};
use super::standing::{Said, Standing};
use crate::geometry::{Aabb, Motion, PartFrame, Point, TriangleMesh};
use crate::run::{CHECK_EVERY, Run, Stopped};
use rayon::prelude::*;

/// Poses of one search that are judged.
const CANDIDATES: usize = 6;
/// A candidate that explains this much less than is needed, or has this many times more beside it than is
/// allowed, is not worth its rivals.
const SHORT: f64 = 0.08;
const BESIDE_TIMES: f64 = 1.5;
/// A lead that leaves more than this of some points unexplained is none for them: of a heap of parts one
/// explains a quarter.
const MOST_LOSS: f64 = 0.85;
/// When refining moves a pose elsewhere its box is another, and it is judged again: at most so often.
const ROUNDS: usize = 3;
/// Mirrored poses that the answer is held against.
const MIRRORED: usize = 5;

/// What the points in a pose's box say about it.
pub(super) enum Judgement<'a> {
    /// The part lies there.
    Holds(Box<Held<'a>>),
    /// The points do not tell several poses apart.
    Undetermined(LocateError),
    /// Nothing holds; the best error.
    Fails(LocateError),
}

/// A pose that holds, with what it was judged on.
pub(super) struct Held<'a> {
    pub(super) located: Located,
    /// Fraction of the surface on the scanned side that points lie on.
    pub(super) seen: Seen,
    pub(super) samples: Samples<'a>,
}

/// Rivals of a part that was seen in some way, as motions of the nominal: a part that shows the same
/// surface has the same rivals, and its search need not be repeated.
#[derive(Default)]
pub(super) struct Known {
    rivals: Vec<(Seen, Vec<Relative>)>,
    mirrored: Vec<(Seen, Vec<Relative>)>,
}

type Relative = Motion<PartFrame, PartFrame>;

fn recalled<'a>(known: &'a [(Seen, Vec<Relative>)], seen: &Seen) -> Option<&'a [Relative]> {
    known.iter().find(|k| alike(&k.0, seen)).map(|k| &k.1[..])
}

/// What the other hand's nominal explains of the same points.
pub(super) enum Duel {
    /// Clearly less.
    This(Evidence),
    /// The part is its own mirror image: there is no other hand.
    Same,
    /// Clearly more.
    Other,
    /// As much.
    Open(Evidence),
}

impl Search<'_> {
    /// Judges the best of some poses on the `free` points, which hold other things too.
    pub(super) fn judge<'f>(
        &self,
        run: &Run,
        free: &'f Cloud,
        ranked: &[Ranked],
        least_seen: f64,
        known: &mut Known,
    ) -> Result<Judgement<'f>, Stopped> {
        let mut judged: Vec<Pose> = Vec::new();
        let mut best = (0.0, 0.0);
        let mut little: Option<f64> = None;
        for (candidate, _) in ranked.iter().take(CANDIDATES) {
            let mut pose = *candidate;
            for _ in 0..ROUNDS {
                run.check()?;
                if judged.iter().any(|j| apart_mm(j, &pose, &self.bounds) <= self.close_mm()) {
                    break;
                }
                judged.push(pose);
                let Some(samples) = self.around(run, free, &pose)? else { break };
                let descent = self.on_surface(4.0 * self.settings.deviation_mm);
                let (near, _) = descend(&self.exact, &samples.fine, &pose, &self.middle, &descent);
                let (explained, beside, _) = self.fit(run, &samples.fine, &near)?;
                if explained > best.0 {
                    best = (explained, beside);
                }
                if explained < self.settings.least_explained - SHORT
                    || beside > BESIDE_TIMES * self.settings.most_beside
                {
                    break;
                }
                let seen = self.seen(run, &samples.dense, &near)?;
                if seen.fraction < least_seen {
                    little = Some(little.map_or(seen.fraction, |l: f64| l.max(seen.fraction)));
                    break;
                }
                // A crowd's best poses lie on several parts; this one's rivals are searched on its points.
                let own: Vec<Pose> = match recalled(&known.rivals, &seen) {
                    Some(rivals) => rivals.iter().map(|r| *r * near).collect(),
                    None => {
                        let found = self.ranked(run, &samples.fine, &samples.few, 1, 1.0)?;
                        let own: Vec<Pose> = found.into_iter().map(|r| r.0).collect();
                        let relative = own.iter().map(|r| *r * near.inverse()).collect();
                        known.rivals.push((seen, relative));
                        own
                    }
                };
                let mut rivals = self.rivals(&samples.fine, near, ranked, &own);
                self.challenge(run, &samples.fine, &samples.few, &mut rivals)?;
                match self.decide(run, &samples, &rivals)? {
                    Decision::Located(located) => {
                        if apart_mm(&located.part_from_scan, &pose, &self.bounds) > self.close_mm() {
                            pose = located.part_from_scan;
                            continue;
                        }
                        return Ok(Judgement::Holds(Box::new(Held { located, seen, samples })));
                    }
                    Decision::Undetermined(e) => return Ok(Judgement::Undetermined(e)),
                    Decision::NoFit { explained, beside } => {
                        if explained > best.0 {
                            best = (explained, beside);
                        }
                        break;
                    }
                }
            }
        }
        Ok(Judgement::Fails(match little {
            Some(seen) => LocateError::TooLittleSeen { seen, need: least_seen },
            None => LocateError::NoFit {
                explained: Some(best.0),
                need: self.settings.least_explained,
                beside: Some(best.1),
                most_beside: self.settings.most_beside,
                size_ratio: None,
            },
        }))
    }

    /// The leads that explain some of the points, best first; those that do not are kept for others.
    pub(super) fn leads(&self, fine: &Cloud, leads: &mut Vec<Pose>) -> Vec<Ranked> {
        let reach = 2.0 * self.settings.deviation_mm;
        let losses: Vec<f64> =
            leads.par_iter().map(|p| equations(&self.exact, fine, p, &self.middle, reach).loss).collect();
        let (used, kept): (Vec<Ranked>, Vec<Ranked>) =
            leads.iter().copied().zip(losses).partition(|l| l.1 <= MOST_LOSS);
        *leads = kept.into_iter().map(|k| k.0).collect();
        self.best_distinct(used, CANDIDATES, self.close_mm())
    }

    /// The points in the part's own box, and as far round it as counts as beside the part; `None` when
    /// they are too few.
    fn around<'f>(&self, run: &Run, free: &'f Cloud, pose: &Pose) -> Result<Option<Samples<'f>>, Stopped> {
        let inside = inside(run, free, pose, &self.bounds, BESIDE * self.settings.deviation_mm)?;
        let (all, source) = Source::Some(free, inside).share();
        let dense = all.thinned(DENSE_POINTS);
        let samples = Samples::new(all, dense, source);
        Ok((samples.fine.points.len() >= LEAST_POINTS).then_some(samples))
    }

    /// Fractions of the points that lie on the part and beside it, and the distances of those on it.
    pub(super) fn fit(&self, run: &Run, cloud: &Cloud, pose: &Pose) -> Result<(f64, f64, Vec<f64>), Stopped> {
        let found = distances(run, &self.exact, cloud, pose, 1.5 * self.settings.deviation_mm)?;
        let beside = self.beside(run, cloud, pose, &found)?;
        let within: Vec<f64> = found.into_iter().flatten().collect();
        Ok((within.len() as f64 / cloud.points.len().max(1) as f64, beside, within))
    }

    /// A pose and others, ranked on the points round it alone.
    fn rivals(&self, fine: &Cloud, pose: Pose, ranked: &[Ranked], own: &[Pose]) -> Vec<Ranked> {
        let reach = 2.0 * self.settings.deviation_mm;
        let others = ranked.iter().map(|r| r.0).chain(own.iter().copied());
        let poses: Vec<Pose> = std::iter::once(pose).chain(others).collect();
        let again = poses
            .par_iter()
            .map(|p| (*p, equations(&self.exact, fine, p, &self.middle, reach).loss))
            .collect();
        self.worth_comparing(again)
    }

    /// Whether the mirrored nominal, moved, is the nominal.
    fn other_is_same(
        &self,
        run: &Run,
        mirrored: &TriangleMesh,
        relative: &Relative,
        tolerance_mm: f64,
    ) -> Result<bool, Stopped> {
        let fair = self.area_mm2 / 20_000.0;
        maps_onto_itself(run, &self.exact, mirrored, relative, tolerance_mm, fair)
    }

    /// Holds a pose against the same points seen in a mirror: for a part of the other hand they fit better.
    /// `mirrored` is the nominal of the other hand, for the question whether it is the same.
    pub(super) fn duel(
        &self,
        run: &Run,
        held: &Held<'_>,
        mirrored: &TriangleMesh,
        known: &mut Known,
    ) -> Result<Duel, Stopped> {
        let deviation = self.settings.deviation_mm;
        let pose = held.located.part_from_scan;
        let Samples { dense, last, fine, few, .. } = &held.samples;
        let (last_too, fine_too, few_too) = (last.reflected(), fine.reflected(), few.reflected());
        // Mirrored nominal -> scan's mirror image -> scan -> nominal, all in the part's axes.
        let back = reflected(&pose.inverse());
        let descent = self.at_last(0.01 * deviation);
        let rivals: Vec<Ranked> = match recalled(&known.mirrored, &held.seen) {
            Some(mirrored) => {
                let starts: Vec<Ranked> = mirrored.iter().map(|m| (*m * back.inverse(), 1.0)).collect();
                self.descend_all(run, &self.exact, &fine_too, &starts, &descent)?
            }
            None => {
                let reach = 2.0 * deviation;
                let loss = equations(&self.exact, few, &pose, &self.middle, reach).loss;
                let ranked = self.ranked(run, &fine_too, &few_too, 1, loss)?;
                let few: Vec<Ranked> = ranked.into_iter().take(MIRRORED).collect();
                known.mirrored.push((held.seen, few.iter().map(|r| r.0 * back).collect()));
                few
            }
        };
        let reach: Reach = reach(self.fit(run, dense, &pose)?.2, deviation);
        let mut standing = Standing::new(self, &held.samples, pose, reach);
        let mut weakest: Option<(Said, Pose)> = None;
        for (mut rival, _) in rivals {
            let mut said = standing.glance(run, &rival, true)?;
            // Where it is close the rival is refined.
            if !standing.clear(said.evidence) {
                if self.other_is_same(run, mirrored, &(rival * back), reach.off_mm)? {
                    return Ok(Duel::Same);
                }
                rival = descend(&self.exact, &last_too, &rival, &self.middle, &descent).0;
                said = standing.against(run, &rival, true)?;
            }
            let e = said.evidence;
            if !e.decides(self.settings.least_evidence, self.settings.evidence_ratio) {
                if self.other_is_same(run, mirrored, &(rival * back), reach.off_mm)? {
                    return Ok(Duel::Same);
                }
                let reverse = Evidence { pro: e.contra, contra: e.pro };
                if reverse.decides(self.settings.least_evidence, self.settings.evidence_ratio) {
                    return Ok(Duel::Other);
                }
                return Ok(Duel::Open(e));
            }
            if weakest.is_none_or(|w| said.margin < w.0.margin) {
                weakest = Some((said, rival));
            }
        }
        Ok(Duel::This(match weakest {
            Some((said, rival)) => standing.counted(run, &rival, true, said)?,
            None => Evidence::default(),
        }))
    }
}

/// The points in a box of the part's axes that is `margin_mm` larger on every side, ascending.
pub(super) fn inside(
    run: &Run,
    cloud: &Cloud,
    pose: &Pose,
    bounds: &Aabb,
    margin_mm: f64,
) -> Result<Vec<u32>, Stopped> {
    let (low, high) = (bounds.low.coords.add_scalar(-margin_mm), bounds.high.coords.add_scalar(margin_mm));
    let chunks: Result<Vec<Vec<u32>>, Stopped> = cloud
        .points
        .par_chunks(CHECK_EVERY)
        .enumerate()
        .map(|(chunk, points)| {
            run.check()?;
            let holds = |p: &Point| (0..3).all(|a| p[a] >= low[a] && p[a] <= high[a]);
            Ok((0..points.len())
                .filter(|&n| holds(&pose.point(&points[n])))
                .map(|n| (chunk * CHECK_EVERY + n) as u32)
                .collect())
        })
        .collect();
    Ok(chunks?.into_iter().flatten().collect())
}
