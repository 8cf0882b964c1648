//! The words are well formed, every command shows how it is used, and what it shows can be typed.

use super::*;
use clap::CommandFactory;

#[test]
fn the_commands_are_well_formed() {
    Arguments::command().debug_assert();
}

#[test]
fn a_unit_is_never_assumed() {
    let without = ["scantling", "measure", "--part", "a", "--scan", "s.ply", "--serial", "1"];
    assert!(Arguments::try_parse_from(without).is_err());
    assert!(Arguments::try_parse_from(without.into_iter().chain(["--unit", "mm"])).is_ok());
    let points =
        ["scantling", "measure", "--part", "a", "--points", "p.csv", "--unit", "mm", "--serial", "1"];
    assert!(Arguments::try_parse_from(points).is_err(), "nor are axes");
    assert!(Arguments::try_parse_from(points.into_iter().chain(["--coordinates", "part"])).is_ok());
}

#[test]
fn something_must_be_measured_and_something_must_judge() {
    let refused = |args: &[&str]| {
        let all = ["scantling", "measure", "--serial", "1"].into_iter().chain(args.iter().copied());
        Arguments::try_parse_from(all).expect_err("refused").to_string()
    };
    let nothing = refused(&["--part", "a"]);
    assert!(nothing.contains("--scan") && nothing.contains("--reading"), "{nothing}");
    let nobody = refused(&["--scan", "s.ply", "--unit", "mm"]);
    assert!(nobody.contains("--part") && nobody.contains("--revision"), "{nobody}");
    assert!(!refused(&["--part", "a", "--revision", "a/b", "--scan", "s.ply", "--unit", "mm"]).is_empty());
}

/// Every command without commands of its own, with the words that lead to it.
fn leaves(command: &clap::Command, path: &str, into: &mut Vec<(String, clap::Command)>) {
    for inner in command.get_subcommands().filter(|c| c.get_name() != "help") {
        let path = format!("{path} {}", inner.get_name());
        if inner.has_subcommands() {
            leaves(inner, &path, into);
        } else {
            into.push((path, inner.clone()));
        }
    }
}

/// The command lines of a text that begin the program, as a shell would part them.
fn examples(text: &str) -> Vec<Vec<String>> {
    let mut lines = Vec::new();
    for line in text.replace("\\\n", " ").lines() {
        for piece in line.split('|') {
            let piece = piece.split('>').next().unwrap_or("").trim();
            if !piece.starts_with("scantling ") {
                continue;
            }
            let mut words = vec![String::new()];
            let mut quoted = false;
            for c in piece.chars() {
                match c {
                    '"' => quoted = !quoted,
                    ' ' if !quoted => words.push(String::new()),
                    c => words.last_mut().expect("one at least").push(c),
                }
            }
            words.retain(|w| !w.is_empty());
            lines.push(words);
        }
    }
    lines
}

#[test]
fn every_command_shows_examples_that_can_be_typed() {
    let mut all = Vec::new();
    leaves(&Arguments::command(), "scantling", &mut all);
    assert!(all.len() > 15, "{}", all.len());
    for (path, command) in all {
        let after = command.get_after_help().map(ToString::to_string).unwrap_or_default();
        let shown = after.split("Examples:\n").nth(1).unwrap_or_else(|| panic!("{path} shows no examples"));
        let examples = examples(shown);
        assert!(!examples.is_empty(), "{path} shows no examples");
        for example in &examples {
            Arguments::try_parse_from(example).unwrap_or_else(|e| panic!("{path}: {example:?}: {e}"));
        }
        let own =
            path.trim_start_matches("scantling ").split(' ').all(|w| examples[0].iter().any(|e| e == w));
        assert!(own, "{path}: the first example is of another command: {examples:?}");
    }
}
