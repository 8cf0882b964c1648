//! Verification of a scanner from a scan of a known artefact: balls at calibrated places.
//!
//! Terms of ISO 10360-13:2021 (from memory): the probing size error is the diameter of a ball from all of its points less the
//! calibrated one, the probing dispersion the width of the shell about its centre that holds 95 % of its points, the
//! distortion error the distance of two centres less the calibrated one. From the last follow a scale by regression, and what
//! no scale explains.
//!
//! Nothing is told about where the artefact lies: the balls are found by their diameters, and which is which by their distances.
//!
//! Which of an instrument's verifications counts for what was taken on a day is [`in_force`].

mod balls;
mod lengths;
mod permitted;
mod register;

pub use balls::{FoundBall, find_balls};
pub use permitted::Permitted;
pub use register::{Registered, in_force};

use crate::associate::FitError;
use crate::geometry::Point;
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::uncertainty::InstrumentErrors;

/// A ball of an artefact.
#[derive(Clone, Debug, PartialEq)]
pub struct Ball {
    /// What it is called.
    pub id: String,
    /// Calibrated place of its centre, in the artefact's axes, mm, at the scan's temperature.
    pub at: Point,
    /// Calibrated diameter, mm.
    pub diameter_mm: f64,
}

/// A known artefact.
#[derive(Clone, Debug, PartialEq)]
pub struct Artefact {
    /// Its balls, at least two.
    pub balls: Vec<Ball>,
    /// Standard uncertainty of the calibrated distance of two centres, mm.
    pub length_standard_mm: f64,
    /// Standard uncertainty of a calibrated diameter, mm.
    pub diameter_standard_mm: f64,
}

/// Why there is no verification.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum VerificationError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// An artefact that is none.
    #[error("{0}")]
    Artefact(String),
    /// Too few of its balls were found.
    #[error(
        "{found} of {needed} balls were found where their calibrated distances say; scan all of them, from several sides, and \
         check diameters, places and the length unit"
    )]
    Missing {
        /// Balls found.
        found: usize,
        /// Balls of the artefact.
        needed: usize,
    },
    /// A ball cannot be fitted.
    #[error("ball {id}: {cause}")]
    Fit {
        /// Which.
        id: String,
        /// Why.
        cause: FitError,
    },
}

/// A ball as it was measured.
#[derive(Clone, Debug, PartialEq)]
pub struct BallResult {
    /// Which.
    pub id: String,
    /// Its centre, in the scan's axes, mm.
    pub centre: Point,
    /// Points used.
    pub points: usize,
    /// Points near it that were left out because they stand off it.
    pub left_out: usize,
    /// Probing size error: measured less calibrated diameter, mm.
    pub size_error_mm: f64,
    /// Its standard uncertainty, that of the calibration included, mm.
    pub size_standard_mm: f64,
    /// Probing dispersion: width of the shell that holds 95 % of the points, mm.
    pub dispersion_mm: f64,
    /// Standard deviation of the points about the sphere, mm.
    pub noise_mm: f64,
}

/// A distance of two centres.
#[derive(Clone, Debug, PartialEq)]
pub struct LengthResult {
    /// From which ball.
    pub from: String,
    /// To which.
    pub to: String,
    /// Calibrated, mm.
    pub calibrated_mm: f64,
    /// Distortion error: measured less calibrated, mm.
    pub error_mm: f64,
    /// Its standard uncertainty, that of the calibration included, mm.
    pub standard_mm: f64,
}

/// What a scan of an artefact shows of its scanner.
#[derive(Clone, Debug, PartialEq)]
pub struct Verification {
    /// Every ball, in the artefact's order.
    pub balls: Vec<BallResult>,
    /// Every pair of them, in the same order.
    pub lengths: Vec<LengthResult>,
    /// How much too long all lengths are measured, mm for each m.
    pub scale_mm_per_m: f64,
    /// Its standard uncertainty, that of the calibration included, mm for each m.
    pub scale_standard_mm_per_m: f64,
    /// What the scale leaves of the centres' places, as a standard deviation of one coordinate, mm.
    pub distortion_mm: f64,
    /// Standard deviation of one coordinate of a centre that the points' noise alone explains, mm.
    pub centre_noise_mm: f64,
    /// Standard deviation of the points about their spheres, over all of them, mm.
    pub noise_mm: f64,
}

/// Measures an artefact in a scan.
///
/// # Errors
/// See [`VerificationError`].
pub fn verify(run: &Run, scan: &Scan, artefact: &Artefact) -> Result<Verification, VerificationError> {
    check(artefact)?;
    let points: Vec<Point> = scan.points().to_vec();
    let mut diameters: Vec<f64> = artefact.balls.iter().map(|b| b.diameter_mm).collect();
    diameters.sort_unstable_by(f64::total_cmp);
    diameters.dedup_by(|a, b| (*a - *b).abs() <= 0.02 * *b);
    let mut found: Vec<FoundBall> = Vec::new();
    for diameter in diameters {
        found.extend(find_balls(run, &points, diameter)?);
    }
    let named = lengths::named(run, &found, &artefact.balls)?;
    let (needed, count) = (artefact.balls.len(), named.iter().flatten().count());
    let all: Option<Vec<&FoundBall>> = named.iter().map(|n| n.map(|i| &found[i])).collect();
    let Some(all) = all else { return Err(VerificationError::Missing { found: count, needed }) };
    let mut balls = Vec::with_capacity(needed);
    for (ball, f) in artefact.balls.iter().zip(&all) {
        let u = f.noise_mm * f.fit.unit_covariance[3][3].max(0.0).sqrt();
        balls.push(BallResult {
            id: ball.id.clone(),
            centre: f.fit.centre,
            points: f.fit.points,
            left_out: f.left_out,
            size_error_mm: f.fit.diameter_mm() - ball.diameter_mm,
            size_standard_mm: (4.0 * u * u + artefact.diameter_standard_mm * artefact.diameter_standard_mm)
                .sqrt(),
            dispersion_mm: f.dispersion_mm,
            noise_mm: f.noise_mm,
        });
    }
    let measured: Vec<Point> = all.iter().map(|f| f.fit.centre).collect();
    let variances: Vec<f64> = all.iter().map(|f| f.centre_variance()).collect();
    let regression = lengths::regression(artefact, &measured, &variances);
    let points_of = |f: &&FoundBall| (f.fit.points.saturating_sub(4)) as f64;
    let spare: f64 = all.iter().map(points_of).sum();
    let square: f64 = all.iter().map(|f| f.noise_mm * f.noise_mm * points_of(f)).sum();
    Ok(Verification {
        balls,
        lengths: regression.lengths,
        scale_mm_per_m: 1e3 * regression.scale,
        scale_standard_mm_per_m: 1e3 * regression.scale_standard,
        distortion_mm: regression.distortion_mm,
        centre_noise_mm: (variances.iter().sum::<f64>() / variances.len() as f64).sqrt(),
        noise_mm: if spare > 0.0 { (square / spare).sqrt() } else { 0.0 },
    })
}

fn check(artefact: &Artefact) -> Result<(), VerificationError> {
    let wrong = |words: String| Err(VerificationError::Artefact(words));
    if artefact.balls.len() < 2 {
        return wrong("an artefact needs at least two balls".into());
    }
    let sound = |u: f64| u.is_finite() && u >= 0.0;
    if !(sound(artefact.length_standard_mm) && sound(artefact.diameter_standard_mm)) {
        return wrong("the uncertainty of a calibration must be 0 mm or more".into());
    }
    for (i, ball) in artefact.balls.iter().enumerate() {
        if !(ball.diameter_mm.is_finite() && ball.diameter_mm > 0.0 && ball.at.iter().all(|c| c.is_finite()))
        {
            return wrong(format!("ball {}: its place must be finite and its diameter above 0 mm", ball.id));
        }
        for other in &artefact.balls[..i] {
            if other.id == ball.id {
                return wrong(format!("two balls are called {}", ball.id));
            }
            if !((other.at - ball.at).norm() > 0.5 * (other.diameter_mm + ball.diameter_mm)) {
                return wrong(format!("balls {} and {} lie within each other", other.id, ball.id));
            }
        }
    }
    Ok(())
}

impl Verification {
    /// The largest probing size error, signed, mm.
    pub fn size_error_mm(&self) -> f64 {
        largest(self.balls.iter().map(|b| b.size_error_mm))
    }

    /// The largest probing dispersion, mm.
    pub fn dispersion_mm(&self) -> f64 {
        self.balls.iter().map(|b| b.dispersion_mm).fold(0.0, f64::max)
    }

    /// The largest distortion error, signed, mm.
    pub fn length_error_mm(&self) -> f64 {
        largest(self.lengths.iter().map(|l| l.error_mm))
    }

    /// What it says of the instrument, as standard uncertainties. An error that was seen and is not corrected counts whole,
    /// with its own uncertainty (JCGM 100:2008, F.2.4.5); what the centres scatter beyond their noise is distortion.
    pub fn errors(&self) -> InstrumentErrors {
        let scale = self.scale_mm_per_m * self.scale_mm_per_m
            + self.scale_standard_mm_per_m * self.scale_standard_mm_per_m;
        let beyond = self.distortion_mm * self.distortion_mm - self.centre_noise_mm * self.centre_noise_mm;
        let probing = |b: &BallResult| {
            0.5 * (b.size_error_mm * b.size_error_mm + b.size_standard_mm * b.size_standard_mm).sqrt()
        };
        InstrumentErrors {
            point_noise_mm: Some(self.noise_mm),
            length_scale_mm_per_m: Some(scale.sqrt()),
            // Two balls have no distance beside the one that tells the scale.
            distortion_mm: (self.balls.len() > 2).then(|| beyond.max(0.0).sqrt()),
            probing_mm: Some(self.balls.iter().map(probing).fold(0.0, f64::max)),
            ..InstrumentErrors::default()
        }
    }
}

fn largest(all: impl Iterator<Item = f64>) -> f64 {
    all.fold(0.0, |worst: f64, e| if e.abs() > worst.abs() { e } else { worst })
}

#[cfg(test)]
mod tests;
