//! A program with one switch on does what the program does that has this change in its text.

use std::collections::HashSet;
use std::fs;
use std::path::Path;
use std::process::Command;

use super::write;
use crate::list::Mutant;
use crate::places::{Left, find};

const SOURCE: &str = "#[derive(Clone, Copy)]
pub struct Pair { pub a: i32, pub b: i32 }
pub fn told(a: i32, b: i32) -> i32 {
    let mut sum = a - b * 2;
    sum += a;
    let pair = Pair { a: 7, ..Pair { a: 1, b } };
    let kind = match sum {
        n if n > b => 10,
        -2 => 20,
        _ => -pair.a,
    };
    if (a < b && divides(a, b)) || !(a == 2) { kind } else { sum + pair.b }
}
fn divides(a: i32, b: i32) -> bool {
    b % a.max(1) == 0
}
const X: i32 = 2 * 3;
";

const MAIN: &str = "fn main() { for a in 0..5 { for b in -3..6 { println!(\"{}\", told(a, b)); } } }\n";

/// The change of the first `old` at or behind the first `after`.
fn mutant(genre: &str, after: &str, old: &str, replacement: &str) -> Mutant {
    let from = SOURCE.find(after).expect("the place");
    let at = from + SOURCE[from..].find(old).expect("the old text");
    let line = SOURCE[..at].matches('\n').count() + 1;
    let column = at - SOURCE[..at].rfind('\n').map_or(0, |n| n + 1) + 1;
    Mutant {
        file: "core/src/a.rs".into(),
        genre: genre.into(),
        replacement: replacement.into(),
        place: [line, column, line, column + old.len()],
        module: "a".into(),
        function: "told".into(),
        name: format!("{genre}: {old} to {replacement}"),
    }
}

/// Each with the whole text that it stands for.
fn all() -> Vec<(Mutant, String)> {
    let changed = |after: &str, old: &str, new: &str| {
        let from = SOURCE.find(after).expect("the place");
        format!("{}{}", &SOURCE[..from], SOURCE[from..].replacen(old, new, 1))
    };
    let plain = |genre: &str, after: &str, old: &str, new: &str| {
        (mutant(genre, after, old, new), changed(after, old, new))
    };
    vec![
        (
            mutant("FnValue", "let mut sum", "let mut sum", "0"),
            changed("let mut sum", "let mut sum", "return 0; let mut sum"),
        ),
        (
            mutant("FnValue", "b % a.max", "b % a.max", "true"),
            changed("b % a.max", "b % a.max", "return true; b % a.max"),
        ),
        plain("BinaryOperator", "a - b", "-", "+"),
        plain("BinaryOperator", "a - b", "-", "*"),
        // In the tree, not in the text: what binds closer stays together.
        (mutant("BinaryOperator", "b * 2", "*", "+"), changed("b * 2", "b * 2", "(b + 2)")),
        plain("BinaryOperator", "sum += a", "+=", "-="),
        plain("BinaryOperator", "a < b", "<", "<="),
        plain("BinaryOperator", "a < b", "<", ">"),
        plain("BinaryOperator", "a < b", "&&", "||"),
        (mutant("BinaryOperator", "|| !(a", "||", "&&"), changed("|| !(a", "||", "&&")),
        plain("BinaryOperator", "a == 2", "==", "!="),
        (mutant("UnaryOperator", "!(a == 2)", "!", ""), changed("!(a == 2)", "!", "")),
        (mutant("UnaryOperator", "-pair.a", "-", ""), changed("-pair.a", "-", "")),
        plain("MatchArmGuard", "n > b", "n > b", "true"),
        plain("MatchArmGuard", "n > b", "n > b", "false"),
        (mutant("MatchArm", "n if n", "n if n > b => 10", ""), changed("n if n", "n if n > b => 10,", "")),
        (mutant("MatchArm", "-2 => 20", "-2 => 20", ""), changed("-2 => 20", "-2 => 20,", "")),
        (mutant("StructField", "a: 7", "a: 7", ""), changed("a: 7", "a: 7,", "")),
    ]
}

fn output(folder: &Path, name: &str, text: &str, switch: Option<usize>) -> Vec<u8> {
    let source = folder.join(format!("{name}.rs"));
    let program = folder.join(name);
    if !program.exists() {
        fs::write(&source, text).expect("a place to write");
        let built = Command::new("rustc")
            .args(["--edition", "2024", "--cap-lints", "allow", "-o"])
            .args([&program, &source])
            .status()
            .expect("rustc runs");
        assert!(built.success(), "{text}");
    }
    let mut command = Command::new(&program);
    if let Some(number) = switch {
        command.env("MUTANT", number.to_string());
    }
    let output = command.output().expect("it runs");
    assert!(output.status.success(), "{name} {switch:?}");
    output.stdout
}

#[test]
fn a_switch_does_what_the_change_does() {
    let folder = std::env::temp_dir().join(format!("switches-{}", std::process::id()));
    fs::create_dir_all(&folder).expect("a folder");
    fs::write(folder.join("switched.rs"), include_str!("switched.rs")).expect("a place to write");
    let all = all();
    let mutants: Vec<Mutant> = all.iter().map(|(m, _)| m.clone()).collect();
    let listed: Vec<(usize, &Mutant)> = mutants.iter().enumerate().collect();
    let places = find(SOURCE, &listed).expect("it parses");
    assert_eq!(places.left, []);
    let out = write(SOURCE, &places.nodes, &mutants, &HashSet::new());
    let switched = format!("mod switched;\n{}{MAIN}", out.text);
    let own = output(&folder, "own", &format!("{SOURCE}{MAIN}"), None);
    assert_eq!(output(&folder, "with_switches", &switched, None), own, "with no switch on");
    for (number, (mutant, text)) in all.iter().enumerate() {
        let plain = output(&folder, &format!("plain{number}"), &format!("{text}{MAIN}"), None);
        assert_eq!(output(&folder, "with_switches", &switched, Some(number)), plain, "{}", mutant.name);
        assert!(plain != own, "{} would be noticed by nobody", mutant.name);
    }
    fs::remove_dir_all(&folder).expect("the folder goes");
}

#[test]
fn a_trace_tells_what_was_reached_and_where_a_comparison_would_differ() {
    let folder = std::env::temp_dir().join(format!("traces-{}", std::process::id()));
    fs::create_dir_all(&folder).expect("a folder");
    fs::write(folder.join("switched.rs"), include_str!("switched.rs")).expect("a place to write");
    let source = "fn main() { for a in [1, 2] { if a < 3 { let b = a * 2; println!(\"{b}\"); } else { let b = a - 1; println!(\"{b}\"); } } }\n";
    let at = |old: &str, new: &str| Mutant {
        place: [1, source.find(old).expect("it") + 1, 1, source.find(old).expect("it") + 2],
        replacement: new.into(),
        ..mutant("BinaryOperator", "a - b", "-", new)
    };
    let mutants = vec![at("< 3", "<="), at("< 3", "=="), at("* 2", "+"), at("- 1", "+")];
    let listed: Vec<(usize, &Mutant)> = mutants.iter().enumerate().collect();
    let places = find(source, &listed).expect("it parses");
    let out = write(source, &places.nodes, &mutants, &HashSet::new());
    output(&folder, "traced", &format!("mod switched;\n{}", out.text), None);
    let trace = folder.join("trace");
    let status = Command::new(folder.join("traced"))
        .env("MUTANT", "trace")
        .env("MUTANT_TRACE", &trace)
        .output()
        .expect("it runs")
        .status;
    assert!(status.success());
    let (reached, differs) = crate::trace::read(&fs::read(&trace).expect("a trace"));
    assert_eq!(reached, [0, 1, 2]);
    // 1 and 2 lie below 3 and not on it, so `<=` tells the same; `==` does not.
    assert_eq!(differs, [1, 2]);
    fs::remove_dir_all(&folder).expect("the folder goes");
}

#[test]
fn without_its_mutants_a_text_is_what_it_was() {
    let mutants: Vec<Mutant> = all().into_iter().map(|(m, _)| m).collect();
    let listed: Vec<(usize, &Mutant)> = mutants.iter().enumerate().collect();
    let places = find(SOURCE, &listed).expect("it parses");
    let out = write(SOURCE, &places.nodes, &mutants, &(0..mutants.len()).collect());
    assert_eq!(out.text, SOURCE);
}

#[test]
fn constants_and_what_is_not_found_are_named() {
    let mutants =
        [mutant("BinaryOperator", "const X", "* 3", "+"), mutant("BinaryOperator", "fn told", "told", "+")];
    let listed: Vec<(usize, &Mutant)> = mutants.iter().enumerate().collect();
    let places = find(SOURCE, &listed).expect("it parses");
    assert_eq!(places.left, [(0, Left::Constant), (1, Left::NotFound)]);
    assert!(places.nodes.is_empty());
}
