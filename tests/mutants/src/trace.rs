//! Which mutants each test reaches, in which of them it would be told something else, and how long it takes.

use std::collections::HashMap;
use std::fs::{self, OpenOptions};
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::sync::Mutex;

use anyhow::{Context, Result, bail};
use serde_json::{Value, json};

use crate::build::Program;
use crate::process::{Chosen, End, run};

/// A test longer than this with one thread is not asked about mutants, unless `MUTANTS_LONGEST` says otherwise.
pub const LONGEST_S: f64 = 240.0;

/// Set in a trace where the mutant told something else.
const DIFFERS: u32 = 1 << 31;

/// A test that passes, and what it has to do with mutants.
#[derive(Clone, Debug)]
pub struct Test {
    pub program: usize,
    pub name: String,
    pub seconds: f64,
    pub reached: Vec<usize>,
    /// Those that told something else than the program at least once; the others cannot fail here.
    pub differs: Vec<usize>,
}

/// Runs every test once, but for unit tests of the modules `early`. What is in `file` of the same digest is not run again. Gives back the tests that can be asked,
/// and the names of those that cannot.
pub fn trace(
    programs: &[Program],
    early: &[String],
    digest: u64,
    file: &Path,
    longest_s: u64,
    jobs: usize,
) -> Result<(Vec<Test>, Vec<String>)> {
    let mut known: HashMap<(String, String), Value> = HashMap::new();
    for line in fs::read_to_string(file).unwrap_or_default().lines() {
        let Ok(one) = serde_json::from_str::<Value>(line) else { continue };
        if one["digest"] == digest {
            known.insert((text(&one, "program"), text(&one, "test")), one);
        }
    }
    let mut waiting = Vec::new();
    let mut all = Vec::new();
    for (index, program) in programs.iter().enumerate() {
        for name in names(program)? {
            // Unit tests of modules that may not use a mutated one.
            if early.iter().any(|e| name.split_once("::").is_some_and(|(module, _)| module == e)) {
                continue;
            }
            match known.remove(&(program.name.clone(), name.clone())) {
                Some(one) => all.push((index, name, one)),
                None => waiting.push((index, name)),
            }
        }
    }
    eprintln!("  {} tests traced before, {} to trace", all.len(), waiting.len());
    waiting.reverse();
    let out = Mutex::new(OpenOptions::new().create(true).append(true).open(file)?);
    let (waiting, found, fault) = (Mutex::new(waiting), Mutex::new(all), Mutex::new(None));
    std::thread::scope(|scope| {
        for worker in 0..jobs {
            let (waiting, found, fault, out) = (&waiting, &found, &fault, &out);
            scope.spawn(move || {
                let next = || waiting.lock().expect("no worker broke off").pop();
                while let Some((index, name)) = next() {
                    let said = file.with_extension(format!("said.{worker}"));
                    let seen = file.with_extension(format!("seen.{worker}"));
                    match one(&programs[index], &name, longest_s, &seen, &said) {
                        Ok(mut one) => {
                            one["digest"] = json!(digest);
                            let written = writeln!(out.lock().expect("no worker broke off"), "{one}");
                            if let Err(e) = written {
                                *fault.lock().expect("no worker broke off") = Some(e.into());
                            }
                            found.lock().expect("no worker broke off").push((index, name, one));
                        }
                        Err(e) => *fault.lock().expect("no worker broke off") = Some(e),
                    }
                }
            });
        }
    });
    if let Some(fault) = fault.into_inner().expect("no worker broke off") {
        return Err(fault);
    }
    let mut all = found.into_inner().expect("no worker broke off");
    all.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
    let mut tests = Vec::new();
    let mut unfit = Vec::new();
    for (program, name, one) in all {
        if one["end"] != "passed" {
            unfit.push(format!("{} {name}: {}", programs[program].name, text(&one, "end")));
            continue;
        }
        let numbers = |key: &str| -> Vec<usize> {
            one[key].as_array().into_iter().flatten().filter_map(Value::as_u64).map(|n| n as usize).collect()
        };
        tests.push(Test {
            program,
            name,
            seconds: one["seconds"].as_f64().unwrap_or(0.0),
            reached: numbers("reached"),
            differs: numbers("differs"),
        });
    }
    Ok((tests, unfit))
}

fn text(one: &Value, key: &str) -> String {
    one[key].as_str().unwrap_or_default().to_owned()
}

fn names(program: &Program) -> Result<Vec<String>> {
    let output = Command::new(&program.path)
        .args(["--list", "--format", "terse"])
        .current_dir(&program.folder)
        .output()
        .with_context(|| format!("{}", program.path.display()))?;
    if !output.status.success() {
        bail!("{} does not list its tests", program.name);
    }
    let text = String::from_utf8_lossy(&output.stdout);
    Ok(text.lines().filter_map(|l| l.strip_suffix(": test")).map(str::to_owned).collect())
}

fn one(program: &Program, name: &str, longest_s: u64, seen: &Path, said: &Path) -> Result<Value> {
    let _ = fs::remove_file(seen);
    let (end, seconds) = run(program, &[name], &Chosen::Trace(seen), longest_s, said)?;
    let end = match end {
        End::Passed => "passed",
        End::Failed(_) => "failed without any change",
        End::OutOfTime => "longer than tests of mutants may be",
    };
    // Without the file nothing was reached.
    let bytes = fs::read(seen).unwrap_or_default();
    let (reached, differs) = read(&bytes);
    Ok(
        json!({"program": program.name, "test": name, "end": end, "seconds": seconds, "reached": reached, "differs": differs}),
    )
}

/// What a trace holds: the mutants that were reached, and those that told something else.
pub fn read(bytes: &[u8]) -> (Vec<u32>, Vec<u32>) {
    let (mut reached, mut differs) = (Vec::new(), Vec::new());
    for four in bytes.chunks_exact(4) {
        let number = u32::from_le_bytes([four[0], four[1], four[2], four[3]]);
        reached.push(number & !DIFFERS);
        if number & DIFFERS != 0 {
            differs.push(number & !DIFFERS);
        }
    }
    for list in [&mut reached, &mut differs] {
        list.sort_unstable();
        list.dedup();
    }
    (reached, differs)
}
