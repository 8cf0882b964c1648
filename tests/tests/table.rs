//! Several parts on one table with clamps: each found, its hand told, and each judged as it was made.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use std::collections::BTreeSet;

use scantling_core::align::{Finding, InstancesSettings, locate_all};
use scantling_core::inspect::{Job, ScanPart, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::{RawScan, read};
use scantling_core::record::Verdict;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::{Hand, Origin, arrangement, write_stl};

/// Coarse enough for a table of four parts, fine enough for the plan's filter of 2.5 mm.
const SPACING_MM: f64 = 1.2;

/// What went wrong with one arrangement of two good parts, a bad one and one of the other hand.
fn wrong(seed: u64) -> Vec<String> {
    let laid = arrangement(seed, 2, 1, 1);
    let made = laid.scan(SPACING_MM).unwrap();
    let run = quiet();
    let raw = RawScan {
        points: made.points.clone(),
        normals: Some(made.normals.iter().map(|n| n.vector()).collect()),
        ..RawScan::default()
    };
    let scan = Scan::new(raw, LengthUnit::Millimetre, &run).unwrap();
    let file = read(&write_stl(&laid.nominal), &run).unwrap();
    let (_, plan) = plan::check_toml(&laid.surround.plan_toml()).unwrap();
    let nominal = Nominal::from_mesh(file, LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let tree = SurfaceTree::new(nominal.mesh());
    let began = std::time::Instant::now();
    let found = locate_all(&run, &nominal, &tree, &scan, &InstancesSettings::default()).unwrap();
    let located = began.elapsed().as_secs_f64();
    let mut wrong = Vec::new();
    if (found.findings.len(), found.parts().count()) != (4, 3) {
        wrong.push(format!("{} findings, {} parts", found.findings.len(), found.parts().count()));
    }
    let mut seen = BTreeSet::new();
    for finding in &found.findings {
        let Origin::Part(whose) = made.origin[finding.points()[finding.points().len() / 2] as usize] else {
            wrong.push("a finding lies on no part".into());
            continue;
        };
        seen.insert(whose);
        let truth = &laid.parts[whose as usize];
        let instance = match finding {
            Finding::Instance(i) if truth.hand == Hand::AsDrawn => i,
            Finding::OtherHand(_) if truth.hand == Hand::Opposite => continue,
            other => {
                let told = format!("{other:?}");
                wrong.push(format!(
                    "part {whose} ({:?}) is told as {}",
                    truth.hand,
                    &told[..told.len().min(60)]
                ));
                continue;
            }
        };
        let scans = [ScanSource {
            scan: &scan,
            sha256: String::new(),
            part: ScanPart::Placement(instance.part_from_scan),
        }];
        let job = Job::of_scans(&nominal, &plan, &faces, &scans);
        let record = inspect(&run, &job).unwrap().record;
        let failed: Vec<&str> = record
            .evaluations
            .iter()
            .filter(|e| e.verdict == Verdict::DoesNotConform)
            .map(|e| e.number.as_str())
            .collect();
        let other = record
            .evaluations
            .iter()
            .find(|e| !matches!(e.verdict, Verdict::Conforms | Verdict::DoesNotConform));
        if let Some(e) = other {
            wrong.push(format!("part {whose}: {} is {:?}: {}", e.number, e.verdict, e.reason));
        }
        let touched: Vec<&str> = truth.touched_numbers.iter().map(String::as_str).collect();
        if failed != touched {
            wrong.push(format!("part {whose} fails in {failed:?}, made to fail in {touched:?}"));
        }
    }
    if seen.len() != laid.parts.len() {
        wrong.push(format!("only parts {seen:?} were found"));
    }
    println!(
        "arrangement {seed}: {} points, located in {located:.1} s, judged in {:.1} s: {}",
        scan.points().len(),
        began.elapsed().as_secs_f64() - located,
        if wrong.is_empty() { "right".to_owned() } else { wrong.join("; ") }
    );
    wrong.into_iter().map(|w| format!("arrangement {seed}: {w}")).collect()
}

#[test]
fn parts_on_a_table_are_each_judged_as_they_were_made() {
    assert_eq!(wrong(1), Vec::<String>::new());
}

/// The bar: twenty arrangements (`tests/run long`).
#[cfg(feature = "long")]
#[test]
fn twenty_arrangements_are_judged_as_they_were_made() {
    let wrong: Vec<String> = (1..21).flat_map(wrong).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}
