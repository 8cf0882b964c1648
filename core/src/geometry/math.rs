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
