//! What hand instruments read and gauges pass or fail, joined to characteristics by number.

use crate::plan::{Characteristic, Fault, FeatureKind, Plan, Requirement};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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

/// Reads a table of readings: a header with `characteristic`, `value`, `passed`, `unit`,
/// `expanded_uncertainty`, `instrument`, `operator` in any order, of which what is not needed may be missing.
///
/// # Errors
/// Every fault, each with its line.
pub fn from_csv(bytes: &[u8]) -> Result<Vec<Reading>, Vec<Fault>> {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let first = bytes.split(|b| *b == b'\n').next().unwrap_or_default();
    let count = |d: u8| first.iter().filter(|b| **b == d).count();
    let delimiter = [b',', b';', b'\t'].into_iter().max_by_key(|d| count(*d)).unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(bytes);
    let (mut readings, mut faults) = (Vec::new(), Vec::new());
    for row in reader.deserialize::<Row>() {
        match row {
            Ok(row) => readings.push(row.into()),
            Err(e) => {
                let line = e.position().map_or(1, csv::Position::line);
                let problem = match e.kind() {
                    csv::ErrorKind::Deserialize { err, .. } => err.kind().to_string(),
                    _ => e.to_string(),
                };
                let problem = format!(
                    "{problem}; the columns are characteristic, value, passed (true or false), unit, \
                     expanded_uncertainty, instrument, operator"
                );
                faults.push(Fault { place: format!("line {line}"), problem });
            }
        }
    }
    if faults.is_empty() && readings.is_empty() {
        faults.push(Fault { place: String::new(), problem: "the file holds no readings".into() });
    }
    if faults.is_empty() { Ok(readings) } else { Err(faults) }
}

/// A line of the table: empty cells are absent values.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    characteristic: String,
    #[serde(default)]
    value: Option<f64>,
    #[serde(default)]
    passed: Option<bool>,
    #[serde(default)]
    unit: String,
    #[serde(default)]
    expanded_uncertainty: Option<f64>,
    #[serde(default)]
    instrument: String,
    #[serde(default)]
    operator: String,
}

impl From<Row> for Reading {
    fn from(r: Row) -> Self {
        Self {
            characteristic: r.characteristic,
            value: r.value,
            passed: r.passed,
            unit: r.unit,
            expanded_uncertainty: r.expanded_uncertainty,
            instrument: r.instrument,
            operator: r.operator,
        }
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
            _ => "mm",
        };
        let fits = r.unit == asked || (length_mm(&r.unit).is_some() && length_mm(asked).is_some());
        if !fits {
            let shown: String = r.unit.chars().take(20).collect();
            let problem = format!("is \"{}\"; {} is told in {asked}", shown.escape_debug(), c.number);
            wrong("unit", problem);
        }
    }
    faults
}

/// Why a value by hand cannot stand for a characteristic, in words; `None` where it can.
///
/// A flatness or a position is 0 or more, a diameter above 0, by their definitions (ISO 1101:2017, ISO 14405-1:2016).
/// The profile of a whole surface has an extreme on either side of the material, anywhere on it, so one number by
/// hand does not tell it; at a check point it does.
pub fn refused(plan: &Plan, characteristic: &Characteristic, value: f64) -> Option<String> {
    let number = &characteristic.number;
    match characteristic.requirement {
        Requirement::Flatness { .. } | Requirement::Position { .. } if !(value >= 0.0) => {
            let word = characteristic.requirement.word();
            Some(format!("is {value}; {number} is a {word}, which is 0 or more; correct it"))
        }
        Requirement::Diameter { .. } if !(value > 0.0) => Some(format!(
            "is {value}; {number} is a diameter, which is above 0: write the whole diameter, not its deviation"
        )),
        Requirement::SurfaceProfile { .. } => {
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
