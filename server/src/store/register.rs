//! What the store keeps of instruments and their verifications, in words of its own.

use scantling_core::scan::LengthUnit;
use scantling_core::uncertainty::{Day, InstrumentErrors};
use serde::{Deserialize, Serialize};

use super::SurfaceClass;

/// What a caller gives to register an instrument, checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewInstrument {
    pub id: String,
    pub title: String,
    pub serial_number: String,
}

/// An instrument.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Instrument {
    pub content: NewInstrument,
    pub create_time_us: i64,
}

/// What a caller gives to register a verification, checked, with what was computed for it.
#[derive(Clone, Debug, PartialEq)]
pub struct NewVerification {
    /// Id of the instrument.
    pub instrument: String,
    pub id: String,
    pub verified_on: Day,
    pub valid_until: Day,
    pub simulated: bool,
    pub content: VerificationContent,
    /// What the scan of balls showed; `None` of a certificate, and in lists.
    pub results: Option<BallResults>,
}

/// What is found of an instrument, and from where it is known.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VerificationContent {
    /// On which surfaces; empty for every one.
    pub surfaces: Vec<SurfaceClass>,
    pub errors: InstrumentErrors,
    pub verifier: String,
    pub source: VerificationSource,
    /// What was found to be more than is permitted, in words.
    pub problems: Vec<String>,
}

/// Where a verification's errors come from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum VerificationSource {
    /// A certificate states them.
    Certificate {
        title: String,
        /// Digest of the certificate itself.
        blob: Option<String>,
    },
    /// A scan of calibrated balls.
    BallScan(BallScan),
}

impl VerificationSource {
    /// Digest of the file that it rests on.
    pub fn blob(&self) -> Option<&str> {
        match self {
            VerificationSource::Certificate { blob, .. } => blob.as_deref(),
            VerificationSource::BallScan(scan) => Some(&scan.blob),
        }
    }
}

/// A scan of an artefact.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BallScan {
    pub blob: String,
    pub length_unit: LengthUnit,
    pub columns: String,
    pub artefact: BallArtefact,
    pub permitted: PermittedErrors,
}

/// Calibrated balls.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BallArtefact {
    pub title: String,
    pub balls: Vec<CalibratedBall>,
    pub length_standard_mm: f64,
    pub diameter_standard_mm: f64,
}

/// One of them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibratedBall {
    pub id: String,
    pub at_mm: [f64; 3],
    pub diameter_mm: f64,
}

/// What a scanner is permitted to err; what is absent is not asked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PermittedErrors {
    pub dispersion_mm: Option<f64>,
    pub size_error_mm: Option<f64>,
    pub length_error_mm: Option<f64>,
    pub length_error_mm_per_m: Option<f64>,
}

/// What a scan of balls showed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BallResults {
    pub balls: Vec<BallResult>,
    pub lengths: Vec<LengthResult>,
    pub scale_mm_per_m: f64,
    pub scale_standard_mm_per_m: f64,
    /// `None` of two balls.
    pub distortion_mm: Option<f64>,
    pub noise_mm: f64,
    /// What was decided or left aside when the file was read.
    pub notes: Vec<String>,
}

/// A ball as it was measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BallResult {
    pub id: String,
    pub centre_mm: [f64; 3],
    pub points: u64,
    pub left_out: u64,
    pub size_error_mm: f64,
    pub size_standard_mm: f64,
    pub dispersion_mm: f64,
    pub noise_mm: f64,
}

/// A distance of two centres as it was measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LengthResult {
    pub from: String,
    pub to: String,
    pub calibrated_mm: f64,
    pub error_mm: f64,
    pub standard_mm: f64,
}

/// The end of a verification.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Withdrawal {
    pub time_us: i64,
    pub reason: String,
}

/// A verification.
#[derive(Clone, Debug, PartialEq)]
pub struct Verification {
    pub content: NewVerification,
    pub create_time_us: i64,
    pub withdrawal: Option<Withdrawal>,
}
