//! Datum targets against another library: `tests/python/datum_targets.py` (numpy and scipy) made targets, measured
//! points and answers in `tests/data/datum_targets/cases.json`; nothing is shared with the solver.

#![allow(clippy::unwrap_used, reason = "a test that cannot read its data must fail")]

use scantling_core::datum::targets::{Axis, Target, TargetMeasured, solve};
use scantling_core::geometry::{Direction, Matrix3, Motion, PartFrame, Point, ScanFrame, Vector};
use serde_json::Value;

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

fn vector(value: &Value) -> Vector {
    Vector::from_vec(numbers(value))
}

fn matrix(value: &Value) -> Matrix3 {
    let rows: Vec<f64> = value.as_array().unwrap().iter().flat_map(numbers).collect();
    Matrix3::from_row_slice(&rows)
}

/// mm and rad of unit vectors.
const SAME: f64 = 1e-9;

#[test]
fn eight_pads_on_a_curved_face_rest_where_another_library_says() {
    let path =
        std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/datum_targets/cases.json");
    let file: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let cases = file["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 16);
    let mut worst: f64 = 0.0;
    for case in cases {
        let name = case["name"].as_str().unwrap();
        let mut targets = Vec::new();
        let mut measured = Vec::new();
        for t in case["targets"].as_array().unwrap() {
            let locks = t["locks"].as_array().unwrap().iter().map(|l| match l.as_str().unwrap() {
                "x" => Axis::X,
                "y" => Axis::Y,
                "z" => Axis::Z,
                other => panic!("{name}: lock {other}"),
            });
            targets.push(Target {
                nominal: Point::from(vector(&t["nominal"])),
                direction: Direction::new(vector(&t["direction"])).unwrap(),
                weight: t["weight"].as_f64().unwrap(),
                locks: locks.collect(),
                stage: usize::try_from(t["stage"].as_u64().unwrap()).unwrap(),
            });
            measured.push(TargetMeasured {
                point: Point::from(vector(&t["point"])),
                normal: (!t["normal"].is_null()).then(|| Direction::new(vector(&t["normal"])).unwrap()),
                standard_mm: 0.05,
            });
        }
        let start = &case["start"];
        let start: Motion<PartFrame, ScanFrame> =
            Motion::new(matrix(&start["rotation"]), vector(&start["shift"])).unwrap();
        let found = solve(&targets, &measured, start).unwrap_or_else(|e| panic!("{name}: {e}"));
        let mut see = |what: &str, error: f64| {
            worst = worst.max(error);
            assert!(error < SAME, "{name}: {what} differs by {error:e} (condition {})", found.condition);
        };
        see("rotation", (found.part_from_scan.rotation() - matrix(&case["rotation"])).abs().max());
        for (m, known) in measured.iter().zip(case["aligned"].as_array().unwrap()) {
            see("an aligned point", (found.part_from_scan.point(&m.point).coords - vector(known)).norm());
        }
        let known = numbers(&case["residuals"]);
        assert_eq!(known.len(), found.residuals.len());
        for (ours, theirs) in found.residuals.iter().zip(&known) {
            see("a residual", (ours.residual_mm - theirs).abs());
        }
        assert!(known[..8].iter().any(|r| r.abs() > 0.01), "{name}: without residuals it says little");
        if targets.len() == 11 {
            let locked: Vec<Vec<&str>> = found
                .stages
                .iter()
                .map(|s| s.locked.iter().map(|f| f.code.unwrap_or("mixed")).collect())
                .collect();
            assert_eq!(locked, [vec!["tz", "rx", "ry"], vec!["ty", "rz"], vec!["tx"]], "{name}");
            assert!(found.residuals[8..].iter().all(|r| r.residual_mm.abs() < 1e-11), "{name}");
        }
    }
    println!("datum targets: worst {worst:.1e} mm");
}
