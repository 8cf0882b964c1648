//! Ten thousand damaged files for each reader, those of tables, simulations and stated layouts too: no panic, no
//! hang, and no more memory than the limits allow.
//!
//! One test alone in this file: it counts what the whole process allocates.

#![allow(clippy::unwrap_used, reason = "a sample that cannot be made fails the test")]

mod samples;

use std::sync::atomic::AtomicBool;
use std::time::Duration;

use peak_alloc::PeakAlloc;
use scantling_core::geometry::random::Random;
use scantling_core::points::{POINT_BYTES, PointsError};
use scantling_core::read::{LengthUnit, ReadError, TextLayout, header, read, read_with, take};
use scantling_core::run::{Limits, Run, quiet};
use scantling_core::scan::info;
use scantling_core::simulate::SimulationFile;
use scantling_core::{points, readings};

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

const MUTATIONS: usize = 10_000;

const LIMITS: Limits = Limits { file_bytes: 64 << 10, points: 2000, triangles: 2000 };

/// What these limits allow, bytes. A point: 24 for its place and 24 for its normal, twice while a list
/// grows, 24 more where `info` sorts them. A triangle: 12, its edges 24, its corners and their order in
/// an STL 24 + 3 x (24 + 32), twice. The file, unpacked: twice while it grows, and its beginning for the header
/// (1 MiB) with the chunk and the tables that unpack it.
fn allowed() -> u64 {
    let (points, triangles) = (LIMITS.points, LIMITS.triangles);
    2 * LIMITS.file_bytes + points * (2 * 48 + 24) + triangles * 2 * 228 + (1 << 20) + (256 << 10)
}

/// Words that change the sense of a file.
const WORDS: [&[u8]; 16] = [
    b"4294967295",
    b"-1",
    b"nan",
    b"1e999",
    b"\n",
    b" ",
    b",",
    b";",
    b"0",
    b"9999999999999999999999",
    b"18446744073709551615",
    b"list uchar int",
    b"end_header\n",
    b"<a>",
    b"recordCount=\"99999999999\"",
    b"#",
];

fn mutate(original: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = original.to_vec();
    for _ in 0..=random.below(4) {
        if bytes.is_empty() {
            break;
        }
        let at = random.below(bytes.len());
        let end = (at + 1 + random.below(40)).min(bytes.len());
        match random.below(9) {
            0 => bytes[at] = random.next_u64() as u8,
            1 => bytes[at] ^= 1 << random.below(8),
            2 => bytes.truncate(at),
            3 => drop(bytes.drain(at..end)),
            4 => drop(bytes.splice(at..at, WORDS[random.below(WORDS.len())].iter().copied())),
            5 => bytes[at..end].fill(0xFF),
            6 => {
                let span = bytes[at..end].to_vec();
                let to = random.below(bytes.len());
                drop(bytes.splice(to..to, span));
            }
            7 => {
                // A number in the text.
                let from = bytes[at..].iter().position(u8::is_ascii_digit).map_or(at, |n| at + n);
                let number = [random.next_u64() as u32, random.below(300) as u32][random.below(2)];
                let to = bytes[from..].iter().position(|b| !b.is_ascii_digit()).map_or(from, |n| from + n);
                drop(bytes.splice(from..to, number.to_string().into_bytes()));
            }
            _ => {
                let value = (random.next_u64() >> random.below(64)).to_le_bytes();
                let length = [1, 2, 4, 8][random.below(4)].min(bytes.len() - at);
                bytes[at..at + length].copy_from_slice(&value[..length]);
            }
        }
    }
    bytes
}

/// Makes the checksums of an E57's pages right again, so that damage reaches what is behind them.
fn reseal(bytes: &mut [u8]) {
    for page in bytes.chunks_exact_mut(1024) {
        let crc = page[..1020].iter().fold(u32::MAX, |crc, &b| {
            (0..8).fold(crc ^ u32::from(b), |c, _| if c & 1 == 1 { c >> 1 ^ 0x82F6_3B78 } else { c >> 1 })
        });
        page[1020..].copy_from_slice(&(!crc).to_be_bytes());
    }
}

/// What tables and files of settings may take, bytes: points in lists that grow, and for each byte of a table a
/// column or a word of its own, or of a document a node of its tree.
fn allowed_of_text(bytes: usize) -> u64 {
    LIMITS.points * POINT_BYTES + 400 * bytes as u64 + (256 << 10)
}

/// A table of measured points; keeps the promises of what was read.
fn try_points(bytes: &[u8], run: &Run) -> bool {
    match points::read(bytes, LengthUnit::Millimetre, None, run) {
        Ok(all) => {
            assert!(!all.is_empty() && all.len() as u64 <= run.limits.points);
            assert!(all.iter().all(|p| p.point.iter().all(|c| c.abs() <= 1e7) && !p.name.is_empty()));
            assert!(all.iter().filter_map(|p| p.diameter_mm.or(p.standard_mm)).all(|v| v > 0.0));
            true
        }
        Err(PointsError::Stopped(_)) => panic!("it took minutes"),
        Err(error) => {
            assert!(!error.to_string().is_empty() && error.to_string().len() < 64 << 10);
            false
        }
    }
}

/// A table of readings.
fn try_readings(bytes: &[u8], _: &Run) -> bool {
    match readings::from_csv(bytes) {
        Ok(all) => !all.is_empty(),
        Err(faults) => {
            assert!(!faults.is_empty() && faults.iter().all(|f| !f.problem.is_empty()));
            false
        }
    }
}

/// A simulation's file, whose checked form is small.
fn try_simulation(bytes: &[u8], _: &Run) -> bool {
    let text = String::from_utf8_lossy(bytes);
    SimulationFile::from_toml(&text).is_ok_and(|file| match file.check() {
        Ok(_) => true,
        Err(faults) => {
            assert!(!faults.is_empty() && faults.len() <= 1000);
            false
        }
    })
}

/// A stated layout, and a file of points read by it.
fn try_layout(bytes: &[u8], run: &Run) -> bool {
    let text = String::from_utf8_lossy(bytes);
    let Ok(layout) = TextLayout::parse(&text) else { return false };
    assert_eq!(TextLayout::parse(&layout.to_string()).as_ref(), Ok(&layout));
    for file in [samples::xyz(), samples::csv()] {
        match read_with(&file, &layout, run) {
            Ok(raw) => assert!(!raw.points.is_empty()),
            Err(error) => assert!(!error.to_string().is_empty()),
        }
    }
    true
}

/// Whether the file was read; keeps the promises of what was.
fn try_all(bytes: &[u8], run: &Run) -> bool {
    let stopped = |e: &ReadError| matches!(e, ReadError::Stopped(_));
    let _ = header(bytes);
    let told = info(bytes, &TextLayout::default(), None, run);
    assert!(!told.as_ref().is_err_and(stopped), "it took minutes");
    let taken = take(bytes, &TextLayout::default(), run);
    match read(bytes, run) {
        Ok(raw) => {
            let points = raw.points.len();
            assert_eq!(taken.unwrap().points(), points);
            assert!(points > 0 && points as u64 <= run.limits.points);
            assert!(raw.points.iter().all(|p| p.iter().all(|c| c.is_finite())));
            assert!(raw.triangles.iter().flatten().all(|&c| (c as usize) < points));
            assert!(
                raw.normals
                    .is_none_or(|n| n.len() == points && n.iter().all(|n| n.iter().all(|c| c.is_finite())))
            );
            let told = told.unwrap();
            assert_eq!(told.points as usize, points);
            true
        }
        Err(error) => {
            assert_eq!(told.unwrap_err(), error);
            assert_eq!(taken.unwrap_err(), error);
            assert!(!error.to_string().is_empty());
            false
        }
    }
}

#[test]
fn no_damaged_file_makes_a_reader_panic_hang_or_take_more_memory_than_the_limits() {
    // A reader that hangs is stopped, and then the test fails; nothing is measured by this time.
    static STOP: AtomicBool = AtomicBool::new(false);
    std::thread::spawn(|| {
        std::thread::sleep(Duration::from_secs(1800));
        STOP.store(true, std::sync::atomic::Ordering::Relaxed);
    });
    let run = Run { stop: &STOP, limits: LIMITS, ..quiet() };
    let samples: Vec<_> = samples::all().into_iter().chain(samples::tables()).collect();
    // Threads and tables that are made once.
    samples.iter().for_each(|(target, name, bytes)| {
        let try_one = match *target {
            "points" => try_points,
            "readings" => try_readings,
            "simulation" => try_simulation,
            "layout" => try_layout,
            _ => try_all,
        };
        assert!(try_one(bytes, &run), "{name}");
    });
    let mut most = 0;
    type Try = fn(&[u8], &Run) -> bool;
    let scans = ["ply", "stl", "obj", "text", "e57", "packed"].map(|target| (target, try_all as Try));
    let others: [(&str, Try); 4] = [
        ("points", try_points),
        ("readings", try_readings),
        ("simulation", try_simulation),
        ("layout", try_layout),
    ];
    let is_scan = |target: &str| scans.iter().any(|(t, _)| *t == target);
    for (target, try_one) in scans.iter().chain(&others).copied() {
        let of_target: Vec<_> = samples.iter().filter(|(t, ..)| *t == target).collect();
        let mut accepted = 0;
        for seed in 0..MUTATIONS {
            let (_, name, original) = of_target[seed % of_target.len()];
            let mut random = Random::seeded(seed as u64);
            let mut bytes = mutate(original, &mut random);
            if target == "e57" && random.below(4) > 0 {
                // Whole pages, most of the time, or no fault goes further than the last one.
                if random.below(4) > 0 {
                    bytes.resize(original.len(), 0);
                }
                reseal(&mut bytes);
            }
            MEMORY.reset_peak_usage();
            let before = MEMORY.current_usage();
            accepted += usize::from(try_one(&bytes, &run));
            let used = MEMORY.peak_usage().saturating_sub(before) as u64;
            let allowed = if is_scan(target) { allowed() } else { allowed_of_text(bytes.len()) };
            assert!(used <= allowed, "{name}, seed {seed}: {used} bytes, allowed {allowed}");
            most = most.max(used);
        }
        println!("{target}: {accepted} of {MUTATIONS} were read");
        assert!(accepted > 0 && accepted < MUTATIONS, "{target}: {accepted} of {MUTATIONS}");
    }
    println!("most memory for one file: {most} bytes");
}
