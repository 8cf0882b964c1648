//! Tables of readings, and values that no hand instrument shows.

use super::*;

fn faults(text: &str) -> Vec<String> {
    from_csv(text.as_bytes()).unwrap_err().iter().map(ToString::to_string).collect()
}

#[test]
fn decimal_commas_and_the_words_of_gauges_are_read() {
    let all = from_csv(b"characteristic;value;unit;passed\n7;3,02;mm;\n8;;;yes\n9;;;FAIL\n").unwrap();
    assert_eq!((all[0].value, all[1].passed, all[2].passed), (Some(3.02), Some(true), Some(false)));
}

#[test]
fn every_fault_names_its_line_and_column() {
    let found =
        faults("characteristic,value,passed,expanded_uncertainty\n7,\"3,02\",,\n8,,maybe,\n9,1,,x\n9,1\n");
    for (line, words) in [
        (2, "value is \"3,02\""),
        (3, "passed is \"maybe\""),
        (4, "expanded_uncertainty is \"x\""),
        (5, "2 columns"),
    ] {
        let at = format!("line {line}: ");
        assert!(found.iter().any(|f| f.starts_with(&at) && f.contains(words)), "{line}: {found:#?}");
    }
    assert!(faults("characteristic,colour\n7,red\n")[0].contains("\"colour\" is not known"));
    assert!(faults("value,unit\n7,mm\n")[0].contains("column characteristic is missing"));
    assert!(faults("characteristic,value,value\n7,1,2\n")[0].contains("stands twice"));
    let wide: Vec<u8> = "characteristic,value\n7,1\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    assert!(from_csv(&wide).unwrap_err()[0].problem.contains("UTF-16"));
    let many = "characteristic,value\n".to_owned() + &"7,x\n".repeat(1000);
    assert_eq!(faults(&many).len(), MOST_FAULTS);
    let rows = "characteristic,value\n".to_owned() + &"7,1\n".repeat(MOST_READINGS + 1);
    assert!(faults(&rows)[0].contains("more than"));
}

#[test]
fn values_beyond_all_hand_instruments_are_refused() {
    let (_, plan) = crate::plan::check_toml(
        r#"
schema_version = 1
part = "lid"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
[[characteristic]]
number = "1"
reading = { quantity = "coating thickness", unit = "um", upper_limit = 120 }
[[characteristic]]
number = "2"
reading = { quantity = "mass", unit = "kg", upper_limit = 2 }
"#,
    )
    .unwrap();
    let read = |number: &str, value: f64, unit: &str, u: f64| {
        let reading = Reading {
            characteristic: number.into(),
            value: Some(value),
            passed: None,
            unit: unit.into(),
            expanded_uncertainty: Some(u),
            instrument: "gauge".into(),
            operator: String::new(),
        };
        check(&[reading], &plan).into_iter().map(|f| f.place).collect::<Vec<_>>()
    };
    assert!(read("1", 1e4, "m", 0.1).is_empty() && read("2", -1e12, "kg", 0.1).is_empty());
    // In millimetres it would be infinite.
    assert_eq!(read("1", 1e308, "m", 0.1), ["[0].value"]);
    assert_eq!(read("2", 1e13, "kg", 1e200), ["[0].value", "[0].expanded_uncertainty"]);
    assert_eq!(read("1", f64::NAN, "m", f64::INFINITY), ["[0].value", "[0].expanded_uncertainty"]);
}
