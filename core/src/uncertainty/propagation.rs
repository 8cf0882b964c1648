//! The law of propagation of uncertainty for any model, by differences instead of formulas.
//!
//! JCGM 100:2008: first order with correlations (5.2.2, equation 16; of several results H.2.3, equation H.9), terms of
//! second order for independent inputs (5.1.2, note), effective degrees of freedom (G.4.1, equation G.2b). Derivatives
//! are the changes for one standard uncertainty either way (5.1.3, note 2), exact for models without third powers.

use super::student::student_quantile;

/// An input quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Input {
    /// Its estimate.
    pub value: f64,
    /// Its standard uncertainty.
    pub standard: f64,
    /// Degrees of freedom of that; infinite where it is not from repetitions.
    pub degrees: f64,
}

impl Input {
    /// One whose uncertainty is known well.
    pub fn new(value: f64, standard: f64) -> Self {
        Self { value, standard, degrees: f64::INFINITY }
    }
}

/// What a model makes of its inputs.
#[derive(Clone, Debug, PartialEq)]
pub struct Propagated {
    /// The results.
    pub values: Vec<f64>,
    /// For each result what each input contributes: sensitivity times standard uncertainty, signed.
    pub contributions: Vec<Vec<f64>>,
    /// Covariance of the results, first order.
    pub covariance: Vec<Vec<f64>>,
    /// Terms of second order of each result's variance, for independent inputs.
    pub second_order: Vec<f64>,
    degrees: Vec<f64>,
}

/// Propagates `inputs` through `model`, which always gives as many results. `correlation` holds the coefficients of each pair
/// of inputs; independent where absent.
pub fn propagate(
    inputs: &[Input],
    correlation: Option<&[Vec<f64>]>,
    model: impl Fn(&[f64]) -> Vec<f64>,
) -> Propagated {
    let n = inputs.len();
    let at: Vec<f64> = inputs.iter().map(|i| i.value).collect();
    let moved = |by: &[(usize, f64)]| {
        let mut x = at.clone();
        for (i, steps) in by {
            x[*i] += steps * inputs[*i].standard;
        }
        model(&x)
    };
    let values = model(&at);
    let m = values.len();
    let each: Vec<[Vec<f64>; 2]> = (0..n).map(|i| [moved(&[(i, 1.0)]), moved(&[(i, -1.0)])]).collect();
    let contributions: Vec<Vec<f64>> =
        (0..m).map(|k| each.iter().map(|[up, down]| 0.5 * (up[k] - down[k])).collect()).collect();
    let r = |i: usize, j: usize| match correlation {
        // What a matrix lacks is not known.
        Some(rows) => rows.get(i).and_then(|r| r.get(j)).copied().unwrap_or(f64::NAN),
        None => f64::from(u8::from(i == j)),
    };
    let shared = |a: &[f64], b: &[f64]| -> f64 {
        (0..n).map(|i| (0..n).map(|j| a[i] * r(i, j) * b[j]).sum::<f64>()).sum()
    };
    let covariance: Vec<Vec<f64>> =
        contributions.iter().map(|a| contributions.iter().map(|b| shared(a, b)).collect()).collect();
    let mut second_order = vec![0.0; m];
    for i in 0..n {
        for j in 0..n {
            // In units of standard uncertainties: f_ij u_i u_j and f_ijj u_i u_j^2.
            let four = [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)]
                .map(|(a, b)| if i == j { Vec::new() } else { moved(&[(i, a), (j, b)]) });
            for k in 0..m {
                let (mixed, third) = if i == j {
                    let [up, down] = &each[i];
                    let twice = [moved(&[(i, 2.0)])[k], moved(&[(i, -2.0)])[k]];
                    let third = 0.5 * (twice[0] - twice[1]) - (up[k] - down[k]);
                    (up[k] - 2.0 * values[k] + down[k], third)
                } else {
                    let [pp, pm, mp, mm] = &four;
                    let slopes = 0.5 * (pp[k] - mp[k]) + 0.5 * (pm[k] - mm[k]);
                    (0.25 * (pp[k] - pm[k] - mp[k] + mm[k]), slopes - 2.0 * contributions[k][i])
                };
                second_order[k] += 0.5 * mixed * mixed + contributions[k][i] * third;
            }
        }
    }
    let degrees = (0..m)
        .map(|k| {
            let sum: f64 = contributions[k]
                .iter()
                .zip(inputs)
                .filter(|(c, i)| **c != 0.0 && i.degrees.is_finite())
                .map(|(c, i)| c * c * c * c / i.degrees)
                .sum();
            if sum > 0.0 { covariance[k][k] * covariance[k][k] / sum } else { f64::INFINITY }
        })
        .collect();
    Propagated { values, contributions, covariance, second_order, degrees }
}

impl Propagated {
    /// Standard uncertainty of a result, first order.
    pub fn standard(&self, k: usize) -> f64 {
        self.covariance[k][k].max(0.0).sqrt()
    }

    /// The same with the terms of second order.
    pub fn standard_to_second_order(&self, k: usize) -> f64 {
        (self.covariance[k][k] + self.second_order[k]).max(0.0).sqrt()
    }

    /// Effective degrees of freedom (Welch and Satterthwaite).
    pub fn degrees(&self, k: usize) -> f64 {
        self.degrees[k]
    }

    /// The factor for an interval with this probability, from the effective degrees of freedom.
    pub fn coverage_factor(&self, k: usize, probability: f64) -> f64 {
        student_quantile(0.5 + 0.5 * probability, self.degrees[k])
    }

    /// Correlation coefficient of two results.
    pub fn correlation(&self, k: usize, l: usize) -> f64 {
        self.covariance[k][l] / (self.standard(k) * self.standard(l))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::math;

    /// JCGM 100:2008, H.1, lengths in nm.
    fn end_gauge() -> Propagated {
        let of = |value, standard, degrees| Input { value, standard, degrees };
        let inputs = [
            of(50_000_623.0, 25.0, 18.0),
            of(215.0, 9.7, 25.6),
            Input::new(11.5e-6, 1.2e-6),
            Input::new(-0.1, 0.41),
            of(0.0, 0.58e-6, 50.0),
            of(0.0, 0.029, 2.0),
        ];
        // l = ls + d - ls (da th + as dth).
        propagate(&inputs, None, |x| vec![x[0] + x[1] - x[0] * (x[4] * x[3] + x[2] * x[5])])
    }

    #[test]
    fn the_end_gauge_of_the_guide_has_its_length_and_uncertainty() {
        // JCGM 100:2008, H.1.4 to H.1.7: 50 000 838 nm, 32 nm (31.71), contributions 25, 9.7, 0, 0, 2.9, 16.6 nm, 16
        // effective degrees of freedom, factor 2.92, U99 93 nm; with second order 34 nm.
        let found = end_gauge();
        assert!((found.values[0] - 50_000_838.0).abs() < 0.5);
        assert!((found.standard(0) - 31.71).abs() < 0.06, "{}", found.standard(0));
        for (c, told) in found.contributions[0].iter().zip([25.0, 9.7, 0.0, 0.0, 2.9, 16.6]) {
            assert!((c.abs() - told).abs() < 0.1, "{c} {told}");
        }
        // 16.7, which the guide cuts to 16; the factor for 16 is 2.92.
        assert!((found.degrees(0) - 16.7).abs() < 0.1, "{}", found.degrees(0));
        let factor = student_quantile(0.995, found.degrees(0).floor());
        assert!((factor - 2.92).abs() < 0.005, "{factor}");
        assert_eq!((factor * 32.0).round(), 93.0);
        let whole = found.standard_to_second_order(0);
        assert!((whole - 34.0).abs() < 0.5, "{whole}");
        // 11.9 nm and 1.7 nm.
        let more = found.second_order[0].sqrt();
        assert!((more - (11.9f64 * 11.9 + 1.7 * 1.7).sqrt()).abs() < 0.1, "{more}");
    }

    #[test]
    fn results_of_the_same_inputs_are_correlated_as_in_the_guide() {
        // JCGM 100:2008, H.2, tables H.2 to H.4: resistance, reactance, impedance of five simultaneous readings.
        let seen = [
            [5.007, 19.663e-3, 1.0456],
            [4.994, 19.639e-3, 1.0438],
            [5.005, 19.640e-3, 1.0468],
            [4.990, 19.685e-3, 1.0428],
            [4.999, 19.678e-3, 1.0433],
        ];
        let mean: [f64; 3] = std::array::from_fn(|k| seen.iter().map(|s| s[k]).sum::<f64>() / 5.0);
        let covariance =
            |a: usize, b: usize| seen.iter().map(|s| (s[a] - mean[a]) * (s[b] - mean[b])).sum::<f64>() / 20.0;
        let standard = |k: usize| covariance(k, k).sqrt();
        let inputs: Vec<Input> = (0..3).map(|k| Input::new(mean[k], standard(k))).collect();
        let correlation: Vec<Vec<f64>> = (0..3)
            .map(|a| (0..3).map(|b| covariance(a, b) / (standard(a) * standard(b))).collect())
            .collect();
        for (a, b, r) in [(0, 1, -0.36), (0, 2, 0.86), (1, 2, -0.65)] {
            assert!((correlation[a][b] - r).abs() < 0.006, "{a} {b}: {}", correlation[a][b]);
        }
        let found = propagate(&inputs, Some(&correlation), |x| {
            let z = x[0] / x[1];
            vec![z * math::cos(x[2]), z * math::sin(x[2]), z]
        });
        for (k, (value, u)) in [(127.732, 0.071), (219.847, 0.295), (254.260, 0.236)].into_iter().enumerate()
        {
            assert!((found.values[k] - value).abs() < 0.002, "{k}: {}", found.values[k]);
            assert!((found.standard(k) - u).abs() < 0.001, "{k}: {}", found.standard(k));
        }
        // Table H.3: r(R, X) = -0.588, r(R, Z) = -0.485, r(X, Z) = 0.993; as printed in two digits elsewhere.
        for (a, b, r) in [(0, 1, -0.59), (0, 2, -0.49), (1, 2, 0.99)] {
            assert!((found.correlation(a, b) - r).abs() < 0.006, "{a} {b}: {}", found.correlation(a, b));
        }
    }

    #[test]
    fn four_equal_inputs_have_four_times_their_degrees_of_freedom() {
        // JCGM 100:2008, G.4: Welch and Satterthwaite's formula; 40 for four equal inputs of 10.
        let inputs = [Input { value: 0.0, standard: 1.0, degrees: 10.0 }; 4];
        let found = propagate(&inputs, None, |x| vec![x.iter().sum()]);
        assert!((found.degrees(0) - 40.0).abs() < 1e-9);
        assert!((found.standard(0) - 2.0).abs() < 1e-12);
    }

    #[test]
    fn a_square_has_its_terms_of_second_order() {
        // y = x^2 at x = 3, u = 0.1, x normal: variance 4 x^2 u^2 + 2 u^4 exactly; the terms give 2 u^4 (and no third
        // power is left).
        let found = propagate(&[Input::new(3.0, 0.1)], None, |x| vec![x[0] * x[0]]);
        assert!((found.covariance[0][0] - 0.36).abs() < 1e-12);
        assert!((found.second_order[0] - 2e-4).abs() < 1e-12, "{}", found.second_order[0]);
        // What does not depend on its input is certain.
        let flat = propagate(&[Input::new(0.0, 0.1)], None, |x| vec![7.0 + 0.0 * x[0]]);
        assert_eq!((flat.standard(0), flat.degrees(0)), (0.0, f64::INFINITY));
    }

    #[test]
    fn a_substitution_has_the_uncertainty_of_its_four_parts() {
        // ISO 15530-3:2011, 8: u = sqrt(ucal^2 + up^2 + uw^2 + ub^2): the law of propagation for a sum. ISO 14253-2 adds
        // in the same way.
        let parts = [0.6, 1.2, 0.4, 0.3];
        let inputs = parts.map(|u| Input::new(0.0, u));
        let found = propagate(&inputs, None, |x| vec![x.iter().sum()]);
        let closed = parts.iter().map(|u| u * u).sum::<f64>().sqrt();
        assert!((found.standard(0) - closed).abs() < 1e-12);
        assert!((2.0 * found.standard(0) - 2.864).abs() < 1e-3);
    }
}
