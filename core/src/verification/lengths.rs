//! Which ball is which, and what their distances say.

use super::{Artefact, Ball, FoundBall, LengthResult, VerificationError};
use crate::geometry::Point;
use crate::run::Run;

/// Distances of a ball that is the one meant differ from the calibrated ones by no more than this share and so many mm: a scale
/// that is wrong by more is no instrument's but a unit's.
const SHARE: f64 = 0.01;
const WITHIN_MM: f64 = 1.0;

/// Partial assignments tried at most.
const MOST_TRIES: usize = 2_000_000;

/// For each ball of the artefact the index of the ball that was found for it. Balls are told apart by diameter and distances;
/// of a symmetric artefact any way that fits will do, since it gives the same distances. Most balls win, then the smallest
/// sum of squared errors, then the lowest indices.
pub(super) fn named(
    run: &Run,
    found: &[FoundBall],
    balls: &[Ball],
) -> Result<Vec<Option<usize>>, VerificationError> {
    let mut search =
        Search { run, found, balls, best: vec![None; balls.len()], most: 0, least: f64::INFINITY, tries: 0 };
    search.go(&mut vec![None; balls.len()], 0, 0, 0.0)?;
    Ok(search.best)
}

struct Search<'a> {
    run: &'a Run<'a>,
    found: &'a [FoundBall],
    balls: &'a [Ball],
    best: Vec<Option<usize>>,
    most: usize,
    least: f64,
    tries: usize,
}

impl Search<'_> {
    fn go(
        &mut self,
        given: &mut Vec<Option<usize>>,
        next: usize,
        count: usize,
        square: f64,
    ) -> Result<(), VerificationError> {
        self.tries += 1;
        if self.tries.is_multiple_of(4096) {
            self.run.check()?;
        }
        if self.tries > MOST_TRIES || count + (self.balls.len() - next) < self.most {
            return Ok(());
        }
        if next == self.balls.len() {
            if count > self.most || (count == self.most && square < self.least) {
                (self.most, self.least) = (count, square);
                self.best.clone_from(given);
            }
            return Ok(());
        }
        for i in 0..self.found.len() {
            if given.contains(&Some(i)) {
                continue;
            }
            if let Some(more) = self.fits(given, next, i) {
                given[next] = Some(i);
                self.go(given, next + 1, count + 1, square + more)?;
                given[next] = None;
            }
        }
        self.go(given, next + 1, count, square)
    }

    /// The squared errors of the distances to the balls named so far, mm2; `None` where one is too wrong.
    fn fits(&self, given: &[Option<usize>], next: usize, i: usize) -> Option<f64> {
        let (ball, found) = (&self.balls[next], &self.found[i].fit);
        if !((found.diameter_mm() / ball.diameter_mm - 1.0).abs() <= 0.05) {
            return None;
        }
        let mut square = 0.0;
        for (other, j) in self.balls.iter().zip(given).filter_map(|(b, g)| Some((b, (*g)?))) {
            let length = (ball.at - other.at).norm();
            let error = (found.centre - self.found[j].fit.centre).norm() - length;
            if !(error.abs() <= WITHIN_MM + SHARE * length) {
                return None;
            }
            square += error * error;
        }
        Some(square)
    }
}

/// What distances say together.
pub(super) struct Regression {
    pub(super) lengths: Vec<LengthResult>,
    /// Relative.
    pub(super) scale: f64,
    pub(super) scale_standard: f64,
    pub(super) distortion_mm: f64,
}

/// Errors of all distances and their regression on the length through zero. With errors of the centres that are independent and
/// alike, that is the scale of the best similarity between measured and calibrated centres: the sum over all pairs of
/// length times error over that of squared lengths is a sum over the centres, each from their middle (elementary), so its
/// standard uncertainty is that of one coordinate over the root of the sum of squared distances from the middle. `variances`
/// are those that noise alone gives a coordinate of each centre, mm2.
pub(super) fn regression(artefact: &Artefact, measured: &[Point], variances: &[f64]) -> Regression {
    let balls = &artefact.balls;
    let calibration = artefact.length_standard_mm;
    let mut lengths = Vec::new();
    let (mut product, mut square) = (0.0, 0.0);
    for i in 0..balls.len() {
        for j in i + 1..balls.len() {
            let calibrated_mm = (balls[i].at - balls[j].at).norm();
            let error_mm = (measured[i] - measured[j]).norm() - calibrated_mm;
            product += calibrated_mm * error_mm;
            square += calibrated_mm * calibrated_mm;
            lengths.push(LengthResult {
                from: balls[i].id.clone(),
                to: balls[j].id.clone(),
                calibrated_mm,
                error_mm,
                standard_mm: (variances[i] + variances[j] + calibration * calibration).sqrt(),
            });
        }
    }
    let scale = product / square;
    let m = balls.len() as f64;
    let residual: f64 = lengths.iter().map(|l| l.error_mm - scale * l.calibrated_mm).map(|r| r * r).sum();
    // Of centres that err by s a coordinate the residuals' squares sum to s^2 m (m - 2) in the mean.
    let seen = if balls.len() > 2 { (residual / (m * (m - 2.0))).sqrt() } else { 0.0 };
    let noise = (variances.iter().sum::<f64>() / m).sqrt();
    let coordinate = seen.max(noise);
    // Sum over pairs of squared lengths: m times the sum of squared distances from the middle.
    let spread = (square / m).sqrt();
    let root_mean_square = (square / lengths.len() as f64).sqrt();
    let (own, of_calibration) = (coordinate / spread, calibration / root_mean_square);
    Regression {
        lengths,
        scale,
        scale_standard: (own * own + of_calibration * of_calibration).sqrt(),
        distortion_mm: seen,
    }
}
