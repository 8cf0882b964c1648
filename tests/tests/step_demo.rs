//! The demo part measured against a STEP nominal, whose faces the plan names by number: the same verdicts as against the
//! mesh that the STEP file was written from, and values as near as triangles are to the surface.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::inspect::{Inspected, Job, ScanSource, inspect};
use scantling_core::nominal::{Carrier, Nominal, NominalFile, read as read_nominal};
use scantling_core::plan;
use scantling_core::read::read;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::{DEMO_SPACING_MM, Demo};
use scantling_tests::step_text::{plan_on_step, window_surround_step};

fn measure(nominal: &Nominal, plan_toml: &str, scan_file: &[u8]) -> Inspected {
    let (_, plan) = plan::check_toml(plan_toml).unwrap();
    let faces = plan::bind(&plan, Some(nominal)).unwrap();
    let scan = Scan::new(read(scan_file, &quiet()).unwrap(), LengthUnit::Millimetre, &quiet()).unwrap();
    let scans = [ScanSource::whole(&scan, String::new())];
    inspect(&quiet(), &Job::of_scans(nominal, &plan, &faces, &scans)).unwrap()
}

fn volume_mm3(nominal: &Nominal) -> f64 {
    let mesh = nominal.mesh();
    let of = |t: u32| {
        let [a, b, c] = mesh.corners(t);
        a.coords.dot(&b.coords.cross(&c.coords)) / 6.0
    };
    (0..mesh.triangles().len() as u32).map(of).sum()
}

#[test]
fn the_demo_s_verdicts_are_the_same_on_a_nominal_from_step() {
    let demo = Demo::new(1, 1.0);
    let text = window_surround_step(&demo.surround);
    let step = read_nominal(text.as_bytes(), &NominalFile::default(), &quiet()).unwrap();
    assert!(step.missing().is_empty(), "{:?}", step.missing());
    assert!(step.closed());
    let unit = Some(LengthUnit::Millimetre);
    let mesh =
        read_nominal(&demo.nominal_stl(), &NominalFile { unit, ..NominalFile::default() }, &quiet()).unwrap();
    let area = |n: &Nominal| n.faces().iter().map(|f| f.area_mm2).sum::<f64>();
    let (areas, volumes) = ((area(&step), area(&mesh)), (volume_mm3(&step), volume_mm3(&mesh)));
    println!("area {} and {} mm2, volume {} and {} mm3", areas.0, areas.1, volumes.0, volumes.1);
    assert!((areas.0 / areas.1 - 1.0).abs() < 2e-4 && (volumes.0 / volumes.1 - 1.0).abs() < 2e-3);
    let holes =
        step.faces().iter().filter(|f| matches!(f.carrier, Some(Carrier::Cylinder { hollow: true, .. })));
    assert_eq!(holes.count(), 6);

    let plan_mesh = demo.plan_toml();
    let plan_step = plan_on_step(&plan_mesh, &step);
    for (which, scan) in [
        ("good", demo.good_scan_ply(DEMO_SPACING_MM).unwrap()),
        ("bad", demo.bad_scan_ply(DEMO_SPACING_MM).unwrap()),
    ] {
        let (on_step, on_mesh) = (measure(&step, &plan_step, &scan), measure(&mesh, &plan_mesh, &scan));
        assert_eq!(on_step.record.evaluations.len(), on_mesh.record.evaluations.len());
        for (a, b) in on_step.record.evaluations.iter().zip(&on_mesh.record.evaluations) {
            println!("{which} {}: {:?} and {:?} mm, {:?}", a.number, a.value_mm, b.value_mm, a.verdict);
            assert_eq!(
                (&a.number, a.verdict),
                (&b.number, b.verdict),
                "{which}: {} / {}",
                a.reason,
                b.reason
            );
            let (Some(x), Some(y)) = (a.value_mm, b.value_mm) else {
                panic!("{which} {}: no value", a.number)
            };
            // The chords of both meshes, 0.006 and 0.01 mm.
            assert!((x - y).abs() < 0.016, "{which} {}: {x} and {y} mm", a.number);
        }
    }
}
