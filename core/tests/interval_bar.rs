//! 95 % intervals hold the truth: of independent scans of parts whose true values are 0, 0.5, 0.9 and 1.1 of the limit. The truth
//! is the same operator on a scan of the same made part without noise.
//!
//! `INTERVAL_SCANS=250 cargo test --profile checked -p scantling-core --test interval_bar -- --nocapture` for the bar (250 scans
//! at each of four truths); 10 at each otherwise.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod bench;

use bench::{Bench, Cell, out_of_the_bar, pose};
use rayon::prelude::*;
use scantling_core::geometry::{Point, Vector, math};
use scantling_core::inspect::{Job, ScanPart, ScanSource, inspect};
use scantling_core::plan;
use scantling_core::record::{Evaluation, Verdict};
use scantling_core::run::quiet;

const NOISE_MM: f64 = 0.02;
const SPACING_MM: f64 = 1.0;

/// Number, requirement, and whether it tells the worse of two ends.
const ASKED: [(&str, &str, bool); 8] = [
    (
        "flatness",
        "feature = \"A\"\nflatness = { zone_width_mm = 0.2, association = \"least_squares\" }",
        false,
    ),
    (
        "hole size",
        "feature = \"H00\"\ndiameter = { nominal_mm = 16.0, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, size = \"least_squares\" }",
        false,
    ),
    (
        "hole position",
        "feature = \"H00\"\nposition = { zone_diameter_mm = 0.2 }\ndatum_system = \"ABC\"",
        false,
    ),
    (
        "profile",
        "feature = \"E\"\nsurface_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.2 }\ndatum_system = \"ABC\"",
        true,
    ),
    (
        "check point",
        "feature = \"CHECK\"\nsurface_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.2 }\ndatum_system = \"ABC\"",
        false,
    ),
    ("square", "feature = \"D\"\nperpendicularity = { zone_width_mm = 0.2 }\ndatum_system = \"ABC\"", false),
    (
        "edge",
        "feature = \"TRIM\"\nline_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.2 }\ndatum_system = \"ABC\"",
        true,
    ),
    (
        "thickness",
        "feature = \"A\"\nthickness = { nominal_mm = 24.0, upper_deviation_mm = 0.2, lower_deviation_mm = -0.2, patch_radius_mm = 2.0, largest_nominal_mm = 30.0 }",
        true,
    ),
];

/// The part whose values are about this share of their limits.
fn made(share: f64, name: &str, p: &Point) -> Point {
    let wave = |x: f64| 0.5 * (1.0 + math::sin(std::f64::consts::TAU * x / 40.0));
    let off = match name {
        "A" => Vector::z() * (0.2 * share * wave(p.x)),
        // Larger by the limit deviation, and aside by half the zone.
        "H00" => {
            let d = Vector::new(p.x - 20.0, p.y - 20.0, 0.0);
            d / d.norm() * (0.05 * share) + Vector::new(0.6, 0.8, 0.0) * (0.1 * share)
        }
        "E" => Vector::y() * (0.2 * share * wave(p.x)),
        "D" => Vector::x() * (0.2 * share * (p.z / -24.0)),
        _ => Vector::zeros(),
    };
    p + off
}

#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    let scans: u64 = std::env::var("INTERVAL_SCANS").ok().and_then(|v| v.parse().ok()).unwrap_or(10);
    let bench = Bench { rows: vec![vec![Cell::Hole(8.0), Cell::Plain], vec![Cell::Plain, Cell::Plain]] };
    let nominal = bench.nominal();
    let mut text = String::from(
        "schema_version = 1\npart = \"bench\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
         standard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\nfilter = { gaussian = { nesting_index_mm = 4.0 } }\n\
         [nominal]\nfile = \"bench.stl\"\n",
    );
    text.push_str(&bench.features_toml());
    text.push_str(
        "[[feature]]\nid = \"CHECK\"\nkind = \"point\"\npoint = { at_mm = [80.0, 40.0, -12.0], direction = [1, 0, 0], patch_radius_mm = 4.0 }\n\
         [[feature]]\nid = \"TRIM\"\nkind = \"edge\"\nedge = { of = \"A\", at = \"visible_arris\", along = [{ at_mm = [8, 80, 0] }, \
         { at_mm = [72, 80, 0] }] }\n",
    );
    let datum =
        |l: &str| format!("{{ letter = \"{l}\", feature = \"{l}\", association = \"least_squares\" }}");
    text.push_str(&format!(
        "[[datum_system]]\nid = \"ABC\"\ndatum = [ {}, {}, {} ]\n",
        datum("A"),
        datum("B"),
        datum("C")
    ));
    for (number, body, _) in ASKED {
        text.push_str(&format!("[[characteristic]]\nnumber = \"{number}\"\n{body}\n"));
    }
    let (_, plan) = plan::check_toml(&text).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let evaluations = |share: f64, noise_mm: f64, seed: u64| -> Vec<Evaluation> {
        let pose = pose(seed);
        let scan = bench.scan(SPACING_MM, noise_mm, seed, &pose, |name, p, _| made(share, name, p));
        let part = ScanPart::Placement(pose.inverse());
        let sources = [ScanSource { scan: &scan, sha256: "scan".into(), part }];
        inspect(&quiet(), &Job::of_scans(&nominal, &plan, &faces, &sources)).unwrap().record.evaluations
    };
    let mut held = [0usize; ASKED.len()];
    let mut bad = Vec::new();
    let mut spread = [0.0f64; ASKED.len()];
    let shares = [0.0, 0.5, 0.9, 1.1];
    for (at, share) in shares.into_iter().enumerate() {
        let truth = evaluations(share, 1e-6, 1);
        // No noise comes twice.
        let all: Vec<Vec<Evaluation>> = (1..=scans)
            .into_par_iter()
            .map(|n| evaluations(share, NOISE_MM, n + at as u64 * scans))
            .collect();
        for k in 0..ASKED.len() {
            let value = |e: &Evaluation| e.value_mm.unwrap_or_else(|| panic!("{}: {}", e.number, e.reason));
            let of = &truth[k];
            // Of two ends that which is told may change; the interval is of that one.
            let true_value = |e: &Evaluation| match (of.minimum, of.maximum) {
                (Some(low), Some(high)) if ASKED[k].2 => {
                    let near = (value(e) - low.value_mm).abs() < (value(e) - high.value_mm).abs();
                    if near { low.value_mm } else { high.value_mm }
                }
                _ => value(of),
            };
            let inside = |e: &&Vec<Evaluation>| {
                let interval = e[k].interval.unwrap();
                let t = true_value(&e[k]);
                interval.low_mm <= t && t <= interval.high_mm
            };
            let count = all.iter().filter(inside).count();
            // Proven wrongly: the opposite of what the part is without noise.
            let lies = match of.verdict {
                Verdict::Conforms => Some(Verdict::DoesNotConform),
                Verdict::DoesNotConform => Some(Verdict::Conforms),
                _ => None,
            };
            let lied = all.iter().filter(|e| Some(e[k].verdict) == lies).count();
            let at_most = 0.05 * scans as f64;
            if lied as f64 > at_most + 3.0 * at_most.sqrt() {
                bad.push(format!("{} at {share} of its limit: {lied} of {scans} proven wrongly", ASKED[k].0));
            }
            held[k] += count;
            let n = all.len() as f64;
            let errors: Vec<f64> = all.iter().map(|e| value(&e[k]) - true_value(&e[k])).collect();
            let mean = errors.iter().sum::<f64>() / n;
            let scatter = (errors.iter().map(|e| (e - mean) * (e - mean)).sum::<f64>() / (n - 1.0)).sqrt();
            let u = all.iter().map(|e| e[k].standard_uncertainty_mm.unwrap()).sum::<f64>() / n;
            spread[k] += u / scatter / shares.len() as f64;
            println!(
                "{} at {share} of its limit: {:.3} held, bias {mean:.5} mm, scatter {scatter:.5}, u {u:.5}",
                ASKED[k].0,
                count as f64 / n
            );
        }
    }
    let n = (scans as usize * shares.len()) as f64;
    for (k, (number, ..)) in ASKED.iter().enumerate() {
        let share = held[k] as f64 / n;
        println!("{number}: {share:.3} held of {n}, u over scatter {:.2}", spread[k]);
        // Values scatter no more than a twentieth beyond their standard uncertainty; so many scans tell a scatter to one part of the root of
        // twice their number.
        if !(spread[k] * (1.0 + 3.0 / (2.0 * (n - 4.0)).sqrt()) >= 0.95) {
            bad.push(format!("{number}: u is {:.2} of the scatter", spread[k]));
        }
        // The bar is 92 to 98 %.
        if out_of_the_bar(held[k], n as usize) {
            bad.push(format!("{number}: {share:.3} held"));
        }
    }
    assert!(bad.is_empty(), "{bad:#?}");
}
