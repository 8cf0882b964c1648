//! Transcendental functions that give the same bits on every processor (`libm`, in plain Rust).

/// Sine of an angle in rad.
pub fn sin(x: f64) -> f64 {
    libm::sin(x)
}
/// Cosine of an angle in rad.
pub fn cos(x: f64) -> f64 {
    libm::cos(x)
}
/// Tangent of an angle in rad.
pub fn tan(x: f64) -> f64 {
    libm::tan(x)
}
/// Arc cosine, rad; the argument is brought into -1..1 first, so that rounding cannot make it NaN.
pub fn acos(x: f64) -> f64 {
    libm::acos(x.clamp(-1.0, 1.0))
}
/// Angle of the point (x, y), rad.
pub fn atan2(y: f64, x: f64) -> f64 {
    libm::atan2(y, x)
}
/// e to the x.
pub fn exp(x: f64) -> f64 {
    libm::exp(x)
}
/// Natural logarithm.
pub fn ln(x: f64) -> f64 {
    libm::log(x)
}
/// Gauss error function.
pub fn erf(x: f64) -> f64 {
    libm::erf(x)
}
/// Complementary error function.
pub fn erfc(x: f64) -> f64 {
    libm::erfc(x)
}
/// Standard normal distribution function.
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * libm::erfc(-x / std::f64::consts::SQRT_2)
}
/// Arc sine, rad; the argument is brought into -1..1 first.
pub fn asin(x: f64) -> f64 {
    libm::asin(x.clamp(-1.0, 1.0))
}
/// Natural logarithm of the gamma function of `x` above 0.
pub fn ln_gamma(x: f64) -> f64 {
    libm::lgamma(x)
}
/// Density of the standard normal distribution.
pub fn normal_density(x: f64) -> f64 {
    exp(-0.5 * x * x) / (2.0 * std::f64::consts::PI).sqrt()
}
/// The value below which a standard normal deviate lies with probability `p`; infinite at 0 and 1, NaN for what is no
/// probability.
///
/// Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.23 (error below 4.5e-4) to begin with, then Halley's
/// method on the distribution function.
pub fn normal_quantile(p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p == 0.0 {
        return f64::NEG_INFINITY;
    }
    if p == 1.0 {
        return f64::INFINITY;
    }
    // In the lower tail, where the distribution function keeps its digits.
    if p > 0.5 {
        return -normal_quantile(1.0 - p);
    }
    let t = (-2.0 * ln(p)).sqrt();
    let over = 2.515_517 + t * (0.802_853 + t * 0.010_328);
    let under = 1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308));
    let mut x = over / under - t;
    for _ in 0..4 {
        let step = (normal_cdf(x) - p) / normal_density(x);
        if !step.is_finite() {
            break;
        }
        x -= step / (1.0 + 0.5 * x * step);
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_the_tables_and_undo_the_distribution_function() {
        // JCGM 100:2008, table G.1: 68.27 %, 90 %, 95 %, 99 % between -k and k.
        for (between, k) in [(0.682_689_492_137, 1.0), (0.9, 1.645), (0.95, 1.960), (0.99, 2.576)] {
            let found = normal_quantile(0.5 + 0.5 * between);
            assert!((found - k).abs() < 6e-4, "{between}: {found}");
        }
        for i in 1..400 {
            let x = 0.02 * f64::from(i) - 4.0;
            assert!((normal_quantile(normal_cdf(x)) - x).abs() < 1e-11, "{x}");
        }
        for x in [-37.0, -20.0, -10.0, -6.0] {
            assert!((normal_quantile(normal_cdf(x)) / x - 1.0).abs() < 1e-12, "{x}");
        }
        assert!(normal_quantile(f64::NAN).is_nan() && normal_quantile(-0.1).is_nan());
        assert_eq!((normal_quantile(0.0), normal_quantile(1.0)), (f64::NEG_INFINITY, f64::INFINITY));
    }
}
