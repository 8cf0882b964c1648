//! Runs each mutant against the tests that can tell it, until one fails.

use std::collections::HashMap;
use std::fs::{self, OpenOptions};
use std::io::Write;
use std::path::Path;
use std::sync::Mutex;

use anyhow::Result;
use serde_json::{Value, json};

use crate::build::Program;
use crate::list::Mutant;
use crate::process::{Chosen, End, run};
use crate::trace::Test;

/// So many times its usual time, and a test has noticed a mutant.
const TIMES: f64 = 5.0;
/// What a process needs beside its tests, s.
const SPARE_S: f64 = 3.0;
/// Quick tests of one program run in one process up to this sum, s: starting takes longer than most of them.
const TOGETHER_S: f64 = 0.3;
/// What starting a process costs, s.
const START_S: f64 = 0.01;

/// What became of a mutant.
#[derive(Clone, Debug, PartialEq)]
pub enum Fate {
    /// By this test.
    Noticed(String),
    /// A test took too long with it.
    OutOfTime(String),
    /// No test comes there.
    NotReached,
    /// Tests come there, and the mutant told in each of them what the program tells.
    SameEverywhere,
    /// All tests that can tell it passed.
    Lived,
    /// The tests that were tried passed; others that take longer were left.
    LivedSoFar,
}

impl Fate {
    /// Words of the file of results.
    fn word(&self) -> &'static str {
        match self {
            Self::Noticed(_) => "noticed",
            Self::OutOfTime(_) => "out of time",
            Self::NotReached => "not reached",
            Self::SameEverywhere => "same everywhere",
            Self::Lived => "lived",
            Self::LivedSoFar => "lived so far",
        }
    }

    fn of(one: &Value) -> Option<Self> {
        let by = one["by"].as_str().unwrap_or_default().to_owned();
        Some(match one["fate"].as_str()? {
            "noticed" => Self::Noticed(by),
            "out of time" => Self::OutOfTime(by),
            "not reached" => Self::NotReached,
            "same everywhere" => Self::SameEverywhere,
            "lived" => Self::Lived,
            "lived so far" => Self::LivedSoFar,
            _ => return None,
        })
    }

    pub fn noticed(&self) -> bool {
        matches!(self, Self::Noticed(_) | Self::OutOfTime(_))
    }
}

/// What is asked of a run.
pub struct Asked<'a> {
    pub programs: &'a [Program],
    pub tests: &'a [Test],
    pub mutants: &'a [Mutant],
    /// The numbers of those to run.
    pub chosen: Vec<usize>,
    pub digest: u64,
    /// Results, one line each, by the names of mutants.
    pub file: &'a Path,
    /// Tests of one mutant up to this sum of their usual times, s.
    pub most_s: f64,
    /// What was noticed stays noticed although the program has changed: for more tests only.
    pub keep: bool,
    pub jobs: usize,
}

/// How often tests noticed mutants of a function, and how often they were tried.
type Past = HashMap<(String, usize), (f64, f64)>;

/// Runs what has no result yet. Gives back the fate of every mutant chosen.
pub fn hunt(asked: &Asked) -> Result<HashMap<usize, Fate>> {
    let numbers: HashMap<&str, usize> =
        asked.mutants.iter().enumerate().map(|(n, m)| (m.name.as_str(), n)).collect();
    let by_name: HashMap<(&str, &str), usize> = asked
        .tests
        .iter()
        .enumerate()
        .map(|(n, t)| ((asked.programs[t.program].name.as_str(), t.name.as_str()), n))
        .collect();
    let mut telling: Vec<Vec<usize>> = vec![Vec::new(); asked.mutants.len()];
    let mut reached = vec![false; asked.mutants.len()];
    for (index, test) in asked.tests.iter().enumerate() {
        test.differs.iter().for_each(|m| telling[*m].push(index));
        test.reached.iter().for_each(|m| reached[*m] = true);
    }
    let mut fates = HashMap::new();
    let mut past = Past::new();
    for line in fs::read_to_string(asked.file).unwrap_or_default().lines() {
        let Ok(one) = serde_json::from_str::<Value>(line) else { continue };
        let Some(number) = one["mutant"].as_str().and_then(|m| numbers.get(m)) else { continue };
        let Some(fate) = Fate::of(&one) else { continue };
        if one["digest"] != asked.digest && !(asked.keep && fate.noticed()) {
            continue;
        }
        // What survived other tests may not survive these.
        if !fate.noticed() && one["tests"] != asked.tests.len() {
            continue;
        }
        if let Fate::Noticed(by) | Fate::OutOfTime(by) = &fate
            && let Some(test) = by.split_once(' ').and_then(|by| by_name.get(&by))
        {
            remember(&mut past, &asked.mutants[*number], *test, true);
        }
        // With more time others may be tried.
        let enough = one["most_s"].as_f64().unwrap_or(0.0) >= asked.most_s;
        if fate != Fate::LivedSoFar || enough {
            fates.insert(*number, fate);
        } else {
            fates.remove(number);
        }
    }
    let mut waiting: Vec<usize> = asked.chosen.iter().copied().filter(|n| !fates.contains_key(n)).collect();
    eprintln!("  {} mutants have a result, {} to run", asked.chosen.len() - waiting.len(), waiting.len());
    waiting.reverse();
    let out = Mutex::new(OpenOptions::new().create(true).append(true).open(asked.file)?);
    let (waiting, fates, past, fault) =
        (Mutex::new(waiting), Mutex::new(fates), Mutex::new(past), Mutex::new(None));
    std::thread::scope(|scope| {
        for worker in 0..asked.jobs {
            let (waiting, fates, past, fault, out) = (&waiting, &fates, &past, &fault, &out);
            let (telling, reached) = (&telling, &reached);
            scope.spawn(move || {
                let said = asked.file.with_extension(format!("said.{worker}"));
                let next = || {
                    let mut waiting = waiting.lock().expect("no worker broke off");
                    if waiting.len() % 100 == 0 && !waiting.is_empty() {
                        eprintln!("  {} to run", waiting.len());
                    }
                    waiting.pop()
                };
                while let Some(number) = next() {
                    let fate = if !reached[number] {
                        Ok((Fate::NotReached, 0.0))
                    } else if telling[number].is_empty() {
                        Ok((Fate::SameEverywhere, 0.0))
                    } else {
                        one(asked, number, &telling[number], past, &said)
                    };
                    let done = fate.and_then(|(fate, seconds)| {
                        let by = match &fate {
                            Fate::Noticed(by) | Fate::OutOfTime(by) => by.as_str(),
                            _ => "",
                        };
                        let line = json!({"digest": asked.digest, "mutant": asked.mutants[number].name, "fate": fate.word(),
                            "by": by, "seconds": seconds, "most_s": asked.most_s, "tests": asked.tests.len()});
                        writeln!(out.lock().expect("no worker broke off"), "{line}")?;
                        fates.lock().expect("no worker broke off").insert(number, fate);
                        Ok(())
                    });
                    if let Err(e) = done {
                        *fault.lock().expect("no worker broke off") = Some(e);
                        break;
                    }
                }
            });
        }
    });
    match fault.into_inner().expect("no worker broke off") {
        Some(fault) => Err(fault),
        None => Ok(fates.into_inner().expect("no worker broke off")),
    }
}

fn remember(past: &mut Past, mutant: &Mutant, test: usize, noticed: bool) {
    let entry = past.entry((mutant.function.clone(), test)).or_default();
    entry.0 += f64::from(u8::from(noticed));
    entry.1 += 1.0;
}

fn one(
    asked: &Asked,
    number: usize,
    telling: &[usize],
    past: &Mutex<Past>,
    said: &Path,
) -> Result<(Fate, f64)> {
    let mutant = &asked.mutants[number];
    // The likeliest for its time first: what noticed another mutant of the function, else the quickest.
    let mut order: Vec<(f64, usize)> = {
        let past = past.lock().expect("no worker broke off");
        let worth = |test: usize| {
            let (noticed, tried) = past.get(&(mutant.function.clone(), test)).copied().unwrap_or_default();
            (noticed + 0.3) / (tried + 1.0) / (asked.tests[test].seconds + START_S)
        };
        telling.iter().map(|t| (worth(*t), *t)).collect()
    };
    order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut order = order.into_iter().map(|(_, t)| t).peekable();
    let (mut usual, mut spent, mut left) = (0.0, 0.0, false);
    while let Some(first) = order.next() {
        let program = asked.tests[first].program;
        let mut together = vec![first];
        let mut sum = asked.tests[first].seconds;
        while let Some(more) = order
            .next_if(|t| asked.tests[*t].program == program && sum + asked.tests[*t].seconds <= TOGETHER_S)
        {
            sum += asked.tests[more].seconds;
            together.push(more);
        }
        // Others may be shorter.
        if usual + sum > asked.most_s {
            left = true;
            continue;
        }
        let names: Vec<&str> = together.iter().map(|t| asked.tests[*t].name.as_str()).collect();
        let most = (TIMES * sum + SPARE_S).ceil() as u64;
        let program = &asked.programs[program];
        let (end, seconds) = run(program, &names, &Chosen::Mutant(number), most, said)?;
        (usual, spent) = (usual + sum, spent + seconds);
        let mut past = past.lock().expect("no worker broke off");
        let by = match &end {
            End::Passed => None,
            End::Failed(Some(name)) => Some(name.as_str()),
            End::Failed(None) | End::OutOfTime => Some(names[0]),
        };
        for test in &together {
            let this = by == Some(asked.tests[*test].name.as_str());
            if by.is_none() || this {
                remember(&mut past, mutant, *test, this);
            }
        }
        if let Some(by) = by {
            let by = format!("{} {by}", program.name);
            return Ok((if end == End::OutOfTime { Fate::OutOfTime(by) } else { Fate::Noticed(by) }, spent));
        }
    }
    Ok((if left { Fate::LivedSoFar } else { Fate::Lived }, spent))
}

#[cfg(test)]
#[path = "hunt_tests.rs"]
mod tests;
