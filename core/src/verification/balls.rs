//! Balls of a known diameter in a scan, wherever they are.
//!
//! Small patches of the scan that are curved as the ball is vote for its centre; where votes agree, a sphere is fitted to all
//! points near it, without those that stand off it (a stem, a foot).

use rayon::prelude::*;

use super::VerificationError;
use crate::associate::{SphereFit, sphere};
use crate::geometry::Point;
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::search::{PointGrid, thin};

/// A ball in a scan.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundBall {
    /// The least-squares sphere of its points.
    pub fit: SphereFit,
    /// Points near it that were left out.
    pub left_out: usize,
    /// Width of the shell about its centre that holds 95 % of the points used, mm.
    pub dispersion_mm: f64,
    /// Standard deviation of the points about the sphere, mm.
    pub noise_mm: f64,
}

impl FoundBall {
    /// Variance of one coordinate of its centre from the points' noise, mm2: the mean of the three.
    pub fn centre_variance(&self) -> f64 {
        let trace: f64 = (0..3).map(|k| self.fit.unit_covariance[k][k]).sum();
        self.noise_mm * self.noise_mm * trace / 3.0
    }
}

/// Patches tried at most: enough for a hundred balls in a scan that is mostly something else.
const SEEDS: usize = 6_000;

/// Of a patch: its radius in ball radii.
const PATCH: f64 = 0.6;

/// A patch whose radius differs by more is no part of the ball: noise tells it to some percent.
const RADIUS_WITHIN: f64 = 0.2;

/// Points of a patch and of a ball at least.
const PATCH_POINTS: usize = 12;
const BALL_POINTS: usize = 50;

/// Fewer votes for one centre are chance.
const VOTES: usize = 4;

/// Root mean square of a ball's residuals at most, in radii: more is another shape.
const ROUND: f64 = 0.02;

/// Points this many robust standard deviations off a ball are not of it.
const OFF_BALL: f64 = 6.0;

/// Balls looked for at most.
const MOST_BALLS: usize = 200;

/// All balls of about this diameter, mm, in a stable order: the one with most votes first.
///
/// # Errors
/// Only a stop by the caller.
pub fn find_balls(
    run: &Run,
    points: &[Point],
    diameter_mm: f64,
) -> Result<Vec<FoundBall>, VerificationError> {
    let radius = 0.5 * diameter_mm;
    if points.len() < BALL_POINTS {
        return Ok(Vec::new());
    }
    let votes = votes(run, points, radius)?;
    let mut alive = vec![true; votes.len()];
    let grid = PointGrid::new(&votes, 0.25 * radius);
    let mut found: Vec<FoundBall> = Vec::new();
    while found.len() < MOST_BALLS {
        let mut best: Option<(usize, usize)> = None;
        for (i, vote) in votes.iter().enumerate().filter(|(i, _)| alive[*i]) {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            let mut count = 0;
            grid.within(vote, 0.15 * radius, |j, _| count += usize::from(alive[j as usize]));
            if best.is_none_or(|(_, most)| count > most) {
                best = Some((i, count));
            }
        }
        let Some((i, _)) = best.filter(|(_, count)| *count >= VOTES) else { break };
        let (mut sum, mut count) = (nalgebra::Vector3::zeros(), 0.0);
        grid.within(&votes[i], 0.15 * radius, |j, _| {
            if alive[j as usize] {
                sum += votes[j as usize].coords;
                count += 1.0;
            }
        });
        let centre = Point::from(sum / count);
        let ball = refined(run, points, centre, radius)?;
        // Its votes are used up, whatever came of them.
        grid.within(&centre, radius, |j, _| alive[j as usize] = false);
        alive[i] = false;
        if let Some(ball) = ball {
            let apart = |other: &FoundBall| (other.fit.centre - ball.fit.centre).norm() > radius;
            if found.iter().all(apart) {
                found.push(ball);
            }
        }
    }
    Ok(found)
}

/// Centres that patches of the scan vote for.
fn votes(run: &Run, points: &[Point], radius: f64) -> Result<Vec<Point>, Stopped> {
    // So many that a patch has a hundred points, however densely it was scanned.
    let thinned: Vec<Point> = thin(points, 0.1 * radius).into_iter().map(|i| points[i as usize]).collect();
    let grid = PointGrid::new(&thinned, 0.5 * PATCH * radius);
    let every = thinned.len().div_ceil(SEEDS);
    let seeds: Vec<&Point> = thinned.iter().step_by(every.max(1)).collect();
    let all: Result<Vec<Option<Point>>, Stopped> = seeds
        .par_iter()
        .map(|seed| {
            run.check()?;
            let mut patch = Vec::new();
            grid.within(seed, PATCH * radius, |j, _| patch.push(j));
            patch.sort_unstable();
            if patch.len() < PATCH_POINTS {
                return Ok(None);
            }
            let places: Vec<Point> = patch.iter().map(|&j| thinned[j as usize]).collect();
            let Ok(fit) = sphere(&places) else { return Ok(None) };
            let like = (fit.radius_mm / radius - 1.0).abs() <= RADIUS_WITHIN && fit.rms_mm <= ROUND * radius;
            Ok(like.then_some(fit.centre))
        })
        .collect();
    Ok(all?.into_iter().flatten().collect())
}

/// The sphere of all points near a centre; `None` where they are no ball of this radius.
fn refined(run: &Run, points: &[Point], centre: Point, radius: f64) -> Result<Option<FoundBall>, Stopped> {
    let (mut centre, mut size) = (centre, radius);
    let mut reach = 0.1 * radius;
    let mut best: Option<(SphereFit, Vec<f64>, usize)> = None;
    let near: Vec<Point> = {
        let mut near = Vec::new();
        for (i, p) in points.iter().enumerate() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            if (p - centre).norm() <= 1.3 * radius {
                near.push(*p);
            }
        }
        near
    };
    for _ in 0..6 {
        run.check()?;
        let on: Vec<Point> =
            near.iter().copied().filter(|p| ((p - centre).norm() - size).abs() <= reach).collect();
        if on.len() < BALL_POINTS {
            return Ok(None);
        }
        let Ok(fit) = sphere(&on) else { return Ok(None) };
        if !((fit.radius_mm / radius - 1.0).abs() <= 0.05) {
            return Ok(None);
        }
        (centre, size) = (fit.centre, fit.radius_mm);
        let residuals: Vec<f64> = on.iter().map(|p| (p - centre).norm() - size).collect();
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        let half = sizes.len() / 2;
        // 1.4826 times the median: the standard deviation of normal residuals, whatever stands off.
        let scatter = 1.482_602_218_505_602 * *sizes.select_nth_unstable_by(half, f64::total_cmp).1;
        let next = (OFF_BALL * scatter).max(1e-6 * radius);
        let shell = near.iter().filter(|p| ((*p - centre).norm() - size).abs() <= 0.1 * radius).count();
        // Points of a stem may have left the shell when the ball moved.
        let left_out = shell.saturating_sub(on.len());
        best = Some((fit, residuals, left_out));
        if (next - reach).abs() <= 1e-3 * reach {
            break;
        }
        reach = next.min(reach);
    }
    let Some((fit, residuals, left_out)) = best.filter(|b| b.0.rms_mm <= ROUND * radius) else {
        return Ok(None);
    };
    let noise_mm = fit.noise_mm().unwrap_or(fit.rms_mm);
    Ok(Some(FoundBall { dispersion_mm: shell(residuals), noise_mm, fit, left_out }))
}

/// Width of the narrowest shell about a centre that holds 95 % of these distances.
fn shell(mut residuals: Vec<f64>) -> f64 {
    residuals.sort_unstable_by(f64::total_cmp);
    let n = residuals.len();
    let held = ((0.95 * n as f64).ceil() as usize).clamp(1, n);
    (0..=n - held).map(|i| residuals[i + held - 1] - residuals[i]).fold(f64::INFINITY, f64::min)
}
