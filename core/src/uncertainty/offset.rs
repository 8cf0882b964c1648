//! An offset in a plane, such as that of a hole's axis from its true place, and what is known of its length.
//!
//! Two components are measured with normal errors; their length is not: near zero it is always too large, and no symmetric
//! interval fits it. Of equal errors it has the distribution of Rice (Bell System Technical Journal 24, 1945, 3.10; from
//! memory); here their covariance is any. Probabilities are integrals over one component of the closed form of the other
//! (Gauss-Legendre, five places a panel), exact to about 1e-9.

use crate::geometry::math;

/// Each end of an interval leaves out this probability.
const TAIL: f64 = 0.025;

/// Beyond so many standard deviations nothing is counted: 1e-19.
const FAR: f64 = 9.0;

/// Panels of an integral at most.
const MOST_PANELS: f64 = 1024.0;

/// The smaller deviation counts as at least this part of the larger: a thinner ellipse changes no interval by a thousandth.
const THINNEST: f64 = 0.01;

/// A measured offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offset {
    /// Along the larger and the smaller axis of the error's ellipse.
    along: [f64; 2],
    /// Standard deviations along them.
    standard: [f64; 2],
}

/// Five places and weights of Gauss and Legendre on -1..1 (Abramowitz and Stegun, table 25.4).
const PLACES: [(f64, f64); 5] = [
    (-0.906_179_845_938_664, 0.236_926_885_056_189_1),
    (-0.538_469_310_105_683_1, 0.478_628_670_499_366_5),
    (0.0, 0.568_888_888_888_888_9),
    (0.538_469_310_105_683_1, 0.478_628_670_499_366_5),
    (0.906_179_845_938_664, 0.236_926_885_056_189_1),
];

impl Offset {
    /// From its components and their covariance; `None` where one of them is no number, or a variance is below zero.
    pub fn new(components: [f64; 2], covariance: [[f64; 2]; 2]) -> Option<Self> {
        let [[a, b], [_, c]] = covariance;
        let finite = components.iter().chain(&[a, b, c]).all(|v| v.is_finite());
        if !(finite && a >= 0.0 && c >= 0.0) {
            return None;
        }
        // Principal axes in closed form.
        let half = 0.5 * math::atan2(2.0 * b, a - c);
        let (cos, sin) = (math::cos(half), math::sin(half));
        let middle = 0.5 * (a + c);
        let apart = (0.25 * (a - c) * (a - c) + b * b).sqrt();
        let large = (middle + apart).max(0.0).sqrt();
        let small = (middle - apart).max(0.0).sqrt().max(THINNEST * large);
        let [x, y] = components;
        Some(Self { along: [x * cos + y * sin, y * cos - x * sin], standard: [large, small] })
    }

    /// The same with another length, in the way that it was measured; along the larger axis where it is none.
    #[must_use]
    pub fn lengthened(&self, length: f64) -> Self {
        let now = self.length();
        let along = if now > 0.0 { self.along.map(|a| a * (length / now)) } else { [length, 0.0] };
        Self { along, ..*self }
    }

    /// The same with all errors times a share.
    #[must_use]
    pub fn scaled_error(&self, share: f64) -> Self {
        Self { standard: self.standard.map(|s| s * share), ..*self }
    }

    /// Its measured length.
    pub fn length(&self) -> f64 {
        (self.along[0] * self.along[0] + self.along[1] * self.along[1]).sqrt()
    }

    /// The standard deviation along the measured offset; along the larger axis where the offset is none.
    pub fn standard(&self) -> f64 {
        let length = self.length();
        if !(length > 0.0) {
            return self.standard[0];
        }
        let [x, y] = self.along.map(|a| a / length);
        let [a, b] = self.standard;
        (x * x * a * a + y * y * b * b).sqrt()
    }

    /// Probability that a deviate about this offset has at most the length `most`: what is known of the true offset when
    /// nothing is known beforehand (JCGM 106:2012, 7.1).
    pub fn within(&self, most: f64) -> f64 {
        within(self.along, self.standard, most)
    }

    /// The ends between which the true length lies with 95 % probability. Below, the shortest true offset, in the way that was
    /// measured, that would read as long as this once in forty times: none, where a perfect part would. Above, what is
    /// exceeded with a probability of 1 in 40. So the interval holds zero where zero cannot be ruled out, and is never empty;
    /// of true lengths from zero to many deviations it holds 95 to 98 %.
    pub fn interval(&self) -> [f64; 2] {
        let length = self.length();
        let [large, _] = self.standard;
        if !(large > 0.0) {
            return [length; 2];
        }
        let longer = |share: f64| 1.0 - within(self.along.map(|a| a * share), self.standard, length);
        let low = if longer(0.0) > TAIL {
            0.0
        } else {
            let (mut out, mut inside) = (0.0, 1.0);
            for _ in 0..40 {
                let middle = 0.5 * (out + inside);
                if longer(middle) < TAIL { out = middle } else { inside = middle }
            }
            length * 0.5 * (out + inside)
        };
        let (mut short, mut long) = (length, length + FAR * large);
        for _ in 0..40 {
            let middle = 0.5 * (short + long);
            if self.within(middle) < 1.0 - TAIL { short = middle } else { long = middle }
        }
        [low, 0.5 * (short + long)]
    }
}

/// Probability that a deviate about `middle`, with deviations `standard` along the axes, lies within `most` of the origin.
fn within(middle: [f64; 2], standard: [f64; 2], most: f64) -> f64 {
    if !(most > 0.0) {
        return 0.0;
    }
    let [large, small] = standard;
    if !(large > 0.0) {
        let length = (middle[0] * middle[0] + middle[1] * middle[1]).sqrt();
        return f64::from(u8::from(length <= most));
    }
    // Along the larger axis by the sine of an angle, so that the ends of the circle are smooth.
    let angle = |x: f64| math::asin((x / most).clamp(-1.0, 1.0));
    let (from, to) = (angle(middle[0] - FAR * large), angle(middle[0] + FAR * large));
    if !(to > from) {
        return 0.0;
    }
    // Panels of the finer of both deviations.
    let panels = (most * (to - from) / small).clamp(16.0, MOST_PANELS).ceil();
    let half = 0.5 * (to - from) / panels;
    let mut sum = 0.0;
    for panel in 0..panels as usize {
        let centre = from + (2.0 * panel as f64 + 1.0) * half;
        for (place, weight) in PLACES {
            let t = centre + half * place;
            let (x, y) = (most * math::sin(t), most * math::cos(t));
            let here = math::normal_density((x - middle[0]) / large) / large * y;
            let across =
                math::normal_cdf((y - middle[1]) / small) - math::normal_cdf((-y - middle[1]) / small);
            sum += weight * half * here * across;
        }
    }
    sum.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    fn round(x: f64, y: f64, standard: f64) -> Offset {
        let v = standard * standard;
        Offset::new([x, y], [[v, 0.0], [0.0, v]]).unwrap()
    }

    #[test]
    fn a_perfect_place_reads_as_rayleigh_says() {
        // Closed form: 1 - exp(-r^2 / 2 s^2).
        for r in [0.05, 0.5, 1.0, 2.0, 4.0, 8.0] {
            let closed = 1.0 - math::exp(-0.5 * r * r / (0.7 * 0.7));
            assert!((round(0.0, 0.0, 0.7).within(r) - closed).abs() < 1e-9, "{r}");
        }
    }

    #[test]
    fn an_offset_reads_as_rice_says() {
        // An independent sum: the noncentral chi-squared distribution as a Poisson mixture of central ones (Johnson, Kotz
        // and Balakrishnan, Continuous Univariate Distributions 2, 29.2, from memory).
        for (offset, r) in [(1.0f64, 1.0f64), (1.0, 2.5), (3.0, 2.0), (0.3, 0.4), (5.0, 6.5), (12.0, 11.0)] {
            let (half, x) = (0.5 * offset * offset, 0.5 * r * r);
            let (mut weight, mut sum) = (math::exp(-half), 0.0);
            // Of an even number of degrees 2 + 2 j: 1 - exp(-x) sum x^i / i!.
            let (mut term, mut tail) = (math::exp(-x), math::exp(-x));
            for j in 0..400 {
                sum += weight * (1.0 - tail);
                let next = f64::from(j) + 1.0;
                weight *= half / next;
                term *= x / next;
                tail += term;
            }
            let found = round(0.6 * offset, -0.8 * offset, 1.0).within(r);
            assert!((found - sum).abs() < 1e-9, "{offset} {r}: {found} {sum}");
        }
    }

    #[test]
    fn unlike_and_tied_errors_agree_with_draws() {
        let covariance = [[0.04, 0.018], [0.018, 0.01]];
        let offset = Offset::new([0.1, -0.05], covariance).unwrap();
        let mut random = Random::seeded(11);
        let (n, mut inside) = (200_000, 0);
        // Cholesky's factor of the covariance.
        let (a, b) = (0.2, 0.018 / 0.2);
        let c = f64::sqrt(0.01 - b * b);
        for _ in 0..n {
            let (e, f) = (random.normal(), random.normal());
            let (x, y) = (0.1 + a * e, -0.05 + b * e + c * f);
            inside += i32::from((x * x + y * y).sqrt() <= 0.25);
        }
        let share = f64::from(inside) / f64::from(n);
        // Four standard errors.
        assert!((offset.within(0.25) - share).abs() < 0.0045, "{} {share}", offset.within(0.25));
        // The deviation along (2, -1) / sqrt 5.
        let along: f64 = (4.0 * 0.04 - 4.0 * 0.018 + 0.01) / 5.0;
        assert!((offset.standard() - along.sqrt()).abs() < 1e-12);
        assert!((offset.length() - 0.0125f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn intervals_hold_the_truth_as_often_as_they_say_from_zero_up() {
        // Of equal errors the interval depends on the measured length alone: by a table.
        let table: Vec<[f64; 2]> =
            (0..540).map(|i| round(0.05 * f64::from(i), 0.0, 1.0).interval()).collect();
        let interval = |length: f64| {
            let (i, part) = ((length / 0.05) as usize, length / 0.05 - (length / 0.05).floor());
            [0, 1].map(|k| table[i][k] + part * (table[i + 1][k] - table[i][k]))
        };
        for (k, truth) in [0.0, 0.3, 1.0, 2.0, 3.0, 5.0, 20.0].into_iter().enumerate() {
            let mut random = Random::seeded(100 + k as u64);
            let n = 20_000;
            let held = (0..n)
                .filter(|_| {
                    let length = round(truth + random.normal(), random.normal(), 1.0).length();
                    let [low, high] = interval(length);
                    assert!(low <= length && length <= high);
                    low <= truth && truth <= high
                })
                .count();
            let share = held as f64 / f64::from(n);
            // 95 to 98 %, and three standard errors of the trials.
            assert!((0.945..=0.983).contains(&share), "{truth}: {share}");
        }
        // Far from zero it is the interval of the component along it.
        let [low, high] = round(100.0, 0.0, 1.0).interval();
        assert!((low - 98.04).abs() < 0.02 && (high - 101.96).abs() < 0.02, "{low} {high}");
        // At zero it begins at zero.
        let [low, high] = round(0.1, 0.1, 1.0).interval();
        assert!(low == 0.0 && (high - 2.72).abs() < 0.02, "{low} {high}");
    }

    #[test]
    fn what_is_certain_or_no_number_is_said() {
        let certain = Offset::new([3.0, 4.0], [[0.0; 2]; 2]).unwrap();
        assert_eq!(certain.interval(), [5.0, 5.0]);
        assert_eq!((certain.within(5.0), certain.within(4.999)), (1.0, 0.0));
        assert_eq!(Offset::new([f64::NAN, 0.0], [[1.0, 0.0], [0.0, 1.0]]), None);
        assert_eq!(Offset::new([0.0, 0.0], [[-1.0, 0.0], [0.0, 1.0]]), None);
        // Of one component alone the other counts as a hundredth of it.
        let flat = Offset::new([0.5, 0.0], [[1.0, 0.0], [0.0, 0.0]]).unwrap();
        let closed = math::normal_cdf(0.5) - math::normal_cdf(-1.5);
        assert!((flat.within(1.0) - closed).abs() < 1e-3, "{}", flat.within(1.0));
        assert_eq!(round(0.0, 0.0, 1.0).within(-1.0), 0.0);
    }
}
