//! Positions that use the room of a loose datum: their standard uncertainty is how much they scatter over scans, the room of the
//! datum included, and their intervals hold the truth.
//!
//! `LOOSE_SCANS=200 cargo test --profile checked -p scantling-core --test loose -- --nocapture` for the bar; 24 scans otherwise.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod bench;

use bench::{Bench, Cell, pose};
use rayon::prelude::*;
use scantling_core::geometry::{Point, Vector};
use scantling_core::inspect::{Job, ScanPart, ScanSource, inspect};
use scantling_core::plan;
use scantling_core::record::Evaluation;
use scantling_core::run::quiet;

const NOISE_MM: f64 = 0.02;

/// Number, characteristic, and its true value, mm: H00 lies 0.2 mm off along x and 0.05 mm along y, the datum hole H11 is 0.2 mm
/// larger than its boundary and gives 0.1 mm along x, which nothing else holds.
const ASKED: [(&str, &str, f64); 3] = [
    ("held", "position = { zone_diameter_mm = 0.8 }\ndatum_system = \"HELD\"", 0.412_310_6),
    ("loose", "position = { zone_diameter_mm = 0.8 }\ndatum_system = \"LOOSE\"", 0.223_606_8),
    (
        "only oriented",
        "position = { zone_diameter_mm = 0.8, orientation_only = true }\ndatum_system = \"LOOSE\"",
        0.0,
    ),
];

const SYSTEMS: &str = r#"
[[datum_system]]
id = "HELD"
datum = [
  { letter = "A", feature = "A", association = "least_squares" },
  { letter = "B", feature = "B", association = "least_squares" },
  { letter = "H", feature = "H11", association = "least_squares" },
]
[[datum_system]]
id = "LOOSE"
datum = [
  { letter = "A", feature = "A", association = "least_squares" },
  { letter = "B", feature = "B", association = "least_squares" },
  { letter = "L", feature = "H11", association = "least_squares", condition = "maximum_material", boundary_mm = 16.0 },
]
"#;

#[test]
fn the_uncertainty_of_a_position_holds_the_room_of_its_loose_datum() {
    let scans: u64 = std::env::var("LOOSE_SCANS").ok().and_then(|v| v.parse().ok()).unwrap_or(24);
    let bench = Bench { rows: vec![vec![Cell::Hole(8.0), Cell::Plain], vec![Cell::Plain, Cell::Hole(8.0)]] };
    let nominal = bench.nominal();
    let mut text = String::from(
        "schema_version = 1\npart = \"bench\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
         standard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\nfilter = { gaussian = { nesting_index_mm = 2.5 } }\n\
         [nominal]\nfile = \"bench.stl\"\n",
    );
    text.push_str(&bench.features_toml());
    text.push_str(SYSTEMS);
    for (number, body, _) in ASKED {
        text.push_str(&format!("[[characteristic]]\nnumber = \"{number}\"\nfeature = \"H00\"\n{body}\n"));
    }
    let (_, plan) = plan::check_toml(&text).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let made = |name: &str, p: &Point, n: &Vector| match name {
        "H00" => p + Vector::new(0.2, 0.05, 0.0),
        "H11" => p - n * 0.1,
        _ => *p,
    };
    let one = |seed: u64| -> Vec<Evaluation> {
        let pose = pose(seed);
        let scan = bench.scan(0.8, NOISE_MM, seed, &pose, made);
        let sources =
            [ScanSource { scan: &scan, sha256: "scan".into(), part: ScanPart::Placement(pose.inverse()) }];
        inspect(&quiet(), &Job::of_scans(&nominal, &plan, &faces, &sources)).unwrap().record.evaluations
    };
    let all: Vec<Vec<Evaluation>> = (1..=scans).into_par_iter().map(one).collect();
    let mut wrong = Vec::new();
    for (k, (number, _, truth)) in ASKED.iter().enumerate() {
        let values: Option<Vec<f64>> = all.iter().map(|s| s[k].value_mm).collect();
        let told: Option<Vec<f64>> = all.iter().map(|s| s[k].standard_uncertainty_mm).collect();
        let (Some(values), Some(told)) = (values, told) else {
            wrong.push(format!("{number}: {}", all[0][k].reason));
            continue;
        };
        let n = values.len() as f64;
        let mean = |v: &[f64]| v.iter().sum::<f64>() / n;
        let scatter = (values.iter().map(|v| (v - mean(&values)) * (v - mean(&values))).sum::<f64>()
            / (n - 1.0))
            .sqrt();
        let ratio = mean(&told) / scatter;
        let inside = |s: &&Vec<Evaluation>| {
            s[k].interval.as_ref().is_some_and(|i| (i.low_mm..=i.high_mm).contains(truth))
        };
        let held = all.iter().filter(inside).count();
        println!(
            "{number}: mean {:.4} for {truth:.4} mm, scatter {scatter:.5}, u {:.5}, ratio {ratio:.2}, {held} of {} intervals hold the truth",
            mean(&values),
            mean(&told),
            all.len()
        );
        if *truth > 0.0 {
            // Four standard errors of a scatter of so many.
            let slack = 4.0 / (2.0 * (n - 1.0)).sqrt();
            if !((1.0 - slack).max(0.2)..=1.3 + slack).contains(&ratio) {
                wrong.push(format!("{number}: u is {ratio:.2} of the scatter"));
            }
            // Noise on the datum's feature takes of its room, which is corrected as a bias.
            if (mean(&values) - truth).abs() > 0.01 {
                wrong.push(format!("{number}: {:.4} for {truth:.4}", mean(&values)));
            }
        }
        if (held as f64) < 0.75 * n {
            wrong.push(format!("{number}: {held} intervals hold the truth"));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
