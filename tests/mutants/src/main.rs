//! Runs the mutants of some modules of core: each is written behind a switch into one program, which is built once, and runs
//! against the tests that reach it. What is known of a run that broke off is not run again.
//!
//! `mutants ROOT WORK LIST KNOWN`: the workspace, a folder to work in, the list of `cargo mutants --list --json`, the table of
//! survivors. Of the environment:
//!
//! - `MUTANTS` names modules, `MUTANTS_SHARD=0/20` a part of them;
//! - `MUTANTS_SECONDS`: how long the tests of one mutant may take, by their usual time;
//! - `MUTANTS_LONGEST`: how long one test may take to be asked at all, s of a processor;
//! - `MUTANTS_PROGRAMS` names the only programs of tests to ask beside the unit tests (an empty one: none);
//! - `MUTANTS_JOBS`: how many run at once;
//! - `MUTANTS_KEEP=1` keeps what was noticed before there were more tests.

mod build;
mod hunt;
mod list;
mod places;
mod process;
mod report;
mod switch;
mod trace;
mod tree;

use std::collections::BTreeMap;
use std::env::{args, var};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result, bail};
use serde_json::{Value, json};

use crate::list::Mutant;
use crate::places::Left;
use crate::tree::Tree;

/// What the copy's `switched.rs` can trace.
const MOST_MUTANTS: usize = 1 << 16;

fn main() -> Result<ExitCode> {
    let words: Vec<String> = args().skip(1).collect();
    let [root, work, list, table] = words.as_slice() else { bail!("mutants ROOT WORK LIST KNOWN") };
    let (root, work) = (PathBuf::from(root).canonicalize()?, PathBuf::from(work).canonicalize()?);
    let mutants = list::read(&fs::read_to_string(list)?)?;
    if mutants.len() > MOST_MUTANTS {
        bail!("{} mutants, and a trace has room for {MOST_MUTANTS}", mutants.len());
    }
    let known = report::known(table.as_ref())?;
    let jobs = number("MUTANTS_JOBS", 2.0)?.max(1.0) as usize;
    let most_s = number("MUTANTS_SECONDS", 60.0)?;
    let target = work.join("build");

    let mut tree = Tree::copy(&root, &work.join("tree"), &mutants)?;
    let settled = work.join("left.json");
    if !settled_before(&settled, &mut tree, &mutants) {
        build::settle(&mut tree, &mutants, &target, |tree, done| {
            keep_settled(&settled, tree, &mutants, done)
        })?;
    }
    tree.write(&mutants)?;
    let programs = build::programs(&tree, &mutants, &target)?;
    let early = build::early(&tree, &mutants)?;
    let longest_s = number("MUTANTS_LONGEST", trace::LONGEST_S)?.max(1.0) as u64;
    let traces = work.join("traces.jsonl");
    let (tests, unfit) = trace::trace(&programs, &early, tree.digest, &traces, longest_s, jobs)?;
    for one in &unfit {
        println!("  not asked: {one}");
    }

    let modules = var("MUTANTS").unwrap_or_else(|_| "conformity datum evaluate".into());
    let shard = var("MUTANTS_SHARD").unwrap_or_else(|_| "0/1".into());
    let (part, parts) = shard.split_once('/').context("MUTANTS_SHARD is a part of parts: 0/20")?;
    let (part, parts): (usize, usize) = (part.parse()?, parts.parse()?);
    let mut new = Vec::new();
    for module in modules.split_whitespace() {
        let of_module = |n: &usize| mutants[*n].module == module && parts > 0 && n % parts == part;
        let chosen: Vec<usize> = (0..mutants.len()).filter(of_module).collect();
        let fates = hunt::hunt(&hunt::Asked {
            programs: &programs,
            tests: &tests,
            mutants: &mutants,
            chosen: chosen.iter().copied().filter(|n| !tree.left.contains_key(n)).collect(),
            digest: tree.digest,
            file: &work.join("results.jsonl"),
            most_s,
            keep: var("MUTANTS_KEEP").is_ok_and(|v| v == "1"),
            jobs,
        })?;
        new.extend(report::tell(module, &chosen, &mutants, &tree.left, &fates, &known));
    }
    println!("  {} survivors of the table are not looked at yet", known.unlooked);
    fs::write(work.join("new.txt"), new.iter().map(|n| format!("{n}\n")).collect::<String>())?;
    for name in &new {
        println!("  survived, and is not known: {name}");
    }
    Ok(if new.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn number(name: &str, usual: f64) -> Result<f64> {
    var(name).map_or(Ok(usual), |v| v.parse().with_context(|| format!("{name} is a number")))
}

/// Takes over what was left out of a program with these mutants before; whether nothing of it has changed since, so that it
/// need not be looked at again.
fn settled_before(file: &Path, tree: &mut Tree, mutants: &[Mutant]) -> bool {
    let Ok(text) = fs::read_to_string(file) else { return false };
    let Ok(kept) = serde_json::from_str::<Value>(&text) else { return false };
    if kept["names"] != tree.names {
        return false;
    }
    let named = |key: &str| -> Vec<usize> {
        let names: Vec<&str> = kept[key].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        (0..mutants.len()).filter(|n| names.contains(&mutants[*n].name.as_str())).collect()
    };
    let (refused, unswitched) = (named("do not compile"), named("no switch"));
    tree.left.extend(refused.into_iter().map(|n| (n, Left::DoesNotCompile)));
    tree.left.extend(unswitched.into_iter().map(|n| (n, Left::NoSwitch)));
    kept["done"] == true && kept["digest"] == tree.digest
}

fn keep_settled(file: &Path, tree: &Tree, mutants: &[Mutant], done: bool) -> Result<()> {
    let named = |why: Left, left: &BTreeMap<usize, Left>| -> Vec<String> {
        left.iter().filter(|(_, l)| **l == why).map(|(n, _)| mutants[*n].name.clone()).collect()
    };
    let kept = json!({"digest": tree.digest, "names": tree.names, "done": done, "do not compile": named(Left::DoesNotCompile, &tree.left),
        "no switch": named(Left::NoSwitch, &tree.left)});
    fs::write(file, kept.to_string())?;
    Ok(())
}
