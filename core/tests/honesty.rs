//! What was not measured never reads as a pass.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::geometry::{Direction, Point};
use scantling_core::inspect::{Job, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::{RawScan, read};
use scantling_core::record::{Record, Verdict};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::window_surround::Region;
use scantling_core::simulate::{DEMO_NOISE_MM, Demo, Scanner};

/// Inspects the good demo part after `change` had its way with each point (in the part's axes) and normal.
fn record_after(change: impl Fn(&Demo, Point, Direction) -> Option<Point>) -> Record {
    let run = quiet();
    let demo = Demo::new(1, 1.0);
    let scan = Scanner::front(1.0, DEMO_NOISE_MM, demo.good.scanner_seed)
        .scan(&demo.good.made, &demo.good.scan_from_part)
        .unwrap();
    let part_from_scan = demo.good.scan_from_part.inverse();
    let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
    for (p, n) in scan.points.iter().zip(&scan.normals) {
        if let Some(p) = change(&demo, part_from_scan.point(p), part_from_scan.direction(*n)) {
            raw.points.push(demo.good.scan_from_part.point(&p));
            raw.normals.as_mut().unwrap().push(n.vector());
        }
    }
    let (_, plan) = plan::check_toml(&demo.plan_toml()).unwrap();
    let nominal_file = read(&demo.nominal_stl(), &run).unwrap();
    let nominal = Nominal::from_mesh(nominal_file, LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let scan = Scan::new(raw, LengthUnit::Millimetre, &run).unwrap();
    let scans = [ScanSource::whole(&scan, String::new())];
    let job = Job::of_scans(&nominal, &plan, &faces, &scans);
    inspect(&run, &job).unwrap().record
}

fn of<'a>(record: &'a Record, number: &str) -> &'a scantling_core::record::Evaluation {
    record.evaluations.iter().find(|e| e.number == number).unwrap()
}

#[test]
fn a_pit_deeper_than_the_reach_is_not_overlooked() {
    let record = record_after(|demo, p, _| {
        let (centre, normal) = demo.surround.place(Region::Crown, 2.5, 0.5);
        let off = p - centre;
        let pit = off.norm() < 8.0;
        Some(if pit { p - normal.vector() * 7.0 } else { p })
    });
    let crown = of(&record, "3");
    assert_eq!(crown.verdict, Verdict::NotMeasured, "{}", crown.reason);
    assert!(crown.reason.contains("stand further off"), "{}", crown.reason);
    assert_eq!(record.verdict, Verdict::NotMeasured, "{}", record.reason);
    assert_eq!(of(&record, "2").verdict, Verdict::Conforms);
}

/// One point in two hundred somewhere within some centimetres of the part, as dust, reflections and mixed edges leave them: they
/// stand alone, and hide nothing. A dozen that stand together do.
#[test]
fn strays_are_left_out_and_told_and_what_stands_together_is_neither() {
    let strayed = |bump: bool| {
        record_after(|demo, p, n| {
            let (centre, normal) = demo.surround.place(Region::Crown, 2.5, 0.5);
            if bump && (p - centre).norm() < 3.0 {
                return Some(p + normal.vector() * 12.0);
            }
            // By the digits of its own place.
            let digits = |x: f64, m: f64| (x * 1e4).abs() % m / m;
            let alone = digits(p.x + 1.7 * p.y + 2.3 * p.z, 200.0) < 0.005;
            let height = 8.0 + 10.0 * digits(p.y, 37.0);
            Some(if alone { p + n.vector() * height } else { p })
        })
    };
    let record = strayed(false);
    let crown = of(&record, "3");
    assert_eq!(crown.verdict, Verdict::Conforms, "{}", crown.reason);
    assert_eq!(record.verdict, Verdict::Conforms, "{}", record.reason);
    assert!(record.cautions.iter().any(|c| c.contains("points stand alone")), "{:?}", record.cautions);
    let crown = of(&strayed(true), "3").clone();
    assert_eq!(crown.verdict, Verdict::NotMeasured, "{}", crown.reason);
    assert!(crown.reason.contains("stand further off"), "{}", crown.reason);
}

#[test]
fn half_a_flange_is_no_datum() {
    let record = record_after(|demo, p, _| {
        let flange = p.z.abs() < 1.0;
        (!flange || p.x < 0.5 * demo.surround.size_mm()[0]).then_some(p)
    });
    let crown = of(&record, "3");
    assert_eq!(crown.verdict, Verdict::NotMeasured, "{}", crown.reason);
    assert!(crown.reason.contains("datum A"), "{}", crown.reason);
    // What needs no datum is measured all the same.
    assert_eq!(of(&record, "5").verdict, Verdict::Conforms, "{}", of(&record, "5").reason);
}

#[test]
fn a_part_of_a_face_too_sparse_for_its_filter_counts_as_unseen() {
    let record = record_after(|demo, p, n| {
        let far = p.x > 0.55 * demo.surround.size_mm()[0] && p.z > 40.0 && n.vector().z > 0.5;
        // Every tenth point, by a fixed pattern of places.
        let kept = ((p.x * 7.3).floor() as i64 + (p.y * 5.1).floor() as i64).rem_euclid(10) == 0;
        (!far || kept).then_some(p)
    });
    let crown = of(&record, "3");
    assert_eq!(crown.verdict, Verdict::NotMeasured, "{}", crown.reason);
    assert!(crown.coverage.as_ref().unwrap().fraction < 0.9);
}
