//! One budget for every characteristic; contributions join it by name.
//!
//! Law of propagation for independent inputs, JCGM 100:2008, 5.1.2: variances add.

use crate::geometry::{Direction, Point};

/// Where a contribution comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// Noise of the feature's own points.
    Noise,
    /// Places between the points.
    Sampling,
    /// The alignment on the datums (or the best fit), from noise of the datum features.
    Alignment,
    /// The instrument that took points or was read by hand, as its uncertainty is stated.
    Instrument,
}

impl Source {
    /// One lower-case word, as records say it.
    pub fn word(self) -> &'static str {
        match self {
            Source::Noise => "noise",
            Source::Sampling => "sampling",
            Source::Alignment => "alignment",
            Source::Instrument => "instrument",
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

    /// The lines in the order in which they joined.
    pub fn lines(&self) -> &[(Source, f64)] {
        &self.lines
    }

    /// Combined standard uncertainty, mm.
    pub fn combined_mm(&self) -> f64 {
        self.lines.iter().map(|(_, u)| u * u).sum::<f64>().sqrt()
    }
}

/// Standard uncertainty, along `direction` at the place `at`, of a motion whose covariance is given for
/// (turn about x, y, z through `centre`, rad; shift along x, y, z, mm).
pub fn of_motion(covariance: &[[f64; 6]; 6], centre: Point, at: Point, direction: Direction) -> f64 {
    let n = direction.vector();
    let turn = (at - centre).cross(&n);
    let row = [turn.x, turn.y, turn.z, n.x, n.y, n.z];
    let mut variance = 0.0;
    for i in 0..6 {
        for j in 0..6 {
            variance += row[i] * covariance[i][j] * row[j];
        }
    }
    variance.max(0.0).sqrt()
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

    #[test]
    fn a_turn_counts_with_its_lever() {
        let mut c = [[0.0; 6]; 6];
        c[2][2] = 1e-6; // 1 mrad about z
        c[3][3] = 0.01 * 0.01;
        let u = of_motion(&c, Point::origin(), Point::new(0.0, 10.0, 0.0), Direction::X);
        assert!((u - (0.01f64 * 0.01 + 0.01 * 0.01).sqrt()).abs() < 1e-12);
    }
}
