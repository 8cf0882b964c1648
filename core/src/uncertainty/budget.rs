//! One budget for every characteristic; contributions join it by name.
//!
//! Law of propagation for independent inputs, JCGM 100:2008, 5.1.2: variances add.

/// Where a contribution comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// Noise of the feature's own points.
    Noise,
    /// Places between the points.
    Sampling,
    /// The alignment on the datums (or the best fit), from noise of the datum features.
    Alignment,
    /// How several scans of one part lie to each other, drawn once for all results.
    Join,
    /// The instrument that took points or was read by hand, as its uncertainty is stated.
    Instrument,
    /// The relative error of the instrument's lengths, drawn once a scan.
    LengthScale,
    /// The instrument's long-wave error over the measured volume, drawn once a scan.
    Distortion,
    /// How far off the surface the instrument's points lie on average.
    Probing,
    /// Temperature and expansion of the part.
    Temperature,
    /// How the axis lies along which a wall is looked at that is too short to tell its own: its skin's tilt, its lean.
    Lean,
    /// What smoothing before the scan came here has drawn aside.
    Smoothing,
    /// An included angle that is held because the points do not tell it.
    IncludedAngle,
}

impl Source {
    /// One lower-case word, as records say it.
    pub fn word(self) -> &'static str {
        match self {
            Source::Noise => "noise",
            Source::Sampling => "sampling",
            Source::Alignment => "alignment",
            Source::Join => "join",
            Source::Instrument => "instrument",
            Source::LengthScale => "length_scale",
            Source::Distortion => "distortion",
            Source::Probing => "probing",
            Source::Temperature => "temperature",
            Source::Lean => "lean",
            Source::Smoothing => "smoothing",
            Source::IncludedAngle => "included_angle",
        }
    }
}

/// The contributions to the uncertainty of one value.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Budget {
    lines: Vec<(Source, f64)>,
}

impl Budget {
    /// Nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// With one more contribution: a standard uncertainty, mm. A negative or non-finite one would be a
    /// fault of the caller and counts as infinite, so that it can never help a part to pass.
    #[must_use]
    pub fn with(mut self, source: Source, standard_mm: f64) -> Self {
        let sane = standard_mm.is_finite() && standard_mm >= 0.0;
        self.lines.push((source, if sane { standard_mm } else { f64::INFINITY }));
        self
    }

    /// With several more.
    #[must_use]
    pub fn with_all(self, lines: &[(Source, f64)]) -> Self {
        lines.iter().fold(self, |budget, (source, u)| budget.with(*source, *u))
    }

    /// The lines in the order in which they joined.
    pub fn lines(&self) -> &[(Source, f64)] {
        &self.lines
    }

    /// Combined standard uncertainty, mm.
    pub fn combined_mm(&self) -> f64 {
        self.lines.iter().map(|(_, u)| u * u).sum::<f64>().sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn variances_add_and_nonsense_never_helps() {
        // JCGM 100:2008, H.1.4: contributions 25, 9.7, 2.9 and 16.6 nm combine to 32 nm (31.71).
        let b = [25.0, 9.7, 2.9, 16.6].iter().fold(Budget::new(), |b, u| b.with(Source::Noise, *u));
        assert!((b.combined_mm() - 31.71).abs() < 0.05);
        assert_eq!(Budget::new().with(Source::Noise, f64::NAN).combined_mm(), f64::INFINITY);
        assert_eq!(Budget::new().with(Source::Noise, -1.0).combined_mm(), f64::INFINITY);
    }
}
