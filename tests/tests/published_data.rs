//! The published sets that core carries for its self-check are those of its tests, byte for byte.
//!
//! `UPDATE=1 cargo test -p scantling-tests --test published_data` packs them anew.

use std::fmt::Write as _;
use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::bufread::GzDecoder;
use flate2::write::GzEncoder;

fn core() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../core")
}

/// Every file after a line with its name and number of lines.
fn joined() -> String {
    let data = core().join("tests/data");
    let mut names = Vec::new();
    for (folder, stem) in
        [("Plane", "pla"), ("Circle2d", "cir2d"), ("Sphere", "sph"), ("Cylinder", "cyl"), ("Cone", "con")]
    {
        for number in (1..30).step_by(2) {
            for end in ["ds", "fit"] {
                names.push(format!("nist_ats/{folder}/{stem}{number}.{end}"));
            }
        }
    }
    names.extend(["nist_ats_zone_values.json", "sheet_metal/points_4parts.csv"].map(String::from));
    let mut text = String::new();
    for name in names {
        let file = fs::read_to_string(data.join(&name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        writeln!(text, "@ {name} {}", file.lines().count()).expect("a string grows");
        for line in file.lines() {
            writeln!(text, "{}", line.trim_end()).expect("a string grows");
        }
    }
    text
}

#[test]
fn what_core_carries_is_what_its_tests_read() {
    let (path, wanted) = (core().join("data/published_sets.gz"), joined());
    if std::env::var_os("UPDATE").is_some() {
        let mut packed = GzEncoder::new(Vec::new(), Compression::best());
        packed.write_all(wanted.as_bytes()).expect("memory takes it");
        fs::write(&path, packed.finish().expect("memory takes it")).expect("the file is written");
    }
    let bytes = fs::read(&path).expect("core/data/published_sets.gz");
    let mut found = String::new();
    GzDecoder::new(bytes.as_slice()).read_to_string(&mut found).expect("it is packed text");
    assert!(found == wanted, "run this test with UPDATE=1 to pack the sets anew");
    assert!(bytes.len() < 300_000, "{} bytes are a burden to every program", bytes.len());
}
