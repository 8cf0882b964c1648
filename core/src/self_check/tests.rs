use std::sync::atomic::AtomicBool;

use super::*;
use crate::geometry::Vector;
use crate::run::{Limits, quiet};

fn references() -> References {
    References::built_in().expect("the sets")
}

/// Names of what failed, with the group's.
fn failed(report: &Report) -> Vec<String> {
    let of = |g: &Group| {
        let bad = g.checks.iter().filter(|c| !c.passed);
        bad.map(|c| format!("{} {}", g.id, c.name)).collect::<Vec<_>>()
    };
    report.groups.iter().flat_map(of).collect()
}

#[test]
fn the_program_agrees_with_everything_that_it_carries() {
    let report = self_check(&quiet()).expect("a report");
    for group in &report.groups {
        let worst = group.worst().map(|(c, q)| (c.name.clone(), q.name.clone(), q.deviation, q.limit));
        println!("{}: {} checks, {} failed, worst {worst:?}", group.id, group.checks.len(), group.failed());
        for check in group.checks.iter().filter(|c| !c.passed) {
            println!("  {check:?}");
        }
    }
    println!("{} {}", report.sha256(), report.json().len());
    assert!(report.passed && failed(&report).is_empty(), "{:?}", failed(&report));
    let counts: Vec<usize> = report.groups.iter().map(|g| g.checks.len()).collect();
    assert_eq!(counts[..3], [75, 75, 60]);
    assert_eq!(counts.last(), Some(&84));
    assert_eq!(report.program_version, env!("CARGO_PKG_VERSION"));
}

#[test]
fn the_same_report_comes_on_any_number_of_threads() {
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| self_check(&quiet()).expect("a report").sha256())
    };
    assert_eq!(with(1), with(3));
}

/// A nanometre more than the limit, in each kind of quantity, in the one set that it was put in.
#[test]
fn a_wrong_reference_fails_by_name() {
    let mut wrong = references();
    let right = references();
    let at = |name: &str| right.fits.iter().position(|f| f.name == name).expect("the set");
    let normal = wrong.fits[at("pla5")].direction.expect("a normal");
    wrong.fits[at("pla5")].place += normal * 2e-8;
    wrong.fits[at("cir2d3")].place.y += 2e-8;
    wrong.fits[at("sph9")].size_mm = wrong.fits[at("sph9")].size_mm.map(|d| d + 2e-8);
    wrong.fits[at("cyl7")].direction = Some(Vector::new(1.0, 0.0, 0.0));
    wrong.fits[at("con3")].apex_rad = wrong.fits[at("con3")].apex_rad.map(|a| a - 2e-8);
    wrong.fits[at("con11")].direction = wrong.fits[at("con11")].direction.map(|d| -d);
    let narrower = wrong.zones.iter().position(|(s, z)| s.name() == "sphere" && z.set == 13).expect("a zone");
    wrong.zones[narrower].1.mz = wrong.zones[narrower].1.mz.map(|w| w - 1.1e-7);
    wrong.results[5].insert("published_value".into(), "0.1".into());
    wrong.results[6].insert("published_status".into(), "?".into());
    let report = check_against(&quiet(), &wrong).expect("a report");
    let here = ["pla5", "cir2d3", "sph9", "cyl7", "con3", "con11"];
    let mut expected: Vec<String> = Vec::new();
    for group in ["least_squares", "least_squares_away"] {
        expected.extend(here.iter().map(|name| format!("{group} {name}")));
    }
    expected.push("minimum_zone sph13".into());
    let part = |row: usize| {
        let row = &wrong.results[row];
        format!("part_results part {} {}", row["part"], row["characteristic"])
    };
    expected.extend([part(5), part(6)]);
    let (mut found, mut wanted) = (failed(&report), expected);
    found.sort();
    wanted.sort();
    assert_eq!(found, wanted);
    assert!(!report.passed);
    assert_ne!(report.sha256(), self_check(&quiet()).expect("a report").sha256());
}

#[test]
fn points_that_are_no_shape_are_a_failure_and_no_end() {
    let mut wrong = references();
    wrong.fits.truncate(1);
    wrong.fits[0].points.truncate(2);
    let report = check_against(&quiet(), &wrong).expect("a report");
    assert!(!report.passed);
    assert!(report.groups[0].checks[0].problem.contains("needs at least 3 points"), "{report:?}");
    // The zones have lost their points.
    assert!(report.groups[2].checks.iter().any(|c| c.problem == "its points are not there"));
    let nothing = References { fits: Vec::new(), ..references() };
    assert!(!check_against(&quiet(), &nothing).expect("a report").passed);
}

#[test]
fn it_stops_when_asked() {
    let stop = AtomicBool::new(true);
    let run = Run { stop: &stop, progress: &|_, _| {}, limits: Limits::default() };
    assert_eq!(self_check(&run), Err(SelfCheckError::Stopped(Stopped)));
}
