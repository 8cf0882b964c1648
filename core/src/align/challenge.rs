//! Poses that the search may have missed, made from the winner itself, so that it is never sure for want
//! of a rival.

use super::refine::equations;
use super::refine::{Pose, apart_mm};
use super::sample::{Cloud, SurfacePoint};
use super::search::{Ranked, Search};
use crate::geometry::{Cholesky, Direction, Matrix3, Motion, PartFrame, Vector, symmetric_eigen3};
use crate::run::{Run, Stage, Stopped};
use crate::search::SurfaceTree;
use rayon::prelude::*;
use std::sync::atomic::Ordering;

/// Poses whose loss is no more than this above the winner's are tried on the other side of the skin, and of
/// those that come of it so many go on.
const CLOSE_LOSS: f64 = 0.1;
const CLOSE: usize = 4;
/// Poses tried on the surface at once: out to so many deviations, with a loss no more than this above the
/// winner's; so many go on.
const NEAR: f64 = 4.0;
const DIRECT_LOSS: f64 = 0.3;
const DIRECT: usize = 24;
/// A freedom that holds less than this fraction of the mean one lets the part slide; it is followed for so
/// many times what counts as the same pose, in so many steps.
const WEAK: f64 = 0.1;
const FAR_SLIDE: f64 = 12.0;
const SLIDES: f64 = 24.0;

type Relative = Motion<PartFrame, PartFrame>;

impl Search<'_> {
    /// Tries to beat the winner, or to find poses as good, where the search may not have looked: the
    /// part's own near-symmetries, slides along what the scan hardly holds, the other side of a skin.
    pub(super) fn challenge(
        &self,
        run: &Run,
        fine: &Cloud,
        few: &Cloud,
        ranked: &mut Vec<Ranked>,
    ) -> Result<(), Stopped> {
        let skin = if fine.normals.is_none() { self.through_the_skin() } else { None };
        for _ in 0..3 {
            let Some(&(winner, loss)) = ranked.first() else { return Ok(()) };
            let (motions, slides) = self.challengers(fine, &winner);
            let starts: Vec<Ranked> = motions.iter().map(|m| (*m * winner, 1.0)).collect();
            self.tried.fetch_add(starts.len() + slides.len(), Ordering::Relaxed);
            let mut found = self.settled(run, fine, few, &starts, loss)?;
            let slides = slides.into_iter().map(|m| (m * winner, 1.0));
            let direct: Vec<Ranked> = starts.into_iter().chain(slides).collect();
            found.extend(self.direct(run, fine, few, &winner, &direct)?);
            // Steps on the tables are as long as a skin is thick, so these go to the exact surface at once.
            let through: Vec<Ranked> = match skin {
                None => Vec::new(),
                // The winner may be the other side of what is not even among the first.
                Some(skin) => ranked
                    .iter()
                    .chain(&found)
                    .filter(|r| r.1 <= loss + CLOSE_LOSS)
                    .flat_map(|r| skin.map(|m| (m * r.0, 1.0)))
                    .collect(),
            };
            let still = 0.01 * self.settings.deviation_mm;
            let begun = self.descend_all(run, &self.exact, few, &through, &self.at_last(still))?;
            let begun = self.best_distinct(begun, CLOSE, self.same_mm());
            let through = self.descend_all(run, &self.exact, fine, &begun, &self.at_last(still))?;
            let mut all = std::mem::take(ranked);
            all.extend(found);
            all.extend(through);
            *ranked = self.worth_comparing(all);
            let new = &ranked[0];
            if new.1 >= loss || apart_mm(&new.0, &winner, &self.bounds) <= self.same_mm() {
                break;
            }
        }
        run.tell(Stage::Locate, 0.9);
        Ok(())
    }

    /// Poses that need no table to be near their end: the part's own symmetries, which the steps on a table
    /// would leave, and slides along rows of holes, each of which holds a descent a few millimetres away.
    fn direct(
        &self,
        run: &Run,
        fine: &Cloud,
        few: &Cloud,
        winner: &Pose,
        starts: &[Ranked],
    ) -> Result<Vec<Ranked>, Stopped> {
        let deviation = self.settings.deviation_mm;
        let reach = NEAR * deviation;
        let loss = |cloud: &Cloud, pose: &Pose| equations(&self.exact, cloud, pose, &self.middle, reach).loss;
        let limit = loss(few, winner) + DIRECT_LOSS;
        let tried: Result<Vec<Option<Ranked>>, Stopped> = starts
            .par_iter()
            .map(|(pose, _)| {
                run.check()?;
                // A slide along a profile differs by a few holes only, which few points do not show.
                Ok((loss(few, pose) <= limit).then(|| (*pose, loss(fine, pose))))
            })
            .collect();
        let worth = tried?.into_iter().flatten().collect();
        let worth = self.best_distinct(worth, DIRECT, self.same_mm());
        let begun = self.descend_all(run, &self.exact, few, &worth, &self.on_surface(reach))?;
        let again = begun.par_iter().map(|(pose, _)| (*pose, loss(fine, pose))).collect();
        let begun = self.best_distinct(again, 2 * CLOSE, self.same_mm());
        self.descend_all(run, &self.exact, fine, &begun, &self.at_last(0.01 * deviation))
    }

    /// Turns about the part's own axes.
    fn turns(&self) -> Vec<Relative> {
        let mut motions = Vec::new();
        for (axes, centre) in [(Matrix3::identity(), self.bounds.centre()), self.axes] {
            for axis in 0..3 {
                for degrees in [60.0f64, 90.0, 120.0, 180.0, 240.0, 270.0, 300.0] {
                    let turn = axes.column(axis) * degrees.to_radians();
                    motions.push(Motion::turn_about(centre, turn, Vector::zeros()));
                }
            }
        }
        motions
    }

    /// The turns that take the nominal onto itself: whatever the scan shows, and whether the search came upon
    /// them or not, poses that differ by one of them are the same to it.
    pub(super) fn symmetries(&self, run: &Run, tolerance_mm: f64) -> Result<Vec<Relative>, Stopped> {
        let mut found: Vec<Relative> = Vec::new();
        for turn in self.turns() {
            if self.symmetric(run, &turn, tolerance_mm)? {
                found.push(turn);
            }
        }
        Ok(found)
    }

    /// Turns and far slides from where a descent may lead elsewhere, and slides in small steps.
    fn challengers(&self, fine: &Cloud, winner: &Pose) -> (Vec<Relative>, Vec<Relative>) {
        let mut motions = self.turns();
        // Along the two weakest freedoms of the winner's equations, by a few times what counts as the
        // same pose.
        let reach = 2.0 * self.settings.deviation_mm;
        let e = equations(&self.exact, fine, winner, &self.middle, reach);
        let mean = (0..6).map(|a| e.matrix[a][a]).sum::<f64>() / 6.0;
        let mut slides = Vec::new();
        for direction in weakest(&e.matrix) {
            let moved = |mm: f64| {
                let turn =
                    Vector::new(direction[0], direction[1], direction[2]) * (mm / self.middle.radius_mm);
                let shift = Vector::new(direction[3], direction[4], direction[5]) * mm;
                Motion::turn_about(self.middle.centre, turn, shift)
            };
            for amount in [3.0, FAR_SLIDE] {
                for sign in [-1.0, 1.0] {
                    motions.push(moved(sign * amount * self.close_mm()));
                }
            }
            let held: f64 = (0..6)
                .map(|a| direction[a] * (0..6).map(|b| e.matrix[a][b] * direction[b]).sum::<f64>())
                .sum();
            if held < WEAK * mean {
                let step = reach.max(FAR_SLIDE * self.close_mm() / SLIDES);
                for n in 1..=SLIDES as u32 {
                    slides.extend([-1.0, 1.0].map(|sign| moved(sign * f64::from(n) * step)));
                }
            }
        }
        (motions, slides)
    }

    /// Shifts by the part's thickness along the direction most of its surface faces.
    fn through_the_skin(&self) -> Option<[Relative; 2]> {
        let thickness = thickness_mm(&self.nominal, self.exact.tree, self.bounds.diagonal())?;
        let facing = self.nominal.iter().fold(Matrix3::zeros(), |s, p| s + p.normal * p.normal.transpose());
        let (_, [_, _, most]) = symmetric_eigen3(&facing);
        Some([-thickness, thickness].map(|t| Motion::from_turn_and_shift(Vector::zeros(), most * t)))
    }
}

/// So many places tell how thick a part is; where nothing faces the other way each takes a walk over the whole tree.
const PLACES: usize = 400;

/// The median distance from a surface to that which faces the other way, mm; `None` for an open sheet.
pub(super) fn thickness_mm(nominal: &[SurfacePoint], tree: &SurfaceTree, diagonal: f64) -> Option<f64> {
    let mut gaps: Vec<f64> = nominal
        .par_iter()
        .step_by(nominal.len().div_ceil(PLACES).max(1))
        .filter_map(|s| {
            let back = Direction::new(-s.normal)?;
            Some(tree.nearest_facing(&s.point, back, 0.9, diagonal)?.distance)
        })
        .filter(|d| *d > 0.0)
        .collect();
    gaps.sort_unstable_by(f64::total_cmp);
    gaps.get(gaps.len() / 2).copied()
}

/// The two weakest directions of a symmetric 6 x 6 matrix, unit length, weakest first, by inverse
/// iteration (Golub and Van Loan, Matrix Computations, 4th ed., 8.2.2), shifted so that an exact null
/// direction is found too.
fn weakest(matrix: &[[f64; 6]; 6]) -> Vec<[f64; 6]> {
    let mut shifted = *matrix;
    let trace: f64 = (0..6).map(|a| matrix[a][a]).sum();
    for (a, row) in shifted.iter_mut().enumerate() {
        row[a] += 1e-9 * trace;
    }
    let Some(inverse) = Cholesky::new(&shifted) else { return Vec::new() };
    let mut found: Vec<[f64; 6]> = Vec::new();
    for _ in 0..2 {
        // A start with something of every direction.
        let mut v = [0.31, 0.43, 0.37, 0.41, 0.47, 0.43];
        for _ in 0..60 {
            for f in &found {
                let along: f64 = (0..6).map(|a| v[a] * f[a]).sum();
                for a in 0..6 {
                    v[a] -= along * f[a];
                }
            }
            v = inverse.solve(&v);
            let length = v.iter().map(|x| x * x).sum::<f64>().sqrt();
            if !(length.is_finite() && length > 0.0) {
                return found;
            }
            v = v.map(|x| x / length);
        }
        found.push(v);
    }
    found
}
