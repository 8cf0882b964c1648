//! Propagation of distributions by seeded trials (JCGM 101:2008).
//!
//! Blocks of 10,000 trials (7.2, 7.9.4 b) are added until mean, standard uncertainty and the ends of the interval do not move
//! any more within the numerical tolerance of the standard uncertainty (7.9.2, 7.9.4). Trials of a block are drawn from the
//! block's own seed, so that the answer is the same on any number of threads.

use rayon::prelude::*;

use super::distribution::Distribution;
use crate::geometry::random::Random;
use crate::run::{Run, Stopped};

/// Trials of a block.
const BLOCK: usize = 10_000;

/// Trials that one thread draws at a time; a constant, as results must not depend on the number of threads.
const PART: usize = 1_250;

/// How trials are made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trials {
    /// The same seed gives the same answer.
    pub seed: u64,
    /// Probability that the interval holds the value, above 0 and below 1.
    pub probability: f64,
    /// Significant digits of the standard uncertainty that are to be right (7.9.2): 1 or 2.
    pub digits: u32,
    /// Blocks after which it ends as it is.
    pub most_blocks: usize,
}

impl Default for Trials {
    fn default() -> Self {
        // Two digits of a 95 % interval are what an uncertainty is told with (JCGM 100:2008, 7.2.6); a thousand blocks are
        // ten million trials, some seconds of a simple model.
        Self { seed: 1, probability: 0.95, digits: 2, most_blocks: 1_000 }
    }
}

/// What the trials show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Simulated {
    /// Mean of the values.
    pub value: f64,
    /// Their standard deviation.
    pub standard: f64,
    /// The interval with equal probabilities on either side (7.7.1).
    pub symmetric: [f64; 2],
    /// The shortest interval (7.7.1).
    pub shortest: [f64; 2],
    /// Trials.
    pub trials: usize,
    /// Whether the result had stabilised within its numerical tolerance.
    pub stable: bool,
}

/// Draws the inputs, evaluates the model, and tells the distribution of its values. `None` where a trial gave no number, or
/// the settings ask for what is no probability.
///
/// # Errors
/// Only a stop by the caller.
pub fn monte_carlo(
    run: &Run,
    inputs: &[Distribution],
    model: impl Fn(&[f64]) -> f64 + Sync,
    trials: &Trials,
) -> Result<Option<Simulated>, Stopped> {
    if !(trials.probability > 0.0 && trials.probability < 1.0) {
        return Ok(None);
    }
    let mut values: Vec<f64> = Vec::new();
    let mut blocks: Vec<[f64; 6]> = Vec::new();
    let mut stable = false;
    while blocks.len() < trials.most_blocks.max(2) {
        run.check()?;
        let mut block = drawn(inputs, &model, trials.seed, blocks.len());
        if block.iter().any(|v| !v.is_finite()) {
            return Ok(None);
        }
        values.extend_from_slice(&block);
        blocks.push(summary(&mut block, trials.probability));
        // A narrow check first: sorting all of them for each block would cost more than the trials.
        if blocks.len() >= 2 && stabilised(&blocks, trials.digits) {
            stable = true;
            break;
        }
    }
    let [value, standard, low, high, short_low, short_high] = summary(&mut values, trials.probability);
    let (symmetric, shortest) = ([low, high], [short_low, short_high]);
    Ok(Some(Simulated { value, standard, symmetric, shortest, trials: values.len(), stable }))
}

fn drawn(
    inputs: &[Distribution],
    model: &(impl Fn(&[f64]) -> f64 + Sync),
    seed: u64,
    block: usize,
) -> Vec<f64> {
    let parts: Vec<Vec<f64>> = (0..BLOCK / PART)
        .into_par_iter()
        .map(|part| {
            let number = (block * (BLOCK / PART) + part) as u64;
            let mut random = Random::seeded(seed ^ (number + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
            let mut x = vec![0.0; inputs.len()];
            (0..PART)
                .map(|_| {
                    for (x, input) in x.iter_mut().zip(inputs) {
                        *x = input.draw(&mut random);
                    }
                    model(&x)
                })
                .collect()
        })
        .collect();
    parts.concat()
}

/// Mean, standard deviation, ends of the symmetric and of the shortest interval. The values are sorted.
fn summary(values: &mut [f64], probability: f64) -> [f64; 6] {
    values.sort_unstable_by(f64::total_cmp);
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let square = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0);
    // 7.7.2: q values lie within the interval.
    let q = ((probability * n + 0.5).floor() as usize).clamp(1, values.len() - 1);
    let r = (values.len() - q) / 2;
    let mut short = 0;
    for k in 0..values.len() - q {
        if values[k + q] - values[k] < values[short + q] - values[short] {
            short = k;
        }
    }
    [mean, square.sqrt(), values[r], values[r + q], values[short], values[short + q]]
}

/// 7.9.4: twice the standard deviation of each block's figures, averaged over the blocks, must be smaller than the numerical
/// tolerance of the standard uncertainty.
fn stabilised(blocks: &[[f64; 6]], digits: u32) -> bool {
    let h = blocks.len() as f64;
    let mean = |k: usize| blocks.iter().map(|b| b[k]).sum::<f64>() / h;
    let delta = numerical_tolerance(mean(1), digits);
    (0..6).all(|k| {
        let m = mean(k);
        let square = blocks.iter().map(|b| (b[k] - m) * (b[k] - m)).sum::<f64>();
        2.0 * (square / (h * (h - 1.0))).sqrt() < delta
    })
}

/// Half of a unit in the last of `digits` significant digits (7.9.2).
pub fn numerical_tolerance(standard: f64, digits: u32) -> f64 {
    if !(standard > 0.0 && standard.is_finite()) {
        return f64::MIN_POSITIVE;
    }
    // The exponent as it is printed, exact where a logarithm may be off by one at powers of ten.
    let text = format!("{standard:.0$e}", digits.saturating_sub(1) as usize);
    let exponent: i32 = text.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
    let last = exponent - digits.saturating_sub(1) as i32;
    0.5 * format!("1e{last}").parse::<f64>().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::quiet;
    use std::sync::atomic::AtomicBool;

    fn of(inputs: &[Distribution], model: impl Fn(&[f64]) -> f64 + Sync, probability: f64) -> Simulated {
        let trials = Trials { seed: 5, probability, digits: 2, most_blocks: 100 };
        monte_carlo(&quiet(), inputs, model, &trials).unwrap().unwrap()
    }

    fn sum(x: &[f64]) -> f64 {
        x.iter().sum()
    }

    fn near(found: [f64; 2], told: [f64; 2], within: f64) {
        assert!(
            (found[0] - told[0]).abs() < within && (found[1] - told[1]).abs() < within,
            "{found:?}, told {told:?}"
        );
    }

    #[test]
    fn sums_of_four_are_those_of_the_supplement() {
        let root3 = 3f64.sqrt();
        // JCGM 101:2008, 9.2.2, table 2: four standard normal inputs: u 2.00, 95 % within 3.92.
        let normal = of(&[Distribution::Normal { mean: 0.0, standard: 1.0 }; 4], sum, 0.95);
        assert!((normal.standard - 2.0).abs() < 0.01 && normal.value.abs() < 0.02, "{normal:?}");
        near(normal.symmetric, [-3.92, 3.92], 0.03);
        assert!(normal.stable || normal.trials == 1_000_000);
        // 9.2.3, table 3: four rectangular ones of standard deviation 1: 3.88; analytically 2 sqrt 3 (2 - (3/5)^(1/4)).
        let one = Distribution::Rectangular { low: -root3, high: root3 };
        let four = of(&[one; 4], sum, 0.95);
        let closed = 2.0 * root3 * (2.0 - 0.6f64.sqrt().sqrt());
        assert!((closed - 3.879_4).abs() < 1e-4);
        assert!((four.standard - 2.0).abs() < 0.01);
        near(four.symmetric, [-closed, closed], 0.03);
        // 9.2.4, table 4 (from memory, recomputed): one of them of standard deviation 10: u 10.1, +-17.0 where the law
        // of propagation with a normal distribution says +-19.9.
        let wide = Distribution::Rectangular { low: -10.0 * root3, high: 10.0 * root3 };
        let mixed = of(&[one, one, one, wide], sum, 0.95);
        assert!((mixed.standard - 10.146).abs() < 0.05, "{mixed:?}");
        near(mixed.symmetric, [-17.01, 17.01], 0.12);
        assert!((1.96 * mixed.standard - 19.9).abs() < 0.1);
    }

    #[test]
    fn a_rectangular_distribution_ends_at_the_root_of_three() {
        // CHECKS b, "rectangular posterior", public: a risk p on one side needs k = sqrt 3 (1 - 2 p), none beyond sqrt 3 u.
        let root3 = 3f64.sqrt();
        for p in [0.05, 0.025, 0.005] {
            let one = Distribution::Rectangular { low: -root3, high: root3 };
            let found = of(&[one], sum, 1.0 - 2.0 * p);
            let k = root3 * (1.0 - 2.0 * p);
            near(found.symmetric, [-k, k], 0.02);
            assert!(found.shortest[0] >= -root3 && found.shortest[1] <= root3);
        }
    }

    #[test]
    fn a_mass_calibrated_in_air_is_that_of_the_supplement() {
        // JCGM 101:2008, 9.3, table 6 (from memory, recomputed): 1.2341 mg, u 0.0754, shortest 95 % interval
        // [1.083, 1.383]; first-order propagation says 0.0539.
        let inputs = [
            Distribution::Normal { mean: 100_000.0, standard: 0.05 },
            Distribution::Normal { mean: 1.234, standard: 0.02 },
            Distribution::Rectangular { low: 1.1, high: 1.3 },
            Distribution::Rectangular { low: 7_000.0, high: 9_000.0 },
            Distribution::Rectangular { low: 7_950.0, high: 8_050.0 },
        ];
        let found = of(
            &inputs,
            |x| (x[0] + x[1]) * (1.0 + (x[2] - 1.2) * (1.0 / x[3] - 1.0 / x[4])) - 100_000.0,
            0.95,
        );
        assert!(
            (found.value - 1.2341).abs() < 0.001 && (found.standard - 0.0754).abs() < 0.0005,
            "{found:?}"
        );
        near(found.shortest, [1.084, 1.383], 0.008);
    }

    #[test]
    fn the_gauge_block_is_that_of_the_supplement() {
        // JCGM 101:2008, 9.5, as rerun with 1e6 trials in Metrology 2(1), 2022, paper 3: deviation 838 nm, u 36, shortest
        // 99 % interval [745, 932]; recomputed 35.85, [744, 932].
        let t = |mean, scale, degrees| Distribution::Student { mean, scale, degrees };
        let inputs = [
            t(50_000_623.0, 25.0, 18.0),
            t(215.0, 6.0, 24.0),
            t(0.0, 4.0, 5.0),
            t(0.0, 7.0, 8.0),
            Distribution::Rectangular { low: 9.5e-6, high: 13.5e-6 },
            Distribution::Normal { mean: -0.1, standard: 0.2 },
            Distribution::Arcsine { low: -0.5, high: 0.5 },
            Distribution::CurvedTrapezoid { low: -1e-6, high: 1e-6, inexact: 0.1e-6 },
            Distribution::CurvedTrapezoid { low: -0.05, high: 0.05, inexact: 0.025 },
        ];
        let found = of(
            &inputs,
            |x| {
                let (length, apart) = (x[0], x[1] + x[2] + x[3]);
                let theta = x[5] + x[6];
                // The standard's temperature is the block's less the difference.
                length * (1.0 + x[4] * (theta - x[8])) / (1.0 + (x[4] + x[7]) * theta)
                    + apart / (1.0 + (x[4] + x[7]) * theta)
                    - 50_000_000.0
            },
            0.99,
        );
        assert!((found.value - 838.0).abs() < 1.0 && (found.standard - 36.0).abs() < 0.6, "{found:?}");
        near(found.shortest, [744.5, 932.0], 4.0);
    }

    #[test]
    fn the_same_seed_gives_the_same_bits_on_any_number_of_threads_and_a_stop_is_heard() {
        let inputs = [Distribution::Student { mean: 0.0, scale: 1.0, degrees: 3.0 }; 2];
        let trials = Trials { most_blocks: 4, ..Trials::default() };
        let with = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| monte_carlo(&quiet(), &inputs, sum, &trials).unwrap().unwrap())
        };
        assert_eq!(with(1), with(4));
        let stop = AtomicBool::new(true);
        let stopped = Run { stop: &stop, ..quiet() };
        assert_eq!(monte_carlo(&stopped, &inputs, sum, &trials), Err(Stopped));
        // What is no number, or no probability, has no answer.
        assert_eq!(monte_carlo(&quiet(), &inputs, |_| f64::NAN, &trials), Ok(None));
        let none = Trials { probability: 1.0, ..trials };
        assert_eq!(monte_carlo(&quiet(), &inputs, sum, &none), Ok(None));
    }

    #[test]
    fn a_numerical_tolerance_is_half_of_the_last_digit() {
        // JCGM 101:2008, 7.9.2.1, examples: 0.000 35 with two digits: 5e-6; 2 with one digit... 0.5.
        assert!((numerical_tolerance(0.000_35, 2) / 5e-6 - 1.0).abs() < 1e-12);
        assert_eq!(numerical_tolerance(2.0, 1), 0.5);
        assert_eq!(numerical_tolerance(9.96, 2), 0.5);
        assert_eq!(numerical_tolerance(0.0, 2), f64::MIN_POSITIVE);
    }
}
