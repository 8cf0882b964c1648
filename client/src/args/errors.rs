//! What is stated of an instrument's errors.

use clap::Args;
use scantling_proto::v1::InstrumentErrors;

use super::words::{from_zero, positive};

/// Standard uncertainties; what is left out is not known.
#[derive(Args, Debug, Default)]
pub(crate) struct Errors {
    /// Relative error of the instrument's lengths, mm for each m
    #[arg(long, value_name = "MM_PER_M", value_parser = from_zero, allow_negative_numbers = true)]
    pub(crate) length_scale: Option<f64>,
    /// Long-wave error of the instrument over its volume, mm
    #[arg(long, value_name = "MM", value_parser = from_zero, allow_negative_numbers = true)]
    pub(crate) distortion: Option<f64>,
    /// How far off the surface its points lie on average, mm: half of the probing size error
    #[arg(long, value_name = "MM", value_parser = from_zero, allow_negative_numbers = true)]
    pub(crate) probing: Option<f64>,
    /// Noise of one point, mm: at least this, whatever the scan shows
    #[arg(long, value_name = "MM", value_parser = from_zero, allow_negative_numbers = true)]
    pub(crate) point_noise: Option<f64>,
    /// Noise that neighbouring points share, mm
    #[arg(long, value_name = "MM", value_parser = from_zero, requires = "correlation_length", allow_negative_numbers = true)]
    pub(crate) correlated_noise: Option<f64>,
    /// Distance at which its correlation has fallen to 0.61, mm
    #[arg(long, value_name = "MM", value_parser = positive, requires = "correlated_noise", allow_negative_numbers = true)]
    pub(crate) correlation_length: Option<f64>,
    /// How far passes lie off each other, mm
    #[arg(long, value_name = "MM", value_parser = from_zero, requires = "pass_width", allow_negative_numbers = true)]
    pub(crate) pass_seam: Option<f64>,
    /// Width of a pass, mm
    #[arg(long, value_name = "MM", value_parser = positive, requires = "pass_seam", allow_negative_numbers = true)]
    pub(crate) pass_width: Option<f64>,
}

impl Errors {
    /// As the contract says them; `None` where nothing is stated.
    pub(crate) fn told(&self) -> Option<InstrumentErrors> {
        let errors = InstrumentErrors {
            point_noise_mm: self.point_noise,
            correlated_noise_mm: self.correlated_noise,
            correlation_length_mm: self.correlation_length,
            pass_seam_mm: self.pass_seam,
            pass_width_mm: self.pass_width,
            length_scale_mm_per_m: self.length_scale,
            distortion_mm: self.distortion,
            probing_mm: self.probing,
        };
        (errors != InstrumentErrors::default()).then_some(errors)
    }
}
