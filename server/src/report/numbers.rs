//! Numbers for people: one digit more than the limit has, and never rounded across it.
//!
//! A value of 0.500113 against a limit of 0.5 does not conform; printed as 0.50 it would seem to. So digits
//! are added until the printed value lies on the same side of every limit as the value itself; the ends of an
//! interval are rounded outward by the same rule. The command line prints by it too. Common practice of
//! inspection reports; no published source.

/// What is printed where there is no number.
pub const DASH: &str = "\u{2014}";
const MINUS: char = '\u{2212}';

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
/// Without a limit lengths are printed to the micrometre.
const DECIMALS_WITHOUT_LIMIT: usize = 3;

/// A limit as the drawing would write it: `0.5`, `7.95`, `−0.4`; a dash when it is not a finite number.
pub fn limit(value: f64) -> String {
    if !value.is_finite() {
        return DASH.into();
    }
    typeset(&format!("{value:.0$}", limit_decimals(value)))
}

/// A limit with its sign always shown: `+0.4`.
pub fn signed_limit(value: f64) -> String {
    with_plus(value, limit(value))
}

/// `value` beside its limits (all in one unit): one digit more than the finest limit, more where rounding would
/// carry it onto or over one. A dash when it is not a finite number.
pub fn beside_limits(value: f64, limits: &[f64]) -> String {
    let [text] = beside(&[value], limits, |decimals| [format!("{value:.decimals$}")]);
    text
}

/// The ends of an interval beside the limits of its value, each as [`beside_limits`], but rounded outward: what
/// is printed is never narrower than what was found.
pub fn interval_beside_limits(low: f64, high: f64, limits: &[f64]) -> [String; 2] {
    beside(&[low, high], limits, |decimals| [outward(low, decimals, -1.0), outward(high, decimals, 1.0)])
}

/// As [`interval_beside_limits`], with the sign always shown.
pub fn signed_interval_beside_limits(low: f64, high: f64, limits: &[f64]) -> [String; 2] {
    let [a, b] = interval_beside_limits(low, high, limits);
    [with_plus(low, a), with_plus(high, b)]
}

/// The first printed form in which each number lies where it lies; all with as many decimals.
fn beside<const N: usize>(
    values: &[f64; N],
    limits: &[f64],
    printed: impl Fn(usize) -> [String; N],
) -> [String; N] {
    if values.iter().any(|v| !v.is_finite()) {
        return values.map(|v| if v.is_finite() { format!("{v}") } else { DASH.into() });
    }
    let limits: Vec<f64> = limits.iter().copied().filter(|l| l.is_finite()).collect();
    let least = limits.iter().map(|&l| decimals_beside(l)).max().unwrap_or(DECIMALS_WITHOUT_LIMIT);
    let fits = |texts: &[String; N]| {
        let mut ends = texts.iter().zip(values);
        ends.all(|(text, &v)| limits.iter().all(|&l| same_side(v, text, l)))
    };
    // `{}` of an f64 reads back as the same f64, so its side is right by construction.
    let texts = (least..=MOST_DECIMALS).map(printed).find(fits);
    texts.unwrap_or_else(|| values.map(|v| format!("{v}"))).map(|text| typeset(&text))
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

/// As [`beside_limits`], with the sign always shown.
pub fn signed_beside_limits(value: f64, limits: &[f64]) -> String {
    with_plus(value, beside_limits(value, limits))
}

/// A positive value of which only the size matters, such as an uncertainty: `digits` significant digits
/// (JCGM 100:2008, 7.2.6: at most two), never rounded down, in plain notation.
pub fn significant(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return DASH.into();
    }
    if value == 0.0 {
        return "0".into();
    }
    let size = value.abs();
    // The exponent after rounding, exact where a logarithm may be off by one at powers of ten.
    let printed = format!("{size:.0$e}", digits.saturating_sub(1));
    let exponent: i32 = printed.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
    let decimals = usize::try_from(digits as i32 - 1 - exponent).unwrap_or(0).min(MOST_DECIMALS);
    let nearest = format!("{value:.decimals$}");
    if read(&nearest).abs() >= size {
        return typeset(&nearest);
    }
    let step = read(&format!("1e-{decimals}"));
    typeset(&format!("{:.decimals$}", value + step.copysign(value) * 0.5))
}

/// A seen fraction in percent, cut and not rounded: 99.97 % must not read as everything.
pub fn percent(fraction: f64) -> String {
    if !(0.0..=1.0).contains(&fraction) {
        return DASH.into();
    }
    if fraction == 1.0 {
        return "100 %".into();
    }
    // A fraction such as 0.95 times 1000 may come out just under 950; half a billionth puts it right.
    let tenths = (fraction * 1000.0 + 5e-10).floor().min(999.0);
    format!("{:.1} %", tenths / 10.0)
}

/// A probability in percent, two digits of it or of what it lacks to all: `97.4 %`, `0.13 %`, `99.987 %`. Never printed as 0
/// or 100 where it is neither.
pub fn probability(value: f64) -> String {
    /// Smaller ones say nothing that the model behind them could mean.
    const LEAST: f64 = 1e-6;
    if !(0.0..=1.0).contains(&value) {
        return DASH.into();
    }
    let rest = value.min(1.0 - value);
    if rest < LEAST {
        return if value < 0.5 { "below 0.0001 %" } else { "above 99.9999 %" }.into();
    }
    // Two digits of the smaller side.
    let decimals = (1..6usize).find(|&d| rest * 100.0 * read(&format!("1e{d}")) >= 9.5).unwrap_or(6);
    format!("{:.decimals$} %", 100.0 * value)
}

/// A place or shift, mm, with as many decimals as said.
pub fn fixed(value: f64, decimals: usize) -> String {
    if value.is_finite() { typeset(&format!("{value:.decimals$}")) } else { DASH.into() }
}

/// A count in groups of three digits, by thin spaces.
pub fn count(value: u64) -> String {
    let digits = value.to_string();
    let mut text = String::with_capacity(digits.len() * 2);
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(c);
    }
    text
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
    let writes = |&d: &usize| (read(&format!("{value:.d$}")) - value).abs() <= rounding(value);
    (0..MOST_LIMIT_DECIMALS).find(writes).unwrap_or(MOST_LIMIT_DECIMALS)
}

/// What a difference from a number means nothing within, mm: [`ROUNDING_MM`], or a few steps of f64 where it is huge.
fn rounding(value: f64) -> f64 {
    ROUNDING_MM.max(4.0 * f64::EPSILON * value.abs())
}

/// Whether the printed value lies on the same side of the limit, or on it, as the value does.
fn same_side(value: f64, printed: &str, limit: f64) -> bool {
    let close = rounding(limit);
    if (value - limit).abs() <= close {
        return true;
    }
    let shown = read(printed);
    (shown - limit).abs() > close && (shown > limit) == (value > limit)
}

fn read(text: &str) -> f64 {
    text.parse().unwrap_or(f64::NAN)
}

/// A true minus sign, and none before zero.
fn typeset(text: &str) -> String {
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.into(),
        Some(rest) => format!("{MINUS}{rest}"),
        None => text.into(),
    }
}

fn with_plus(value: f64, text: String) -> String {
    let zero = text.chars().all(|c| c == '0' || c == '.');
    if value > 0.0 && value.is_finite() && !zero { format!("+{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Value, limits, as printed: the same cases hold for the command line.
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
        (f64::NAN, &[0.4], DASH),
    ];

    /// Low and high end, limits, as printed: the same cases hold for the command line.
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
    fn values_and_intervals_are_printed_as_the_tables_say() {
        for (value, limits, text) in VALUES {
            assert_eq!(beside_limits(value, limits).replace(MINUS, "-"), text, "{value} beside {limits:?}");
        }
        for (low, high, limits, text) in INTERVALS {
            let shown = interval_beside_limits(low, high, limits).join(" .. ").replace(MINUS, "-");
            assert_eq!(shown, text, "{low} .. {high} beside {limits:?}");
        }
        assert_eq!(signed_interval_beside_limits(-0.1, 0.1, &[0.4]), ["\u{2212}0.10", "+0.10"]);
    }

    #[test]
    fn the_printed_side_agrees_for_values_ever_closer_to_the_limit() {
        for limit in [0.0, 0.05, 0.4, 0.5, 1.0, 7.95, 8.0 + 0.1, 1250.0] {
            // Nearer than half a picometre it lies on the limit.
            for k in 1..=9 {
                let step = read(&format!("3.7e-{k}"));
                for value in [limit + step, limit - step] {
                    let shown = beside_limits(value, &[limit]).replace(MINUS, "-");
                    assert_eq!(read(&shown) > limit, value > limit, "{value:e} beside {limit}: {shown}");
                    assert_eq!(read(&shown) < limit, value < limit, "{value:e} beside {limit}: {shown}");
                    for end in interval_beside_limits(value, value, &[limit]) {
                        let end = read(&end.replace(MINUS, "-"));
                        assert_eq!(
                            end.total_cmp(&limit),
                            value.total_cmp(&limit),
                            "{value:e} beside {limit}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn limits_are_written_as_the_drawing_would() {
        assert_eq!(limit(8.0 + 0.1), "8.1");
        assert_eq!(limit(0.1 + 0.2), "0.3");
        assert_eq!(limit(-0.4), "\u{2212}0.4");
        assert_eq!(limit(2.0), "2");
        assert_eq!(limit(8.0), "8");
        assert_eq!(limit(10.0), "10");
        assert_eq!(signed_limit(0.4), "+0.4");
        assert_eq!(signed_limit(0.0), "0");
        // Worked out from a nominal: no more digits than mean something.
        assert_eq!(limit(1.707_540_000_000_011_4), "1.70754");
        assert_eq!(limit(2f64.sqrt()), "1.414213562");
        assert_eq!(beside_limits(1.65, &[1.707_540_000_000_011_4]), "1.650000");
        assert_eq!(beside_limits(1.5, &[2f64.sqrt()]), "1.5000");
        assert_eq!(beside_limits(1.414_22, &[2f64.sqrt()]), "1.41422", "never onto or across it");
    }

    #[test]
    fn an_uncertainty_is_never_made_smaller() {
        assert_eq!(significant(0.012_34, 2), "0.013");
        assert_eq!(significant(0.012, 2), "0.012");
        assert_eq!(significant(0.009_96, 2), "0.010");
        assert_eq!(significant(123.4, 2), "124");
        assert_eq!(significant(0.0, 2), "0");
    }

    #[test]
    fn nearly_all_is_not_all() {
        assert_eq!(percent(0.9997), "99.9 %");
        assert_eq!(percent(0.999_999_999_9), "99.9 %");
        assert_eq!(percent(0.95), "95.0 %");
        assert_eq!(percent(1.0), "100 %");
        assert_eq!(percent(f64::NAN), DASH);
        assert_eq!(percent(1.2), DASH);
    }

    #[test]
    fn a_small_risk_is_never_printed_as_none() {
        for (value, text) in [
            (0.5, "50.0 %"),
            (0.974, "97.4 %"),
            (0.95, "95.0 %"),
            (0.001_3, "0.13 %"),
            (0.999_87, "99.987 %"),
            (0.000_012, "0.0012 %"),
            (1e-9, "below 0.0001 %"),
            (0.0, "below 0.0001 %"),
            (1.0, "above 99.9999 %"),
            (f64::NAN, DASH),
            (1.1, DASH),
        ] {
            assert_eq!(probability(value), text, "{value}");
        }
    }

    #[test]
    fn what_is_no_number_is_a_dash() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(beside_limits(bad, &[0.5]), DASH);
            assert_eq!(signed_beside_limits(bad, &[0.5]), DASH);
            assert_eq!(significant(bad, 2), DASH);
            assert_eq!(limit(bad), DASH);
            assert_eq!(fixed(bad, 2), DASH);
        }
        assert_eq!(beside_limits(0.3, &[f64::NAN]), "0.300");
        assert_eq!(fixed(-0.001, 2), "0.00");
        assert_eq!(count(1_234_567), "1\u{202f}234\u{202f}567");
    }
}
