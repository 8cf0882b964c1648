//! How often the demo part is found: `cargo run --release -p scantling-core --example poses -- COUNT SEED`.
//!
//! The good and the bad part of each seed are scanned from the front and from behind, and tried with and
//! without normals, whole and with 30 % cut off, with a little clutter. Right means within 0.5 mm, at the corners of the nominal's box, of where the same descent
//! ends that starts from the true pose.

use scantling_core::align::{LocateSettings, locate_points, settle};
use scantling_core::geometry::{
    Aabb, Direction, Motion, PartFrame, Point, ScanFrame, Vector, random::Random,
};
use scantling_core::run::quiet;
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::{DemoPart, Scanner, demo_parts};
use std::time::{Duration, Instant};

#[derive(Default)]
struct Tally {
    right: u32,
    wrong: u32,
    open: u32,
    time: Duration,
    slowest: Duration,
    least_evidence: Option<u64>,
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<u64>().ok());
    let count = arguments.next().unwrap_or(3);
    let first = arguments.next().unwrap_or(1);
    let mut tallies: Vec<(String, Tally)> = Vec::new();
    for seed in first..first.saturating_add(count) {
        let demo = demo_parts(seed, 1.0);
        let tree = SurfaceTree::new(&demo.nominal);
        for (which, part) in [("good", &demo.good), ("bad", &demo.bad)] {
            for side in ["front", "back"] {
                let (points, normals) = scan(part, side, seed);
                for unseen in [0.0, 0.3] {
                    let (points, normals) = cut(&points, &normals, unseen, seed);
                    for with_normals in [true, false] {
                        let name = format!(
                            "{side}, {:.0} % unseen, {} normals",
                            100.0 * unseen,
                            if with_normals { "with" } else { "no" }
                        );
                        let normals = with_normals.then_some(&normals[..]);
                        let settings = LocateSettings::default();
                        let begin = Instant::now();
                        let answer =
                            locate_points(&quiet(), &demo.nominal, &tree, &points, normals, &settings);
                        let time = begin.elapsed();
                        let place = tallies.iter().position(|t| t.0 == name).unwrap_or_else(|| {
                            tallies.push((name.clone(), Tally::default()));
                            tallies.len() - 1
                        });
                        let tally = &mut tallies[place].1;
                        tally.time += time;
                        tally.slowest = tally.slowest.max(time);
                        let ends = |from: &Motion<PartFrame, ScanFrame>| {
                            settle(&demo.nominal, &tree, &points, normals, from, &settings)
                        };
                        match answer {
                            Ok(found) => {
                                let truth = part.scan_from_part.inverse();
                                let bounds = demo.nominal.bounds();
                                let off = apart_mm(&ends(&found.part_from_scan), &ends(&truth), &bounds);
                                tally.least_evidence =
                                    Some(tally.least_evidence.unwrap_or(u64::MAX).min(found.evidence_for));
                                if off < 0.5 {
                                    tally.right += 1;
                                } else {
                                    tally.wrong += 1;
                                    println!("seed {seed} {which} {name}: WRONG by {off:.3} mm: {found:?}");
                                }
                            }
                            Err(e) => {
                                tally.open += 1;
                                println!("seed {seed} {which} {name}, {} points: {e}", points.len());
                            }
                        }
                    }
                }
            }
        }
    }
    for (name, t) in tallies {
        let all = t.right + t.wrong + t.open;
        println!(
            "{name}: {} right, {} wrong, {} not answered of {all}; {:.2?} mean, {:.2?} slowest; least evidence {:?}",
            t.right,
            t.wrong,
            t.open,
            t.time / all.max(1),
            t.slowest,
            t.least_evidence
        );
    }
}

/// A scan of about 300,000 points from one side, in the scanner's axes.
fn scan(part: &DemoPart, side: &str, seed: u64) -> (Vec<Point>, Vec<Direction>) {
    let mut scanner = Scanner::front(0.9, 0.03, part.scanner_seed ^ seed);
    if side == "back" {
        let behind = |d: &Direction| Direction::new(Vector::new(d.vector().x, d.vector().y, -d.vector().z));
        scanner.views = scanner.views.iter().filter_map(behind).collect();
    }
    match scanner.scan(&part.made, &part.scan_from_part) {
        Ok(s) => (s.points, s.normals),
        Err(e) => panic!("the demo part cannot be scanned: {e}"),
    }
}

/// Leaves out the fraction `unseen` at one end, and strews a little clutter: a flat tray of points beside
/// the part, 3 % of all.
fn cut(points: &[Point], normals: &[Direction], unseen: f64, seed: u64) -> (Vec<Point>, Vec<Direction>) {
    let mut random = Random::seeded(seed);
    let along = random.direction().vector();
    let mut made: Vec<(Point, Direction)> = points.iter().copied().zip(normals.iter().copied()).collect();
    made.sort_by(|a, b| a.0.coords.dot(&along).total_cmp(&b.0.coords.dot(&along)));
    made.truncate(((1.0 - unseen) * points.len() as f64) as usize);
    let facing = random.direction();
    let (u, v) = facing.frame();
    let corner = made[made.len() / 2].0 + random.direction().vector() * 300.0;
    for _ in 0..made.len() / 33 {
        let p = corner + u * random.range(0.0, 100.0) + v * random.range(0.0, 90.0);
        made.push((p, facing));
    }
    made.into_iter().unzip()
}

fn apart_mm(a: &Motion<PartFrame, ScanFrame>, b: &Motion<PartFrame, ScanFrame>, bounds: &Aabb) -> f64 {
    let relative = *a * b.inverse();
    bounds.corners().iter().map(|c| (relative.point(c) - c).norm()).fold(0.0, f64::max)
}
