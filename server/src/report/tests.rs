use super::*;
use scantling_core::record::{
    AlignmentRecord, Components, Contribution, Coverage, DatumRecord, DatumSystemRecord, Evaluation, Extreme,
    Interval, Limits, SourceRecord,
};

const IDENTITY: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

fn evaluation(number: &str, requirement: &str, verdict: Verdict) -> Evaluation {
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
    }
}

fn source(sha256: &str) -> SourceRecord {
    let used = "the whole scan".into();
    SourceRecord { sha256: sha256.into(), content: "scan".into(), used, points: 7, alignment: None }
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
        coverage: Some(Coverage { fraction: 0.9997, largest_unseen_disc_mm: 3.21, points: 1234 }),
        operators: BTreeMap::from([("filter".into(), "gaussian, 2.5 mm".into())]),
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
    }
}

fn mesh() -> TriangleMesh {
    let points = [[0.0, 0.0], [10.0, 0.0], [10.0, 5.0], [0.0, 5.0]].map(|[x, y]| Point::new(x, y, 0.0));
    TriangleMesh::new(points.to_vec(), vec![[0, 1, 2], [0, 2, 3]]).unwrap()
}

struct Words {
    title: &'static str,
    titles: BTreeMap<String, String>,
    serial: Option<&'static str>,
    simulated: bool,
}

impl Default for Words {
    fn default() -> Self {
        Self { title: "Window surround", titles: BTreeMap::new(), serial: Some("0042"), simulated: false }
    }
}

fn try_page(record: &Record, words: &Words, map: &DeviationMap, digest: &str) -> Result<String, ReportError> {
    let places = BTreeMap::from([("SKIN".to_string(), Point::new(5.0, 2.0, 0.0))]);
    let input = ReportInput {
        inspection_name: "inspections/0190",
        part_title: words.title,
        part_number: "ws-214",
        revision: "C, plan version 4",
        serial_number: words.serial,
        purpose: "production",
        instrument: Some("line scanner"),
        operator: None,
        acquired: Some("2026-03-04 10:11 UTC"),
        finished: None,
        more: &[("Temperature".to_owned(), "21 °C".to_owned())],
        restraint: Some("free state on three supports, gravity along \u{2212}z"),
        simulated: words.simulated,
        standard: Some("ISO 1101:2017"),
        filter: Some("Gaussian, nesting index 2.5 mm"),
        titles: &words.titles,
        feature_places: &places,
        record,
        result_sha256: digest,
        mesh: &mesh(),
        deviation: map,
    };
    super::page(&input, picture::Size { widest: 300, tallest: 200 })
}

fn seen() -> DeviationMap {
    DeviationMap { deviation_mm: vec![Some(-0.1), Some(0.3), Some(0.5), None], coverage: vec![1.0; 4] }
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
fn a_part_that_was_not_measured_never_reads_as_a_pass() {
    let mut record = every_kind();
    record.evaluations.retain(|e| e.verdict == Verdict::NotMeasured);
    record.verdict = Verdict::NotMeasured;
    record.alignment = None;
    record.datum_systems.clear();
    let empty = DeviationMap::default();
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
    // Operator and time of evaluation.
    assert_eq!(text.matches("\u{2014} not stated").count(), 2);
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
        "proven conformity",
        "Gaussian, nesting index 2.5 mm",
        "free state on three supports",
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
    }
    let titles = record.evaluations.iter().map(|e| (e.number.clone(), BAD.to_string())).collect();
    let words = Words { title: BAD, titles, serial: Some(BAD), simulated: false };
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
    let short = DeviationMap { deviation_mm: vec![None; 3], coverage: vec![0.0; 3] };
    let other = try_page(&record, &Words::default(), &short, &record.digest());
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
