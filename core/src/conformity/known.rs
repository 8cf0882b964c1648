//! What is known of a true value once it was measured (JCGM 106:2012, 7.1), and in which unit it is told.

use crate::geometry::math::normal_cdf;
use crate::record::Limits;
use crate::uncertainty::Offset;

/// The unit of a value, for words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit<'a> {
    /// Millimetres.
    Millimetre,
    /// Radians, told in degrees.
    Radian,
    /// Another one, by its name.
    Other(&'a str),
}

impl Unit<'_> {
    /// A value in words: `0.0312 mm`, `0.2000 deg`.
    pub fn words(self, value: f64) -> String {
        match self {
            Unit::Millimetre => format!("{value:.4} mm"),
            Unit::Radian => format!("{:.4} deg", value.to_degrees()),
            Unit::Other(unit) => format!("{value:.4} {unit}"),
        }
    }

    /// A limit or tolerance in words, without digits that it does not have.
    pub fn limit_words(self, value: f64) -> String {
        // Degrees come from radians, and limits from sums: rounding is no digit.
        let plain = |v: f64| (v * 1e9).round() / 1e9;
        match self {
            Unit::Millimetre => format!("{} mm", plain(value)),
            Unit::Radian => format!("{} deg", plain(value.to_degrees())),
            Unit::Other(unit) => format!("{} {unit}", plain(value)),
        }
    }
}

/// What is known of a true value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Known {
    /// A normal distribution about the measured value.
    Normal {
        /// The measured value.
        value: f64,
        /// Its standard uncertainty.
        standard: f64,
    },
    /// A length of an offset, times a factor: 2 for a position, which is told as a diameter.
    Length {
        /// The offset.
        offset: Offset,
        /// The factor, above 0.
        factor: f64,
    },
}

impl Known {
    /// The measured value.
    pub fn value(&self) -> f64 {
        match self {
            Known::Normal { value, .. } => *value,
            Known::Length { offset, factor } => factor * offset.length(),
        }
    }

    /// Its standard uncertainty.
    pub fn standard(&self) -> f64 {
        match self {
            Known::Normal { standard, .. } => *standard,
            Known::Length { offset, factor } => factor * offset.standard(),
        }
    }

    /// Probability that the true value is at most `limit`. With no uncertainty it is 0 or 1.
    pub fn below(&self, limit: f64) -> f64 {
        match *self {
            Known::Normal { value, standard } if standard > 0.0 => normal_cdf((limit - value) / standard),
            Known::Normal { value, .. } => f64::from(u8::from(value <= limit)),
            Known::Length { offset, factor } => offset.within(limit / factor),
        }
    }

    /// Probability that the true value lies within the limits (JCGM 106:2012, 7.2 to 7.4). A certain value on a limit is
    /// inside.
    pub fn within(&self, limits: &Limits) -> f64 {
        let upper = limits.upper_mm.map_or(1.0, |l| self.below(l));
        let lower = limits.lower_mm.map_or(0.0, |l| {
            if self.standard() > 0.0 { self.below(l) } else { f64::from(u8::from(self.value() < l)) }
        });
        (upper - lower).max(0.0)
    }

    /// The same knowledge about another value; an offset keeps its way.
    #[must_use]
    pub fn at(&self, value: f64) -> Self {
        match *self {
            Known::Normal { standard, .. } => Known::Normal { value, standard },
            Known::Length { offset, factor } => {
                Known::Length { offset: offset.lengthened(value / factor), factor }
            }
        }
    }

    /// The same value with another standard uncertainty.
    #[must_use]
    pub fn with_standard(&self, standard: f64) -> Self {
        match *self {
            Known::Normal { value, .. } => Known::Normal { value, standard },
            Known::Length { offset, factor } => {
                let now = self.standard();
                let share = if now > 0.0 { standard / now } else { 0.0 };
                Known::Length { offset: offset.scaled_error(share), factor }
            }
        }
    }

    /// The ends between which the true value lies with 95 % probability.
    pub fn interval(&self) -> [f64; 2] {
        match *self {
            // 1.96: the quantile of 0.975.
            Known::Normal { value, standard } => [value - 1.96 * standard, value + 1.96 * standard],
            Known::Length { offset, factor } => offset.interval().map(|v| v * factor),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An offset of 0.5 in a plane, each component known to 0.01, told as a diameter.
    fn position(error: f64) -> Known {
        let offset = Offset::new([0.3, 0.4], [[error * error, 0.0], [0.0, error * error]]).unwrap();
        Known::Length { offset, factor: 2.0 }
    }

    #[test]
    fn a_position_is_twice_its_offset_and_so_is_its_uncertainty() {
        // ISO 1101: the zone of a position is a cylinder whose diameter is told.
        let known = position(0.01);
        assert!((known.value() - 1.0).abs() < 1e-12 && (known.standard() - 0.02).abs() < 1e-12, "{known:?}");
        // Far from zero a length is nearly normal: 1.96 standard deviations to either side.
        let [low, high] = known.interval();
        assert!((low - 0.9608).abs() < 1e-3 && (high - 1.0392).abs() < 1e-3, "{low} {high}");
        assert_eq!(position(0.0).interval(), [1.0; 2]);
        let [low, high] = Known::Normal { value: 3.0, standard: 0.5 }.interval();
        assert!((low - 2.02).abs() < 1e-12 && (high - 3.98).abs() < 1e-12, "{low} {high}");
    }

    #[test]
    fn another_uncertainty_leaves_the_value() {
        let known = position(0.01).with_standard(0.06);
        assert!((known.value() - 1.0).abs() < 1e-12 && (known.standard() - 0.06).abs() < 1e-12, "{known:?}");
        // What has no error keeps none: there is nothing to make larger.
        assert_eq!(position(0.0).with_standard(0.06).standard(), 0.0);
    }
}
