//! Inspections as text.

use super::*;
use crate::report::tests::PLAIN;
use scantling_proto::v1::{Components, Evaluation, Extreme, Interval, Limits};

fn position() -> Evaluation {
    Evaluation {
        number: "12".into(),
        requirement: "position".into(),
        feature: "H5".into(),
        datum_system: Some("ABC".into()),
        required: true,
        limits: Some(Limits { lower_mm: None, upper_mm: Some(0.4) }),
        value_mm: Some(0.912_3),
        components: Some(Components { dx_mm: 0.412_3, dy_mm: -0.2, dz_mm: 0.0, dn_mm: 0.458 }),
        interval: Some(Interval { low_mm: 0.903, high_mm: 0.921 }),
        verdict: Verdict::DoesNotConform.into(),
        reason: "0.912 mm is above 0.4 mm by more than the uncertainty".into(),
        ..Evaluation::default()
    }
}

fn profile() -> Evaluation {
    let extreme = |value_mm| Some(Extreme { value_mm, at_mm: vec![1.0, 2.0, 3.0] });
    Evaluation {
        number: "3.1".into(),
        requirement: "surface_profile".into(),
        feature: "SKIN".into(),
        required: true,
        limits: Some(Limits { lower_mm: Some(-0.4), upper_mm: Some(0.4) }),
        minimum: extreme(-0.31),
        maximum: extreme(0.07),
        verdict: Verdict::Conforms.into(),
        ..Evaluation::default()
    }
}

fn inspection(evaluations: Vec<Evaluation>) -> Inspection {
    Inspection {
        name: "inspections/a1".into(),
        revision: "parts/ws-214/revisions/c4".into(),
        serial_number: "0001".into(),
        purpose: Purpose::Rehearsal.into(),
        attempt: 1,
        state: InspectionState::Done.into(),
        verdict: Verdict::DoesNotConform.into(),
        reason: "does not conform: 12".into(),
        evaluations,
        ..Inspection::default()
    }
}

#[test]
fn a_table_says_what_is_wrong_and_where() {
    let text = whole(&inspection(vec![profile(), position()]), &PLAIN);
    assert_eq!(
        text,
        "\
inspection  inspections/a1
part        ws-214/c4, serial number 0001
purpose     rehearsal

no.  characteristic             limits       measured  95 % interval  verdict
3.1  surface profile SKIN  -0.4 .. 0.4  -0.31 .. 0.07              -  CONFORMS
12   position H5 to ABC    at most 0.4           0.91   0.90 .. 0.93  DOES NOT CONFORM
  lengths in mm; + is outside the material
  profile: lowest .. highest deviation; the interval is of the one with less room

12    0.912 mm is above 0.4 mm by more than the uncertainty; off by dx 0.412, dy -0.200, dz 0.000 mm

verdict  DOES NOT CONFORM: 12
"
    );
}

#[test]
fn nothing_measured_is_shown_as_nothing_and_never_as_a_number() {
    let mut missing = position();
    missing.value_mm = None;
    missing.interval = None;
    missing.components = None;
    missing.verdict = Verdict::NotMeasured.into();
    missing.reason = "too little of H5 was seen".into();
    let text = whole(&inspection(vec![missing]), &PLAIN);
    assert!(text.contains("at most 0.4         -              -  NOT MEASURED\n"), "{text}");
    assert!(text.contains("12    too little of H5 was seen\n"), "{text}");
}

#[test]
fn without_a_verdict_no_word_reads_as_a_pass() {
    for state in [InspectionState::Queued, InspectionState::Running, InspectionState::Failed] {
        let mut open = inspection(Vec::new());
        open.state = state.into();
        // What a careless server might leave there.
        open.verdict = Verdict::Conforms.into();
        let text = whole(&open, &PLAIN) + &line(1, &open);
        assert!(!text.contains("CONFORM"), "{text}");
        assert!(text.contains("no verdict"), "{text}");
    }
}

#[test]
fn the_whole_table_keeps_within_100_columns() {
    let mut long = profile();
    long.feature = "REVEAL-UPPER-LEFT".into();
    long.datum_system = Some("ABC".into());
    long.required = false;
    long.minimum = Some(Extreme { value_mm: -12.345, at_mm: vec![0.0; 3] });
    long.interval = Some(Interval { low_mm: 12.0, high_mm: 13.0 });
    long.verdict = Verdict::DoesNotConform.into();
    let text = whole(&inspection(vec![long, position()]), &PLAIN);
    for line in text.lines() {
        assert!(line.chars().count() <= 100, "{line}");
    }
}

#[test]
fn a_verdict_over_one_group_never_reads_as_a_release() {
    let mut some = inspection(Vec::new());
    some.verdict = Verdict::Conforms.into();
    some.reason = "conforms".into();
    some.scope_groups = vec!["skin".into(), "holes".into()];
    for text in [whole(&some, &PLAIN), line(1, &some)] {
        assert!(text.contains("CONFORMS (skin, holes only)"), "{text}");
    }
    assert!(line(1, &some).contains("  rehearsal  "), "{}", line(1, &some));
    some.scope_groups.clear();
    assert!(whole(&some, &PLAIN).contains("verdict  CONFORMS\n"), "{}", whole(&some, &PLAIN));
}
