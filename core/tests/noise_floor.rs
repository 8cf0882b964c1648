//! Perfect features at 0.02 mm noise: the noise floor that is told is what such features show, and none of them is said
//! not to conform at a tolerance of 0.1 mm.
//!
//! `NOISE_FEATURES=200 cargo test --profile checked -p scantling-core --test noise_floor -- --nocapture` for the bar; 6 scans
//! otherwise. `NOISE_OF=plane` asks those only whose name holds that word.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod bench;

use bench::{Bench, Cell, pose};
use rayon::prelude::*;
use scantling_core::inspect::{Job, ScanPart, ScanSource, inspect};
use scantling_core::plan;
use scantling_core::record::{Evaluation, Verdict};
use scantling_core::run::quiet;

const NOISE_MM: f64 = 0.02;

/// Number, requirement, and what a perfect feature reads without noise, mm.
const ASKED: [(&str, &str, f64); 9] = [
    ("flatness", "feature = \"A\"\nflatness = { zone_width_mm = 0.1, association = \"minimum_zone\" }", 0.0),
    (
        "flatness, least squares",
        "feature = \"B\"\nflatness = { zone_width_mm = 0.1, association = \"least_squares\" }",
        0.0,
    ),
    (
        "roundness of a hole",
        "feature = \"H00\"\nroundness = { zone_width_mm = 0.1, association = \"minimum_zone\" }",
        0.0,
    ),
    (
        "cylindricity of a pin",
        "feature = \"P11\"\ncylindricity = { zone_width_mm = 0.1, association = \"minimum_zone\" }",
        0.0,
    ),
    (
        "roundness of a cone",
        "feature = \"K01\"\nroundness = { zone_width_mm = 0.1, association = \"minimum_zone\" }",
        0.0,
    ),
    (
        "inscribed size of a hole",
        "feature = \"H00\"\ndiameter = { nominal_mm = 16.0, upper_deviation_mm = 0.05, lower_deviation_mm = -0.05, size = \"maximum_inscribed\" }",
        16.0,
    ),
    (
        "circumscribed size of a pin",
        "feature = \"P11\"\ndiameter = { nominal_mm = 14.0, upper_deviation_mm = 0.05, lower_deviation_mm = -0.05, size = \"minimum_circumscribed\" }",
        14.0,
    ),
    ("parallelism", "feature = \"Z\"\nparallelism = { zone_width_mm = 0.1 }\ndatum_system = \"A\"", 0.0),
    (
        "tangent plane",
        "feature = \"Z\"\nparallelism = { zone_width_mm = 0.1, tangent_plane = true }\ndatum_system = \"A\"",
        0.0,
    ),
];

#[test]
fn the_floor_told_is_what_perfect_features_show_and_none_fails() {
    let scans: u64 = std::env::var("NOISE_FEATURES").ok().and_then(|v| v.parse().ok()).unwrap_or(6);
    let bench = Bench {
        rows: vec![
            vec![Cell::Hole(8.0), Cell::Cone(12.0, 8.0, 14.0)],
            vec![Cell::Plain, Cell::Pin(7.0, 16.0)],
        ],
    };
    let nominal = bench.nominal();
    let mut text = String::from(
        "schema_version = 1\npart = \"bench\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
         standard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\nfilter = { gaussian = { nesting_index_mm = 2.5 } }\n\
         [nominal]\nfile = \"bench.stl\"\n",
    );
    text.push_str(&bench.features_toml());
    text.push_str("[[datum_system]]\nid = \"A\"\ndatum = [ { letter = \"A\", feature = \"A\", association = \"least_squares_outside\" } ]\n");
    let word = std::env::var("NOISE_OF").unwrap_or_default();
    let asked: Vec<_> = ASKED.into_iter().filter(|(number, ..)| number.contains(&word)).collect();
    for (number, body, _) in &asked {
        text.push_str(&format!("[[characteristic]]\nnumber = \"{number}\"\n{body}\n"));
    }
    let (_, plan) = plan::check_toml(&text).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let one = |seed: u64| -> Vec<Evaluation> {
        let pose = pose(seed);
        let scan = bench.scan(0.6, NOISE_MM, seed, &pose, |_, p, _| *p);
        let part = ScanPart::Placement(pose.inverse());
        let sources = [ScanSource { scan: &scan, sha256: "scan".into(), part }];
        inspect(&quiet(), &Job::of_scans(&nominal, &plan, &faces, &sources)).unwrap().record.evaluations
    };
    let all: Vec<Vec<Evaluation>> = (1..=scans).into_par_iter().map(one).collect();
    let mut wrong = Vec::new();
    for (k, (number, _, perfect)) in asked.iter().enumerate() {
        let of = |e: &Evaluation, name: &str| e.operators.get(name).and_then(|v| v.parse::<f64>().ok());
        let read: Option<Vec<f64>> = all.iter().map(|s| of(&s[k], "uncorrected_mm")).collect();
        let told: Option<Vec<f64>> = all.iter().map(|s| s[k].noise_floor_mm).collect();
        let (Some(read), Some(told)) = (read, told) else {
            wrong.push(format!("{number}: {}", all[0][k].reason));
            continue;
        };
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let (shown, told) = ((mean(&read) - perfect).abs(), mean(&told));
        let failed = all.iter().filter(|s| s[k].verdict == Verdict::DoesNotConform).count();
        println!(
            "{number}: told {told:.4} mm, shown {shown:.4} mm, ratio {:.3}, {failed} do not conform",
            told / shown
        );
        // The bar, and for few scans three standard errors of their mean.
        let scatter = read.iter().map(|v| (v - mean(&read)) * (v - mean(&read))).sum::<f64>()
            / (read.len() as f64 - 1.0);
        let slack = 3.0 * (scatter / read.len() as f64).sqrt();
        if (told - shown).abs() > 0.15 * shown + slack || failed > 0 {
            wrong.push(format!("{number}: told {told:.4}, shown {shown:.4}, {failed} do not conform"));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
