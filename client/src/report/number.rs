//! Measured numbers: one digit more than the finest limit has, and never rounded across one.
//!
//! The rule is that of the HTML report too, so that both print the same. A value is rounded to nearest, the
//! ends of an interval outward; both get more digits until what is printed lies on the same side of every
//! limit as the number itself. Common practice of inspection reports; no published source.

use scantling_proto::v1::{Interval, Limits};

/// Limits come from sums such as 8.0 + 0.1, or are worked out from a nominal; differences up to this are rounding, not a
/// statement of the drawing: half a picometre, far below what any instrument tells. Common practice, no source.
const ROUNDING_MM: f64 = 0.5e-9;
/// Most decimals of a limit: a picometre.
const MOST_LIMIT_DECIMALS: usize = 9;
/// A limit with more decimals than this is worked out, not drawn (0.0001 inch has five in mm): it asks for no more digits of
/// a value than [`WORKED_OUT_DECIMALS`]. Common practice, no source.
const MOST_DRAWN_DECIMALS: usize = 5;
/// Of a value beside a limit that was worked out: a tenth of a micrometre.
const WORKED_OUT_DECIMALS: usize = 4;
/// An f64 below 1 mm may need more decimals than its 17 digits; this many reach 1e-20 mm.
const MOST_DECIMALS: usize = 20;
/// For numbers without a limit: a micrometre.
const PLAIN_DECIMALS: usize = 3;

/// A measured value beside its limits, all in one unit.
pub(crate) fn value(value: f64, limits: &[f64]) -> String {
    let [text] = beside(&[value], limits, |decimals| [format!("{value:.decimals$}")]);
    text
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
    let Interval { low_mm: low, high_mm: high } = *interval;
    let [low, high] =
        beside(&[low, high], limits, |decimals| [outward(low, decimals, -1.0), outward(high, decimals, 1.0)]);
    format!("{low} .. {high}")
}

/// A number without limits, to the micrometre.
pub(crate) fn plain(value: f64) -> String {
    no_minus_zero(format!("{value:.PLAIN_DECIMALS$}"))
}

/// A limit with the digits the plan gave it: 8 is "8", 8.0 + 0.1 is "8.1".
pub(crate) fn limit(value: f64) -> String {
    if !value.is_finite() {
        // None ever should be; then it must not look like a number.
        return format!("{value}");
    }
    no_minus_zero(format!("{value:.0$}", limit_decimals(value)))
}

/// The first printed form in which each number lies where it lies; all with as many decimals.
fn beside<const N: usize>(
    values: &[f64; N],
    limits: &[f64],
    printed: impl Fn(usize) -> [String; N],
) -> [String; N] {
    if values.iter().any(|v| !v.is_finite()) {
        // None ever should be; then it must not look like a number.
        return values.map(|v| format!("{v}"));
    }
    let limits: Vec<f64> = limits.iter().copied().filter(|l| l.is_finite()).collect();
    let least = limits.iter().map(|l| decimals_beside(*l)).max().unwrap_or(PLAIN_DECIMALS);
    let fits = |texts: &[String; N]| {
        let mut ends = texts.iter().zip(values);
        ends.all(|(text, v)| limits.iter().all(|l| same_side(*v, read(text), *l)))
    };
    // `{}` of an f64 reads back as the same f64, so its side is right by construction.
    let texts = (least..=MOST_DECIMALS).map(printed).find(fits);
    texts.unwrap_or_else(|| values.map(|v| format!("{v}"))).map(no_minus_zero)
}

/// Rounded away from the other end of the interval; by no more than rounding of f64 towards it.
fn outward(value: f64, decimals: usize, sign: f64) -> String {
    let nearest = format!("{value:.decimals$}");
    let close = rounding(value);
    if (read(&nearest) - value) * sign >= -close {
        return nearest;
    }
    let step = read(&format!("1e-{decimals}"));
    format!("{:.decimals$}", read(&nearest) + step * sign)
}

/// Decimals of a value beside a limit: one more than the limit's.
fn decimals_beside(limit: f64) -> usize {
    match limit_decimals(limit) {
        d if d > MOST_DRAWN_DECIMALS => WORKED_OUT_DECIMALS,
        d => d + 1,
    }
}

/// Fewest decimals that write a limit to within rounding.
fn limit_decimals(value: f64) -> usize {
    let writes = |d: &usize| (read(&format!("{value:.0$}", *d)) - value).abs() <= rounding(value);
    (0..MOST_LIMIT_DECIMALS).find(writes).unwrap_or(MOST_LIMIT_DECIMALS)
}

/// What a difference from a number means nothing within, mm: [`ROUNDING_MM`], or a few steps of f64 where it is huge.
fn rounding(value: f64) -> f64 {
    ROUNDING_MM.max(4.0 * f64::EPSILON * value.abs())
}

/// Whether what is printed lies on the same side of the limit as the value, or both lie on it.
fn same_side(value: f64, shown: f64, limit: f64) -> bool {
    let close = rounding(limit);
    if (value - limit).abs() <= close {
        return true;
    }
    (shown - limit).abs() > close && (shown > limit) == (value > limit)
}

fn read(text: &str) -> f64 {
    text.parse().unwrap_or(f64::NAN)
}

/// No "-0.00".
fn no_minus_zero(text: String) -> String {
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| matches!(b, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Value, limits, as printed: the same cases hold for the HTML report.
    const VALUES: [(f64, &[f64], &str); 20] = [
        (0.312_345, &[0.5], "0.31"),
        (0.312_345, &[0.05, 0.5], "0.312"),
        (0.123_456, &[0.0, 0.4], "0.12"),
        (0.123_456, &[0.25], "0.123"),
        (9.987_654, &[9.9, 10.1], "9.99"),
        (7.0, &[8.0], "7.0"),
        (1.234_56, &[], "1.235"),
        (0.500_113, &[0.5], "0.5001"),
        (-0.500_113, &[-0.5, 0.5], "-0.5001"),
        (0.499_996, &[0.5], "0.499996"),
        (0.4001, &[0.4], "0.4001"),
        (0.3999, &[0.4], "0.3999"),
        (0.404, &[0.4], "0.404"),
        (-0.400_02, &[-0.4, 0.4], "-0.40002"),
        (8.1 + 2e-7, &[7.9, 8.1], "8.1000002"),
        (-0.000_3, &[0.0], "-0.0003"),
        (0.5, &[0.5], "0.50"),
        (0.1 + 0.2, &[0.3], "0.30"),
        (-0.001, &[0.5], "0.00"),
        (f64::NAN, &[0.4], "NaN"),
    ];

    /// Low and high end, limits, as printed: the same cases hold for the HTML report.
    const INTERVALS: [(f64, f64, &[f64], &str); 10] = [
        (0.123, 0.234, &[0.4], "0.12 .. 0.24"),
        (-0.123, 0.231, &[0.4], "-0.13 .. 0.24"),
        (0.12, 0.24, &[0.4], "0.12 .. 0.24"),
        // Outward to two digits the ends nearer to the limit would lie on it.
        (0.3, 0.3951, &[0.4], "0.300 .. 0.396"),
        (0.4049, 0.5, &[0.4], "0.404 .. 0.500"),
        (0.39, 0.41, &[0.4], "0.39 .. 0.41"),
        (7.904, 7.96, &[8.0], "7.90 .. 7.96"),
        (0.25, 0.250_000_000_000_000_1, &[0.4], "0.25 .. 0.25"),
        (-0.001, 0.000_5, &[0.4], "-0.01 .. 0.01"),
        (1.000_4, 1.000_6, &[], "1.000 .. 1.001"),
    ];

    #[test]
    fn values_are_printed_as_the_table_says() {
        for (number, limits, text) in VALUES {
            assert_eq!(value(number, limits), text, "{number} beside {limits:?}");
        }
    }

    #[test]
    fn intervals_are_printed_as_the_table_says() {
        for (low_mm, high_mm, limits, text) in INTERVALS {
            assert_eq!(interval(&Interval { low_mm, high_mm }, limits), text, "{low_mm} .. {high_mm}");
        }
    }

    #[test]
    fn nothing_is_ever_printed_across_or_onto_a_limit_nor_an_interval_narrowed() {
        for limit in [0.0, 0.05, 0.4, 0.5, 1.0, 7.95, 8.0 + 0.1, 8.0, 1250.0] {
            // Nearer than half a picometre it lies on the limit.
            for k in 1..=9 {
                let step = read(&format!("3.7e-{k}"));
                for v in [limit + step, limit - step] {
                    let side = |text: &str| read(text).total_cmp(&limit);
                    assert_eq!(side(&value(v, &[limit])), v.total_cmp(&limit), "{v:e} beside {limit}");
                    let both = interval(&Interval { low_mm: v, high_mm: v }, &[limit]);
                    let (low, high) = both.split_once(" .. ").expect("two ends");
                    for end in [low, high] {
                        assert_eq!(side(end), v.total_cmp(&limit), "{v:e} beside {limit}: {both}");
                    }
                    let close = rounding(v);
                    assert!(read(low) <= v + close && read(high) >= v - close, "{v:e}: {both}");
                }
            }
        }
    }

    #[test]
    fn limits_keep_their_digits() {
        let of = |lower_mm, upper_mm| limits(&Limits { lower_mm, upper_mm });
        assert_eq!(of(Some(-0.4), Some(0.4)), "-0.4 .. 0.4");
        assert_eq!(of(Some(9.95), Some(10.0)), "9.95 .. 10");
        assert_eq!(of(None, Some(8.0)), "at most 8");
        assert_eq!(of(None, Some(8.0 + 0.1)), "at most 8.1");
        assert_eq!(of(None, None), "-");
        // Worked out from a nominal: no more digits than mean something.
        assert_eq!(of(Some(1.707_540_000_000_011_4), Some(2.107_540_000_000_011_3)), "1.70754 .. 2.10754");
        assert_eq!(of(Some(2f64.sqrt()), None), "at least 1.414213562");
        assert_eq!(value(1.65, &[1.707_540_000_000_011_4]), "1.650000");
        assert_eq!(value(1.5, &[2f64.sqrt()]), "1.5000");
        assert_eq!(value(1.414_22, &[2f64.sqrt()]), "1.41422", "never onto or across it");
        assert_eq!(plain(-0.0001), "0.000");
    }
}
