//! How a scan or points were taken, and what is stated of the instrument. What is not stated is not known, and never zero.

use serde::{Deserialize, Serialize};

use super::Validity;

/// How the part was held (ISO 10579).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Restraint {
    /// Free state.
    FreeState,
    /// Held in a fixture.
    Fixture,
}

/// How a surface takes an optical instrument's light.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SurfaceClass {
    /// Matt and light, or sprayed.
    Dull,
    /// Dark, as bare carbon fibre.
    Dark,
    /// Glossy.
    Gloss,
}

impl SurfaceClass {
    /// One lower-case word.
    pub fn word(self) -> &'static str {
        match self {
            SurfaceClass::Dull => "dull",
            SurfaceClass::Dark => "dark",
            SurfaceClass::Gloss => "gloss",
        }
    }
}

/// What was done to the points before they came here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MeshHistory {
    /// Nothing.
    Raw,
    /// Smoothed: noise that is seen is less than what the instrument has.
    Smoothed,
    /// Openings were closed with points that were never there.
    HolesFilled,
}

impl MeshHistory {
    /// One lower-case word.
    pub fn word(self) -> &'static str {
        match self {
            MeshHistory::Raw => "raw",
            MeshHistory::Smoothed => "smoothed",
            MeshHistory::HolesFilled => "holes_filled",
        }
    }
}

/// Errors of an instrument, as standard uncertainties; `None` where nothing is stated. Terms as in ISO 10360-13:2021.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct InstrumentErrors {
    /// Noise of one point, mm: at least this, whatever the scan shows of it.
    pub point_noise_mm: Option<f64>,
    /// Noise that neighbouring points share, mm.
    pub correlated_noise_mm: Option<f64>,
    /// Distance at which its correlation has fallen to 0.61, mm.
    pub correlation_length_mm: Option<f64>,
    /// How far passes lie off each other, mm.
    pub pass_seam_mm: Option<f64>,
    /// Width of a pass, mm.
    pub pass_width_mm: Option<f64>,
    /// Relative error of all lengths, mm for each m.
    pub length_scale_mm_per_m: Option<f64>,
    /// Long-wave error over the measured volume, mm: distortion, flat-form distortion.
    pub distortion_mm: Option<f64>,
    /// How far outside or inside of the surface points lie on average, mm: half of the probing size error.
    pub probing_mm: Option<f64>,
}

/// Errors that neighbours share over less than this, mm, are those of single points.
const LEAST_MM: f64 = 0.01;

impl InstrumentErrors {
    /// What is stated here, and elsewhere where nothing is.
    pub fn or(&self, elsewhere: &Self) -> Self {
        Self {
            point_noise_mm: self.point_noise_mm.or(elsewhere.point_noise_mm),
            correlated_noise_mm: self.correlated_noise_mm.or(elsewhere.correlated_noise_mm),
            correlation_length_mm: self.correlation_length_mm.or(elsewhere.correlation_length_mm),
            pass_seam_mm: self.pass_seam_mm.or(elsewhere.pass_seam_mm),
            pass_width_mm: self.pass_width_mm.or(elsewhere.pass_width_mm),
            length_scale_mm_per_m: self.length_scale_mm_per_m.or(elsewhere.length_scale_mm_per_m),
            distortion_mm: self.distortion_mm.or(elsewhere.distortion_mm),
            probing_mm: self.probing_mm.or(elsewhere.probing_mm),
        }
    }

    /// The fields by their names.
    pub fn fields(&self) -> [(&'static str, Option<f64>); 8] {
        [
            ("point_noise_mm", self.point_noise_mm),
            ("correlated_noise_mm", self.correlated_noise_mm),
            ("correlation_length_mm", self.correlation_length_mm),
            ("pass_seam_mm", self.pass_seam_mm),
            ("pass_width_mm", self.pass_width_mm),
            ("length_scale_mm_per_m", self.length_scale_mm_per_m),
            ("distortion_mm", self.distortion_mm),
            ("probing_mm", self.probing_mm),
        ]
    }

    /// What is wrong with a statement: each field with what to do.
    pub fn faults(&self) -> Vec<(&'static str, String)> {
        let mut faults = Vec::new();
        for (name, value) in self.fields() {
            let length = matches!(name, "correlation_length_mm" | "pass_width_mm");
            // Ten millimetres of error, or a percent of every length, is no measuring instrument but a slip of the unit.
            let most = if length { 1e4 } else { 10.0 };
            if let Some(v) = value
                && !(v.is_finite() && v <= most && if length { v >= LEAST_MM } else { v >= 0.0 })
            {
                let least = if length { "of 0.01 or more" } else { "0 or more" };
                faults.push((name, format!("is {v}; write a number {least} and at most {most}")));
            }
        }
        for (name, value, with, other) in [
            (
                "correlated_noise_mm",
                self.correlated_noise_mm,
                "correlation_length_mm",
                self.correlation_length_mm,
            ),
            ("pass_seam_mm", self.pass_seam_mm, "pass_width_mm", self.pass_width_mm),
        ] {
            match (value, other) {
                (Some(_), None) => faults.push((with, format!("must be said together with {name}"))),
                (None, Some(_)) => faults.push((name, format!("must be said together with {with}"))),
                _ => {}
            }
        }
        faults
    }

    /// Whether nothing is stated.
    pub fn is_empty(&self) -> bool {
        self.fields().iter().all(|f| f.1.is_none())
    }

    /// The larger of two statements, field by field.
    #[must_use]
    pub fn or_larger(&self, other: &Self) -> Self {
        let larger = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (one, None) | (None, one) => one,
        };
        Self {
            point_noise_mm: larger(self.point_noise_mm, other.point_noise_mm),
            correlated_noise_mm: larger(self.correlated_noise_mm, other.correlated_noise_mm),
            correlation_length_mm: larger(self.correlation_length_mm, other.correlation_length_mm),
            pass_seam_mm: larger(self.pass_seam_mm, other.pass_seam_mm),
            pass_width_mm: larger(self.pass_width_mm, other.pass_width_mm),
            length_scale_mm_per_m: larger(self.length_scale_mm_per_m, other.length_scale_mm_per_m),
            distortion_mm: larger(self.distortion_mm, other.distortion_mm),
            probing_mm: larger(self.probing_mm, other.probing_mm),
        }
    }
}

/// How a scan or a file of points was taken.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Conditions {
    /// The instrument, as the plant names it; empty where it is not stated.
    pub instrument: String,
    /// Its name in the register of instruments; empty where none was named.
    pub registered_instrument: String,
    /// What is stated of its errors.
    pub errors: InstrumentErrors,
    /// Whether its verification vouches; `None` where no verification was looked for.
    pub validity: Option<Validity>,
    /// How the part was held.
    pub restraint: Option<Restraint>,
    /// On what the part lay or hung, in words.
    pub supports: String,
    /// Direction in which weight pulled, in the part's axes; any length.
    pub gravity: Option<[f64; 3]>,
    /// Whether the part was sprayed matt.
    pub matt_spray: Option<bool>,
    /// How its surface takes light.
    pub surface_class: Option<SurfaceClass>,
    /// What was done to the points.
    pub mesh_history: Option<MeshHistory>,
    /// How many passes make the scan.
    pub passes: Option<u32>,
    /// Temperature of the part, degrees Celsius.
    pub temperature_c: Option<f64>,
    /// Its standard uncertainty, K.
    pub temperature_standard_k: Option<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statements_that_make_no_sense_are_told_each_by_its_field() {
        let errors = InstrumentErrors {
            point_noise_mm: Some(-0.01),
            correlated_noise_mm: Some(0.01),
            pass_width_mm: Some(0.0),
            distortion_mm: Some(f64::NAN),
            length_scale_mm_per_m: Some(0.02),
            ..InstrumentErrors::default()
        };
        let faults: Vec<&str> = errors.faults().iter().map(|f| f.0).collect();
        assert_eq!(
            faults,
            ["point_noise_mm", "pass_width_mm", "distortion_mm", "correlation_length_mm", "pass_seam_mm"]
        );
        assert!(InstrumentErrors::default().faults().is_empty() && InstrumentErrors::default().is_empty());
        let other = InstrumentErrors { length_scale_mm_per_m: Some(0.05), ..InstrumentErrors::default() };
        assert_eq!(errors.or_larger(&other).length_scale_mm_per_m, Some(0.05));
        assert_eq!(other.or_larger(&errors).correlated_noise_mm, Some(0.01));
    }
}
