//! The interval of a value that cannot be negative: form, orientation, location, run-out.
//!
//! Noise and all other inputs make such a value larger where it is small: a perfect part reads above zero. So the interval is
//! found by asking which true values would read as this one does (the ends of a confidence interval by inversion of the
//! distribution of readings). That distribution is rehearsed at two true values, at the measured one and at zero; between them
//! its bias falls as one over the true value, as that of a length with errors across it does (Rice, Bell System Technical
//! Journal 24, 1945; from memory), and never below that at the measured one. Quantiles by Cornish and Fisher's first term
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
/// are like, and what those of a perfect one are.
pub(super) fn interval(read: f64, measured: &Readings, perfect: &Readings) -> [f64; 2] {
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

    /// The share of intervals that hold the truth, of values that `reading` makes of a true value and a draw.
    fn coverage(truth: f64, reading: &dyn Fn(f64, &mut Random) -> f64) -> f64 {
        let trials = 400;
        let rehearse = |truth: f64, seed: u64| {
            let mut random = Random::seeded(seed);
            let draws: Vec<f64> = (0..DRAWS).map(|_| reading(truth, &mut random)).collect();
            Readings::of(draws.iter().copied(), truth, 0.0)
        };
        let perfect = rehearse(0.0, 1);
        let mut random = Random::seeded(9 + (truth * 1000.0) as u64);
        let held = (0..trials)
            .filter(|&i| {
                let read = reading(truth, &mut random);
                // Noise is rehearsed on what was measured, which has noise already.
                let [low, high] = interval(read, &rehearse(read, 100 + i), &perfect);
                low <= truth && truth <= high
            })
            .count();
        held as f64 / trials as f64
    }

    #[test]
    fn lengths_and_ranges_are_held_as_often_as_it_says_from_zero_up() {
        // A position: the length of an offset with normal errors.
        let length = |truth: f64, random: &mut Random| {
            let (x, y) = (truth + random.normal(), random.normal());
            (x * x + y * y).sqrt()
        };
        // A form: the range of a wave and of the noise of 60 places on it.
        let range = |truth: f64, random: &mut Random| {
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            for i in 0..60 {
                let wave = 0.5 * truth * crate::geometry::math::sin(0.1047 * f64::from(i));
                let v = wave + 0.3 * random.normal();
                (low, high) = (low.min(v), high.max(v));
            }
            high - low
        };
        for truth in [0.0, 0.5, 1.5, 3.0, 8.0, 25.0] {
            for (what, reading) in
                [("length", &length as &dyn Fn(f64, &mut Random) -> f64), ("range", &range)]
            {
                let share = coverage(truth, reading);
                println!("{what} at {truth}: {share}");
                assert!(share >= 0.92, "{what} at {truth}: {share}");
            }
        }
    }

    #[test]
    fn what_a_perfect_part_may_read_begins_at_zero() {
        let perfect = Readings { bias: 0.1, standard: 0.02, skewness: 0.5 };
        let measured = Readings { bias: 0.04, standard: 0.02, skewness: 0.5 };
        assert_eq!(interval(0.12, &measured, &perfect)[0], 0.0);
        let [low, high] = interval(1.0, &measured, &perfect);
        assert!(low > 0.85 && low < 0.95 && high > 0.98 && high < 1.01, "{low} {high}");
        let none = Readings { bias: 0.0, standard: 0.0, skewness: 0.0 };
        assert_eq!(interval(0.3, &none, &none), [0.3, 0.3]);
    }
}
