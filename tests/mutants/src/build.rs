//! Builds the copy; mutants that Rust refuses are found by the places of its errors and left out, until it builds.

use std::collections::{BTreeSet, HashMap};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};
use serde_json::Value;

use crate::list::Mutant;
use crate::places::Left;
use crate::switch::Switched;
use crate::tree::Tree;

/// More rounds than these show that leaving out does not lead on: names, types and borrows are looked at one after the other.
const MOST_ROUNDS: usize = 20;

/// A program of tests.
#[derive(Clone, Debug)]
pub struct Program {
    pub name: String,
    pub path: PathBuf,
    pub folder: PathBuf,
}

fn cargo(tree: &Path, target: &Path, words: &[&str]) -> Command {
    let mut cargo = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    cargo
        .current_dir(tree)
        .args(words)
        .args(["--locked", "--profile", "mutants", "-p", "scantling-core", "--message-format", "json"])
        .env("CARGO_TARGET_DIR", target)
        // What lints forbid in our own text may stand in a mutant.
        .env("RUSTFLAGS", "--cap-lints=warn")
        .stderr(Stdio::inherit());
    cargo
}

/// Leaves out what does not compile. `keep` is called after each round, with whether all is done.
pub fn settle(
    tree: &mut Tree,
    mutants: &[Mutant],
    target: &Path,
    keep: impl Fn(&Tree, bool) -> Result<()>,
) -> Result<()> {
    for round in 1..=MOST_ROUNDS {
        let written = tree.write(mutants)?;
        let output = cargo(&tree.folder, target, &["check", "--lib"]).output().context("cargo check")?;
        let text = String::from_utf8_lossy(&output.stdout);
        let mut refused = BTreeSet::new();
        let mut unswitched = BTreeSet::new();
        let mut elsewhere = Vec::new();
        for message in text.lines().filter_map(|l| serde_json::from_str::<Value>(l).ok()) {
            let message = &message["message"];
            if message["level"] == "error" {
                match blamed(message, &written) {
                    Blamed::Mutant(one) => drop(refused.insert(one)),
                    Blamed::Switch(all) => {
                        unswitched.extend(all);
                        elsewhere.push(message["rendered"].as_str().unwrap_or_default().to_owned());
                    }
                    Blamed::Nothing => {
                        elsewhere.push(message["rendered"].as_str().unwrap_or_default().to_owned())
                    }
                }
            }
        }
        if output.status.success() {
            return keep(tree, true);
        }
        eprintln!("  round {round}: {} refused, {} places", refused.len(), unswitched.len());
        if refused.is_empty() && unswitched.is_empty() {
            bail!("the copy does not build, and no mutant is the reason:\n{}", elsewhere.join("\n"));
        }
        // A place may be refused for what stands inside it: it is left out only when nothing else is wrong.
        if refused.is_empty() {
            eprintln!("{}", elsewhere.join("\n"));
            tree.left.extend(unswitched.into_iter().map(|one| (one, Left::NoSwitch)));
        }
        tree.left.extend(refused.into_iter().map(|one| (one, Left::DoesNotCompile)));
        keep(tree, false)?;
    }
    bail!("after {MOST_ROUNDS} rounds the copy still does not build")
}

enum Blamed {
    Mutant(usize),
    Switch(Vec<usize>),
    Nothing,
}

/// Whose text an error speaks of: the smallest that holds its first place, else any other of its places.
fn blamed(message: &Value, written: &HashMap<String, Switched>) -> Blamed {
    let empty = Vec::new();
    let spans = message["spans"].as_array().unwrap_or(&empty);
    let mut ordered: Vec<&Value> = spans.iter().filter(|s| s["is_primary"] == true).collect();
    ordered.extend(spans.iter().filter(|s| s["is_primary"] != true));
    // What stands in a macro is told with the place that calls it.
    let mut with_calls = Vec::new();
    for span in ordered {
        let mut next = Some(span);
        while let Some(span) = next.filter(|s| s.is_object()) {
            with_calls.push(span);
            next = span["expansion"].get("span");
        }
    }
    let mut switch = None;
    let branches = message["code"]["code"] == "E0308";
    for span in with_calls {
        let Some(file) = span["file_name"].as_str().and_then(|f| written.get(f)) else { continue };
        let (Some(start), Some(end)) = (span["byte_start"].as_u64(), span["byte_end"].as_u64()) else {
            continue;
        };
        let (start, end) = (start as usize, end as usize);
        let alternative = file
            .alternatives
            .iter()
            .filter(|(r, _)| r.start <= start && end <= r.end)
            .min_by_key(|(r, _)| r.end - r.start);
        let scaffold = file
            .scaffolds
            .iter()
            .filter(|(r, _)| r.start <= start && end <= r.end)
            .min_by_key(|(r, _)| r.end - r.start);
        // "`if` and `else` have incompatible types" speaks of all that follows the first branch of another type.
        if branches && alternative.is_none() && span["is_primary"] == true {
            let first = file
                .alternatives
                .iter()
                .filter(|(r, _)| start <= r.start && r.end <= end)
                .min_by_key(|(r, _)| r.start);
            if let Some((_, mutant)) = first {
                return Blamed::Mutant(*mutant);
            }
        }
        match (alternative, scaffold) {
            // A switch inside the text of a mutant is the nearer one.
            (Some((a, _)), Some((s, all))) if s.end - s.start < a.end - a.start => {
                switch.get_or_insert_with(|| all.clone());
            }
            (Some((_, mutant)), _) => return Blamed::Mutant(*mutant),
            (None, Some((_, all))) => {
                switch.get_or_insert_with(|| all.clone());
            }
            (None, None) => {}
        }
    }
    switch.map_or(Blamed::Nothing, Blamed::Switch)
}

/// The modules that call those with mutants: what speaks of none of these and of no mutated module cannot come there.
const CALLERS: [&str; 2] = ["inspect", "self_check"];

/// The modules of core that stand before every mutated one in `lib.rs`, and so cannot use any (`tests/tests/house.rs`).
pub fn early(tree: &Tree, mutants: &[Mutant]) -> Result<Vec<String>> {
    let text = fs::read_to_string(tree.folder.join("core/src/lib.rs"))?;
    let modules = text.lines().filter_map(|l| l.strip_prefix("pub mod ")?.strip_suffix(';'));
    Ok(modules.take_while(|m| !mutants.iter().any(|x| x.module == *m)).map(str::to_owned).collect())
}

/// The test programs beside the sources that can come to a mutated module, by the words in their text.
fn concerned(tree: &Tree, mutants: &[Mutant]) -> Result<Vec<String>> {
    let mut words: BTreeSet<&str> = mutants.iter().map(|m| m.module.as_str()).collect();
    words.extend(CALLERS);
    let folder = tree.folder.join("core/tests");
    let mut names = Vec::new();
    for entry in fs::read_dir(&folder)? {
        let path = entry?.path();
        if path.extension().is_none_or(|e| e != "rs") {
            continue;
        }
        let mut text = fs::read_to_string(&path)?;
        let beside: Vec<String> = text
            .lines()
            .filter_map(|l| l.strip_prefix("mod ")?.strip_suffix(';'))
            .map(str::to_owned)
            .collect();
        for part in beside.iter().map(|name| folder.join(name)).filter(|p| p.is_dir()) {
            for file in fs::read_dir(part)? {
                text.push_str(&fs::read_to_string(file?.path())?);
            }
        }
        if words.iter().any(|w| text.contains(w)) {
            names.extend(path.file_stem().map(|n| n.to_string_lossy().into_owned()));
        }
    }
    names.sort();
    Ok(names)
}

/// Builds the test programs of core that can come to a mutated module; those beside the sources only as far as
/// `MUTANTS_PROGRAMS` names them, if it does.
pub fn programs(tree: &Tree, mutants: &[Mutant], target: &Path) -> Result<Vec<Program>> {
    let mut names = concerned(tree, mutants)?;
    if let Ok(only) = std::env::var("MUTANTS_PROGRAMS") {
        names.retain(|n| only.split_whitespace().any(|o| o == n));
    }
    let mut words = vec!["test", "--no-run", "--lib"];
    words.extend(names.iter().flat_map(|n| ["--test", n.as_str()]));
    let output = cargo(&tree.folder, target, &words).output().context("cargo test")?;
    let text = String::from_utf8_lossy(&output.stdout);
    let messages: Vec<Value> = text.lines().filter_map(|l| serde_json::from_str(l).ok()).collect();
    if !output.status.success() {
        let errors: Vec<&str> = messages
            .iter()
            .filter(|m| m["message"]["level"] == "error")
            .filter_map(|m| m["message"]["rendered"].as_str())
            .collect();
        bail!("the tests do not build:\n{}", errors.join("\n"));
    }
    let mut programs: Vec<Program> = messages
        .iter()
        .filter_map(|m| {
            let path = m["executable"].as_str()?;
            let name = m["target"]["name"].as_str()?;
            (m["profile"]["test"] == true).then(|| Program {
                name: name.to_owned(),
                path: PathBuf::from(path),
                folder: tree.folder.join("core"),
            })
        })
        .collect();
    programs.sort_by(|a, b| a.name.cmp(&b.name));
    if programs.is_empty() {
        bail!("no test program was built");
    }
    Ok(programs)
}
