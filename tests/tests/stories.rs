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
        ..scantling_proto::v1::CheckPlanRequest::default()
    };
    let answer = r.plant.parts.check_plan(request).await.unwrap().into_inner();
    let places: Vec<&str> = answer.faults.iter().map(|f| f.place.as_str()).collect();
    assert!(places.iter().any(|p| p.contains("colour")), "{places:?}");
    assert!(places.iter().any(|p| p.contains("plan_version")), "{places:?}");
    assert!(answer.plan_sha256.is_empty());
    r.service.shutdown().await.unwrap();
}

/// A pane 3 mm thick beside the long side of the flange at y = 0, so far off.
fn pane(gap_mm: f64) -> Vec<u8> {
    use scantling_core::geometry::{Point, TriangleMesh};
    let corner = |i: usize| {
        let of = |bit: usize, at: [f64; 2]| at[usize::from(i & bit != 0)];
        Point::new(of(1, [50.0, 700.0]), of(2, [-60.0, -gap_mm]), of(4, [-3.2, -0.2]))
    };
    let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let triangles = quads.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
    let mesh = TriangleMesh::new((0..8).map(corner).collect(), triangles).unwrap();
    scantling_core::simulate::write_stl(&mesh)
}

/// The same scan beside two panes: it fits the one and stands too close to the other; the record names the pane's digest.
#[tokio::test(flavor = "multi_thread")]
async fn a_part_fits_beside_one_neighbour_and_not_beside_another() {
    use scantling_core::geometry::{Direction, Vector};
    use scantling_core::simulate::{Scanner, write_ply};
    use scantling_proto::v1::{CreateRevisionRequest, LengthUnit, NeighbourNominal, Revision};
    let mut r = running().await;
    let joint = |word: &str, number: u32, nominal: f64, limit: f64| {
        format!(
            "[[characteristic]]\nnumber = \"{number}\"\nfeature = \"JOINT\"\n{word} = {{ to = \"PANE\", nominal_mm = {nominal}, \
             upper_deviation_mm = {limit}, lower_deviation_mm = -{limit} }}\ndatum_system = \"ABC\"\ngroup = [\"joint\"]\n"
        )
    };
    let plan = demo().plan_toml()
        + "\n[[neighbour]]\nid = \"PANE\"\nfile = \"pane.stl\"\npick = { near_mm = [300.0, -30.0, -0.2], facing = [0.0, 0.0, 1.0] }\n\
           [[feature]]\nid = \"JOINT\"\nkind = \"edge\"\nedge = { of = \"FLANGE\", along = [{ at_mm = [100.0, 0.0, 0.0] }, { at_mm = \
           [600.0, 0.0, 0.0] }], at = \"visible_arris\" }\n"
        + &joint("gap", 90, 4.0, 1.0)
        + &joint("step", 91, 0.2, 0.6);
    let nominal_blob = r.plant.upload(nominal()).await.unwrap();
    // From the front and aslant, so that the wall of the edge is seen.
    let aslant = |x: f64, y: f64| Direction::new(Vector::new(x, y, 1.0)).unwrap();
    let views = vec![Direction::Z, aslant(0.0, 1.0), aslant(0.0, -1.0)];
    let scanner = Scanner { views, ..Scanner::front(SPACING_MM, 0.02, 5) };
    let scan = scanner.scan(&demo().good.made, &demo().good.scan_from_part).unwrap();
    let scan = r.plant.acquire(&write_ply(&scan.points, &scan.normals)).await.unwrap();
    for (id, gap_mm, verdict) in [("fits", 4.0, Verdict::Conforms), ("close", 2.0, Verdict::DoesNotConform)] {
        let blob = r.plant.upload(&pane(gap_mm)).await.unwrap();
        let length_unit = LengthUnit::Millimetre.into();
        let neighbour = NeighbourNominal { neighbour: "PANE".into(), blob: blob.clone(), length_unit };
        let revision = Revision {
            plan_source: plan.clone(),
            nominal_blob: nominal_blob.clone(),
            nominal_length_unit: LengthUnit::Millimetre.into(),
            neighbours: vec![neighbour],
            ..Revision::default()
        };
        let request = CreateRevisionRequest {
            parent: "parts/ws-214".into(),
            revision_id: id.into(),
            revision: Some(revision),
        };
        let revision = r.plant.parts.create_revision(request).await.unwrap().into_inner().name;
        let mut request = Plant::request(&revision, id, &scan);
        request.inspection.as_mut().unwrap().scope_groups = vec!["joint".into()];
        let name = r.plant.inspections.create_inspection(request).await.unwrap().into_inner().name;
        let done = r.plant.wait(&name).await.unwrap();
        assert_eq!(done.state(), InspectionState::Done, "{}", done.reason);
        let [gap, step] = done.evaluations.as_slice() else { panic!("{:?}", done.evaluations) };
        assert_eq!(gap.verdict(), verdict, "{id}: {}", gap.reason);
        assert_eq!(step.verdict(), Verdict::Conforms, "{id}: {}", step.reason);
        let (low, high) = (gap.minimum.as_ref().unwrap().value_mm, gap.maximum.as_ref().unwrap().value_mm);
        // The good part is warped by some tenths.
        assert!((low - gap_mm).abs() < 0.5 && (high - gap_mm).abs() < 0.5, "{low} {high}");
        assert!(gap.edge.as_ref().is_some_and(|e| e.stations.len() > 100));
        let sha256 = blob.trim_start_matches("blobs/");
        assert!(
            done.result_json
                .contains(&format!("\"neighbours\":[{{\"id\":\"PANE\",\"sha256\":\"{sha256}\"}}]"))
        );
    }
    r.service.shutdown().await.unwrap();
}
