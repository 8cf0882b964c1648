//! What the simulator made against what core measures: an independent evaluation of the made surface
//! (`scantling_tests::truth`) decides what is true.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::inspect::{Inspected, Job, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::read;
use scantling_core::record::Verdict;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::{DEMO_SPACING_MM, Demo, DemoPart};
use scantling_tests::truth::Truth;

fn measure(demo: &Demo, scan_file: &[u8]) -> (Nominal, Inspected) {
    let run = quiet();
    let (_, plan) = plan::check_toml(&demo.plan_toml()).unwrap();
    let file = demo.nominal_stl();
    let nominal =
        Nominal::from_mesh(read(&file, &run).unwrap(), LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let scan = Scan::new(read(scan_file, &run).unwrap(), LengthUnit::Millimetre, &run).unwrap();
    let scans = [ScanSource::whole(&scan, String::new())];
    let job = Job::of_scans(&nominal, &plan, &faces, &scans);
    let inspected = inspect(&run, &job).unwrap();
    (nominal, inspected)
}

/// Largest distance of a corner of the part between the measured and the true pose after the best fit.
fn corner_error_mm(part: &DemoPart, nominal: &Nominal, inspected: &Inspected) -> f64 {
    let a = inspected.record.alignment.as_ref().unwrap();
    let part_from_scan = |p: [f64; 3]| -> [f64; 3] {
        std::array::from_fn(|i| (0..3).map(|j| a.rotation[i][j] * p[j]).sum::<f64>() + a.translation_mm[i])
    };
    let corners = nominal.mesh().bounds().corners();
    corners
        .iter()
        .map(|c| {
            let s = part.scan_from_part.point(c);
            let back = part_from_scan([s.x, s.y, s.z]);
            (0..3).map(|i| (back[i] - c[i]) * (back[i] - c[i])).sum::<f64>().sqrt()
        })
        .fold(0.0, f64::max)
}

struct Worst {
    /// The hole that was made off its place.
    hole_mm: f64,
    /// Any hole of either part.
    any_hole_mm: f64,
    dent_mm: f64,
    corner_mm: f64,
}

/// Both parts of one seed: the same characteristics fail as truly fail, everything else conforms.
fn check(seed: u64, size: f64) -> Worst {
    let demo = Demo::new(seed, size);
    let mut worst = Worst { hole_mm: f64::INFINITY, any_hole_mm: 0.0, dent_mm: 0.0, corner_mm: 0.0 };
    let scans = [
        ("good", &demo.good, demo.good_scan_ply(DEMO_SPACING_MM).unwrap()),
        ("bad", &demo.bad, demo.bad_scan_ply(DEMO_SPACING_MM).unwrap()),
    ];
    for (which, part, file) in scans {
        let truth = Truth::of(&demo, part);
        let (nominal, found) = measure(&demo, &file);
        for e in &found.record.evaluations {
            let expected =
                if truth.values[&e.number].conforms { Verdict::Conforms } else { Verdict::DoesNotConform };
            assert_eq!(
                e.verdict, expected,
                "seed {seed} {which} {}: {} (true {:?})",
                e.number, e.reason, truth.values[&e.number]
            );
            if let (Some(c), Some(t)) = (e.components, truth.hole_offsets.get(e.feature.as_str())) {
                let (dx, dy) = (c.dx_mm - t[0], c.dy_mm - t[1]);
                let off = (dx * dx + dy * dy).sqrt();
                worst.any_hole_mm = worst.any_hole_mm.max(off);
                if which == "bad" && e.feature == demo.bad_hole {
                    worst.hole_mm = off;
                }
            }
        }
        worst.corner_mm = worst.corner_mm.max(corner_error_mm(part, &nominal, &found));
        let Some(dent) = part.dent.as_ref().map(|d| &d.dent) else { continue };
        let (mut sum, mut count) = (0.0, 0usize);
        for (p, d) in nominal.mesh().vertices().iter().zip(&found.deviation.as_ref().unwrap().deviation_mm) {
            let off = p - dent.centre;
            let depth = off.dot(&dent.inward.vector());
            // The visible skin only, a millimetre inside the flat bottom.
            let across = (off - dent.inward.vector() * depth).norm();
            if let Some(d) = d
                && depth.abs() < 1.5
                && across < dent.flat_radius_mm() - 1.0
            {
                sum += f64::from(*d);
                count += 1;
            }
        }
        assert!(count >= 5, "seed {seed}: {count} vertices in the dent");
        let measured = -sum / count as f64;
        worst.dent_mm = worst.dent_mm.max((measured - truth.dent_depth_mm.unwrap()).abs());
    }
    println!(
        "seed {seed}, size {size:.2}: shifted hole {:.4} mm (worst of all {:.4}), dent {:.4} mm, corner {:.3} mm from the truth",
        worst.hole_mm, worst.any_hole_mm, worst.dent_mm, worst.corner_mm
    );
    worst
}

fn check_all(seeds: impl Iterator<Item = u64>) {
    let mut beyond: Vec<String> = Vec::new();
    for seed in seeds {
        let size = 0.8 + 0.05 * ((seed * 7) % 11) as f64;
        let worst = check(seed, size);
        for (what, off, most) in
            [("hole", worst.hole_mm, 0.01), ("dent", worst.dent_mm, 0.02), ("corner", worst.corner_mm, 0.5)]
        {
            if !(off <= most) {
                beyond.push(format!("seed {seed}: {what} {off:.4} mm from the truth, at most {most} mm"));
            }
        }
    }
    assert!(beyond.is_empty(), "{beyond:#?}");
}

#[test]
fn one_seed_is_measured_as_it_was_made() {
    check_all(7..8);
}

/// The bar: twenty seeds and sizes, forty poses (`tests/run long`).
#[cfg(feature = "long")]
#[test]
fn twenty_seeds_and_sizes_are_measured_as_they_were_made() {
    check_all(1..21);
}
