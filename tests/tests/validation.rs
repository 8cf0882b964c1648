//! The short form of the validation: some scans of each part by the scanner that is not kind, held against the truth by exact
//! limits of counts: too few scans to show intervals that are too wide, which the long one does. `cargo run --release -p scantling-tests --example validation` is the long one
//! (`tests/run validation`).

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use rayon::prelude::*;
use scantling_core::nominal::Carrier;
use scantling_core::simulate::Deviation;
use scantling_tests::validation::{Kind, Line, Part, Scanner, parts, rows, scan, surprises, truths};

/// Scans of each part: some on the two quick ones in every run, 200 on all three in `tests/run long`.
fn scans(part: &Part) -> u64 {
    match (cfg!(feature = "long"), part.name) {
        (true, _) => 200,
        (false, "surround") => 0,
        (false, _) => 24,
    }
}

#[test]
fn intervals_and_uncertainties_hold_on_scans_that_are_not_kind() {
    let parts = parts();
    let all: Vec<(&Part, u64)> = parts.iter().flat_map(|p| (1..=scans(p)).map(move |s| (p, s))).collect();
    let lines: Vec<Line> = all.into_par_iter().map(|(p, s)| scan(p, Scanner::Unkind, s)).collect();
    let rows = rows(&lines);
    for row in &rows {
        println!(
            "{:16} {:9} {:4} scans, bias {:+.4}, s {:.4}, U / 2s {:.2}, {:.3} held",
            row.kind.word(),
            row.part,
            row.scans,
            row.bias_mm,
            row.deviation_mm,
            row.ratio,
            row.share_held()
        );
    }
    // Every kind was measured on the parts that have it.
    assert_eq!(rows.iter().filter(|r| r.part == "all").count(), Kind::ALL.len());
    let surprises = surprises(&rows);
    assert!(surprises.is_empty(), "{surprises:#?}");
}

/// The truth is not the parameter put in, but where nothing else acts on a value both must agree.
#[test]
fn the_truth_of_a_part_is_what_was_made() {
    for part in parts() {
        let made = part.made(2, 1);
        let told = truths(&part, &made);
        println!("{} {told:?}", part.name);
        let nominal = part.made(0, 0);
        let radius = |m: &scantling_core::simulate::Made| -> Vec<f64> {
            let of = |c: &Carrier| {
                if let Carrier::Cylinder { radius_mm, .. } = c { Some(*radius_mm) } else { None }
            };
            m.carriers().iter().flatten().filter_map(of).collect()
        };
        // The one hole of another size.
        let pairs = radius(&made).into_iter().zip(radius(&nominal));
        let grown = pairs.filter(|(a, b)| a != b).map(|(a, _)| 2.0 * a).next().unwrap();
        let near = |kind: Kind, wanted: f64, most: f64| {
            let found = told[&kind].value;
            assert!((found - wanted).abs() < most, "{} {}: {found} for {wanted}", part.name, kind.word());
        };
        near(Kind::HoleSize, grown, 0.002);
        let mut compared = 1;
        for deviation in made.deviations() {
            let (kind, wanted, most) = match deviation {
                // Datum holes follow the bow of their plane by its slope times half the thickness.
                Deviation::HoleShift(d) => (Kind::HolePosition, 2.0 * d.shift.norm(), 0.02),
                Deviation::ThicknessChange(d) => (Kind::Thickness, d.thickness_mm + d.change_mm, 0.01),
                // The filter takes some of what runs out at both ends of a trim.
                Deviation::TrimOffset(d) => (Kind::Edge, d.offset_mm, 0.04),
                _ => continue,
            };
            near(kind, wanted, most);
            compared += 1;
        }
        // Size and place of a hole everywhere, edge and thickness where the part has them.
        assert_eq!(compared, if part.name == "surround" { 2 } else { 4 }, "{}", part.name);
        // A part without deviations is the nominal.
        let none = truths(&part, &nominal);
        for (kind, truth) in &none {
            let wanted = match kind {
                // What the plans say.
                Kind::HoleSize => {
                    if part.name == "bracket" {
                        12.0
                    } else {
                        9.0
                    }
                }
                Kind::Thickness => {
                    if part.name == "bracket" {
                        2.5
                    } else {
                        3.0
                    }
                }
                _ => 0.0,
            };
            assert!((truth.value - wanted).abs() < 0.01, "{} {}: {truth:?}", part.name, kind.word());
        }
    }
}
