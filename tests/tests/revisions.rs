//! A part made to another revision than the one it is measured by: the answer says which fits, and no verdict changes.

#![allow(clippy::unwrap_used, reason = "a story stops where something is not as told")]

use scantling_core::geometry::{Direction, Motion, TriangleMesh, Vector};
use scantling_core::simulate::{Deviation, HoleShift, Made, Scanner, WindowSurround, write_ply, write_stl};
use scantling_proto::v1::{CreateRevisionRequest, Inspection, LengthUnit, Revision, Verdict};
use scantling_server::{Config, embedded};
use scantling_tests::plant::Plant;

const SPACING_MM: f64 = 1.2;
const HOLE: &str = "H5";
/// Number of its position in the demo's plan.
const POSITION: &str = "13";

/// The surround with a hole elsewhere, mm, and its triangles.
fn with_hole_moved(part: &WindowSurround, by: Vector) -> TriangleMesh {
    let mesh = part.mesh();
    let hole = part.holes().iter().find(|h| h.id == HOLE).unwrap();
    let shift = HoleShift {
        centre: hole.centre,
        axis: Direction::Z,
        radius_mm: 0.5 * hole.diameter_mm,
        half_length_mm: 0.5 * part.thickness_mm() + 1.0,
        reach_mm: 9.0,
        shift: by,
    };
    let carriers = part.carriers(&mesh);
    Made::of_mesh(mesh, carriers, vec![Deviation::HoleShift(shift)]).mesh()
}

/// A part made exactly as a mesh says, scanned from the front.
fn scan(mesh: &TriangleMesh, seed: u64) -> Vec<u8> {
    let count = mesh.triangles().len();
    let made = Made::of_mesh(mesh.clone(), vec![None; count], Vec::new());
    let pose = Motion::from_turn_and_shift(Vector::new(0.4, -0.2, 1.1), Vector::new(120.0, -60.0, 300.0));
    let seen = Scanner::front(SPACING_MM, 0.02, seed).scan(&made, &pose).unwrap();
    write_ply(&seen.points, &seen.normals)
}

fn better(done: &Inspection) -> Option<serde_json::Value> {
    let record: serde_json::Value = serde_json::from_str(&done.result_json).unwrap();
    record.get("better_revision").cloned()
}

fn verdict_of(done: &Inspection, number: &str) -> Verdict {
    done.evaluations.iter().find(|e| e.number == number).unwrap().verdict()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_part_made_to_another_revision_is_told_so_with_evidence() {
    let folder = tempfile::tempdir().unwrap();
    let service = embedded(Config::at(folder.path())).await.unwrap();
    let mut plant = Plant::on(service.channel.clone());
    let part = WindowSurround::default();
    let moved = with_hole_moved(&part, Vector::new(-3.0, 0.0, 0.0));
    let plan = part.plan_toml();
    let c = plant.register("ws-214", &plan, &write_stl(&part.mesh())).await.unwrap();
    // Revision D: the hole 3 mm further left. The pick of C is still inside of it.
    let newer = plan.replacen("drawing_revision = \"C\"", "drawing_revision = \"D\"", 1);
    assert_ne!(newer, plan);
    let nominal_blob = plant.upload(&write_stl(&moved)).await.unwrap();
    let request = CreateRevisionRequest {
        parent: "parts/ws-214".into(),
        revision_id: "d".into(),
        revision: Some(Revision {
            plan_source: newer,
            nominal_blob: nominal_blob.clone(),
            nominal_length_unit: LengthUnit::Millimetre.into(),
            ..Revision::default()
        }),
    };
    let d = plant.parts.create_revision(request).await.unwrap().into_inner();

    // Made to D and measured by C: it does not conform, and D is named.
    let made_to_d = scan(&moved, 3);
    let by_c = plant.measure(&c, "d by c", &made_to_d).await.unwrap();
    assert_ne!(by_c.verdict(), Verdict::Conforms, "{}", by_c.reason);
    assert_ne!(verdict_of(&by_c, POSITION), Verdict::Conforms);
    let said = better(&by_c).unwrap_or_else(|| panic!("{:?} {}", by_c.verdict(), by_c.reason));
    println!("{said:#}");
    assert_eq!(said["drawing_revision"], "D");
    assert_eq!(said["plan_sha256"], d.plan_sha256.as_str());
    assert_eq!(format!("blobs/{}", said["nominal_sha256"].as_str().unwrap()), nominal_blob);
    let count = |of: &str| said[of].as_u64().unwrap();
    assert!(count("speak_for_other") >= 40 && count("speak_for_this") * 10 <= count("speak_for_other"));
    assert!(said["near_other"].as_f64().unwrap() > said["near_this"].as_f64().unwrap());
    assert!(said["rms_other_mm"].as_f64().unwrap() < said["rms_this_mm"].as_f64().unwrap());
    let hole = part.holes().iter().find(|h| h.id == HOLE).unwrap();
    let at = |k: usize| said["places"][0]["at_mm"][k].as_f64().unwrap();
    let (dx, dy) = (at(0) - hole.centre.x, at(1) - hole.centre.y);
    assert!((dx * dx + dy * dy).sqrt() < 12.0, "at the hole: {said}");
    assert_eq!(said["changes"].as_array().unwrap().len(), 1, "{said}");
    assert!(said["changes"][0].as_str().unwrap().starts_with(HOLE), "{said}");
    assert!(said["characteristics"].as_array().unwrap().contains(&POSITION.into()), "{said}");
    assert!(
        by_c.cautions.iter().any(|c| c.contains("drawing D") && c.contains("find out")),
        "{:?}",
        by_c.cautions
    );
    // The same again is the same record.
    let again = {
        let mut request = Plant::request(&c, "d by c", &by_c.sources[0].acquisition);
        request.inspection.as_mut().unwrap().repeat_of = Some(by_c.name.clone());
        let name = plant.inspections.create_inspection(request).await.unwrap().into_inner().name;
        plant.wait(&name).await.unwrap()
    };
    assert_eq!(again.result_sha256, by_c.result_sha256);

    // By its own revision it conforms, and nothing is said.
    let by_d = plant.measure(&d.name, "d by d", &made_to_d).await.unwrap();
    assert_eq!((by_d.verdict(), better(&by_d)), (Verdict::Conforms, None), "{}", by_d.reason);

    // A hole that is off its place, but not at that of D, is a bad part of C and nothing else.
    for (serial, by) in [("aside", Vector::new(0.0, 1.2, 0.0)), ("half way", Vector::new(-1.5, 0.0, 0.0))] {
        let bad = scan(&with_hole_moved(&part, by), 4);
        let bad = plant.measure(&c, serial, &bad).await.unwrap();
        assert_ne!(bad.verdict(), Verdict::Conforms, "{serial}: {}", bad.reason);
        assert_eq!(better(&bad), None, "{serial}");
    }
    service.shutdown().await.unwrap();
}
