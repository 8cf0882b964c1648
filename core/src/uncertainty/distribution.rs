//! What is known of an input quantity, as a probability distribution to draw from (JCGM 101:2008, 6.4 and table 1).

use crate::geometry::math;
use crate::geometry::random::Random;

/// A distribution of an input quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Distribution {
    /// Normal: best estimate and standard uncertainty (6.4.7).
    Normal {
        /// Best estimate.
        mean: f64,
        /// Standard uncertainty.
        standard: f64,
    },
    /// Anywhere between two limits alike (6.4.2).
    Rectangular {
        /// Lower limit.
        low: f64,
        /// Upper limit.
        high: f64,
    },
    /// Rectangular with limits that are themselves known to within `inexact` either way (6.4.3).
    CurvedTrapezoid {
        /// Lower limit.
        low: f64,
        /// Upper limit.
        high: f64,
        /// How far off either limit may be; less than half of their distance.
        inexact: f64,
    },
    /// A cycle between two limits seen at a random moment: arcsine (6.4.6).
    Arcsine {
        /// Lower limit.
        low: f64,
        /// Upper limit.
        high: f64,
    },
    /// A mean of few repetitions: scaled and shifted Student's t (6.4.9).
    Student {
        /// Best estimate.
        mean: f64,
        /// Scale: the standard deviation of the mean as the repetitions show it.
        scale: f64,
        /// Degrees of freedom, above 0.
        degrees: f64,
    },
}

impl Distribution {
    /// One deviate.
    pub fn draw(&self, random: &mut Random) -> f64 {
        match *self {
            Self::Normal { mean, standard } => mean + standard * random.normal(),
            Self::Rectangular { low, high } => random.range(low, high),
            Self::CurvedTrapezoid { low, high, inexact } => {
                // 6.4.3.4: the lower limit between low - d and low + d; the upper follows, the middle being known.
                let lower = low - inexact + 2.0 * inexact * random.unit();
                let upper = low + high - lower;
                lower + (upper - lower) * random.unit()
            }
            Self::Arcsine { low, high } => {
                let phase = 2.0 * std::f64::consts::PI * random.unit();
                0.5 * (low + high) + 0.5 * (high - low) * math::sin(phase)
            }
            Self::Student { mean, scale, degrees } => {
                let square = 2.0 * gamma(0.5 * degrees, random);
                mean + scale * random.normal() * (degrees / square).sqrt()
            }
        }
    }

    /// Expectation; for Student's t of one degree of freedom or fewer, which has none, its middle.
    pub fn mean(&self) -> f64 {
        match *self {
            Self::Normal { mean, .. } | Self::Student { mean, .. } => mean,
            Self::Rectangular { low, high }
            | Self::CurvedTrapezoid { low, high, .. }
            | Self::Arcsine { low, high } => 0.5 * (low + high),
        }
    }

    /// Standard uncertainty; infinite for Student's t of two degrees of freedom or fewer.
    pub fn standard(&self) -> f64 {
        match *self {
            Self::Normal { standard, .. } => standard,
            Self::Rectangular { low, high } => 0.5 * (high - low).abs() / 3f64.sqrt(),
            Self::CurvedTrapezoid { low, high, inexact } => {
                // (b - a)^2 / 12 + d^2 / 9.
                ((high - low) * (high - low) / 12.0 + inexact * inexact / 9.0).sqrt()
            }
            Self::Arcsine { low, high } => 0.5 * (high - low).abs() / 2f64.sqrt(),
            Self::Student { scale, degrees, .. } if degrees > 2.0 => {
                scale * (degrees / (degrees - 2.0)).sqrt()
            }
            Self::Student { .. } => f64::INFINITY,
        }
    }
}

/// A deviate of the gamma distribution with scale 1: Marsaglia and Tsang, ACM Transactions on Mathematical Software 26(3),
/// 2000 (from memory).
fn gamma(shape: f64, random: &mut Random) -> f64 {
    if shape < 1.0 {
        let small = random.unit().max(f64::MIN_POSITIVE);
        return gamma(shape + 1.0, random) * math::exp(math::ln(small) / shape);
    }
    let d = shape - 1.0 / 3.0;
    let c = 1.0 / (9.0 * d).sqrt();
    loop {
        let x = random.normal();
        let v = 1.0 + c * x;
        if v <= 0.0 {
            continue;
        }
        let v = v * v * v;
        let u = random.unit().max(f64::MIN_POSITIVE);
        if math::ln(u) < 0.5 * x * x + d - d * v + d * math::ln(v) {
            return d * v;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_have_the_mean_and_the_standard_uncertainty_that_are_told() {
        let all = [
            Distribution::Normal { mean: 3.0, standard: 0.2 },
            Distribution::Rectangular { low: -1.0, high: 3.0 },
            Distribution::CurvedTrapezoid { low: -1.0, high: 1.0, inexact: 0.4 },
            Distribution::Arcsine { low: -0.5, high: 0.5 },
            Distribution::Student { mean: 10.0, scale: 1.5, degrees: 6.0 },
            Distribution::Student { mean: 0.0, scale: 1.0, degrees: 18.0 },
        ];
        for (k, d) in all.iter().enumerate() {
            let mut random = Random::seeded(k as u64 + 1);
            let n = 200_000;
            let draws: Vec<f64> = (0..n).map(|_| d.draw(&mut random)).collect();
            let mean = draws.iter().sum::<f64>() / f64::from(n);
            let square = draws.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / f64::from(n);
            let u = d.standard();
            // 4.5 standard errors of the mean; heavy tails spread a standard deviation by about a hundredth.
            assert!((mean - d.mean()).abs() < 4.5 * u / f64::from(n).sqrt(), "{d:?}: {mean}");
            assert!((square.sqrt() / u - 1.0).abs() < 0.02, "{d:?}: {} {u}", square.sqrt());
        }
    }

    #[test]
    fn deviates_of_gamma_have_their_moments_below_one_too() {
        for shape in [0.5, 1.0, 4.0, 12.5] {
            let mut random = Random::seeded(7);
            let n = 100_000;
            let draws: Vec<f64> = (0..n).map(|_| gamma(shape, &mut random)).collect();
            let mean = draws.iter().sum::<f64>() / f64::from(n);
            let square = draws.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / f64::from(n);
            assert!((mean / shape - 1.0).abs() < 0.03 && (square / shape - 1.0).abs() < 0.05, "{shape}");
        }
    }
}
