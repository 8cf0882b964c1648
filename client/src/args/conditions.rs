//! How a scan or points were taken, and what is known of the instrument.

use clap::{Args, ValueEnum};
use scantling_proto::v1::{Acquisition, MeshHistory, SurfaceClass};

use super::errors::Errors;
use super::words::{from_zero, number};

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum SurfaceClassArg {
    /// Matt and light, or sprayed
    Dull,
    /// Dark, as bare carbon fibre
    Dark,
    /// Glossy
    Gloss,
}

impl From<SurfaceClassArg> for SurfaceClass {
    fn from(class: SurfaceClassArg) -> Self {
        match class {
            SurfaceClassArg::Dull => Self::Dull,
            SurfaceClassArg::Dark => Self::Dark,
            SurfaceClassArg::Gloss => Self::Gloss,
        }
    }
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
    #[command(flatten)]
    pub(crate) errors: Errors,
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
        let surface_class = self.surface_class.map_or(SurfaceClass::Unspecified, SurfaceClass::from);
        let mesh_history = self.mesh_history.map_or(MeshHistory::Unspecified, |m| match m {
            MeshHistoryArg::Raw => MeshHistory::Raw,
            MeshHistoryArg::Smoothed => MeshHistory::Smoothed,
            MeshHistoryArg::HolesFilled => MeshHistory::HolesFilled,
        });
        Acquisition {
            temperature_standard_uncertainty_k: self.temperature_uncertainty,
            instrument_errors: self.errors.told(),
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
