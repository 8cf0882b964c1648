//! A scanner: it sees the made surface from some views and writes points with noise, in its own axes.

use super::capture::{Body, capture};
use super::imperfection::Imperfections;
use super::made::Made;
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, math};
use crate::run::{Stopped, quiet};

/// Most points sampled.
const MOST_POINTS: f64 = 50e6;

/// Why nothing was scanned.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ScannerError {
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// The spacing is no length.
    #[error("the spacing must be a length above 0 mm, got {0}")]
    Spacing(f64),
    /// The noise is no length.
    #[error("the noise must be 0 mm or more, got {0}")]
    Noise(f64),
    /// Nothing looks at the part.
    #[error("the scanner needs at least one view")]
    NoViews,
    /// An imperfection that makes no sense.
    #[error("the {setting} is {value}; choose {range}")]
    Imperfection {
        /// Which one.
        setting: &'static str,
        /// What it was.
        value: f64,
        /// What it may be.
        range: &'static str,
    },
    /// A deviation that cannot be made.
    #[error("deviation {index} (counted from 0) of part {body}: {problem}")]
    Deviation {
        /// Index of the part.
        body: usize,
        /// Index among its deviations.
        index: usize,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// Nothing lies before the scanner.
    #[error("the scene is empty; put a part, a table or a clamp into it")]
    EmptyScene,
    /// The table has no size.
    #[error("the table's sizes must be lengths above 0 mm and its roughness 0 mm or more")]
    Table,
    /// A clamp has no size.
    #[error("clamp {0} (counted from 0) must have finite places and sizes above 0 mm")]
    Clamp(usize),
    /// The spacing is too fine for the part.
    #[error("a spacing of {spacing_mm} mm makes about {points:.0} points; choose a wider one")]
    TooManyPoints {
        /// The spacing.
        spacing_mm: f64,
        /// Points it would make.
        points: f64,
    },
}

/// How a part is scanned.
#[derive(Clone, Debug, PartialEq)]
pub struct Scanner {
    /// Distance between neighbouring points, mm, about.
    pub spacing_mm: f64,
    /// Standard deviation of the noise, mm: white, along the made surface's normal.
    pub noise_mm: f64,
    /// Standard deviation of the normals' error about each of two axes, rad.
    pub normal_error_rad: f64,
    /// From the part towards the scanner, in the part's axes.
    pub views: Vec<Direction>,
    /// The same seed makes the same scan.
    pub seed: u64,
    /// What it does beside white noise; nothing by default.
    pub imperfections: Imperfections,
}

/// Points as a scanner writes them.
#[derive(Clone, Debug, PartialEq)]
pub struct SimulatedScan {
    /// In the scanner's axes, mm; by views, then by stripes.
    pub points: Vec<Point>,
    /// One a point, out of the material.
    pub normals: Vec<Direction>,
}

impl Scanner {
    /// A one-sided look from the front (+z): one view straight on and six tilted by 35 degrees all round,
    /// so that the walls of holes through a thin sheet are seen on all sides.
    pub fn front(spacing_mm: f64, noise_mm: f64, seed: u64) -> Self {
        let tilt = 35.0_f64.to_radians();
        let tilted = (0..6).filter_map(|i| {
            // Off the part's own axes.
            let turn = (60.0 * f64::from(i) + 15.0).to_radians();
            let (sin, cos) = (math::sin(tilt), math::cos(tilt));
            Direction::new(Vector::new(sin * math::cos(turn), sin * math::sin(turn), cos))
        });
        let views = std::iter::once(Direction::Z).chain(tilted).collect();
        let imperfections = Imperfections::default();
        Self { spacing_mm, noise_mm, normal_error_rad: 2.0_f64.to_radians(), views, seed, imperfections }
    }

    /// Scans a made part. A place is taken when at least one view sees it: within 70 degrees of its normal
    /// and with nothing before it. The same bits on any number of threads.
    ///
    /// # Errors
    /// Settings that make no scan.
    pub fn scan(
        &self,
        made: &Made,
        scan_from_part: &Motion<ScanFrame, PartFrame>,
    ) -> Result<SimulatedScan, ScannerError> {
        let body = Body { made, pose: None, roughness_mm: 0.0, part: true };
        let captured = capture(&quiet(), self, &[body], scan_from_part)?;
        Ok(SimulatedScan { points: captured.points, normals: captured.normals })
    }

    /// Checks the settings against the surface that is to be sampled, mm2.
    pub(super) fn check(&self, area_mm2: f64) -> Result<(), ScannerError> {
        let spacing_mm = self.spacing_mm;
        if !(spacing_mm.is_finite() && spacing_mm > 0.0) {
            return Err(ScannerError::Spacing(spacing_mm));
        }
        if !(self.noise_mm.is_finite() && self.noise_mm >= 0.0) {
            return Err(ScannerError::Noise(self.noise_mm));
        }
        if self.views.is_empty() {
            return Err(ScannerError::NoViews);
        }
        self.imperfections.check(spacing_mm)?;
        let points = area_mm2 / (spacing_mm * spacing_mm);
        // Written so that NaN is refused too.
        if points <= MOST_POINTS { Ok(()) } else { Err(ScannerError::TooManyPoints { spacing_mm, points }) }
    }
}
