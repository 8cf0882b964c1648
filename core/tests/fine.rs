//! Fine alignment beside other things: a table under the part, stray points about it.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

use scantling_core::align::{FineSettings, Stop, fine};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::{RawScan, read};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::{Demo, arrangement};

fn demo_nominal(demo: &Demo) -> Nominal {
    let (_, plan) = plan::check_toml(&demo.plan_toml()).unwrap();
    let raw = read(&demo.nominal_stl(), &quiet()).unwrap();
    Nominal::from_mesh(raw, LengthUnit::Millimetre, plan.side, &quiet()).unwrap()
}

/// Where fine alignment ends, and how far the corners of the part's box then are from the truth, mm.
fn off_mm(nominal: &Nominal, raw: RawScan, truth: &Motion<PartFrame, ScanFrame>) -> f64 {
    let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap();
    let tree = SurfaceTree::new(nominal.mesh());
    let found = fine(&quiet(), nominal, &tree, &scan, *truth, &FineSettings::default()).unwrap();
    assert_eq!(found.stop, Stop::Settled);
    let back = truth.inverse();
    let bounds = nominal.mesh().bounds();
    let corner = |i: usize| {
        let side = |axis: usize| if i >> axis & 1 == 0 { bounds.low[axis] } else { bounds.high[axis] };
        Point::new(side(0), side(1), side(2))
    };
    let moved = (0..8).map(|i| (found.part_from_scan.point(&back.point(&corner(i))) - corner(i)).norm());
    moved.fold(0.0, f64::max)
}

#[test]
fn a_table_under_the_part_does_not_pull_it() {
    let nominal = demo_nominal(&Demo::new(5, 1.0));
    for seed in [5, 6] {
        let laid = arrangement(seed, 1, 0, 0);
        let scan = laid.scan(2.0).unwrap();
        let truth = (laid.scan_from_table * laid.scene.parts[0].table_from_part).inverse();
        let raw = RawScan {
            points: scan.points,
            normals: Some(scan.normals.iter().map(|n| n.vector()).collect()),
            ..RawScan::default()
        };
        let off = off_mm(&nominal, raw, &truth);
        println!("{off} mm");
        // The good part's own warp is worth 0.01 mm; the table pulled by 0.13 mm.
        assert!(off < 0.05, "{off} mm");
    }
}

#[test]
fn one_stray_point_in_a_hundred_changes_little() {
    let demo = Demo::new(5, 1.0);
    let nominal = demo_nominal(&demo);
    let truth = demo.good.scan_from_part.inverse();
    let clean = read(&demo.good_scan_ply(1.2).unwrap(), &quiet()).unwrap();
    let without = off_mm(&nominal, clean.clone(), &truth);
    let mut random = Random::seeded(9);
    let mut dirty = clean;
    for (p, n) in dirty.points.iter_mut().zip(dirty.normals.as_ref().unwrap()) {
        if random.unit() < 0.01 {
            // More above than below, as reflections are.
            *p += n * random.range(-5.0, 25.0);
        }
    }
    let with = off_mm(&nominal, dirty, &truth);
    println!("{without} mm, with strays {with} mm");
    assert!(with < without + 0.02, "{without} mm, with strays {with} mm");
}
