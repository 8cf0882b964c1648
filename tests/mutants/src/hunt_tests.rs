//! A shell script stands for a test program: it is called as one is, and fails, waits or passes by the mutant that is on.

use std::collections::HashMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use super::{Asked, Fate, hunt};
use crate::build::Program;
use crate::list::Mutant;
use crate::trace::Test;

/// `quick` notices mutant 0, `slow` notices 1, and 2 runs for ever. Each call leaves a line in `calls`.
const SCRIPT: &str = r#"#!/bin/sh
echo "$MUTANT $*" >>calls
case "$MUTANT $*" in
  "0 "*quick*) echo "test quick ... FAILED"; exit 101 ;;
  "1 "*slow*) echo "test slow ... FAILED"; exit 101 ;;
  "2 "*) while :; do :; done ;;
esac
echo "test result: ok"
"#;

fn mutant(number: usize) -> Mutant {
    Mutant {
        file: "core/src/a.rs".into(),
        genre: "BinaryOperator".into(),
        replacement: "+".into(),
        place: [1; 4],
        module: "a".into(),
        function: "f".into(),
        name: format!("mutant {number}"),
    }
}

fn folder(name: &str) -> PathBuf {
    let folder = std::env::temp_dir().join(format!("{name}-{}", std::process::id()));
    fs::create_dir_all(&folder).expect("a folder");
    let script = folder.join("program");
    fs::write(&script, SCRIPT).expect("a place to write");
    fs::set_permissions(&script, fs::Permissions::from_mode(0o755)).expect("it may run");
    folder
}

fn run(folder: &Path, digest: u64, most_s: f64, keep: bool) -> HashMap<usize, Fate> {
    let programs =
        [Program { name: "program".into(), path: folder.join("program"), folder: folder.to_owned() }];
    let test = |name: &str, seconds: f64, differs: &[usize]| Test {
        program: 0,
        name: name.into(),
        seconds,
        reached: (0..5).collect(),
        differs: differs.to_vec(),
    };
    let tests = [test("quick", 0.01, &[0, 1, 2, 3]), test("slow", 0.5, &[0, 1, 3])];
    let mutants: Vec<Mutant> = (0..6).map(mutant).collect();
    hunt(&Asked {
        programs: &programs,
        tests: &tests,
        mutants: &mutants,
        chosen: (0..6).collect(),
        digest,
        file: &folder.join("results.jsonl"),
        most_s,
        keep,
        jobs: 2,
    })
    .expect("it runs")
}

fn calls(folder: &Path) -> usize {
    fs::read_to_string(folder.join("calls")).expect("the calls").lines().count()
}

#[test]
fn each_mutant_meets_its_tests_until_one_notices_it() {
    let folder = folder("hunts");
    // Mutant 4 told the same in every test, and none came to 5.
    let expected = |third: Fate, second: Fate| {
        HashMap::from([
            (0, Fate::Noticed("program quick".into())),
            (1, second),
            (2, Fate::OutOfTime("program quick".into())),
            (3, third),
            (4, Fate::SameEverywhere),
            (5, Fate::NotReached),
        ])
    };
    // The slow test is more than a tenth of a second.
    assert_eq!(run(&folder, 1, 0.1, false), expected(Fate::LivedSoFar, Fate::LivedSoFar));
    let before = calls(&folder);
    // With more time only those that lived so far run again.
    let whole = expected(Fate::Lived, Fate::Noticed("program slow".into()));
    assert_eq!(run(&folder, 1, 10.0, false), whole);
    assert_eq!(calls(&folder), before + 4);
    // What is known is not run again.
    assert_eq!(run(&folder, 1, 10.0, false), whole);
    assert_eq!(calls(&folder), before + 4);
    // Of another program only what was noticed may be kept; 3 meets both tests again.
    assert_eq!(run(&folder, 2, 10.0, true), whole);
    assert_eq!(calls(&folder), before + 6);
    fs::remove_dir_all(&folder).expect("the folder goes");
}
