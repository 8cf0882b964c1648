//! Two good window surrounds, a bad one and one of the other hand on one simulated table with clamps.
#![allow(clippy::unwrap_used, reason = "a test ends where something is missing")]

use scantling_core::align::{Finding, Instance, InstancesSettings, LocateSettings, locate_all, settle};
use scantling_core::geometry::{Aabb, Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh};
use scantling_core::nominal::Nominal;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::{Hand, Origin, arrangement, mirrored};

type Pose = Motion<PartFrame, ScanFrame>;

/// How far the part's corners are from where the same descent ends that starts from the true pose, mm.
fn off_mm(scan: &Scan, mesh: &TriangleMesh, found: &Instance, truth: &Pose) -> f64 {
    let tree = SurfaceTree::new(mesh);
    let points: Vec<Point> = found.points.iter().map(|&i| scan.points().at(i as usize)).collect();
    let normals: Vec<Direction> =
        found.points.iter().map(|&i| scan.normals().unwrap().at(i as usize)).collect();
    let ends = settle(mesh, &tree, &points, Some(&normals), truth, &LocateSettings::default());
    apart_mm(&ends, &found.part_from_scan, &mesh.bounds())
}

fn apart_mm(a: &Pose, b: &Pose, bounds: &Aabb) -> f64 {
    let relative = *a * b.inverse();
    bounds.corners().iter().map(|c| (relative.point(c) - c).norm()).fold(0.0, f64::max)
}

#[test]
fn three_parts_are_found_on_a_table_and_the_other_hand_is_told_apart() {
    for seed in [101, 102] {
        let laid = arrangement(seed, 2, 1, 1);
        let made = laid.scan(4.0).unwrap();
        let normals = Some(made.normals.iter().map(|n| n.vector()).collect());
        let raw = RawScan { points: made.points.clone(), normals, ..RawScan::default() };
        let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap();
        assert_eq!(scan.points().len(), made.points.len());
        let raw = RawScan {
            points: laid.nominal.vertices().to_vec(),
            triangles: laid.nominal.triangles().to_vec(),
            ..RawScan::default()
        };
        let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap();
        let tree = SurfaceTree::new(nominal.mesh());
        let found = locate_all(&quiet(), &nominal, &tree, &scan, &InstancesSettings::default()).unwrap();
        assert_eq!((found.findings.len(), found.parts().count()), (4, 3), "seed {seed}: {found:?}");
        let other_mesh = mirrored(nominal.mesh());
        for finding in &found.findings {
            // Whose points they are, by the simulator's word.
            let Origin::Part(whose) = made.origin[finding.points()[finding.points().len() / 2] as usize]
            else {
                panic!("seed {seed}: {finding:?}")
            };
            let truth = &laid.parts[whose as usize];
            let (instance, mesh, hand) = match finding {
                Finding::Instance(i) => (i, nominal.mesh(), Hand::AsDrawn),
                Finding::OtherHand(i) => (i, &other_mesh, Hand::Opposite),
                other => panic!("seed {seed}: {other:?}"),
            };
            assert_eq!(hand, truth.hand, "seed {seed}");
            let off = off_mm(&scan, mesh, instance, &truth.part.scan_from_part.inverse());
            assert!(off < 0.5, "seed {seed}: {off} mm");
            // All of the part's points are its, and hardly any others.
            let of_it = |i: &u32| made.origin[*i as usize] == Origin::Part(whose);
            let own = instance.points.iter().filter(|i| of_it(i)).count();
            let all = made.origin.iter().filter(|o| **o == Origin::Part(whose)).count();
            assert!(own * 1000 >= all * 995, "seed {seed}: {own} of {all}");
            let foreign = instance.points.len() - own;
            assert!(foreign * 100 <= own, "seed {seed}: {foreign} beside {own}");
        }
    }
}
