use super::*;
use scantling_core::record::{
    AlignmentRecord, Components, ConditionsRecord, ConformityResult, Contribution, Coverage, DatumRecord,
    DatumSystemRecord, Evaluation, Extreme, Interval, Limits, ReadingResult, SourceRecord,
};

const IDENTITY: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

pub(super) fn evaluation(number: &str, requirement: &str, verdict: Verdict) -> Evaluation {
    Evaluation {
        number: number.into(),
        requirement: requirement.into(),
        feature: "SKIN".into(),
        datum_system: Some("ABC".into()),
        required: true,
        class: None,
        limits: Limits { lower_mm: None, upper_mm: Some(0.5) },
        value_mm: None,
        minimum: None,
        maximum: None,
        components: None,
        interval: None,
        standard_uncertainty_mm: None,
        budget: Vec::new(),
        noise_floor_mm: None,
        coverage: None,
        operators: BTreeMap::new(),
        verdict,
        reason: "because of that".into(),
        measured_by: "scan".into(),
        reading: None,
        angle: None,
        instances: Vec::new(),
        conformity: None,
        correlated_groups: Vec::new(),
        thickness: None,
        edge: None,
    }
}

fn source(sha256: &str) -> SourceRecord {
    let used = "the whole scan".into();
    SourceRecord {
        sha256: sha256.into(),
        content: "scan".into(),
        used,
        points: 7,
        alignment: None,
        conditions: ConditionsRecord::default(),
    }
}

fn every_kind() -> Record {
    let profile = Evaluation {
        limits: Limits { lower_mm: Some(-0.4), upper_mm: Some(0.4) },
        value_mm: Some(0.31),
        minimum: Some(Extreme { value_mm: -0.120_4, at_mm: [1.0, 1.0, 0.0] }),
        maximum: Some(Extreme { value_mm: 0.310_2, at_mm: [8.0, 3.0, 0.0] }),
        interval: Some(Interval { low_mm: 0.29, high_mm: 0.33 }),
        standard_uncertainty_mm: Some(0.0101),
        budget: vec![Contribution { source: "noise".into(), standard_uncertainty_mm: 0.004 }],
        noise_floor_mm: Some(0.021),
        coverage: Some(Coverage {
            fraction: 0.9997,
            largest_unseen_disc_mm: 3.21,
            points: 1234,
            ..Coverage::default()
        }),
        operators: BTreeMap::from([("filter".into(), "gaussian, 2.5 mm".into())]),
        conformity: Some(ConformityResult {
            probability: 0.9987,
            specific_consumer_risk: Some(0.0013),
            specific_producer_risk: None,
            acceptance_lower: Some(-0.3834),
            acceptance_upper: Some(0.3834),
            points_times: None,
            would_decide: None,
        }),
        ..evaluation("1", "surface_profile", Verdict::Conforms)
    };
    let position = Evaluation {
        value_mm: Some(0.500_113),
        components: Some(Components { dx_mm: 0.2, dy_mm: -0.15, dz_mm: 0.0, dn_mm: 0.25 }),
        ..evaluation("2", "position", Verdict::DoesNotConform)
    };
    Record {
        record_version: RECORD_VERSION,
        program_version: "9.8.7".into(),
        nominal_sha256: "aa11".into(),
        neighbours: Vec::new(),
        plan_sha256: "bb22".into(),
        sources: vec![source("cc33")],
        deviation_sha256: None,
        scope: Vec::new(),
        decision: "proven conformity, ISO 14253-1:2017".into(),
        alignment: Some(AlignmentRecord {
            rotation: IDENTITY,
            translation_mm: [1.0, -2.0, 3.0],
            rms_mm: 0.0213,
            points: 123_456,
            stop: "settled".into(),
            evidence_for: 4000,
            evidence_against: 12,
            noise_mm: 0.02,
            points_unexplained: 7,
        }),
        datum_systems: vec![DatumSystemRecord {
            taken_from: "scan".into(),
            id: "ABC".into(),
            rotation: IDENTITY,
            translation_mm: [1.0, -2.0, 3.0],
            datums: vec![DatumRecord {
                letter: "A".into(),
                feature: "FLANGE".into(),
                locks: vec!["tz".into(), "rx".into()],
                residual_mm: Some(0.034),
            }],
            rounds: 3,
        }],
        evaluations: vec![
            profile,
            position,
            Evaluation { value_mm: Some(0.49), ..evaluation("3", "flatness", Verdict::Undecided) },
            evaluation("4", "diameter", Verdict::NotMeasured),
        ],
        verdict: Verdict::DoesNotConform,
        reason: "characteristic 2 does not conform".into(),
        cautions: vec!["The scan carries no normals.".into()],
        advice: Vec::new(),
        better_revision: None,
    }
}

fn mesh() -> TriangleMesh {
    let points = [[0.0, 0.0], [10.0, 0.0], [10.0, 5.0], [0.0, 5.0]].map(|[x, y]| Point::new(x, y, 0.0));
    TriangleMesh::new(points.to_vec(), vec![[0, 1, 2], [0, 2, 3]]).unwrap()
}

struct Words {
    title: &'static str,
    titles: BTreeMap<String, String>,
    asked: BTreeMap<String, Asked>,
    serial: Option<&'static str>,
    facts: Vec<(&'static str, &'static str)>,
    simulated: bool,
    picture: bool,
}

impl Default for Words {
    fn default() -> Self {
        Self {
            title: "Window surround",
            titles: BTreeMap::new(),
            asked: BTreeMap::new(),
            serial: Some("0042"),
            facts: vec![("Serial number", "0042"), ("Evaluated", "2026-03-04 10:11:12 UTC"), ("Lot", "L-7")],
            simulated: false,
            picture: true,
        }
    }
}

fn try_page(
    record: &Record,
    words: &Words,
    deviation_mm: &[Option<f32>],
    digest: &str,
) -> Result<String, ReportError> {
    let places = BTreeMap::from([("SKIN".to_string(), Point::new(5.0, 2.0, 0.0))]);
    let facts: Vec<_> = words.facts.iter().map(|(n, v)| ((*n).to_string(), (*v).to_string())).collect();
    let mesh = mesh();
    let input = ReportInput {
        inspection_name: "inspections/0190",
        part_title: words.title,
        part_number: "ws-214",
        serial_number: words.serial,
        facts: &facts,
        simulated: words.simulated,
        titles: &words.titles,
        asked: &words.asked,
        feature_places: &places,
        record,
        result_sha256: digest,
        surface: words.picture.then_some(Surface { mesh: &mesh, deviation_mm }),
    };
    super::page(&input, picture::Size { widest: 300, tallest: 200 })
}

fn seen() -> Vec<Option<f32>> {
    vec![Some(-0.1), Some(0.3), Some(0.5), None]
}

fn page(record: &Record) -> String {
    try_page(record, &Words::default(), &seen(), &record.digest()).unwrap()
}

/// The text between tags, so that tests do not depend on the markup.
fn text(page: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    let body = page.split_once("<body>").map_or(page, |(_, body)| body);
    for c in body.chars() {
        match c {
            '<' => {
                inside = true;
                out.push(' ');
            }
            '>' => inside = false,
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn every_kind_of_verdict_is_said_in_words_with_its_reason() {
    let text = text(&page(&every_kind()));
    for words in ["Conforms", "Does not conform", "Undecided", "Not measured not a pass"] {
        assert!(text.contains(words), "{words} is missing from: {text}");
    }
    assert_eq!(text.matches("Reason: because of that").count(), 4);
    assert!(text.contains("4 characteristics: 1 does not conform, 1 not measured, 1 undecided, 1 conforms."));
    assert!(text.contains("Verdict over the whole inspection plan."));
    assert!(text.contains("This is not a pass"));
}

#[test]
fn a_reason_that_all_share_that_conform_is_told_once() {
    let mut record = every_kind();
    let mut again = record.evaluations[0].clone();
    again.number = "5".into();
    record.evaluations.push(again);
    let told = text(&page(&record));
    assert_eq!(told.matches("Reason: because of that").count(), 3);
    assert!(told.contains("Reason of every characteristic that conforms: because of that."));
    record.evaluations[4].reason = "another".into();
    let told = text(&page(&record));
    assert_eq!(told.matches("Reason: because of that").count(), 4);
    assert!(told.contains("Reason: another") && !told.contains("Reason of every"));
}

#[test]
fn a_part_that_was_not_measured_never_reads_as_a_pass() {
    let mut record = every_kind();
    record.evaluations.retain(|e| e.verdict == Verdict::NotMeasured);
    record.verdict = Verdict::NotMeasured;
    record.alignment = None;
    record.datum_systems.clear();
    let empty = Vec::new();
    let page = try_page(&record, &Words::default(), &empty, &record.digest()).unwrap();
    let text = text(&page);
    assert!(
        text.contains("This is not a pass: a characteristic that was not measured is not known to conform.")
    );
    assert!(text.contains("the scan could not be aligned"));
    assert!(text.contains("no deviation was measured anywhere"));
    assert!(text.contains("no datum system was established"));
    assert!(!text.contains("Conforms"));
    record.evaluations.clear();
    let page = try_page(&record, &Words::default(), &empty, &record.digest()).unwrap();
    assert!(self::text(&page).contains("nothing is known to conform"));
}

#[test]
fn a_conforming_part_says_so_and_no_more() {
    let mut record = every_kind();
    record.evaluations.truncate(1);
    record.verdict = Verdict::Conforms;
    record.scope = vec!["skin".into()];
    let text = text(&page(&record));
    assert!(!text.contains("This is not a pass"));
    assert!(text.contains("Verdict over group skin only; not a release of the part."));
}

#[test]
fn missing_values_are_a_dash_with_a_reason() {
    let text = text(&page(&every_kind()));
    // Characteristic 4: measured, interval, noise floor, coverage, and the combined uncertainty.
    assert_eq!(text.matches("\u{2014} not measured").count(), 5);
    // Characteristics 2 and 3 have a value but no interval, noise floor, coverage, combined uncertainty.
    assert_eq!(text.matches("\u{2014} not given").count(), 8);
    assert!(!text.contains("NaN") && !text.contains("None"));
}

#[test]
fn values_stand_beside_their_limits_without_crossing_them() {
    let text = text(&page(&every_kind()));
    assert!(text.contains("0.5001"), "0.500113 must not read as 0.50");
    assert!(text.contains("min \u{2212}0.12 max +0.31"));
    assert!(text.contains("\u{2212}0.4 to +0.4"));
    assert!(text.contains("at most 0.5"));
    assert!(text.contains("99.9 %"), "0.9997 seen must not read as 100 %");
    assert!(text.contains("dx +0.20 dy \u{2212}0.15 dz 0.00"));
}

#[test]
fn the_page_carries_what_it_rests_on() {
    let record = every_kind();
    let text = text(&page(&record));
    let digest = record.digest();
    for words in [
        "aa11",
        "bb22",
        "cc33",
        &digest,
        "9.8.7",
        "Evaluated 2026-03-04 10:11:12 UTC",
        "Lot L-7",
        "responsible quality authority",
        "laser class",
        "dust",
        "0042",
        "The scan carries no normals.",
        "123 456",
        "FLANGE",
        "tz, rx",
        "noise 0.0040",
    ] {
        assert!(text.contains(words), "{words} is missing");
    }
}

#[test]
fn hostile_words_stay_words() {
    const BAD: &str = "<script>alert('x')</script>\"><img src=x onerror=y>&amp;";
    let mut record = every_kind();
    record.reason = BAD.into();
    record.decision = BAD.into();
    record.program_version = BAD.into();
    record.cautions = vec![BAD.into()];
    record.scope = vec![BAD.into()];
    record.sources = vec![source(BAD)];
    record.datum_systems[0].id = BAD.into();
    record.datum_systems[0].datums[0].letter = BAD.into();
    for e in &mut record.evaluations {
        e.number.push_str(BAD);
        e.requirement.push_str(BAD);
        e.feature = BAD.into();
        e.reason = BAD.into();
        e.class = Some(BAD.into());
        e.operators.insert(BAD.into(), BAD.into());
        e.measured_by = BAD.into();
    }
    let titles = record.evaluations.iter().map(|e| (e.number.clone(), BAD.to_string())).collect();
    let facts = vec![(BAD, BAD)];
    let words = Words { title: BAD, titles, serial: Some(BAD), facts, ..Words::default() };
    let page = try_page(&record, &words, &seen(), &record.digest()).unwrap();
    assert!(!page.contains("<script") && !page.contains("<img"));
    assert!(page.matches("&#60;script&#62;").count() > 20);
}

#[test]
fn the_page_asks_for_nothing_from_outside() {
    let page = page(&every_kind());
    for word in ["http:", "https:", "//", "<script", "<link", "@import", "url("] {
        let from = page.replace("base64,", "\0");
        // Base64 may hold two slashes; only text outside the pictures counts.
        let outside: String = from
            .split('\0')
            .enumerate()
            .map(|(i, piece)| if i == 0 { piece } else { piece.split_once('"').map_or("", |(_, rest)| rest) })
            .collect();
        assert!(!outside.contains(word), "{word} in the page");
    }
    assert!(page.contains("default-src 'none'"));
}

#[test]
fn a_simulated_scan_is_marked() {
    let record = every_kind();
    assert!(!page(&record).contains("Simulated scan"));
    let words = Words { simulated: true, ..Words::default() };
    let page = try_page(&record, &words, &seen(), &record.digest()).unwrap();
    assert!(text(&page).contains("Simulated scan: a rehearsal. This page says nothing about any made part."));
}

#[test]
fn a_map_of_another_nominal_or_a_digest_of_another_record_is_refused() {
    let record = every_kind();
    let other = try_page(&record, &Words::default(), &[None; 3], &record.digest());
    assert!(matches!(other, Err(ReportError::OtherNominal { values: 3, vertices: 4 })));
    let other = try_page(&record, &Words::default(), &seen(), "dead");
    assert!(matches!(other, Err(ReportError::OtherRecord { .. })));
}

#[test]
fn the_worst_places_come_first_and_what_was_not_measured_has_none() {
    let record = every_kind();
    let text = text(&page(&record));
    let list = text.split_once("Marked places").unwrap().1.split_once("Alignment and datums").unwrap().0;
    // Position 1.0002 of its limit, flatness 0.98, profile 0.78; the diameter was not measured.
    let order: Vec<usize> =
        ["2 SKIN position 0.5001 5.0, 2.0, 0.0", "3 SKIN flatness", "1 SKIN profile of a surface +0.31"]
            .iter()
            .map(|line| list.find(line).unwrap_or_else(|| panic!("{line} is missing from: {list}")))
            .collect();
    assert!(order.is_sorted(), "{list}");
    assert!(!list.contains("diameter"));
}

/// A reading of a mass, a gauge, and a diameter read in inches.
fn by_hand() -> Record {
    let reading = |value: Option<f64>, passed, unit: &str| {
        Some(ReadingResult {
            value,
            passed,
            unit: unit.into(),
            lower_limit: None,
            upper_limit: None,
            expanded_uncertainty: value.map(|_| 0.0049),
            instrument: "balance 12".into(),
            operator: "shift B".into(),
        })
    };
    let hand = |number: &str, requirement: &str, reading| Evaluation {
        limits: Limits { lower_mm: None, upper_mm: None },
        feature: String::new(),
        datum_system: None,
        measured_by: "reading".into(),
        reading,
        ..evaluation(number, requirement, Verdict::Conforms)
    };
    let mut record = every_kind();
    let mass = hand("20", "reading", reading(Some(1.2999), None, "kg"));
    let inches = Evaluation {
        feature: "H1".into(),
        value_mm: Some(8.01),
        limits: Limits { lower_mm: Some(7.9), upper_mm: Some(8.1) },
        interval: Some(Interval { low_mm: 8.0051, high_mm: 8.0149 }),
        ..hand("22", "diameter", reading(Some(0.3154), None, "in"))
    };
    let unread = Evaluation {
        measured_by: String::new(),
        reading: None,
        verdict: Verdict::NotMeasured,
        ..hand("23", "reading", None)
    };
    let taken = Evaluation {
        measured_by: "points".into(),
        value_mm: Some(0.2),
        ..evaluation("24", "position", Verdict::Conforms)
    };
    record.evaluations =
        vec![mass, hand("21", "gauge", reading(None, Some(false), "")), inches, unread, taken];
    record.sources.clear();
    record.alignment = None;
    record.datum_systems[0].taken_from = "points".into();
    record.nominal_sha256.clear();
    record
}

#[test]
fn readings_gauges_and_points_stand_in_their_own_words_without_a_picture() {
    let record = by_hand();
    let asked = |quantity: &str| Asked {
        quantity: quantity.into(),
        unit: "kg".into(),
        lower_limit: None,
        upper_limit: Some(1.3),
    };
    let asked =
        BTreeMap::from([("20".to_string(), asked("mass")), ("23".to_string(), asked("mass, packed"))]);
    let words = Words { asked, picture: false, ..Words::default() };
    let page = try_page(&record, &words, &[], &record.digest()).unwrap();
    let text = text(&page);
    for said in [
        "20 mass by reading, with balance 12, read by shift B at most 1.3 kg \u{2014} none 1.2999 kg U 0.0049 (k = 2) 1.29 to 1.31",
        "21 gauge, pass or fail by reading, with balance 12, read by shift B the gauge passes \u{2014} none failed",
        "read as 0.3154 in 7.9 to 8.1",
        "8.01 8.00 to 8.02",
        "23 mass, packed at most 1.3 kg \u{2014} none \u{2014} not measured",
        "measured by points taken of the feature",
        "Established on the points taken of its features.",
        "Motion from the axes in which the points are told to part axes",
        "No picture: nothing was scanned.",
        "no scan, so nothing was aligned by best fit",
        "Without a mark: 20 (a reading), 21 (a reading), 22 (its feature has no place on the nominal), 23 (not measured).",
        "Nominal, SHA-256 &mdash; none",
    ] {
        assert!(text.contains(said), "{said} is missing from: {text}");
    }
    assert!(!page.contains("<image") && !text.contains("coloured from the mean"));
}

#[test]
fn several_sources_say_what_was_used_of_each() {
    let mut record = every_kind();
    let boxed = SourceRecord {
        used: "the box from x 0, y 0, z 0 to x 9, y 9, z 9 mm in the scan's axes".into(),
        points: 4321,
        alignment: record.alignment.clone(),
        ..source("dd44")
    };
    record.sources.push(boxed);
    let text = text(&page(&record));
    assert!(text.contains("1 scan the whole scan 7 \u{2014} not aligned"), "{text}");
    assert!(text.contains("2 scan the box from x 0, y 0, z 0 to x 9, y 9, z 9 mm in the scan&#39;s axes 4 321 0.0213 mm, settled"), "{text}");
    assert!(text.contains("Source 2 (scan), SHA-256 dd44"));
    assert!(text.contains("of all scans in the axes of the first"));
}

#[test]
fn a_flatness_is_marked_at_its_larger_extreme_and_not_at_the_middle() {
    let mut record = every_kind();
    record.evaluations[2].minimum = Some(Extreme { value_mm: -0.3, at_mm: [9.0, 4.5, 0.0] });
    record.evaluations[2].maximum = Some(Extreme { value_mm: 0.19, at_mm: [1.0, 0.5, 0.0] });
    let text = text(&page(&record));
    assert!(text.contains("3 SKIN flatness 0.49 9.0, 4.5, 0.0 Undecided"), "{text}");
    assert!(text.contains("Without a mark: 4 (not measured)."), "{text}");
}

#[test]
fn probability_and_risk_of_a_decision_are_told_with_the_values_that_would_be_accepted() {
    let text = text(&page(&every_kind()));
    assert!(text.contains("Probability of conformity and risk"), "{text}");
    assert!(text.contains("99.87 % 0.13 % \u{2014} \u{2212}0.3834 to 0.3834"), "{text}");
}

#[test]
fn conditions_and_results_that_err_together_are_told() {
    let mut record = every_kind();
    record.sources[0].conditions = ConditionsRecord {
        length_factor: Some(0.999_884_5),
        length_factor_relative_standard_uncertainty: Some(1.16e-5),
        instrument_errors: BTreeMap::from([("length_scale_mm_per_m".into(), 0.02)]),
        verification: Some("V-7".into()),
        verification_valid_until: Some("2027-01-31".into()),
        ..ConditionsRecord::default()
    };
    record.evaluations[0].correlated_groups = vec!["datum system ABC, by scan".into()];
    let text = text(&page(&record));
    assert!(
        text.contains("lengths times 0.9998845 to be those at 20 \u{b0}C (standard uncertainty 0.012 mm/m)"),
        "{text}"
    );
    assert!(text.contains("length scale mm per m 0.02; verification V-7, valid until 2027-01-31"), "{text}");
    assert!(text.contains("datum system ABC, by scan"), "{text}");
}
