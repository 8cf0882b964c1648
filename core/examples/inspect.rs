//! Inspects a good and a bad demo part without any service, and prints verdicts, digests or memory.
//!
//! `cargo run --release -p scantling-core --example inspect -- --spacing 2 [--seed 1] [--digest | --peak]`

use scantling_core::canonical::sha256_hex;
use scantling_core::inspect::{Inspected, Job, ScanSource, cost, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::{header, read};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::Demo;

fn argument(name: &str) -> Option<String> {
    let all: Vec<String> = std::env::args().collect();
    all.iter().position(|a| a == name).and_then(|i| all.get(i + 1).cloned())
}

fn asked(name: &str) -> bool {
    std::env::args().any(|a| a == name)
}

/// The largest memory this process has had, bytes, where the system tells it.
fn peak_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? * 1024)
}

fn print(name: &str, found: &Inspected, points: usize) {
    println!("{name}: {:?} ({}), {points} points", found.record.verdict, found.record.reason);
    for e in &found.record.evaluations {
        let number = |v: Option<f64>| v.map_or("-".into(), |v| format!("{v:.4}"));
        println!(
            "  {:>5} {:<16} {:<8} value {} min {} max {} u {} on {} points, {:?}: {}",
            e.number,
            e.requirement,
            e.feature,
            number(e.value_mm),
            number(e.minimum.map(|m| m.value_mm)),
            number(e.maximum.map(|m| m.value_mm)),
            number(e.standard_uncertainty_mm),
            e.coverage.as_ref().map_or(0, |c| c.points),
            e.verdict,
            e.reason
        );
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let spacing_mm: f64 = argument("--spacing").map_or(Ok(1.0), |s| s.parse())?;
    let seed: u64 = argument("--seed").map_or(Ok(1), |s| s.parse())?;
    let run = quiet();
    let demo = Demo::new(seed, 1.0);
    let nominal_file = demo.nominal_stl();
    let scans = if asked("--peak") {
        vec![("good", demo.good_scan_ply(spacing_mm)?)]
    } else {
        vec![("good", demo.good_scan_ply(spacing_mm)?), ("bad", demo.bad_scan_ply(spacing_mm)?)]
    };
    let (_, plan) = plan::check_toml(&demo.plan_toml()).map_err(|f| f[0].to_string())?;
    let nominal = Nominal::from_mesh(read(&nominal_file, &run)?, LengthUnit::Millimetre, plan.side, &run)?;
    let faces = plan::bind(&plan, Some(&nominal)).map_err(|f| f[0].to_string())?;
    for (name, scan_file) in &scans {
        let scan = Scan::new(read(scan_file, &run)?, LengthUnit::Millimetre, &run)?;
        let scans = [ScanSource::whole(&scan, sha256_hex(scan_file))];
        let job = Job {
            nominal_sha256: sha256_hex(&nominal_file),
            ..Job::of_scans(&nominal, &plan, &faces, &scans)
        };
        let found = inspect(&run, &job)?;
        if asked("--digest") {
            print!("{} ", found.record.digest());
        } else if asked("--peak") {
            let foretold = cost(&header(scan_file)?, &header(&nominal_file)?, &plan);
            println!("foretold {foretold} peak {}", peak_bytes().ok_or("the system does not tell the peak")?);
        } else {
            print(name, &found, scan.points().len());
        }
    }
    if asked("--digest") {
        println!();
    }
    Ok(())
}
