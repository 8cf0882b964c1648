//! Single words and how they are read: strictly, each refusal saying what to write.

use clap::ValueEnum;
use scantling_proto::v1::{LengthUnit, Purpose, Reading, Region, Restraint};

/// The length unit of a file, always stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Unit {
    Um,
    Mm,
    Cm,
    M,
    Inch,
}

impl From<Unit> for LengthUnit {
    fn from(unit: Unit) -> Self {
        match unit {
            Unit::Um => Self::Micrometre,
            Unit::Mm => Self::Millimetre,
            Unit::Cm => Self::Centimetre,
            Unit::M => Self::Metre,
            Unit::Inch => Self::Inch,
        }
    }
}

#[cfg(feature = "embedded")]
impl From<Unit> for scantling_core::read::LengthUnit {
    fn from(unit: Unit) -> Self {
        match unit {
            Unit::Um => Self::Micrometre,
            Unit::Mm => Self::Millimetre,
            Unit::Cm => Self::Centimetre,
            Unit::M => Self::Metre,
            Unit::Inch => Self::Inch,
        }
    }
}

#[cfg(feature = "embedded")]
pub(super) fn layout(typed: &str) -> Result<scantling_core::read::TextLayout, String> {
    scantling_core::read::TextLayout::parse(typed).map_err(|e| e.to_string())
}

/// The same as a word for the service, which has the last say.
pub(super) fn columns(typed: &str) -> Result<String, String> {
    #[cfg(feature = "embedded")]
    layout(typed)?;
    Ok(typed.to_owned())
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum PurposeArg {
    Production,
    FirstArticle,
    Study,
    Rehearsal,
}

impl From<PurposeArg> for Purpose {
    fn from(purpose: PurposeArg) -> Self {
        match purpose {
            PurposeArg::Production => Self::Production,
            PurposeArg::FirstArticle => Self::FirstArticle,
            PurposeArg::Study => Self::Study,
            PurposeArg::Rehearsal => Self::Rehearsal,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum RestraintArg {
    FreeState,
    Fixture,
}

impl From<RestraintArg> for Restraint {
    fn from(restraint: RestraintArg) -> Self {
        match restraint {
            RestraintArg::FreeState => Self::FreeState,
            RestraintArg::Fixture => Self::Fixture,
        }
    }
}

pub(super) fn context(typed: &str) -> Result<(String, String), String> {
    match typed.split_once('=') {
        Some((word, text)) if !word.is_empty() => Ok((word.to_owned(), text.to_owned())),
        _ => Err("write WORD=TEXT, such as lot=L-17".to_owned()),
    }
}

/// A finite number with a decimal point.
pub(super) fn number(typed: &str) -> Option<f64> {
    let plain = !typed.is_empty()
        && typed.bytes().all(|b| matches!(b, b'0'..=b'9' | b'.' | b'-' | b'+' | b'e' | b'E'));
    typed.parse().ok().filter(|v: &f64| plain && v.is_finite())
}

pub(super) fn from_zero(typed: &str) -> Result<f64, String> {
    number(typed).filter(|v| *v >= 0.0).ok_or_else(|| "write a number, 0 or more, such as 0.02".to_owned())
}

/// A day as the service reads it, which has the last say about the calendar.
pub(super) fn day(typed: &str) -> Result<String, String> {
    let form = typed.len() == 10
        && typed
            .bytes()
            .enumerate()
            .all(|(k, b)| if k == 4 || k == 7 { b == b'-' } else { b.is_ascii_digit() });
    if form { Ok(typed.to_owned()) } else { Err("write a day such as 2026-03-01".to_owned()) }
}

pub(super) fn positive(typed: &str) -> Result<f64, String> {
    number(typed).filter(|v| *v > 0.0).ok_or_else(|| "write a number above 0, such as 0.02".to_owned())
}

pub(super) fn region(typed: &str) -> Result<Region, String> {
    let numbers: Option<Vec<f64>> = typed.split(',').map(|word| number(word.trim())).collect();
    match numbers.as_deref() {
        Some([x0, y0, z0, x1, y1, z1]) if x0 < x1 && y0 < y1 && z0 < z1 => {
            Ok(Region { minimum_mm: vec![*x0, *y0, *z0], maximum_mm: vec![*x1, *y1, *z1] })
        }
        _ => Err("write X0,Y0,Z0,X1,Y1,Z1 in mm, each of the last three above its like, such as \
                  0,0,-20,600,400,80"
            .to_owned()),
    }
}

pub(super) fn direction(typed: &str) -> Result<[f64; 3], String> {
    let numbers: Option<Vec<f64>> = typed.split(',').map(|word| number(word.trim())).collect();
    match numbers.as_deref() {
        Some([x, y, z]) if [x, y, z].iter().any(|v| **v != 0.0) => Ok([*x, *y, *z]),
        _ => Err("write X,Y,Z, not all zero, such as 0,0,1".to_owned()),
    }
}

pub(super) fn moment(typed: &str) -> Result<prost_types::Timestamp, String> {
    typed.parse().map_err(|_| "write date and time, such as 2026-05-04T10:30:00Z".to_owned())
}

/// A reading as it is typed; the operator is named for all of them.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct HandReading(pub(crate) Reading);

/// `7=3.02 mm +-0.01, calliper 12`, `9=pass, thread plug gauge M6-6H`.
pub(super) fn hand_reading(typed: &str) -> Result<HandReading, String> {
    let form = "write NUMBER=VALUE UNIT +-U, INSTRUMENT, such as \"7=3.02 mm +-0.01, calliper 12\" (without \
                +-U where it is not known), or NUMBER=pass, GAUGE, or NUMBER=fail, GAUGE";
    let wrong = |what: &str| format!("{what}; {form}");
    let (number_of, rest) = typed.split_once('=').ok_or_else(|| wrong("there is no ="))?;
    let (read, instrument) =
        rest.split_once(',').ok_or_else(|| wrong("there is no comma before the instrument"))?;
    let (number_of, instrument) = (number_of.trim(), instrument.trim());
    if number_of.is_empty() {
        return Err(wrong("the characteristic's number is missing"));
    }
    if instrument.is_empty() {
        return Err(wrong("the instrument is missing"));
    }
    let mut reading = Reading {
        characteristic: number_of.to_owned(),
        instrument: instrument.to_owned(),
        ..Reading::default()
    };
    let words: Vec<&str> = read.split_whitespace().collect();
    match words[..] {
        ["pass"] => reading.passed = Some(true),
        ["fail"] => reading.passed = Some(false),
        [value, unit, ref uncertainty @ ..] => {
            reading.value = Some(number(value).ok_or_else(|| wrong(&format!("\"{value}\" is no number")))?);
            if number(unit).is_some() || unit.starts_with("+-") {
                return Err(wrong("the unit is missing"));
            }
            reading.unit = unit.to_owned();
            let uncertainty = uncertainty.concat();
            if !uncertainty.is_empty() {
                let stated = uncertainty
                    .strip_prefix("+-")
                    .or_else(|| uncertainty.strip_prefix('±'))
                    .and_then(number)
                    .filter(|u| *u > 0.0);
                reading.expanded_uncertainty =
                    Some(stated.ok_or_else(|| wrong(&format!("\"{uncertainty}\" is no +-U above 0")))?);
            }
        }
        [value] if number(value).is_some() => return Err(wrong("the unit is missing")),
        _ => return Err(wrong(&format!("\"{}\" is no value and neither pass nor fail", read.trim()))),
    }
    Ok(HandReading(reading))
}

#[cfg(feature = "embedded")]
pub(super) fn size(typed: &str) -> Result<f64, String> {
    match typed.parse() {
        Ok(factor) if (0.75..=1.3).contains(&factor) => Ok(factor),
        _ => Err("write a number from 0.75 to 1.3".to_owned()),
    }
}

#[cfg(feature = "embedded")]
pub(super) fn count(typed: &str) -> Result<usize, String> {
    match typed.parse() {
        Ok(n) if n > 0 => Ok(n),
        _ => Err("write a whole number of 1 or more".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_are_read_whole() {
        let of = |typed| hand_reading(typed).expect(typed).0;
        assert_eq!(
            of("7=3.02 mm +-0.01, calliper 12"),
            Reading {
                characteristic: "7".into(),
                value: Some(3.02),
                unit: "mm".into(),
                expanded_uncertainty: Some(0.01),
                instrument: "calliper 12".into(),
                ..Reading::default()
            }
        );
        assert_eq!(of("7=3.02 mm +- 0.01, calliper 12"), of("7 = 3.02 mm ±0.01 ,calliper 12"));
        assert_eq!(of("8=-1e-3 kg, scale, hall 2").expanded_uncertainty, None);
        assert_eq!(of("8=-1e-3 kg, scale, hall 2").instrument, "scale, hall 2");
        assert_eq!(of("9=pass, plug gauge").passed, Some(true));
        assert_eq!(of("9=fail, plug gauge").passed, Some(false));
        assert_eq!(of("9=fail, plug gauge").value, None);
    }

    #[test]
    fn a_reading_that_may_be_meant_otherwise_is_refused() {
        for typed in [
            "",
            "7",
            "7=3.02 mm",
            "=3 mm, a",
            "7=3 mm, ",
            "7=3, a",
            "7=3,02 mm, a",
            "7=nan mm, a",
            "7=inf mm, a",
            "7=three mm, a",
            "7=3 4 mm, a",
            "7=3 +-0.1, a",
            "7=3 mm 0.1, a",
            "7=3 mm +-0, a",
            "7=3 mm +--1, a",
            "7=3 mm +-0.1 mm, a",
            "7=passed, a",
            "7=pass mm, a",
            "7=PASS, a",
        ] {
            let refused = hand_reading(typed).expect_err(typed);
            assert!(refused.contains("write NUMBER="), "{refused}");
        }
    }

    #[test]
    fn a_region_is_six_numbers_in_order() {
        let box_of = region("0, -1,-20,600,400,80.5").expect("a box");
        assert_eq!(box_of.minimum_mm, [0.0, -1.0, -20.0]);
        assert_eq!(box_of.maximum_mm, [600.0, 400.0, 80.5]);
        for typed in
            ["", "0,0,0,1,1", "0,0,0,1,1,0", "0,0,0,1,1,nan", "0,0,0,1,1,inf", "0,0,0,1,1,1,1", "1,0,0,0,1,1"]
        {
            assert!(region(typed).is_err(), "{typed}");
        }
        assert!(positive("0").is_err() && positive("NaN").is_err() && positive("-1").is_err());
        assert_eq!(positive("0.02"), Ok(0.02));
    }
}
