//! A smooth Gaussian random field over space.

use crate::geometry::random::Random;
use crate::geometry::{Point, Vector, math};

/// Waves that make up a field: its correlation is then true to about 1 / sqrt(200) = 7 % in one field, and
/// without bias over many.
const WAVES: usize = 200;

/// A field of mean 0 and variance 1 with the autocorrelation exp(-d^2 / (2 length^2)), as a sum of plane
/// waves whose wave vectors are drawn from the spectrum of that correlation. Rahimi and Recht, "Random
/// features for large-scale kernel machines", NIPS 2007, section 3 (from memory).
pub(super) struct RandomField {
    waves: Vec<(Vector, f64)>,
}

impl RandomField {
    /// `length_mm` must be above 0.
    pub(super) fn new(seed: u64, length_mm: f64) -> Self {
        let mut random = Random::seeded(seed);
        let wave = |_| {
            let vector = Vector::new(random.normal(), random.normal(), random.normal()) / length_mm;
            (vector, random.range(0.0, std::f64::consts::TAU))
        };
        Self { waves: (0..WAVES).map(wave).collect() }
    }

    /// The field at a place.
    pub(super) fn at(&self, p: &Point) -> f64 {
        let sum = self.waves.iter().fold(0.0, |sum, (k, phase)| sum + math::cos(k.dot(&p.coords) + phase));
        sum * (2.0 / WAVES as f64).sqrt()
    }
}
