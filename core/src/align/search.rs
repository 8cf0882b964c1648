//! From thousands of starts to the few poses worth comparing.

use super::distance_field::DistanceField;
use super::draw::share_of;
use super::locate::LocateSettings;
use super::refine::{Descent, Exact, Middle, Pose, Surface, apart_mm, descend, equations};
use super::sample::{Cloud, SurfacePoint, area, surface};
use super::starts::{placed, rotations, surface_axes};
use crate::geometry::{Aabb, Matrix3, Point, TriangleMesh};
use crate::run::{Run, Stage, Stopped};
use crate::search::SurfaceTree;
use rayon::prelude::*;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Points that try the starts.
const SCORING_POINTS: usize = 125;
/// Points that descend on the coarse table.
const COARSE_POINTS: usize = 250;
/// Starts that descend on the coarse table.
const KEPT_STARTS: usize = 1500;
/// Of these, poses that go on after the first steps.
const KEPT_BEGUN: usize = 500;
/// Poses that go on to the fine table, and from there to the exact surface.
const KEPT_COARSE: usize = 160;
const KEPT_MIDDLE: usize = 48;
const KEPT_FINE: usize = 16;
/// A pose whose loss on a few points is this much larger than the best's does not become the best.
const FAR_LOSS: f64 = 0.2;
/// Poses kept in the winner's neighbourhood, beside the distant ones.
const KEPT_NEAR: usize = 4;

/// What some points hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Crowd {
    /// One part and hardly anything else.
    One,
    /// Things that cling to one another, and about as many parts' worth of surface.
    Several { parts: usize },
}

/// A pose with its loss (0 to 1, on the exact surface once refined).
pub(super) type Ranked = (Pose, f64);

/// The nominal, ready to be searched.
pub(super) struct Search<'a> {
    pub(super) settings: &'a LocateSettings,
    pub(super) exact: Exact<'a>,
    coarse: DistanceField,
    fine: DistanceField,
    pub(super) bounds: Aabb,
    pub(super) middle: Middle,
    /// A fair sample of the nominal, about 2,000 points.
    pub(super) nominal: Vec<SurfacePoint>,
    pub(super) area_mm2: f64,
    /// Its principal axes and centroid.
    pub(super) axes: (Matrix3, Point),
    /// Starts tried so far.
    pub(super) tried: AtomicUsize,
}

impl<'a> Search<'a> {
    /// Makes the tables; the mesh must have area.
    pub(super) fn new(
        run: &Run,
        mesh: &'a TriangleMesh,
        tree: &'a SurfaceTree,
        with_normals: bool,
        settings: &'a LocateSettings,
    ) -> Result<Self, Stopped> {
        run.check()?;
        let bounds = mesh.bounds();
        let area_mm2 = area(mesh);
        let diagonal = bounds.diagonal();
        let (coarse, fine) = rayon::join(
            || DistanceField::new(mesh, 0.12 * diagonal, 60_000, with_normals),
            || DistanceField::new(mesh, 0.02 * diagonal, 200_000, with_normals),
        );
        run.check()?;
        Ok(Self {
            settings,
            exact: Exact { mesh, tree },
            coarse,
            fine,
            bounds,
            middle: Middle::of(&bounds),
            nominal: surface(mesh, area_mm2 / 2000.0),
            area_mm2,
            axes: surface_axes(mesh),
            tried: AtomicUsize::new(0),
        })
    }

    /// On the coarse tables poses nearer to each other than this lead to the same place.
    pub(super) fn close_mm(&self) -> f64 {
        (0.01 * self.bounds.diagonal()).max(2.0 * self.settings.deviation_mm)
    }

    /// Refined poses nearer to each other than this are one answer: fine alignment settles between them.
    /// Less than the thickness of a skin, whose sides are two answers.
    pub(super) fn same_mm(&self) -> f64 {
        2.0 * self.settings.deviation_mm
    }

    /// Descends every start in parallel; the results stay in the order of the starts.
    pub(super) fn descend_all(
        &self,
        run: &Run,
        surface: &impl Surface,
        cloud: &Cloud,
        starts: &[Ranked],
        descent: &Descent,
    ) -> Result<Vec<Ranked>, Stopped> {
        starts
            .par_iter()
            .map(|(pose, _)| {
                run.check()?;
                Ok(descend(surface, cloud, pose, &self.middle, descent))
            })
            .collect()
    }

    /// The best `keep` poses, no two of them within `same_mm`, best first; ties go to the earlier start.
    pub(super) fn best_distinct(&self, mut poses: Vec<Ranked>, keep: usize, same_mm: f64) -> Vec<Ranked> {
        poses.sort_by(|a, b| a.1.total_cmp(&b.1));
        let mut kept: Vec<Ranked> = Vec::new();
        for candidate in poses {
            if kept.len() == keep {
                break;
            }
            if kept.iter().all(|k| apart_mm(&k.0, &candidate.0, &self.bounds) > same_mm) {
                kept.push(candidate);
            }
        }
        kept
    }

    /// The best poses far from one another, and a few of the winner's neighbourhood (the other side of a
    /// skin, a slide along a weak freedom), which must not crowd out the distant ones. Best first.
    pub(super) fn worth_comparing(&self, poses: Vec<Ranked>) -> Vec<Ranked> {
        let distant = self.best_distinct(poses.clone(), KEPT_FINE, self.close_mm());
        let Some(&(winner, _)) = distant.first() else { return distant };
        let near: Vec<Ranked> =
            poses.into_iter().filter(|p| apart_mm(&p.0, &winner, &self.bounds) <= self.close_mm()).collect();
        // The winner itself is the first of its neighbourhood.
        let mut all = self.best_distinct(near, 1 + KEPT_NEAR, self.same_mm());
        all.extend(distant.into_iter().skip(1));
        all.sort_by(|a, b| a.1.total_cmp(&b.1));
        all
    }

    /// From all starts (`wider` times as many as usual) to a few poses on the exact surface, best first.
    /// `few` are some of the points `fine`; `known` is the loss of the best pose known so far, else 1.
    pub(super) fn ranked(
        &self,
        run: &Run,
        fine: &Cloud,
        few: &Cloud,
        wider: usize,
        known: f64,
    ) -> Result<Vec<Ranked>, Stopped> {
        self.ranked_among(run, fine, few, wider, Crowd::One, known)
    }

    /// [`Self::ranked`] for points of which the part may be only some.
    ///
    /// Every pass begins with a few points and coarse steps, and only the better poses go on (successive
    /// halving, Karnin, Koren and Somekh, ICML 2013).
    pub(super) fn ranked_among(
        &self,
        run: &Run,
        fine: &Cloud,
        few: &Cloud,
        wider: usize,
        crowd: Crowd,
        known: f64,
    ) -> Result<Vec<Ranked>, Stopped> {
        let diagonal = self.bounds.diagonal();
        let (coarse_cloud, scoring) = match crowd {
            Crowd::One => (share_of(fine, COARSE_POINTS), share_of(fine, SCORING_POINTS)),
            // A crowd has many more places to try, each a rough one.
            Crowd::Several { parts } => {
                (share_of(fine, COARSE_POINTS * parts), share_of(fine, COARSE_POINTS))
            }
        };
        let nominal_few: Vec<SurfacePoint> = self.nominal.iter().step_by(8).copied().collect();
        let reach = 0.10 * diagonal;
        let turns = rotations(fine, &self.nominal, self.settings.rotations.saturating_mul(wider));
        let per_turn: Result<Vec<Vec<Ranked>>, Stopped> = turns
            .par_iter()
            .map(|turn| {
                run.check()?;
                let mut poses: Vec<Ranked> = placed(turn, &coarse_cloud, &nominal_few, crowd)
                    .into_iter()
                    .map(|p| {
                        let loss = equations(&self.coarse, &scoring, &p, &self.middle, reach).loss;
                        (p, loss)
                    })
                    .collect();
                self.tried.fetch_add(poses.len(), Ordering::Relaxed);
                poses.sort_by(|a, b| a.1.total_cmp(&b.1));
                poses.truncate(3);
                Ok(poses)
            })
            .collect();
        let mut starts: Vec<Ranked> = per_turn?.into_iter().flatten().collect();
        starts.sort_by(|a, b| a.1.total_cmp(&b.1));
        starts.truncate(KEPT_STARTS * wider);
        run.tell(Stage::Locate, 0.2);

        let begin =
            Descent { from_mm: 0.15 * diagonal, to_mm: 0.10 * diagonal, steps: 3, still_mm: f64::INFINITY };
        let half = share_of(&coarse_cloud, coarse_cloud.points.len() / 2);
        let mut begun = self.descend_all(run, &self.coarse, &half, &starts, &begin)?;
        begun.sort_by(|a, b| a.1.total_cmp(&b.1));
        begun.truncate(KEPT_BEGUN * wider);
        let down = Descent {
            from_mm: 0.09 * diagonal,
            to_mm: 0.04 * diagonal,
            steps: 5,
            still_mm: 0.005 * diagonal,
        };
        let poses = self.descend_all(run, &self.coarse, &coarse_cloud, &begun, &down)?;
        let poses = self.best_distinct(poses, KEPT_COARSE * wider, 0.02 * diagonal);
        run.tell(Stage::Locate, 0.5);
        let poses = self.settled(run, fine, few, &poses, known)?;
        run.tell(Stage::Locate, 0.8);
        Ok(poses)
    }

    /// Descends on the fine table, then on the exact surface; the best few distinct poses.
    pub(super) fn settled(
        &self,
        run: &Run,
        fine: &Cloud,
        few: &Cloud,
        starts: &[Ranked],
        known: f64,
    ) -> Result<Vec<Ranked>, Stopped> {
        let (diagonal, deviation) = (self.bounds.diagonal(), self.settings.deviation_mm);
        let near = (2.0 * self.fine.cell_mm()).max(4.0 * deviation);
        let begin = Descent {
            from_mm: (0.05 * diagonal).max(near),
            to_mm: near,
            steps: 7,
            still_mm: 0.5 * deviation,
        };
        let begun = self.descend_all(run, &self.fine, few, starts, &begin)?;
        let begun = self.best_distinct(begun, KEPT_MIDDLE, self.close_mm());
        let down = Descent { from_mm: near, to_mm: near, steps: 2, still_mm: 0.1 * deviation };
        let poses = self.descend_all(run, &self.fine, fine, &begun, &down)?;
        let poses = self.best_distinct(poses, KEPT_FINE, self.close_mm());
        let begun = self.descend_all(run, &self.exact, few, &poses, &self.on_surface(near))?;
        // What is far off is so on all points.
        let best = begun.iter().map(|p| p.1).fold(known, f64::min);
        let (close, mut poses): (Vec<Ranked>, Vec<Ranked>) =
            begun.into_iter().partition(|p| p.1 <= best + FAR_LOSS);
        let still = 0.01 * deviation;
        poses.extend(self.descend_all(run, &self.exact, fine, &close, &self.at_last(still))?);
        Ok(self.worth_comparing(poses))
    }

    /// On the exact surface, until poses that are near an answer stay where they are.
    pub(super) fn on_surface(&self, from_mm: f64) -> Descent {
        let deviation = self.settings.deviation_mm;
        Descent { from_mm, to_mm: 2.0 * deviation, steps: 8, still_mm: 0.05 * deviation }
    }

    /// The last steps, at the last reach, until they are shorter than `still_mm`.
    pub(super) fn at_last(&self, still_mm: f64) -> Descent {
        let reach = 2.0 * self.settings.deviation_mm;
        Descent { from_mm: reach, to_mm: reach, steps: 5, still_mm }
    }
}
