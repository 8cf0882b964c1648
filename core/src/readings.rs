//! What hand instruments read and gauges pass or fail, joined to characteristics by number.

use crate::plan::{Characteristic, Condition, DatumSystem, Fault, FeatureKind, Plan, Requirement};
use crate::read::is_utf16;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

#[cfg(test)]
mod tests;

/// One reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// Number of the characteristic.
    pub characteristic: String,
    /// The value read, in `unit`.
    #[serde(default)]
    pub value: Option<f64>,
    /// Whether the gauge passed.
    #[serde(default)]
    pub passed: Option<bool>,
    /// Unit of value and uncertainty; empty for a gauge.
    #[serde(default)]
    pub unit: String,
    /// Expanded uncertainty (k = 2) in `unit`; `None` when it is not known, and then nothing is proven.
    #[serde(default)]
    pub expanded_uncertainty: Option<f64>,
    /// The instrument, as the plant names it.
    #[serde(default)]
    pub instrument: String,
    /// Who read.
    #[serde(default)]
    pub operator: String,
}

/// Millimetres in one unit of length, by its usual sign; `None` for what is no unit of length.
pub fn length_mm(unit: &str) -> Option<f64> {
    Some(match unit {
        "mm" => 1.0,
        "um" | "µm" | "μm" => 1e-3,
        "cm" => 10.0,
        "m" => 1e3,
        "in" | "inch" => 25.4,
        _ => return None,
    })
}

/// Degrees in one unit of angle, by its usual sign; `None` for what is no unit of angle.
pub fn angle_deg(unit: &str) -> Option<f64> {
    Some(match unit {
        "deg" | "°" => 1.0,
        "arcmin" => 1.0 / 60.0,
        "arcsec" => 1.0 / 3600.0,
        "rad" => 180.0 / std::f64::consts::PI,
        "mrad" => 0.18 / std::f64::consts::PI,
        _ => return None,
    })
}

/// More faults than this say nothing new.
const MOST_FAULTS: usize = 50;
/// More readings than this are no work of hands.
const MOST_READINGS: usize = 100_000;
/// A longer length was never read by hand, mm: as far as any point may lie.
const LONGEST_MM: f64 = 1e7;
/// Nor a larger number in any other unit.
const LARGEST: f64 = 1e12;

const COLUMNS: [&str; 7] =
    ["characteristic", "value", "passed", "unit", "expanded_uncertainty", "instrument", "operator"];

/// Reads a table of readings: a header with `characteristic`, `value`, `passed` (true or false, yes or no, pass or
/// fail), `unit`, `expanded_uncertainty`, `instrument`, `operator` in any order, of which what is not needed may be
/// missing. The delimiter is the one of comma, semicolon and tab that the header has; decimals may follow a comma
/// where it is another one.
///
/// # Errors
/// Faults, at most 50, each with its line and column.
pub fn from_csv(bytes: &[u8]) -> Result<Vec<Reading>, Vec<Fault>> {
    let one = |place: &str, problem: String| Err(vec![Fault { place: place.to_owned(), problem }]);
    if is_utf16(bytes) {
        return one("", "the file is text in UTF-16; save it as UTF-8".into());
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let lines = bytes.split(|b| matches!(b, b'\n' | b'\r'));
    let first =
        lines.map(<[u8]>::trim_ascii).find(|l| !l.is_empty() && !l.starts_with(b"#")).unwrap_or_default();
    let count = |d: u8| first.iter().filter(|b| **b == d).count();
    // At a tie the last is taken, so that a header of one column is parted by commas.
    let delimiter = [b'\t', b';', b','].into_iter().max_by_key(|d| count(*d)).unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(bytes);
    let header = match reader.headers() {
        Ok(header) => header.clone(),
        Err(e) => return one("line 1", format!("this is no table: {e}")),
    };
    let mut column = [None; COLUMNS.len()];
    for (i, word) in header.iter().enumerate() {
        match COLUMNS.iter().position(|c| c.eq_ignore_ascii_case(word)) {
            Some(known) if column[known].is_none() => column[known] = Some(i),
            Some(_) => return one("line 1", format!("column {word} stands twice; leave one")),
            None => {
                let words = COLUMNS.join(", ");
                return one(
                    "line 1",
                    format!("column \"{}\" is not known; the columns are {words}", shown(word)),
                );
            }
        }
    }
    if column[0].is_none() {
        return one(
            "line 1",
            format!("column characteristic is missing; the columns are {}", COLUMNS.join(", ")),
        );
    }
    let (mut readings, mut faults) = (Vec::new(), Vec::new());
    for row in reader.records() {
        if faults.len() >= MOST_FAULTS {
            break;
        }
        if readings.len() >= MOST_READINGS {
            return one("", format!("the file has more than {MOST_READINGS} readings; send less"));
        }
        match row {
            Ok(row) => {
                let line = row.position().map_or(1, csv::Position::line);
                let word = |c: usize| column[c].and_then(|i| row.get(i)).unwrap_or("");
                let mut wrong = |problem| faults.push(Fault { place: format!("line {line}"), problem });
                let mut number = |c: usize| {
                    let read = number(word(c), delimiter != b',');
                    read.unwrap_or_else(|| {
                        wrong(format!(
                            "{} is \"{}\"; write a number, or leave it empty",
                            COLUMNS[c],
                            shown(word(c))
                        ));
                        None
                    })
                };
                let (value, expanded_uncertainty) = (number(1), number(4));
                let passed = passed(word(2)).unwrap_or_else(|| {
                    wrong(format!(
                        "passed is \"{}\"; write true or false, or leave it empty",
                        shown(word(2))
                    ));
                    None
                });
                let text = |c: usize| word(c).to_owned();
                readings.push(Reading {
                    characteristic: text(0),
                    value,
                    passed,
                    unit: text(3),
                    expanded_uncertainty,
                    instrument: text(5),
                    operator: text(6),
                });
            }
            Err(e) => {
                let line = e.position().map_or(1, csv::Position::line);
                let problem = match e.kind() {
                    csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
                        format!("has {len} columns, the header {expected_len}; make them as many")
                    }
                    _ => format!("cannot be read: {e}"),
                };
                faults.push(Fault { place: format!("line {line}"), problem });
            }
        }
    }
    if faults.is_empty() && readings.is_empty() {
        faults.push(Fault { place: String::new(), problem: "the file holds no readings".into() });
    }
    if faults.is_empty() { Ok(readings) } else { Err(faults) }
}

/// A word as it may be shown: short and printable.
fn shown(word: &str) -> String {
    word.chars().take(40).collect::<String>().escape_debug().to_string()
}

/// A number, `Some(None)` for an empty word, `None` for what is neither.
fn number(word: &str, decimal_comma: bool) -> Option<Option<f64>> {
    if word.is_empty() {
        return Some(None);
    }
    let number = if decimal_comma { word.replace(',', ".").parse() } else { word.parse() };
    number.ok().map(Some)
}

/// What a gauge said, in the words that people use for it; as [`number`].
fn passed(word: &str) -> Option<Option<bool>> {
    match word.to_ascii_lowercase().as_str() {
        "" => Some(None),
        "true" | "yes" | "pass" | "passed" => Some(Some(true)),
        "false" | "no" | "fail" | "failed" => Some(Some(false)),
        _ => None,
    }
}

/// Whether readings belong to the plan: a number that it has, once; a value with the right unit for a
/// requirement in figures, pass or fail for a gauge; no value that the requirement cannot have, and no one number for
/// the profile of a whole surface ([`refused`]). All faults at once; places are `[index].field`.
pub fn check(readings: &[Reading], plan: &Plan) -> Vec<Fault> {
    let mut faults = Vec::new();
    let mut first: BTreeMap<&str, usize> = BTreeMap::new();
    for (i, r) in readings.iter().enumerate() {
        let mut wrong =
            |field: &str, problem: String| faults.push(Fault { place: format!("[{i}].{field}"), problem });
        if let Some(earlier) = first.get(r.characteristic.as_str()) {
            wrong("characteristic", format!("[{earlier}] is a reading of it too; leave one"));
        }
        first.entry(&r.characteristic).or_insert(i);
        let Some(c) = plan.characteristics.iter().find(|c| c.number == r.characteristic) else {
            let shown: String = r.characteristic.chars().take(60).collect();
            let numbers: Vec<&str> = plan.characteristics.iter().map(|c| c.number.as_str()).collect();
            let problem = format!(
                "\"{}\" is no number of the plan, which has {}",
                shown.escape_debug(),
                numbers.join(", ")
            );
            wrong("characteristic", problem);
            continue;
        };
        if r.instrument.trim().is_empty() {
            wrong("instrument", "is empty; write which instrument or gauge was used".into());
        }
        if let Requirement::Gauge { .. } = c.requirement {
            if r.passed.is_none() {
                wrong("passed", format!("is missing; {} is passed or failed by a gauge", c.number));
            }
            if r.value.is_some() {
                wrong("value", format!("is for figures; {} is passed or failed, leave it out", c.number));
            }
            continue;
        }
        if r.passed.is_some() {
            wrong("passed", format!("is for a gauge; {} asks for a value, leave it out", c.number));
        }
        match r.value {
            None => wrong("value", format!("is missing; {} asks for a value", c.number)),
            Some(v) if !v.is_finite() => wrong("value", format!("is {v}; write a number")),
            Some(v) => {
                if let Some(problem) = refused(plan, c, v) {
                    wrong("value", problem);
                }
            }
        }
        if let Some(u) = r.expanded_uncertainty
            && !(u.is_finite() && u > 0.0)
        {
            wrong("expanded_uncertainty", format!("is {u}; write a number above 0, or leave it out"));
        }
        let asked = match &c.requirement {
            Requirement::Reading { unit, .. } => unit.as_str(),
            Requirement::Angle { .. } => "deg",
            _ => "mm",
        };
        let fits = r.unit == asked
            || [length_mm, angle_deg].iter().any(|of| of(&r.unit).is_some() && of(asked).is_some());
        if !fits {
            let shown: String = r.unit.chars().take(20).collect();
            let problem = format!("is \"{}\"; {} is told in {asked}", shown.escape_debug(), c.number);
            wrong("unit", problem);
        }
        // What is beyond these is a slip of the finger, and squares of it are no numbers any more.
        let (size, most) = length_mm(&r.unit).map_or((1.0, LARGEST), |mm| (mm, LONGEST_MM));
        for (field, number) in [("value", r.value), ("expanded_uncertainty", r.expanded_uncertainty)] {
            if number.is_some_and(|v| v.is_finite() && !((v * size).abs() <= most)) {
                wrong(
                    field,
                    format!(
                        "is {:e} {}; no hand instrument reads so much, correct it",
                        number.unwrap_or(0.0),
                        r.unit
                    ),
                );
            }
        }
    }
    faults
}

/// Whether a reading of it is that of one place among many that must all keep the limits.
pub fn one_place(characteristic: &Characteristic) -> bool {
    matches!(
        characteristic.requirement,
        Requirement::Thickness(_)
            | Requirement::Gap { .. }
            | Requirement::Step { .. }
            | Requirement::LineProfile { section: None, .. }
    )
}

/// Why a value by hand cannot stand for a characteristic, in words; `None` where it can.
///
/// A flatness or a position is 0 or more, a diameter above 0, by their definitions (ISO 1101:2017, ISO 14405-1:2016).
/// The profile of a whole surface has an extreme on either side of the material, anywhere on it, so one number by
/// hand does not tell it; at a check point it does. Of a wall, a joint or a trimmed edge one number is that of one place, which
/// can show that the whole does not conform and never that it does ([`one_place`]).
pub fn refused(plan: &Plan, characteristic: &Characteristic, value: f64) -> Option<String> {
    let number = &characteristic.number;
    let system = characteristic.datum_system.and_then(|d| plan.datum_systems.get(d));
    let loose = system.is_some_and(DatumSystem::is_loose);
    match characteristic.requirement {
        Requirement::Position { condition, .. } | Requirement::Orientation { condition, .. }
            if loose || condition != Condition::Regardless =>
        {
            Some(format!(
                "is one number for a {} at a material condition, which does not tell how much room the sizes give; let \
                 the plan ask a `gauge` for {number}",
                characteristic.requirement.word()
            ))
        }
        _ if characteristic.requirement.is_zone() && !(value >= 0.0) => {
            let word = characteristic.requirement.word().replace('_', " ");
            Some(format!("is {value}; {number} is a {word}, which is 0 or more; correct it"))
        }
        Requirement::Diameter { .. } | Requirement::Width { .. } | Requirement::Radius { .. }
            if !(value > 0.0) =>
        {
            let word = characteristic.requirement.word();
            Some(format!(
                "is {value}; {number} is a {word}, which is above 0: write the whole {word}, not its deviation"
            ))
        }
        Requirement::Thickness(_) if characteristic.requirement.limits_mm() == (None, None) => Some(format!(
            "is one number for a wall whose limits differ from place to place; measure {number} by a scan, or let the plan \
             ask a `reading`"
        )),
        Requirement::Thickness(_) if !(value > 0.0) => {
            Some(format!("is {value}; {number} is a thickness, which is above 0; correct it"))
        }
        Requirement::LineProfile { section: None, .. } => None,
        Requirement::SurfaceProfile { .. } | Requirement::LineProfile { .. } => {
            let feature = characteristic.feature.and_then(|f| plan.features.get(f));
            let whole = feature.is_none_or(|f| f.kind != FeatureKind::Point);
            whole.then(|| {
                format!(
                    "is one number for a whole surface, which does not tell its profile; measure {number} by a scan or \
                     by points, or let the plan ask a `reading`"
                )
            })
        }
        _ => None,
    }
}
