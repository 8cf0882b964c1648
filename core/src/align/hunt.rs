//! Cluster by cluster: what lies there, its points taken away, and on with the rest.

use super::clusters::clusters;
use super::draw::share_of;
use super::groups::{Group, told, told_once};
use super::instances::InstancesSettings;
use super::judge::{Duel, Held, Judgement, Known, inside};
use super::locate::{DENSE_POINTS, FINE_POINTS, LEAST_POINTS, Located};
use super::locate_error::LocateError;
use super::mirror::other_hand;
use super::refine::Pose;
use super::sample::Cloud;
use super::samples::FEW_POINTS;
use super::scene::{Scene, area_mm2};
use super::search::{Crowd, Search};
use crate::geometry::TriangleMesh;
use crate::run::{CHECK_EVERY, Run, Stopped};
use rayon::prelude::*;
use std::collections::VecDeque;

/// Points this many deviations from a part that was found are taken away with it.
const TAKEN: f64 = 3.0;
/// What did not hold by itself is tried once more together with what lies within so many links.
pub(super) const LOOSER: f64 = 4.0;
/// Two parts and a half: larger heaps are taken apart one after the other anyway.
const MOST_PARTS: f64 = 3.0;

/// One thing that was found.
pub(super) enum Catch {
    /// A part, and which hand it is of.
    Part { located: Located, seen: f64, other_hand: bool, evidence_of_hand: Option<(u64, u64)> },
    /// Something whose pose or hand stays open, with its points in the scene.
    Open { error: LocateError, poses: Vec<Pose>, members: Vec<u32> },
    /// Not this part.
    Alien { error: LocateError, members: Vec<u32> },
}

/// The hunt through one scene.
pub(super) struct Hunt<'a> {
    pub(super) search: &'a Search<'a>,
    pub(super) scene: &'a Scene,
    pub(super) settings: &'a InstancesSettings,
    mirrored: TriangleMesh,
    /// Whether what does not hold is searched once more, wider.
    again: bool,
    /// Once the part has turned out to be its own mirror image there is no other hand.
    own_mirror: bool,
    /// For each point of the scene whether something has taken it.
    taken: Vec<bool>,
    caught: Vec<Catch>,
    /// Poses that searches came upon: those of a crowd lie on several of its parts.
    leads: Vec<Pose>,
    known: Known,
}

impl<'a> Hunt<'a> {
    pub(super) fn new(
        search: &'a Search<'a>,
        scene: &'a Scene,
        settings: &'a InstancesSettings,
        again: bool,
    ) -> Self {
        let taken = vec![false; scene.cloud.points.len()];
        let mirrored = other_hand(search.exact.mesh);
        Self {
            search,
            scene,
            settings,
            mirrored,
            again,
            own_mirror: false,
            taken,
            caught: Vec::new(),
            leads: Vec::new(),
            known: Known::default(),
        }
    }

    /// Tries every cluster, then what is left of them together with its neighbours.
    pub(super) fn all(mut self, run: &Run) -> Result<Vec<Catch>, Stopped> {
        let groups = self.scene.clusters.iter().map(|c| c.members.clone()).collect();
        let failed = self.groups(run, groups)?;
        // Shadows cut parts in pieces; pieces that lie near one another may be one part.
        let free = self.free((0..self.taken.len() as u32).collect());
        let loose = self.clustered(run, &free, LOOSER * self.scene.link_mm)?;
        let known = |g: &Vec<u32>| failed.iter().any(|f| f.members == *g);
        let loose: Vec<Vec<u32>> = loose.into_iter().filter(|g| !known(g)).collect();
        let joined = self.groups(run, loose)?;
        for group in told_once(failed, joined, self.taken.len()) {
            let members = self.free(group.members);
            if !self.plausible(run, &members)? {
                continue;
            }
            if let Some(error) = group.failed {
                self.caught.push(match error {
                    LocateError::Undetermined { ref poses, .. } => {
                        Catch::Open { poses: poses.clone(), error, members }
                    }
                    LocateError::HandOpen { .. } | LocateError::TooLittleSeen { .. } => {
                        Catch::Open { poses: Vec::new(), error, members }
                    }
                    error => Catch::Alien { error, members },
                });
            }
        }
        Ok(self.caught)
    }

    /// Whether the part, of either hand, lies on any of some groups of points; which way round may stay open.
    pub(super) fn any(mut self, run: &Run, groups: Vec<Vec<u32>>) -> Result<bool, Stopped> {
        for members in groups {
            match self.one(run, &members)? {
                Ok(_) | Err(LocateError::Undetermined { .. } | LocateError::HandOpen { .. }) => {
                    return Ok(true);
                }
                Err(_) => {}
            }
        }
        Ok(false)
    }

    /// Takes parts out of groups until nothing more holds; what is left of those that were tried.
    fn groups(&mut self, run: &Run, groups: Vec<Vec<u32>>) -> Result<Vec<Group>, Stopped> {
        let mut pending: VecDeque<Vec<u32>> = groups.into();
        let mut failed = Vec::new();
        while let Some(members) = pending.pop_front() {
            run.check()?;
            let members = self.free(members);
            if !self.plausible(run, &members)? {
                continue;
            }
            match self.one(run, &members)? {
                Ok(part) => {
                    if let Catch::Part { located, other_hand, .. } = &part {
                        self.take(run, &located.part_from_scan, *other_hand)?;
                    }
                    self.caught.push(part);
                    let rest = self.free(members);
                    let rest = self.clustered(run, &rest, self.scene.link_mm)?;
                    for group in rest.into_iter().rev() {
                        pending.push_front(group);
                    }
                }
                Err(error) => failed.push(Group { members, failed: Some(error) }),
            }
        }
        Ok(failed)
    }

    fn free(&self, mut members: Vec<u32>) -> Vec<u32> {
        members.retain(|&m| !self.taken[m as usize]);
        members
    }

    fn plausible(&self, run: &Run, members: &[u32]) -> Result<bool, Stopped> {
        Ok(members.len() >= LEAST_POINTS
            && self.search.plausible(self.cubes(run, members)?, self.scene.link_mm))
    }

    fn cubes(&self, run: &Run, members: &[u32]) -> Result<usize, Stopped> {
        let cloud = self.scene.cloud.some(members);
        Ok(clusters(run, &cloud.points, self.scene.link_mm)?.iter().map(|c| c.cubes).sum())
    }

    fn clustered(&self, run: &Run, members: &[u32], link_mm: f64) -> Result<Vec<Vec<u32>>, Stopped> {
        let cloud = self.scene.cloud.some(members);
        let found = clusters(run, &cloud.points, link_mm)?;
        Ok(found.into_iter().map(|c| c.members.iter().map(|&m| members[m as usize]).collect()).collect())
    }

    /// The best part on some points, of this hand or the other, or why there is none. The inner error is
    /// what a user is told.
    fn one(&mut self, run: &Run, members: &[u32]) -> Result<Result<Catch, LocateError>, Stopped> {
        let free = self.free((0..self.taken.len() as u32).collect());
        let free = self.scene.cloud.some(&free);
        let dense = self.scene.cloud.some(members).thinned(DENSE_POINTS);
        let covers = area_mm2(self.cubes(run, members)?, self.scene.link_mm);
        // One side of a sheet is half of its surface.
        let parts = (covers / (0.5 * self.search.area_mm2)).round().clamp(1.0, MOST_PARTS) as usize;
        let fine = dense.thinned(FINE_POINTS * parts);
        let leads = self.search.leads(&fine, &mut self.leads);
        if let Judgement::Holds(held) =
            self.search.judge(run, &free, &leads, self.settings.least_seen, &mut self.known)?
            && let Ok(part) = self.hold(run, held, false)?
        {
            return Ok(Ok(part));
        }
        let mut why: Option<LocateError> = None;
        for &wider in if self.again { &[1, 2][..] } else { &[1][..] } {
            for mirror in [false, true] {
                if mirror && self.own_mirror {
                    continue;
                }
                let (fine, free) =
                    if mirror { (fine.reflected(), free.reflected()) } else { (fine.clone(), free.clone()) };
                match self.hand(run, &fine, &free, wider, parts, mirror)? {
                    Ok(part) => return Ok(Ok(part)),
                    Err(error) => {
                        // An open question is the answer for both hands: neither is ruled out.
                        if matches!(error, LocateError::Undetermined { .. } | LocateError::HandOpen { .. }) {
                            return Ok(Err(error));
                        }
                        if why.as_ref().is_none_or(|w| told(&error) > told(w)) {
                            why = Some(error);
                        }
                    }
                }
            }
        }
        Ok(Err(why.unwrap_or(LocateError::OtherHand)))
    }

    /// One hand of the part on some points, and held against the other hand.
    fn hand(
        &mut self,
        run: &Run,
        fine: &Cloud,
        free: &Cloud,
        wider: usize,
        parts: usize,
        mirror: bool,
    ) -> Result<Result<Catch, LocateError>, Stopped> {
        let few = share_of(fine, FEW_POINTS * parts);
        let ranked = self.search.ranked_among(run, fine, &few, wider, Crowd::Several { parts }, 1.0)?;
        if !mirror {
            self.leads.extend(ranked.iter().map(|r| r.0));
        }
        match self.search.judge(run, free, &ranked, self.settings.least_seen, &mut self.known)? {
            Judgement::Holds(held) => self.hold(run, held, mirror),
            Judgement::Undetermined(e) | Judgement::Fails(e) => Ok(Err(e)),
        }
    }

    /// A pose that holds, against the other hand.
    fn hold(
        &mut self,
        run: &Run,
        held: Box<Held<'_>>,
        mirror: bool,
    ) -> Result<Result<Catch, LocateError>, Stopped> {
        let mut evidence_of_hand = None;
        if !self.own_mirror {
            match self.search.duel(run, &held, &self.mirrored, &mut self.known)? {
                Duel::This(e) => evidence_of_hand = Some((e.pro, e.contra)),
                Duel::Same => self.own_mirror = true,
                Duel::Other => return Ok(Err(LocateError::OtherHand)),
                Duel::Open(e) => {
                    return Ok(Err(LocateError::HandOpen {
                        evidence_for: e.pro,
                        evidence_against: e.contra,
                    }));
                }
            }
        }
        // Found in the mirror, and yet the hands are the same: the search from the front missed it.
        if mirror && self.own_mirror {
            return Ok(Err(LocateError::HandOpen { evidence_for: 0, evidence_against: 0 }));
        }
        let (located, seen) = (held.located, held.seen.fraction);
        Ok(Ok(Catch::Part { located, seen, other_hand: mirror, evidence_of_hand }))
    }

    /// Takes away the points near a part.
    fn take(&mut self, run: &Run, pose: &Pose, mirror: bool) -> Result<(), Stopped> {
        let reach = TAKEN * self.search.settings.deviation_mm;
        let cloud = if mirror { self.scene.cloud.reflected() } else { self.scene.cloud.clone() };
        let near = inside(run, &cloud, pose, &self.search.bounds, reach)?;
        for chunk in near.chunks(CHECK_EVERY) {
            run.check()?;
            let on: Vec<bool> = chunk
                .par_iter()
                .map(|&i| {
                    let q = pose.point(&cloud.points[i as usize]);
                    self.search.exact.tree.nearest(&q, reach).is_some()
                })
                .collect();
            for (&i, on) in chunk.iter().zip(on) {
                self.taken[i as usize] |= on;
            }
        }
        Ok(())
    }
}
