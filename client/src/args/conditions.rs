//! How a scan or points were taken, and what is known of the instrument.

use clap::{Args, ValueEnum};
use scantling_proto::v1::{Acquisition, InstrumentErrors, MeshHistory, SurfaceClass};

use super::words::{number, positive};

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum SurfaceClassArg {
    /// Matt and light, or sprayed
    Dull,
    /// Dark, as bare carbon fibre
    Dark,
    /// Glossy
    Gloss,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum MeshHistoryArg {
    /// Nothing was done to the points
    Raw,
    /// They were smoothed
    Smoothed,
    /// Openings were closed
    HolesFilled,
}

/// What is stated of an acquisition; what is left out is not known, and a caution says what the uncertainty lacks.
#[derive(Args, Debug, Default)]
#[command(next_help_heading = "Conditions and instrument")]
pub(crate) struct Conditions {
    /// Standard uncertainty of --temperature-c, K
    #[arg(long, value_name = "K", value_parser = from_zero, requires = "temperature_c", allow_negative_numbers = true)]
    pub(crate) temperature_uncertainty: Option<f64>,
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
    /// On what the part lay or hung, in words
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub(crate) supports: String,
    /// Direction in which weight pulled, in the part's axes
    #[arg(long, value_name = "X,Y,Z", value_parser = direction, allow_hyphen_values = true)]
    pub(crate) gravity: Option<[f64; 3]>,
    /// Whether the part was sprayed matt
    #[arg(long, value_name = "true|false")]
    pub(crate) matt_spray: Option<bool>,
    /// How the surface takes light
    #[arg(long, value_enum)]
    pub(crate) surface_class: Option<SurfaceClassArg>,
    /// What was done to the points before they came here
    #[arg(long, value_enum)]
    pub(crate) mesh_history: Option<MeshHistoryArg>,
    /// How many passes make the scan
    #[arg(long, value_name = "NUMBER")]
    pub(crate) passes: Option<i32>,
}

fn from_zero(typed: &str) -> Result<f64, String> {
    number(typed).filter(|v| *v >= 0.0).ok_or_else(|| "write a number, 0 or more, such as 0.02".to_owned())
}

fn direction(typed: &str) -> Result<[f64; 3], String> {
    let numbers: Option<Vec<f64>> = typed.split(',').map(|word| number(word.trim())).collect();
    match numbers.as_deref() {
        Some(&[x, y, z]) if x * x + y * y + z * z > 0.0 => Ok([x, y, z]),
        _ => Err("write X,Y,Z, not all 0, such as 0,0,-1".to_owned()),
    }
}

impl Conditions {
    /// Writes them into an acquisition.
    pub(crate) fn told(&self, into: Acquisition) -> Acquisition {
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
        let surface_class = self.surface_class.map_or(SurfaceClass::Unspecified, |s| match s {
            SurfaceClassArg::Dull => SurfaceClass::Dull,
            SurfaceClassArg::Dark => SurfaceClass::Dark,
            SurfaceClassArg::Gloss => SurfaceClass::Gloss,
        });
        let mesh_history = self.mesh_history.map_or(MeshHistory::Unspecified, |m| match m {
            MeshHistoryArg::Raw => MeshHistory::Raw,
            MeshHistoryArg::Smoothed => MeshHistory::Smoothed,
            MeshHistoryArg::HolesFilled => MeshHistory::HolesFilled,
        });
        Acquisition {
            temperature_standard_uncertainty_k: self.temperature_uncertainty,
            instrument_errors: (errors != InstrumentErrors::default()).then_some(errors),
            supports: self.supports.clone(),
            gravity: self.gravity.map_or_else(Vec::new, |g| g.to_vec()),
            matt_spray: self.matt_spray,
            surface_class: surface_class.into(),
            mesh_history: mesh_history.into(),
            passes: self.passes,
            ..into
        }
    }
}
