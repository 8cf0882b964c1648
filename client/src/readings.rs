//! Files of readings by hand instruments.
//!
//! Core reads the same table (`readings::from_csv`). It is read here once more because a program without the service
//! links no core, which is nearly all that such a build leaves out; a test holds the two to the same answers.

use scantling_proto::v1::Reading;

use crate::exit::Exit;

/// No file of readings of one part is longer.
pub(crate) const LONGEST_READINGS: u64 = 4 << 20;

const COLUMNS: [&str; 7] =
    ["characteristic", "value", "passed", "unit", "expanded_uncertainty", "instrument", "operator"];

/// More faults than this say nothing new.
const MOST_FAULTS: usize = 50;

/// Reads a table: a header with `characteristic`, `value`, `passed` (true or false, yes or no, pass or fail), `unit`,
/// `expanded_uncertainty`, `instrument`, `operator` in any order, of which what is not needed may be missing. The
/// delimiter is the one of comma, semicolon and tab that the header has; decimals may follow a comma where it is
/// another one. All faults at once, each with its line and column.
pub(crate) fn from_csv(name: &str, bytes: &[u8]) -> anyhow::Result<Vec<Reading>> {
    table(bytes).map_err(|faults| {
        Exit::Refused.because(format!(
            "cannot use the readings of {name}; the columns are characteristic, value, passed (true or false), unit, \
             expanded_uncertainty, instrument, operator\n{}",
            faults.iter().map(|f| format!("  {f}")).collect::<Vec<_>>().join("\n")
        ))
    })
}

fn table(bytes: &[u8]) -> Result<Vec<Reading>, Vec<String>> {
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) || bytes.get(1) == Some(&0) {
        return Err(vec!["it is text in UTF-16; save it as UTF-8".to_owned()]);
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
    let header = reader.headers().map_err(|e| vec![format!("line 1: this is no table: {e}")])?.clone();
    let mut column = [None; COLUMNS.len()];
    for (i, word) in header.iter().enumerate() {
        match COLUMNS.iter().position(|c| c.eq_ignore_ascii_case(word)) {
            Some(known) if column[known].is_none() => column[known] = Some(i),
            Some(_) => return Err(vec![format!("line 1: column {} stands twice; leave one", shown(word))]),
            None => return Err(vec![format!("line 1: column \"{}\" is not known", shown(word))]),
        }
    }
    if column[0].is_none() {
        return Err(vec!["line 1: column characteristic is missing".to_owned()]);
    }
    let (mut readings, mut faults) = (Vec::new(), Vec::new());
    for row in reader.records() {
        if faults.len() >= MOST_FAULTS {
            break;
        }
        match row {
            Ok(row) => {
                let line = row.position().map_or(1, csv::Position::line);
                let word = |c: usize| column[c].and_then(|i| row.get(i)).unwrap_or("");
                let mut wrong = |c: usize, write: &str| {
                    let column = COLUMNS[c];
                    let found = shown(word(c));
                    faults.push(format!(
                        "line {line}: {column} is \"{found}\"; write {write}, or leave it empty"
                    ));
                    None
                };
                let number = |c: usize| number(word(c), delimiter != b',');
                let value = number(1).unwrap_or_else(|| wrong(1, "a number"));
                let expanded_uncertainty = number(4).unwrap_or_else(|| wrong(4, "a number"));
                let passed = passed(word(2)).unwrap_or_else(|| {
                    wrong(2, "true or false");
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
                faults.push(match e.kind() {
                    csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
                        format!(
                            "line {line}: has {len} columns, the header {expected_len}; make them as many"
                        )
                    }
                    _ => format!("line {line}: cannot be read: {e}"),
                });
            }
        }
    }
    if faults.is_empty() && readings.is_empty() {
        faults.push("it holds no readings".to_owned());
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
            "characteristic,passed\n9,no\n9,PASS\n",
            "characteristic,passed\n9,maybe\n",
            "characteristic;value;unit\n7;3,02;mm\n",
            "characteristic,value,unit\n7,\"3,02\",mm\n",
            "Characteristic,Value,Unit\r7,3.02,mm\r",
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
