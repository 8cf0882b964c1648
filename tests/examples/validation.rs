//! Many scans of several parts against the truth (`scantling_tests::validation`):
//! `validation [--scans N] [--seed S] [--part P] [--scanner white|unkind] [--out DIR]`.
//!
//! N scans of each part, by the seeds from S on. Each scan is added to DIR/scans.jsonl as a line when it is done: what is there
//! is not scanned again, so a run can be stopped, taken up, split by seeds or parts, and joined by putting files together. At
//! the end DIR holds the table (table.md), its figures (validation.json) and a picture of each kind of characteristic; the run
//! fails where a bar is missed that is not known to be. The random numbers of a scan come from its seed alone.

use std::fs::{self, OpenOptions};
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use scantling_tests::validation::{
    Figures, Part, Scanner, append, parts, pictures, read, scan, surprises, table, table_of_kinds,
};

struct Asked {
    scans: u64,
    seed: u64,
    part: Option<String>,
    scanners: Vec<Scanner>,
    out: PathBuf,
}

fn asked() -> Result<Asked, String> {
    let mut asked = Asked {
        scans: 40,
        seed: 1,
        part: None,
        scanners: vec![Scanner::Unkind],
        out: PathBuf::from("validation"),
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let value = words.next().ok_or_else(|| format!("{word} needs a value"))?;
        let number = || value.parse().map_err(|_| format!("{word} {value}: write a whole number"));
        match word.as_str() {
            "--scans" => asked.scans = number()?,
            "--seed" => asked.seed = number()?,
            "--part" => asked.part = Some(value),
            "--out" => asked.out = PathBuf::from(value),
            "--scanner" => {
                asked.scanners = match value.as_str() {
                    "white" => vec![Scanner::White],
                    "unkind" => vec![Scanner::Unkind],
                    "both" => vec![Scanner::White, Scanner::Unkind],
                    _ => return Err(format!("--scanner {value}: white, unkind or both")),
                }
            }
            _ => return Err(format!("{word}: --scans, --seed, --part, --scanner or --out")),
        }
    }
    Ok(asked)
}

fn main() -> Result<(), String> {
    let asked = asked()?;
    fs::create_dir_all(&asked.out).map_err(|e| format!("{}: {e}", asked.out.display()))?;
    let path = asked.out.join("scans.jsonl");
    let kept = read(&path)?;
    let parts = parts();
    if let Some(name) = &asked.part
        && !parts.iter().any(|p| p.name == name)
    {
        let names: Vec<&str> = parts.iter().map(|p| p.name).collect();
        return Err(format!("--part {name}: one of {}", names.join(", ")));
    }
    let done = |part: &str, scanner, seed| {
        kept.lines.iter().any(|l| l.part == part && l.scanner == scanner && l.seed == seed)
    };
    let mut open = Vec::new();
    // Seed by seed, so that a run that is stopped has as many of each.
    for seed in asked.seed..asked.seed + asked.scans {
        for part in parts.iter().filter(|p| asked.part.as_ref().is_none_or(|name| p.name == name)) {
            let wanted = asked.scanners.iter().filter(|&&scanner| !done(part.name, scanner, seed));
            open.extend(wanted.map(|&scanner| (part, scanner, seed)));
        }
    }
    println!("{} scans kept, {} to do", kept.lines.len(), open.len());
    let file = OpenOptions::new().create(true).append(true).open(&path);
    let file = Mutex::new(file.map_err(|e| format!("{}: {e}", path.display()))?);
    let began = std::time::Instant::now();
    let count = AtomicUsize::new(0);
    let one = |(part, scanner, seed): &(&Part, Scanner, u64)| {
        let scanned = scan(part, *scanner, *seed);
        let mut file = file.lock().map_err(|e| e.to_string())?;
        append(&mut file, &scanned)?;
        drop(file);
        let n = count.fetch_add(1, Ordering::Relaxed) + 1;
        if n.is_multiple_of(20) {
            println!("{n} of {} in {:.0} s", open.len(), began.elapsed().as_secs_f64());
        }
        Ok::<(), String>(())
    };
    // Some after the other, or threads would begin far apart.
    open.chunks(60).try_for_each(|some| some.par_iter().try_for_each(one))?;
    let figures = Figures::of(&read(&path)?.lines);
    let write = |name: &str, text: &str| {
        let path = asked.out.join(name);
        fs::write(&path, text).map_err(|e| format!("{}: {e}", path.display()))
    };
    let text = table(&figures);
    write("table.md", &text)?;
    write("kinds.md", &table_of_kinds(&figures))?;
    write("validation.json", &figures.to_json())?;
    for (name, picture) in pictures(&read(&path)?.lines) {
        write(&name, &picture)?;
    }
    println!("{text}");
    let surprises = surprises(&figures.rows);
    if surprises.is_empty() { Ok(()) } else { Err(format!("not as known:\n{}", surprises.join("\n"))) }
}
