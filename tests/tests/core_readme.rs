//! `core/README.md`: what every tolerance means here, with figures that this test computes.
//!
//! It fails when the file is not what it should be; `UPDATE=1 cargo test -p scantling-tests --test core_readme` writes it.
//! Rows stand in `core_readme/rows.rs` and beside it.

#[path = "core_readme/asked.rs"]
mod asked;
#[path = "core_readme/datum_rows.rs"]
mod datum_rows;
#[path = "core_readme/datums.rs"]
mod datums;
#[path = "core_readme/edges.rs"]
mod edges;
#[path = "core_readme/figures.rs"]
mod figures;
#[path = "core_readme/made.rs"]
mod made;
#[path = "core_readme/rows.rs"]
mod rows;
#[path = "core_readme/size_rows.rs"]
mod size_rows;
#[path = "core_readme/sizes.rs"]
mod sizes;
#[path = "core_readme/skins.rs"]
mod skins;
#[path = "core_readme/tolerance_rows.rs"]
mod tolerance_rows;
#[path = "core_readme/tolerances.rs"]
mod tolerances;
#[path = "core_readme/walls.rs"]
mod walls;

use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

use rows::{Row, rows};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

const HEAD: &str = "\
# What is measured, and by which rule

One line for each size, tolerance, datum and association that this crate evaluates: the rule with its clause, what the measured value is, where ISO
and ASME part, the test that holds it, and a figure computed by the test that writes this file. Lengths in mm; positive is outside the material.

This file is written by `tests/tests/core_readme.rs` and compared with it in every run of the tests; after a change of a rule:
`UPDATE=1 cargo test -p scantling-tests --test core_readme`. \"From memory\" marks what was not read in the standard itself.
";

const VALIDATED: &str = "
## How well it holds

Many scans of three simulated parts, a folded bracket, a doubly curved panel and a window surround, by a scanner with white noise only and by one that is
not kind, held against the truth: the same operator on a dense scan of the made surface. `tests/run validation` makes them and writes the table and the
pictures; what was found last is kept in `core/validation`, with all parts apart in `table.md`. U is the expanded uncertainty (k = 2), s the standard
deviation of the errors; intervals are those of 95 %. Simulated scans show how well the evaluation holds, not how good a real scanner is.
";

fn written() -> String {
    let mut text = HEAD.to_owned();
    let mut part = "";
    for row in rows() {
        if row.part != part {
            part = row.part;
            let head = ["", "rule", "the measured value", "ISO and ASME", "test", "figure"].join(" | ");
            write!(text, "\n## {part}\n\n| {head} |\n|{}\n", " --- |".repeat(6)).expect("a string grows");
        }
        let Row { name, rule, value, iso_and_asme, test, figure, .. } = row;
        let figure = figure();
        let cells =
            [name, rule, value, iso_and_asme, &format!("`{test}`"), &figure].map(|c| c.replace('|', "\\|"));
        writeln!(text, "| {} |", cells.join(" | ")).expect("a string grows");
    }
    text + &validated()
}

/// What `tests/run validation` found last: its table and a picture of each kind, kept as they were written.
fn validated() -> String {
    let kept = root().join("core/validation");
    let table = fs::read_to_string(kept.join("kinds.md")).expect("core/validation/kinds.md");
    let mut pictures: Vec<String> = fs::read_dir(&kept)
        .expect("core/validation")
        .map(|f| f.expect("a file").file_name().to_string_lossy().into_owned())
        .filter(|name| name.ends_with(".svg"))
        .collect();
    pictures.sort();
    let mut text = format!("{VALIDATED}\n{table}\n");
    for name in pictures {
        let told = name.trim_end_matches(".svg").replace('_', " ");
        writeln!(text, "![{told}](validation/{name})").expect("a string grows");
    }
    text
}

#[test]
fn the_table_of_tolerances_is_what_the_program_does() {
    let path = root().join("core/README.md");
    let wanted = written();
    if std::env::var_os("UPDATE").is_some() {
        fs::write(&path, &wanted).expect("the file is written");
    }
    let found = fs::read_to_string(&path).unwrap_or_default();
    let differs = wanted.lines().zip(found.lines()).find(|(w, f)| w != f);
    assert!(found == wanted, "run this test with UPDATE=1 and look at what changed: {differs:?}");
}

/// A row names a file of core, or of the tests, and a test in it.
#[test]
fn every_row_names_a_test_that_is_there() {
    for Row { name, test, .. } in rows() {
        let (file, function) = test.split_once("::").unwrap_or_else(|| panic!("{name}: {test}"));
        let text = fs::read_to_string(root().join(file)).unwrap_or_else(|e| panic!("{name}: {file}: {e}"));
        let head =
            text.find(&format!("fn {function}(")).unwrap_or_else(|| panic!("{name}: {test} is not there"));
        let before = text[..head].trim_end().trim_end_matches("async").trim_end();
        assert!(before.ends_with(']') && before.contains("test]"), "{name}: {test} is no test");
    }
}

/// Nothing is left empty, and no two rows have one name.
#[test]
fn every_row_is_whole() {
    let mut names = Vec::new();
    for row in rows() {
        for cell in [row.part, row.name, row.rule, row.value, row.iso_and_asme, row.test] {
            assert!(!cell.trim().is_empty() && !cell.contains('\n'), "{}: {cell:?}", row.name);
        }
        assert!(!names.contains(&(row.part, row.name)), "{} twice", row.name);
        names.push((row.part, row.name));
    }
}
