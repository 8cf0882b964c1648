//! Check points, trimmed edges and hole positions of four published sheet-metal parts
//! (`data/sheet_metal/README.md`), measured by points only, without a nominal file.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::inspect::{Inspected, Job, PointSource, inspect};
use scantling_core::plan;
use scantling_core::points::{Coordinates, PointSet, read};
use scantling_core::record::Verdict;
use scantling_core::run::quiet;
use scantling_core::scan::LengthUnit;
use scantling_core::self_check::{PublishedResult, published_plan, published_points};

const DATA: &str = include_str!("data/sheet_metal/points_4parts.csv");

/// The instrument's uncertainty is not published; one far below the last digit printed keeps the verdict that
/// of the bare value.
const STANDARD_MM: f64 = 1e-6;

fn rows(part: &str) -> Vec<PublishedResult> {
    let mut lines = DATA.lines();
    let head: Vec<&str> = lines.next().unwrap().split(',').collect();
    let row = |line: &str| head.iter().zip(line.split(',')).map(|(k, v)| ((*k).into(), v.into())).collect();
    lines.map(row).filter(|r: &PublishedResult| r["part"] == part).collect()
}

fn measured(part: &str, standard_mm: Option<f64>) -> (Vec<PublishedResult>, Inspected) {
    let rows = rows(part);
    let all: Vec<&PublishedResult> = rows.iter().collect();
    let (_, plan) = plan::check_toml(&published_plan(&all)).unwrap();
    let faces = plan::bind(&plan, None).unwrap();
    let points =
        read(published_points(&all).as_bytes(), LengthUnit::Millimetre, standard_mm, &quiet()).unwrap();
    let set = PointSet { points, coordinates: Coordinates::Part };
    let sources = [PointSource { set: &set, sha256: "points".into() }];
    let job = Job {
        nominal: None,
        nominal_sha256: String::new(),
        plan: &plan,
        faces: &faces,
        scans: &[],
        points: &sources,
        readings: &[],
        scope: &[],
        conditions: &[],
    };
    (rows, inspect(&quiet(), &job).unwrap())
}

#[test]
fn every_published_deviation_and_position_is_found_again_and_judged_before_rounding() {
    let (mut worst_mm, mut count, mut otherwise) = (0.0f64, 0, Vec::new());
    for part in ["1", "2", "3", "4"] {
        let (rows, found) = measured(part, Some(STANDARD_MM));
        assert_eq!(found.record.evaluations.len(), 21);
        for (row, e) in rows.iter().zip(&found.record.evaluations) {
            let published: f64 = row["published_value"].parse().unwrap();
            let value = e.value_mm.unwrap();
            worst_mm = worst_mm.max((value - published).abs());
            count += 1;
            assert_eq!(e.measured_by, "points");
            let passed = e.verdict == Verdict::Conforms;
            assert!(passed || e.verdict == Verdict::DoesNotConform, "{part} {}: {}", e.number, e.reason);
            if passed != (row["published_status"] == "PASS") {
                otherwise.push((part, e.number.clone(), value));
            }
        }
    }
    println!("{count} values, worst {worst_mm:.1e} mm from the published ones");
    assert_eq!(count, 84);
    assert!(worst_mm < 1e-9, "{worst_mm}");
    // Published as passed, rounded to -0.50 against 0.5; the value itself lies outside.
    let [(part, number, value)] = otherwise.as_slice() else { panic!("{otherwise:?}") };
    assert_eq!((*part, number.as_str()), ("3", "P13"));
    assert!(*value < -0.5 && *value > -0.5002);
}

#[test]
fn without_a_stated_uncertainty_nothing_is_proven() {
    let (_, found) = measured("1", None);
    assert!(found.record.evaluations.iter().all(|e| e.verdict == Verdict::Undecided && e.value_mm.is_some()));
    assert_eq!(found.record.verdict, Verdict::Undecided);
}

#[test]
fn components_are_told_in_the_axes_of_the_plan() {
    let (rows, found) = measured("2", Some(STANDARD_MM));
    for (row, e) in rows.iter().zip(&found.record.evaluations) {
        let of = |c: &str| row[c].parse::<f64>().unwrap();
        let off = ["x", "y", "z"].map(|c| of(&format!("meas_{c}")) - of(&format!("nom_{c}")));
        let along = ["x", "y", "z"].map(|c| of(&format!("n_{c}")));
        let part: f64 = off.iter().zip(&along).map(|(a, b)| a * b).sum();
        let c = e.components.unwrap();
        if row["kind"] == "Position" {
            // Square to the hole's axis only.
            let square: f64 = off.iter().zip(&along).map(|(a, b)| (a - part * b) * (a - part * b)).sum();
            assert!(
                (c.dn_mm - square.sqrt()).abs() < 1e-9 && (2.0 * c.dn_mm - e.value_mm.unwrap()).abs() < 1e-9
            );
        } else {
            assert!(
                (c.dn_mm - part).abs() < 1e-9
                    && (c.dx_mm - off[0]).abs() < 1e-9
                    && (c.dz_mm - off[2]).abs() < 1e-9
            );
        }
    }
}
