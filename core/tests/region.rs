//! A part on a table, cut out by a box that holds table, clamps and more.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

use scantling_core::geometry::{Aabb, Motion, PartFrame, Point};
use scantling_core::inspect::{Aligned, AlignedError, Job, ScanPart, ScanSource, align};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::{RawScan, read};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::{Origin, arrangement, write_stl};

#[test]
fn a_table_in_the_box_moves_the_part_by_no_more_than_is_said() {
    let run = quiet();
    let laid = arrangement(5, 2, 0, 0);
    let made = laid.scan(2.0).unwrap();
    let file = read(&write_stl(&laid.nominal), &run).unwrap();
    let (_, plan) = plan::check_toml(&laid.surround.plan_toml()).unwrap();
    let nominal = Nominal::from_mesh(file, LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let raw = |keep: &dyn Fn(usize) -> bool| {
        let chosen: Vec<usize> = (0..made.points.len()).filter(|i| keep(*i)).collect();
        let raw = RawScan {
            points: chosen.iter().map(|&i| made.points[i]).collect(),
            normals: Some(chosen.iter().map(|&i| made.normals[i].vector()).collect()),
            ..RawScan::default()
        };
        Scan::new(raw, LengthUnit::Millimetre, &run).unwrap()
    };
    let go = |scan: &Scan, part: ScanPart| -> Result<Aligned, AlignedError> {
        let scans = [ScanSource { scan, sha256: "s".into(), part }];
        let job = Job::of_scans(&nominal, &plan, &faces, &scans);
        align(&run, &job, None)
    };
    let all = raw(&|_| true);
    for (k, part) in laid.parts.iter().enumerate() {
        let alone = raw(&|i| made.origin[i] == Origin::Part(k as u32));
        let best = go(&alone, ScanPart::Whole).unwrap();
        let corners: Vec<Point> =
            nominal.mesh().bounds().corners().iter().map(|c| part.part.scan_from_part.point(c)).collect();
        let bounds = Aabb::of(corners.iter()).grown(8.0);
        let apart = |other: &Aligned| {
            let between: Motion<PartFrame, PartFrame> = other.best_fit * best.best_fit.inverse();
            let worst = nominal
                .mesh()
                .bounds()
                .corners()
                .iter()
                .map(|c| (between.point(c) - c).norm())
                .fold(0.0, f64::max);
            let c = best.centre;
            (worst, between.point(&c) - c)
        };
        let truth = part.part.scan_from_part.inverse();
        for (what, part) in
            [("region", ScanPart::Region(bounds.grown(60.0))), ("placement", ScanPart::Placement(truth))]
        {
            let found = go(&all, part).unwrap();
            let (worst, shift) = apart(&found);
            // Table points right under an edge, within their noise, may be the part's.
            assert!(shift.norm() < 0.01 && worst < 0.02, "part {k}, {what}: {shift:?}, corners {worst}");
            // That is more than noise explains, and told.
            let told = |c: &String| c.contains("which the fit's own uncertainty does not hold");
            assert!(found.cautions.iter().any(told), "part {k}, {what}: {:?}", found.cautions);
        }
        // A box that is hardly larger leaves more table than part, and no table to be known by its size.
        let near = go(&all, ScanPart::Region(bounds));
        assert!(near.as_ref().is_err() || near.is_ok_and(|n| apart(&n).0 < 0.02), "part {k}");
    }
}
