//! The interval of a value that cannot be negative: form, orientation, location, run-out.
//!
//! Noise and all other inputs make such a value larger where it is small: a perfect part reads above zero. So the interval is
//! found by asking which true values would read as this one does (the ends of a confidence interval by inversion of the
//! distribution of readings). That distribution is rehearsed at two true values, at the measured one and at zero. Of an extreme,
//! what was measured holds noise already, and more noise adds less to it than the first did; with twice the noise it adds no
//! less (`most`), since zones are convex in their points: that is the bias at the lower end, but no more than a perfect part has.
//! Of a fit the bias falls as one over the true value, as that of a length with errors across it does (Rice, Bell System
//! Technical Journal 24, 1945; from memory), and never below that at the measured one. Quantiles by Cornish and Fisher's first term
//! (Revue de l'Institut International de Statistique 5, 1938; from memory), since extremes are skewed.

/// Readings at one true value, as rehearsed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Readings {
    /// How much the mean lies above the true value.
    pub(super) bias: f64,
    /// Standard deviation of all inputs together.
    pub(super) standard: f64,
    /// Skewness of all of them together.
    pub(super) skewness: f64,
}

impl Readings {
    /// From draws of some of the inputs, and the standard deviation of the others, which are not skewed.
    pub(super) fn of(draws: impl Iterator<Item = f64> + Clone, truth: f64, others: f64) -> Self {
        let n = draws.clone().count().max(1) as f64;
        let mean = draws.clone().sum::<f64>() / n;
        let (mut square, mut cube) = (0.0, 0.0);
        for v in draws {
            let d = v - mean;
            square += d * d;
            cube += d * d * d;
        }
        let own = square / (n - 1.0).max(1.0);
        let standard = (own + others * others).sqrt();
        // Of independent parts third moments add.
        let skewness = if standard > 0.0 { cube / n / (standard * standard * standard) } else { 0.0 };
        // No more than an exponential distribution has, and never to the left beyond what bounded values show by chance.
        Self { bias: mean - truth, standard, skewness: skewness.clamp(-1.0, 2.0) }
    }

    /// How far the quantile of 0.975 (`up`) or 0.025 lies from the mean, signed.
    fn quantile(&self, up: bool) -> f64 {
        const Z: f64 = 1.959_963_984_540_054;
        let z = if up { Z } else { -Z };
        self.standard * (z + (z * z - 1.0) * self.skewness / 6.0)
    }
}

/// The ends between which the true value lies with 95 % probability, for the value that was read, what readings of such a part
/// are like, of an extreme the most that noise may have added to it, and what readings of a perfect part are like.
pub(super) fn interval(read: f64, measured: &Readings, most: Option<f64>, perfect: &Readings) -> [f64; 2] {
    let bias = measured.bias.max(0.0);
    // The bias at the upper end is smaller, the more so the smaller the value that was read.
    let below = -measured.quantile(false);
    let mut high = read + below;
    for _ in 0..2 {
        let there = if high > read { bias * (read / high).max(0.0) } else { bias };
        high = read - there + below;
    }
    let high = high.max(0.0);
    if read <= perfect.bias + perfect.quantile(true) {
        return [0.0, high];
    }
    let above = measured.quantile(true);
    if let Some(most) = most {
        let there = most.max(bias).min(perfect.bias.max(bias));
        return [(read - there - above).max(0.0), high];
    }
    let first = read - bias - above;
    let most = perfect.bias.max(bias);
    // The bias at the lower end, which depends on where that is: twice is near enough.
    let mut low = first;
    for _ in 0..2 {
        let there = if low > 0.0 { (bias * read / low).clamp(bias, most) } else { most };
        low = read - there - above;
    }
    [low.max(0.0), high]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::geometry::sum::CHUNK;

    /// Draws enough that only the interval itself is judged.
    const DRAWS: usize = CHUNK;

    /// The share of intervals that hold the truth. `value` is that of errors of some places on a true value; readings are
    /// rehearsed as they are on a part: on errors that are there already, of an `extreme` once more with twice as large ones.
    fn coverage(truth: f64, places: usize, extreme: bool, value: &dyn Fn(f64, &[f64]) -> f64) -> f64 {
        let trials = 400;
        let errors = |random: &mut Random, times: f64| -> Vec<f64> {
            (0..places).map(|_| times * random.normal()).collect()
        };
        let rehearse = |truth: f64, there: &[f64], from: f64, times: f64, seed: u64| {
            let mut random = Random::seeded(seed);
            let draws: Vec<f64> = (0..DRAWS)
                .map(|_| {
                    let more = errors(&mut random, times);
                    value(truth, &there.iter().zip(&more).map(|(a, b)| a + b).collect::<Vec<_>>())
                })
                .collect();
            Readings::of(draws.iter().copied(), from, 0.0)
        };
        let none = vec![0.0; places];
        let perfect = rehearse(0.0, &none, value(0.0, &none), 1.0, 1);
        let mut random = Random::seeded(9 + (truth * 1000.0) as u64);
        let held = (0..trials)
            .filter(|&i| {
                let there = errors(&mut random, 1.0);
                let read = value(truth, &there);
                let measured = rehearse(truth, &there, read, 1.0, 100 + i);
                let most = extreme.then(|| rehearse(truth, &there, read, 3f64.sqrt(), 100 + i).bias);
                let [low, high] = interval(read, &measured, most, &perfect);
                low <= truth && truth <= high
            })
            .count();
        held as f64 / trials as f64
    }

    #[test]
    fn lengths_and_ranges_are_held_as_often_as_it_says_from_zero_up() {
        // A position: the length of an offset with normal errors.
        let length = |truth: f64, e: &[f64]| ((truth + e[0]) * (truth + e[0]) + e[1] * e[1]).sqrt();
        // A form: the range of a wave and of the noise of 60 places on it.
        let range = |truth: f64, e: &[f64]| {
            let wave = |i: usize| 0.5 * truth * crate::geometry::math::sin(0.1047 * i as f64);
            let all = e.iter().enumerate().map(|(i, e)| wave(i) + 0.3 * e);
            let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
            high - low
        };
        for truth in [0.0, 0.5, 1.5, 3.0, 8.0, 25.0] {
            let of_length = coverage(truth, 2, false, &length);
            let of_range = coverage(truth, 60, true, &range);
            println!("at {truth}: length {of_length}, range {of_range}");
            assert!(of_length >= 0.92 && of_range >= 0.92, "at {truth}: {of_length} {of_range}");
            // Where noise can no longer turn the value about, no wider than said: 400 trials are right to 1.1 %.
            assert!(truth < 1.5 || of_length < 0.97, "at {truth}: {of_length}");
        }
    }

    #[test]
    fn what_a_perfect_part_may_read_begins_at_zero() {
        let perfect = Readings { bias: 0.1, standard: 0.02, skewness: 0.5 };
        let measured = Readings { bias: 0.04, standard: 0.02, skewness: 0.5 };
        assert_eq!(interval(0.12, &measured, None, &perfect)[0], 0.0);
        let [low, high] = interval(1.0, &measured, None, &perfect);
        assert!(low > 0.85 && low < 0.95 && high > 0.98 && high < 1.01, "{low} {high}");
        // Of an extreme: at most what the noise may have added, and no more than a perfect part has.
        let [low, _] = interval(1.0, &measured, Some(0.07), &perfect);
        assert!((interval(1.0, &measured, Some(9.0), &perfect)[0] - (low - 0.03)).abs() < 1e-12);
        let none = Readings { bias: 0.0, standard: 0.0, skewness: 0.0 };
        assert_eq!(interval(0.3, &none, None, &none), [0.3, 0.3]);
    }
}
