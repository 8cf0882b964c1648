//! What makes a scanner unkind: every setting is off by default.

use super::scanner::ScannerError;
use crate::geometry::math;

/// What a scanner does to its points beside white noise. The default is nothing at all.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Imperfections {
    /// Noise that neighbouring points share.
    pub correlated_noise: Option<CorrelatedNoise>,
    /// How noise grows with the angle between normal and view: all noise is multiplied by
    /// 1 + growth (1 / cos(angle) - 1). 0 for not at all, 1 for as the triangulation's footprint does
    /// (common practice, no source).
    pub noise_growth: f64,
    /// Points that are missing.
    pub drop_out: Option<DropOut>,
    /// Passes that do not quite fit to each other.
    pub seams: Option<PassSeams>,
    /// Sharp edges are measured rounded with this radius, mm.
    pub edge_radius_mm: Option<f64>,
    /// The exporter smooths over neighbours on the same side up to this distance, mm.
    pub smoothing_mm: Option<f64>,
    /// The exporter closes holes and openings up to this size, mm, with points that were never there.
    pub filled_openings_mm: Option<f64>,
    /// All lengths are measured too long by this many parts per million, from the scanner's origin.
    pub scale_error_ppm: f64,
    /// Reference targets stuck onto the parts.
    pub targets: Option<ReferenceTargets>,
}

/// A smooth random field along the surface's normal, each pass its own: Gaussian, with the autocorrelation
/// exp(-d^2 / (2 length^2)) over the distance d.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CorrelatedNoise {
    /// Standard deviation, mm.
    pub deviation_mm: f64,
    /// Distance at which the correlation has fallen to exp(-1/2) = 0.61, mm.
    pub length_mm: f64,
}

/// Points that are missing, by angle and kind of surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DropOut {
    /// The kind of surface.
    pub surface: SurfaceClass,
    /// Points are missing in patches of about this size, mm; `None` for one by one.
    pub patch_mm: Option<f64>,
}

/// How a surface takes the scanner's light.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SurfaceClass {
    /// Matt and light, or sprayed.
    Dull,
    /// Dark, as bare carbon fibre.
    Dark,
    /// Glossy: a mirror where it is looked at squarely.
    Gloss,
}

/// Each pass but the first is off by a small rigid motion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PassSeams {
    /// Least shift, mm, in a random direction.
    pub least_mm: f64,
    /// Largest shift, mm.
    pub largest_mm: f64,
    /// Largest turn, rad, about a random axis through the middle of what is scanned.
    pub turn_rad: f64,
}

/// Round reference targets, which stand above the surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferenceTargets {
    /// How many, at random places of the parts.
    pub count: usize,
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Thickness, mm.
    pub thickness_mm: f64,
}

impl SurfaceClass {
    /// The probability that a point is missing which is looked at under `angle_rad` between normal and view:
    /// a share that is always missing, one that grows from a first angle to 70 degrees, and the glare of a
    /// glossy surface. Numbers: common practice, no source.
    pub fn drop_out(self, angle_rad: f64) -> f64 {
        let (always, from_deg, at_end) = match self {
            SurfaceClass::Dull => (0.01, 50.0, 0.25),
            SurfaceClass::Dark => (0.08, 30.0, 0.70),
            SurfaceClass::Gloss => (0.05, 40.0, 0.60),
        };
        let angle_deg = angle_rad.to_degrees();
        if self == SurfaceClass::Gloss && angle_deg < 5.0 {
            return 0.4;
        }
        let grown = ((angle_deg - from_deg) / (70.0 - from_deg)).clamp(0.0, 1.0);
        always + (at_end - always) * grown * grown
    }
}

impl Imperfections {
    /// By how much noise is larger where the cosine of the angle between normal and view is `facing`.
    pub(super) fn noise_factor(&self, facing: f64) -> f64 {
        1.0 + self.noise_growth * (1.0 / facing - 1.0)
    }

    /// Refuses what makes no sense, and what would take for ever at this spacing.
    pub(super) fn check(&self, spacing_mm: f64) -> Result<(), ScannerError> {
        let zero_up = |v: f64| v.is_finite() && v >= 0.0;
        let above = |v: f64| v.is_finite() && v > 0.0;
        let mut all = vec![(zero_up(self.noise_growth), "noise growth", self.noise_growth, "0 or more")];
        if let Some(c) = self.correlated_noise {
            let text = "0 mm or more";
            all.push((zero_up(c.deviation_mm), "correlated noise's deviation", c.deviation_mm, text));
            all.push((above(c.length_mm), "correlated noise's length", c.length_mm, "above 0 mm"));
        }
        if let Some(patch) = self.drop_out.and_then(|d| d.patch_mm) {
            all.push((above(patch), "drop-out's patch", patch, "above 0 mm"));
        }
        if let Some(s) = self.seams {
            all.push((zero_up(s.least_mm), "seams' least shift", s.least_mm, "0 mm or more"));
            let largest = s.largest_mm.is_finite() && s.largest_mm >= s.least_mm;
            all.push((largest, "seams' largest shift", s.largest_mm, "at least the least"));
            let turn = zero_up(s.turn_rad) && s.turn_rad <= 0.1;
            all.push((turn, "seams' turn", s.turn_rad, "0 to 0.1 rad"));
        }
        for (value, name) in [
            (self.edge_radius_mm, "edge radius"),
            (self.smoothing_mm, "smoothing length"),
            (self.filled_openings_mm, "size of filled openings"),
        ] {
            if let Some(v) = value {
                all.push((above(v), name, v, "above 0 mm"));
            }
        }
        if let Some(v) = self.smoothing_mm {
            all.push((v <= 50.0 * spacing_mm, "smoothing length", v, "at most 50 times the spacing"));
        }
        if let Some(v) = self.filled_openings_mm {
            let text = "at most 1000 times the spacing";
            all.push((v <= 1000.0 * spacing_mm, "size of filled openings", v, text));
        }
        let scale = self.scale_error_ppm.is_finite() && self.scale_error_ppm.abs() <= 1e5;
        all.push((scale, "scale error", self.scale_error_ppm, "-100000 to 100000 ppm"));
        if let Some(t) = self.targets {
            all.push((above(t.diameter_mm), "targets' diameter", t.diameter_mm, "above 0 mm"));
            all.push((zero_up(t.thickness_mm), "targets' thickness", t.thickness_mm, "0 mm or more"));
            all.push((t.count <= 10_000, "number of targets", t.count as f64, "at most 10000"));
        }
        match all.into_iter().find(|a| !a.0) {
            None => Ok(()),
            Some((_, setting, value, range)) => Err(ScannerError::Imperfection { setting, value, range }),
        }
    }

    /// Whether a point in a place with this uniform deviate (0 to 1) is missing.
    pub(super) fn missing(drop_out: &DropOut, facing: f64, deviate: f64) -> bool {
        deviate < drop_out.surface.drop_out(math::acos(facing))
    }
}
