//! Files of readings by hand instruments, in a program without the service too.

use scantling_proto::v1::Reading;
use serde::Deserialize;

use crate::exit::Exit;

/// No file of readings of one part is longer.
pub(crate) const LONGEST_READINGS: u64 = 4 << 20;

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

/// Reads a table: a header with `characteristic`, `value`, `passed`, `unit`, `expanded_uncertainty`,
/// `instrument`, `operator` in any order, of which what is not needed may be missing. The delimiter is the one
/// of comma, semicolon and tab that the header has. All faults at once, each with its line.
pub(crate) fn from_csv(name: &str, bytes: &[u8]) -> anyhow::Result<Vec<Reading>> {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let first = bytes.split(|b| *b == b'\n').next().unwrap_or_default();
    let count = |d: u8| first.iter().filter(|b| **b == d).count();
    // At a tie the last is taken, so that a header of one column is parted by commas.
    let delimiter = [b'\t', b';', b','].into_iter().max_by_key(|d| count(*d)).unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(bytes);
    let (mut readings, mut faults) = (Vec::new(), Vec::new());
    for row in reader.deserialize::<Row>() {
        match row {
            Ok(row) => readings.push(Reading {
                characteristic: row.characteristic,
                value: row.value,
                passed: row.passed,
                unit: row.unit,
                expanded_uncertainty: row.expanded_uncertainty,
                instrument: row.instrument,
                operator: row.operator,
            }),
            Err(e) => {
                let line = e.position().map_or(1, csv::Position::line);
                let problem = match e.kind() {
                    csv::ErrorKind::Deserialize { err, .. } => err.kind().to_string(),
                    _ => e.to_string(),
                };
                faults.push(format!("  line {line}: {problem}"));
            }
        }
    }
    if faults.is_empty() && readings.is_empty() {
        faults.push("  it holds no readings".to_owned());
    }
    if faults.is_empty() {
        return Ok(readings);
    }
    Err(Exit::Refused.because(format!(
        "cannot use the readings of {name}; the columns are characteristic, value, passed (true or false), unit, \
         expanded_uncertainty, instrument, operator\n{}",
        faults.join("\n")
    )))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_read_whole() {
        let text = "characteristic;value;unit;expanded_uncertainty;instrument;passed\n\
                    # thickness\n7; 3.02;mm;0.01;calliper 12;\n9;;;;plug gauge;true\n";
        let readings = from_csv("r.csv", text.as_bytes()).expect("good");
        assert_eq!(readings.len(), 2);
        assert_eq!((readings[0].value, readings[0].expanded_uncertainty), (Some(3.02), Some(0.01)));
        assert_eq!((readings[1].value, readings[1].passed), (None, Some(true)));
    }

    #[test]
    fn every_fault_is_told_with_its_line() {
        let text = "characteristic,value,unit\n7,three,mm\n8,1,mm\n9,1\n";
        let error = from_csv("r.csv", text.as_bytes()).expect_err("faults");
        assert_eq!(Exit::of_error(&error), Exit::Refused);
        let said = error.to_string();
        assert!(said.contains("line 2") && said.contains("line 4") && !said.contains("line 3"), "{said}");
        for none in ["", "characteristic,value\n", "characteristic,colour\n7,red\n"] {
            assert!(from_csv("r.csv", none.as_bytes()).is_err(), "{none:?}");
        }
    }

    /// The service's own reader says what a good file is.
    #[cfg(feature = "embedded")]
    #[test]
    fn the_same_files_are_good_here_and_in_core() {
        for text in [
            "characteristic,value,unit\n7,3.02,mm\n",
            "\u{feff}characteristic\tvalue\tunit\toperator\n7\t3.02\tmm\tAB\n",
            "characteristic,passed,instrument\n9,false,\"plug gauge, M6\"\n",
            "characteristic,passed\n9,no\n",
            "characteristic,value\n7,3;0\n",
            "characteristic,value\n7\n",
            "value,unit\n7,mm\n",
            "characteristic,value,value\n7,1,2\n",
            "",
        ] {
            let here = from_csv("r.csv", text.as_bytes()).ok();
            let there = scantling_core::readings::from_csv(text.as_bytes()).ok().map(|all| {
                let of = |r: scantling_core::readings::Reading| Reading {
                    characteristic: r.characteristic,
                    value: r.value,
                    passed: r.passed,
                    unit: r.unit,
                    expanded_uncertainty: r.expanded_uncertainty,
                    instrument: r.instrument,
                    operator: r.operator,
                };
                all.into_iter().map(of).collect::<Vec<_>>()
            });
            assert_eq!(here, there, "{text:?}");
        }
    }
}
