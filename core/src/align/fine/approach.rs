//! From a start that is some way off to the neighbourhood of the answer, with few points.
//!
//! Bounded loss (Tukey's biweight: Beaton and Tukey, Technometrics 16(2), 1974, from memory) whose reach shrinks. It
//! only leads near: it would hide defects.

use rayon::prelude::*;

use super::ground::{Ground, PIECE};
use super::sample::Sample;
use super::sums::Sums;
use super::{AlignError, FineSettings};
use crate::geometry::{Foot, Motion, PartFrame, ScanFrame};
use crate::run::{Run, Stopped};

type Pose = Motion<PartFrame, ScanFrame>;

/// The first reach is at least and at most so many times the last.
const NARROWEST: f64 = 4.0;
const WIDEST: f64 = 8.0;
/// Of points as far off as three quarters of them, so many times that distance is the first reach: a surface may lie
/// near and yet be far aside.
const FIRST: f64 = 4.0;
/// How long to stay at one reach.
#[derive(Clone, Copy)]
pub(super) struct Patience {
    /// Done when a step is shorter than this share of the reach.
    pub(super) near: f64,
    /// Most steps.
    pub(super) steps: usize,
}

/// Enough to tell a right way from a wrong one.
pub(super) const HASTY: Patience = Patience { near: 0.02, steps: 12 };
/// A warped sheet creeps in itself with short steps.
pub(super) const PATIENT: Patience = Patience { near: 2e-3, steps: 40 };
/// Nearer than this the way to the foot has no direction of its own, mm.
const ON_SURFACE_MM: f64 = 1e-6;
/// How far the start is off decides where the reach begins.
pub(super) fn approach(
    run: &Run,
    ground: &Ground,
    sample: &Sample,
    start: &Pose,
    settings: &FineSettings,
    patience: Patience,
) -> Result<(Pose, usize), AlignError> {
    let widest = WIDEST * settings.reach_mm;
    let mut off: Vec<f64> =
        ground.feet(run, sample, start, widest)?.iter().flatten().map(|foot| foot.distance).collect();
    off.sort_unstable_by(f64::total_cmp);
    let most = off.get(off.len() * 3 / 4).copied().unwrap_or(widest);
    let first = (FIRST * most).clamp(NARROWEST * settings.reach_mm, widest);
    let mut reaches = vec![settings.reach_mm];
    while let Some(&last) = reaches.last().filter(|&&r| r < first) {
        reaches.push((2.0 * last).min(widest));
    }
    let mut pose = *start;
    let mut steps = 0;
    for reach in reaches.into_iter().rev() {
        let (at, taken) = descend(run, ground, sample, &pose, reach, patience)?;
        pose = at;
        steps += taken;
    }
    Ok((pose, steps))
}

/// Steps at one reach.
pub(super) fn descend(
    run: &Run,
    ground: &Ground,
    sample: &Sample,
    start: &Pose,
    reach: f64,
    patience: Patience,
) -> Result<(Pose, usize), AlignError> {
    let mut pose = *start;
    for n in 1..=patience.steps {
        let step = robust(run, ground, sample, &pose, reach)?.step(reach)?;
        let (next, moved) = ground.moved(&pose, &step);
        pose = next;
        if moved < patience.near * reach {
            return Ok((pose, n));
        }
    }
    Ok((pose, patience.steps))
}

fn robust(run: &Run, ground: &Ground, sample: &Sample, pose: &Pose, reach: f64) -> Result<Sums, Stopped> {
    let feet = ground.feet(run, sample, pose, reach)?;
    let one = |mut s: Sums, (i, foot): (usize, &Option<Foot>)| {
        let Some(foot) = foot else { return s };
        let p = pose.point(&sample.points[i]);
        // Along the way to the foot: inside a face that is its normal, and where a face ends the edge pulls, without
        // which a warped sheet slides in itself.
        let (d, n) = if foot.distance > ON_SURFACE_MM {
            (foot.distance, (p - foot.point) / foot.distance)
        } else {
            let Some(n) = ground.nominal.mesh().normal(foot.triangle) else { return s };
            ((p - foot.point).dot(&n.vector()), n.vector())
        };
        let t = foot.distance / reach;
        let weight = sample.weights[i] * (1.0 - t * t) * (1.0 - t * t);
        s.pair(&ground.row(&p, &n), d, weight);
        s
    };
    let parts: Vec<Sums> = feet
        .par_chunks(PIECE)
        .enumerate()
        .map(|(c, piece)| (c * PIECE..).zip(piece).fold(Sums::zero(), one))
        .collect();
    Ok(parts.iter().fold(Sums::zero(), Sums::add))
}
