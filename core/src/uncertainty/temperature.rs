//! Lengths at the reference temperature.
//!
//! Lengths are specified at 20 degrees Celsius (ISO 1:2022). A part at another temperature is longer by its linear expansion;
//! measured lengths are brought to what they are at 20 degrees, with the uncertainty of temperature and expansion, as in
//! JCGM 100:2008, H.1, with the term of second order of H.1.7.

use crate::plan::Material;

/// ISO 1:2022.
pub const REFERENCE_C: f64 = 20.0;

/// How lengths are brought to the reference temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expansion {
    /// Measured lengths times this are lengths at the reference temperature.
    pub factor: f64,
    /// Relative standard uncertainty of the factor; `None` where that of the temperature or of the expansion is not stated.
    pub relative_standard: Option<f64>,
}

impl Expansion {
    /// Of a part of this material at `temperature_c`, known with `standard_k`.
    pub fn new(temperature_c: f64, standard_k: Option<f64>, material: &Material) -> Self {
        let theta = temperature_c - REFERENCE_C;
        let alpha = material.expansion_per_k;
        let both = standard_k.zip(material.expansion_standard_per_k);
        let relative_standard = both.map(|(of_theta, of_alpha)| {
            let (a, b, c) = (alpha * of_theta, theta * of_alpha, of_theta * of_alpha);
            (a * a + b * b + c * c).sqrt() / (1.0 + alpha * theta)
        });
        Self { factor: 1.0 / (1.0 + alpha * theta), relative_standard }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::quiet;
    use crate::uncertainty::{Distribution, Input, Trials, monte_carlo, propagate};

    #[test]
    fn a_warm_part_is_shorter_at_twenty_degrees_and_certain_as_the_law_of_propagation_says() {
        // 1,000 mm of aluminium, 23.1e-6 1/K (handbook value, from memory), at 24.5 degrees: 0.10395 mm longer.
        let of = |expansion_per_k, expansion_standard_per_k| Material {
            expansion_per_k,
            expansion_standard_per_k,
        };
        let found = Expansion::new(24.5, Some(0.5), &of(23.1e-6, Some(1.0e-6)));
        assert!((1_000.103_95 * found.factor - 1000.0).abs() < 1e-9, "{found:?}");
        // By differences and by trials instead of a formula.
        let model = |x: &[f64]| 1.0 / (1.0 + x[1] * (x[0] - 20.0));
        let inputs = [Input::new(24.5, 0.5), Input::new(23.1e-6, 1.0e-6)];
        let law = propagate(&inputs, None, |x| vec![model(x)]);
        let told = found.relative_standard.unwrap() * found.factor;
        assert!(
            (told / law.standard_to_second_order(0) - 1.0).abs() < 1e-4,
            "{told} {}",
            law.standard_to_second_order(0)
        );
        let normal = inputs.map(|i| Distribution::Normal { mean: i.value, standard: i.standard });
        let trials = Trials { most_blocks: 20, ..Trials::default() };
        let drawn = monte_carlo(&quiet(), &normal, model, &trials).unwrap().unwrap();
        assert!((told / drawn.standard - 1.0).abs() < 0.01, "{told} {}", drawn.standard);
        // At the reference temperature the expansion matters by the temperature's uncertainty alone.
        let at = Expansion::new(20.0, Some(0.5), &of(23.1e-6, Some(1.0e-6)));
        assert_eq!(at.factor, 1.0);
        let told = at.relative_standard.unwrap();
        assert!((told - (11.55e-6f64 * 11.55e-6 + 0.5e-6 * 0.5e-6).sqrt()).abs() < 1e-15);
        // What is not stated is not zero.
        assert_eq!(Expansion::new(25.0, None, &of(23.1e-6, Some(1e-6))).relative_standard, None);
        assert_eq!(Expansion::new(25.0, Some(0.1), &of(23.1e-6, None)).relative_standard, None);
    }
}
