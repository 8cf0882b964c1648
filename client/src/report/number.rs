//! Measured numbers: one digit more than the limit has, and never rounded across it.

use scantling_proto::v1::{Interval, Limits};

/// Decimals of a limit beyond this are noise of its binary form.
const MOST_DECIMALS: usize = 6;
/// For numbers without a limit: a micrometre.
const PLAIN_DECIMALS: usize = 3;

/// A measured value beside its limits, mm.
pub(crate) fn value(value: f64, limits: &[f64]) -> String {
    if !value.is_finite() {
        // None ever should be; then it must not look like a number.
        return format!("{value}");
    }
    let first = decimals(limits);
    let safe = (first..=12).find(|d| sides(value, limits) == sides(rounded(value, *d), limits));
    fixed(value, safe.unwrap_or(12))
}

/// Both limits, as the plan has them.
pub(crate) fn limits(limits: &Limits) -> String {
    match (limits.lower_mm, limits.upper_mm) {
        (Some(lower), Some(upper)) => format!("{} .. {}", limit(lower), limit(upper)),
        (None, Some(upper)) => format!("at most {}", limit(upper)),
        (Some(lower), None) => format!("at least {}", limit(lower)),
        (None, None) => "-".to_owned(),
    }
}

/// The limits there are.
pub(crate) fn given(limits: &Limits) -> Vec<f64> {
    [limits.lower_mm, limits.upper_mm].into_iter().flatten().collect()
}

/// An interval beside the limits of its value: widened by rounding, never narrowed.
pub(crate) fn interval(interval: &Interval, limits: &[f64]) -> String {
    let decimals = decimals(limits);
    let scale = scale(decimals);
    // A hair of slack, so that 0.25 that is stored as 0.250000000000001 does not become 0.251.
    let low = (interval.low_mm * scale + 1e-6).floor() / scale;
    let high = (interval.high_mm * scale - 1e-6).ceil() / scale;
    format!("{} .. {}", fixed(low, decimals), fixed(high, decimals))
}

/// A number without limits, to the micrometre.
pub(crate) fn plain(value: f64) -> String {
    fixed(value, PLAIN_DECIMALS)
}

/// A limit with the digits the plan gave it.
fn limit(value: f64) -> String {
    fixed(value, own_decimals(value))
}

/// One more than the limits have.
fn decimals(limits: &[f64]) -> usize {
    limits.iter().map(|l| own_decimals(*l) + 1).max().unwrap_or(PLAIN_DECIMALS)
}

/// The fewest decimals that give a limit back.
fn own_decimals(limit: f64) -> usize {
    (1..MOST_DECIMALS).find(|d| (rounded(limit, *d) - limit).abs() < 1e-9).unwrap_or(MOST_DECIMALS)
}

/// Above, on or below each limit.
fn sides(value: f64, limits: &[f64]) -> Vec<std::cmp::Ordering> {
    limits.iter().map(|limit| value.total_cmp(limit)).collect()
}

fn scale(decimals: usize) -> f64 {
    (0..decimals).fold(1.0, |s, _| s * 10.0)
}

fn rounded(value: f64, decimals: usize) -> f64 {
    // By way of the text, so that it is the number people read.
    fixed(value, decimals).parse().unwrap_or(value)
}

fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    // No "-0.00".
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| matches!(b, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_has_one_digit_more_than_its_limit() {
        assert_eq!(value(0.123_456, &[0.0, 0.4]), "0.12");
        assert_eq!(value(0.123_456, &[0.25]), "0.123");
        assert_eq!(value(9.987_654, &[9.9, 10.1]), "9.99");
        assert_eq!(value(1.23456, &[]), "1.235");
    }

    #[test]
    fn a_value_is_never_rounded_across_or_onto_a_limit() {
        assert_eq!(value(0.4001, &[0.4]), "0.4001");
        assert_eq!(value(0.3999, &[0.4]), "0.3999");
        assert_eq!(value(0.404, &[0.4]), "0.404");
        assert_eq!(value(-0.400_02, &[-0.4, 0.4]), "-0.40002");
        assert_eq!(value(0.4, &[0.4]), "0.40");
        for k in 0..2000 {
            let v = 0.39 + f64::from(k) * 1.01e-5;
            let shown: f64 = value(v, &[0.4]).parse().expect("a number");
            assert_eq!(shown.total_cmp(&0.4), v.total_cmp(&0.4), "{v}");
        }
    }

    #[test]
    fn an_interval_is_never_shown_narrower_than_it_is() {
        let of = |low_mm, high_mm| interval(&Interval { low_mm, high_mm }, &[0.4]);
        assert_eq!(of(0.123, 0.234), "0.12 .. 0.24");
        assert_eq!(of(-0.123, 0.231), "-0.13 .. 0.24");
        assert_eq!(of(0.12, 0.24), "0.12 .. 0.24");
    }

    #[test]
    fn limits_keep_their_digits() {
        let of = |lower_mm, upper_mm| limits(&Limits { lower_mm, upper_mm });
        assert_eq!(of(Some(-0.4), Some(0.4)), "-0.4 .. 0.4");
        assert_eq!(of(Some(9.95), Some(10.0)), "9.95 .. 10.0");
        assert_eq!(of(None, Some(0.3)), "at most 0.3");
        assert_eq!(of(None, None), "-");
    }

    #[test]
    fn zero_has_no_sign_and_no_number_stays_none() {
        assert_eq!(plain(-0.0001), "0.000");
        assert_eq!(value(f64::NAN, &[0.4]), "NaN");
    }
}
