//! Student's t distribution: what a standard uncertainty from few repetitions is worth (JCGM 100:2008, G.3).

use crate::geometry::math;

/// Steps of the continued fraction; it needs about the root of the degrees of freedom.
const STEPS: usize = 10_000;

/// Regularised incomplete beta function I_x(a, b) for a, b above 0: continued fraction 8.17.22 of the NIST Digital Library of
/// Mathematical Functions by the modified Lentz method (Press et al., Numerical Recipes, 3rd ed., 6.4; from memory).
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    // The fraction converges fast below the mean; above it the other tail is taken.
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(b, a, 1.0 - x);
    }
    let front = math::exp(
        math::ln_gamma(a + b) - math::ln_gamma(a) - math::ln_gamma(b)
            + a * math::ln(x)
            + b * math::ln(1.0 - x),
    ) / a;
    const TINY: f64 = 1e-300;
    let kept = |v: f64| if v.abs() < TINY { TINY } else { v };
    let (mut c, mut d) = (1.0, 1.0 / kept(1.0 - (a + b) * x / (a + 1.0)));
    let mut fraction = d;
    for m in 1..STEPS {
        let m = m as f64;
        let mut turn = |numerator: f64| {
            d = 1.0 / kept(1.0 + numerator * d);
            c = kept(1.0 + numerator / c);
            fraction *= c * d;
            (c * d - 1.0).abs()
        };
        turn(m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m)));
        let left = turn(-(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0)));
        if left < 1e-16 {
            break;
        }
    }
    front * fraction
}

/// Probability of a value of at most `t` with `degrees` of freedom; those of the normal distribution where they are
/// infinite. NaN where they are not above 0.
pub fn student_cdf(t: f64, degrees: f64) -> f64 {
    if !(degrees > 0.0) || t.is_nan() {
        return f64::NAN;
    }
    if !degrees.is_finite() {
        return math::normal_cdf(t);
    }
    if t == 0.0 {
        return 0.5;
    }
    let tail = 0.5 * incomplete_beta(0.5 * degrees, 0.5, degrees / (degrees + t * t));
    if t < 0.0 { tail } else { 1.0 - tail }
}

/// The value below which lies `p`; NaN for what is no probability. Halved until the double has no more bits.
pub fn student_quantile(p: f64, degrees: f64) -> f64 {
    if !(p > 0.0 && p < 1.0 && degrees > 0.0) {
        return f64::NAN;
    }
    if !degrees.is_finite() {
        return math::normal_quantile(p);
    }
    if p < 0.5 {
        return -student_quantile(1.0 - p, degrees);
    }
    // Wide enough for one degree of freedom and p = 1 - 1e-15.
    let (mut low, mut high) = (0.0, 1.0);
    while student_cdf(high, degrees) < p && high < 1e16 {
        low = high;
        high *= 2.0;
    }
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if student_cdf(middle, degrees) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coverage_factors_are_those_of_the_guide() {
        // JCGM 100:2008, table G.2: t_p for 95 % and 99 %.
        for (degrees, k95, k99) in [
            (1.0, 12.71, 63.66),
            (2.0, 4.30, 9.92),
            (5.0, 2.57, 4.03),
            (10.0, 2.23, 3.17),
            (16.0, 2.12, 2.92),
            (50.0, 2.01, 2.68),
            (f64::INFINITY, 1.960, 2.576),
        ] {
            let (a, b) = (student_quantile(0.975, degrees), student_quantile(0.995, degrees));
            assert!((a - k95).abs() < 0.0051 && (b - k99).abs() < 0.0051, "{degrees}: {a} {b}");
        }
    }

    #[test]
    fn one_and_two_degrees_have_closed_forms() {
        for i in -40..=40 {
            let t = 0.5 * f64::from(i);
            let cauchy = 0.5 + math::atan2(t, 1.0) / std::f64::consts::PI;
            let two = 0.5 + t / (2.0 * (2.0 + t * t).sqrt());
            assert!((student_cdf(t, 1.0) - cauchy).abs() < 1e-13, "{t}");
            assert!((student_cdf(t, 2.0) - two).abs() < 1e-13, "{t}");
        }
        // Many degrees are nearly normal.
        assert!((student_cdf(1.5, 1e7) - math::normal_cdf(1.5)).abs() < 1e-7);
        assert!(student_cdf(1.0, 0.0).is_nan() && student_quantile(0.0, 3.0).is_nan());
    }

    #[test]
    fn few_repetitions_have_long_tails() {
        // CHECKS b, "rectangular posterior", public: beyond 4.5 u at 4 degrees of freedom 5.4e-3, where the normal
        // distribution has 3.4e-6.
        assert!((student_cdf(-4.5, 4.0) - 5.4e-3).abs() < 5e-5, "{}", student_cdf(-4.5, 4.0));
        assert!((math::normal_cdf(-4.5) - 3.4e-6).abs() < 5e-8);
    }
}
