//! Stories over the whole program: a plant calls the service as it would in production.

#![allow(clippy::unwrap_used, reason = "a story stops where something is not as told")]

use std::sync::OnceLock;

use scantling_core::simulate::Demo;
use scantling_proto::v1::{FailureReason, InspectionState, PlanInput, Verdict, plan_input};
use scantling_server::{Config, Embedded, embedded};
use scantling_tests::plant::{Plant, reason};
use tonic::Code;

/// Coarser than the demo, but fine enough for its filter; the bars use the demo's own spacing.
const SPACING_MM: f64 = 1.2;

fn demo() -> &'static Demo {
    static DEMO: OnceLock<Demo> = OnceLock::new();
    DEMO.get_or_init(|| Demo::new(1, 1.0))
}

fn nominal() -> &'static [u8] {
    static FILE: OnceLock<Vec<u8>> = OnceLock::new();
    FILE.get_or_init(|| demo().nominal_stl())
}

struct Running {
    plant: Plant,
    revision: String,
    service: Embedded,
    _folder: tempfile::TempDir,
}

/// A service with the demo's part registered and released.
async fn running() -> Running {
    let folder = tempfile::tempdir().unwrap();
    let service = embedded(Config::at(folder.path())).await.unwrap();
    let mut plant = Plant::on(service.channel.clone());
    let revision = plant.register("ws-214", &demo().plan_toml(), nominal()).await.unwrap();
    Running { plant, revision, service, _folder: folder }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_good_part_conforms_and_the_bad_one_fails_where_it_was_made_wrong() {
    let mut r = running().await;
    let good =
        r.plant.measure(&r.revision, "good", &demo().good_scan_ply(SPACING_MM).unwrap()).await.unwrap();
    assert_eq!(good.verdict(), Verdict::Conforms, "{}", good.reason);
    let bad = r.plant.measure(&r.revision, "bad", &demo().bad_scan_ply(SPACING_MM).unwrap()).await.unwrap();
    assert_eq!(bad.verdict(), Verdict::DoesNotConform, "{}", bad.reason);
    let failed: Vec<&str> = bad
        .evaluations
        .iter()
        .filter(|e| e.verdict() == Verdict::DoesNotConform)
        .map(|e| e.number.as_str())
        .collect();
    assert_eq!(failed, demo().touched_numbers());
    for e in &bad.evaluations {
        let touched = failed.contains(&e.number.as_str());
        assert!(touched || e.verdict() == Verdict::Conforms, "{}: {:?} {}", e.number, e.verdict(), e.reason);
    }
    assert!(bad.report_blob.is_some());
    r.service.shutdown().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn the_same_scan_gives_the_same_result_and_a_second_look_is_counted() {
    let mut r = running().await;
    let acquisition = r.plant.acquire(&demo().good_scan_ply(SPACING_MM).unwrap()).await.unwrap();
    let first = Plant::request(&r.revision, "sn-1", &acquisition);
    let name = r.plant.inspections.create_inspection(first.clone()).await.unwrap().into_inner().name;
    let one = r.plant.wait(&name).await.unwrap();

    let mut other = first.clone();
    other.inspection.as_mut().unwrap().serial_number = "sn-2".into();
    let refused = r.plant.inspections.create_inspection(other).await.unwrap_err();
    assert_eq!(reason(&refused), "REQUEST_ID_REUSED", "{refused}");

    let unasked = Plant::request(&r.revision, "sn-1", &acquisition);
    let refused = r.plant.inspections.create_inspection(unasked.clone()).await.unwrap_err();
    assert_eq!((refused.code(), reason(&refused).as_str()), (Code::AlreadyExists, "ALREADY_INSPECTED"));
    assert!(refused.message().contains(&name), "it names the first: {refused}");

    let mut repeat = unasked;
    repeat.inspection.as_mut().unwrap().repeat_of = Some(name);
    let again = r.plant.inspections.create_inspection(repeat).await.unwrap().into_inner();
    let two = r.plant.wait(&again.name).await.unwrap();
    assert_eq!((one.attempt, two.attempt), (1, 2));
    assert_eq!(one.result_sha256, two.result_sha256);
    assert!(!one.result_sha256.is_empty());
    r.service.shutdown().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bad_file_fails_with_its_reason_and_no_verdict() {
    let mut r = running().await;
    let good = demo().good_scan_ply(SPACING_MM).unwrap();
    let mut nan = good.clone();
    let body = nan.windows(11).position(|w| w == b"end_header\n").unwrap() + 11;
    nan[body..body + 8].copy_from_slice(&[0xff; 8]);
    let huge = b"ply\nformat binary_little_endian 1.0\nelement vertex 4294967295\nproperty double x\nproperty double y\nproperty double z\nend_header\n12345".to_vec();
    let bad: [(&str, Vec<u8>); 5] = [
        ("truncated", good[..good.len() / 2].to_vec()),
        ("nan", nan),
        ("four billion points", huge),
        ("no scan at all", b"this is a letter, not a scan".to_vec()),
        ("text for binary", {
            let mut text = good[..body].to_vec();
            text.extend_from_slice(b"1 2 3 0 0 1\n4 5 6 0 0 1\n");
            text
        }),
    ];
    for (name, bytes) in bad {
        let failed = r.plant.measure(&r.revision, name, &bytes).await.unwrap();
        assert_eq!(failed.state(), InspectionState::Failed, "{name}");
        let expected = if name == "four billion points" {
            FailureReason::LimitExceeded
        } else {
            FailureReason::ScanUnreadable
        };
        assert_eq!(failed.failure(), expected, "{name}: {}", failed.reason);
        assert_eq!(failed.verdict(), Verdict::Unspecified, "{name}");
        assert!(failed.result_json.is_empty() && failed.evaluations.is_empty(), "{name}");
        assert!(failed.reason.len() > 20, "{name}: {}", failed.reason);
    }
    let empty = r.plant.upload(b"").await.unwrap_err();
    assert_eq!(empty.code(), Code::InvalidArgument, "{empty}");
    r.service.shutdown().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scan_of_something_else_is_not_measured() {
    let mut r = running().await;
    // A plain plate of about the same size.
    let mut ply = String::from(
        "ply\nformat ascii 1.0\nelement vertex 10000\nproperty float x\nproperty float y\nproperty float z\nproperty float nx\nproperty float ny\nproperty float nz\nend_header\n",
    );
    for i in 0..100 {
        for j in 0..100 {
            ply.push_str(&format!("{} {} 0 0 0 1\n", 7 * i, 5 * j));
        }
    }
    let done = r.plant.measure(&r.revision, "plate", ply.as_bytes()).await.unwrap();
    assert_eq!(done.state(), InspectionState::Done, "{}", done.reason);
    assert_eq!(done.verdict(), Verdict::NotMeasured, "{}", done.reason);
    assert!(done.evaluations.iter().all(|e| e.value_mm.is_none()));
    r.service.shutdown().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn every_fault_of_a_plan_comes_at_once() {
    let mut r = running().await;
    let broken = demo()
        .plan_toml()
        .replacen("schema_version = 1", "schema_version = 1\ncolour = \"blue\"", 1)
        .replacen("plan_version = ", "plan_version = \"four\" # ", 1);
    let nominal_blob = r.plant.upload(nominal()).await.unwrap();
    let request = scantling_proto::v1::CheckPlanRequest {
        plan: Some(PlanInput { plan: Some(plan_input::Plan::Toml(broken)) }),
        nominal_blob,
        nominal_length_unit: scantling_proto::v1::LengthUnit::Millimetre.into(),
    };
    let answer = r.plant.parts.check_plan(request).await.unwrap().into_inner();
    let places: Vec<&str> = answer.faults.iter().map(|f| f.place.as_str()).collect();
    assert!(places.iter().any(|p| p.contains("colour")), "{places:?}");
    assert!(places.iter().any(|p| p.contains("plan_version")), "{places:?}");
    assert!(answer.plan_sha256.is_empty());
    r.service.shutdown().await.unwrap();
}
