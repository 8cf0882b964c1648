//! A part tried from random poses, and the answers held against the truth.

use super::{BarPart, Capture};
use scantling_core::align::{FineSettings, LocateError, LocateSettings, fine, locate};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Aabb, Motion, PartFrame, ScanFrame, Vector};
use scantling_core::nominal::Nominal;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;

/// Right is this near, at the corners of the part's box, to where fine alignment ends from the true pose.
const RIGHT_MM: f64 = 0.5;
/// How far away the part may lie, mm.
const FAR_MM: f64 = 500.0;

type Pose = Motion<PartFrame, ScanFrame>;

/// What became of one pose.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// The part was found where it lies; so far off at the corners, mm.
    Right(f64),
    /// It was found elsewhere; so far off.
    Wrong(f64),
    /// Several poses, and how near the nearest of them is to the truth, mm.
    Undetermined(f64),
    /// Not found at all.
    Refused(String),
}

/// One pose tried.
#[derive(Clone, Debug)]
pub struct Posed {
    /// Counted from 0.
    pub number: u64,
    /// What became of it.
    pub answer: Answer,
    /// Processor time of the search, s.
    pub cpu_s: f64,
    /// The scan's points.
    pub points: usize,
}

/// All poses of one part.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// In the order they were tried.
    pub posed: Vec<Posed>,
}

impl Tally {
    /// Poses found right.
    pub fn right(&self) -> usize {
        self.count(|a| matches!(a, Answer::Right(_)))
    }

    /// Poses found wrong without a word.
    pub fn wrong(&self) -> usize {
        self.count(|a| matches!(a, Answer::Wrong(_)))
    }

    /// Poses with several answers or none.
    pub fn open(&self) -> usize {
        self.count(|a| matches!(a, Answer::Undetermined(_) | Answer::Refused(_)))
    }

    fn count(&self, which: impl Fn(&Answer) -> bool) -> usize {
        self.posed.iter().filter(|p| which(&p.answer)).count()
    }

    /// One line of figures.
    pub fn line(&self, name: &str) -> String {
        let mut times: Vec<f64> = self.posed.iter().map(|p| p.cpu_s).collect();
        times.sort_by(f64::total_cmp);
        let at = |q: usize| times.get((times.len() * q / 100).min(times.len().saturating_sub(1)));
        format!(
            "{name}: {} poses: {} right, {} open, {} wrong; CPU median {:.2} s, 95 % {:.2} s; {} points",
            self.posed.len(),
            self.right(),
            self.open(),
            self.wrong(),
            at(50).copied().unwrap_or(0.0),
            at(95).copied().unwrap_or(0.0),
            self.posed.first().map_or(0, |p| p.points)
        )
    }
}

/// Tries the poses of the given numbers; `captures` scans of the part share them in turn.
pub fn try_poses(
    part: &BarPart,
    captures: u64,
    numbers: std::ops::Range<u64>,
    mut each: impl FnMut(&Posed),
) -> Tally {
    let run = quiet();
    let raw = RawScan {
        points: part.mesh.vertices().to_vec(),
        triangles: part.mesh.triangles().to_vec(),
        ..RawScan::default()
    };
    let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &run).expect("the part is a nominal");
    let tree = SurfaceTree::new(nominal.mesh());
    let bounds = nominal.mesh().bounds();
    let mut tally = Tally::default();
    for seed in 0..captures {
        let mine: Vec<u64> = numbers.clone().filter(|n| n % captures == seed).collect();
        if mine.is_empty() {
            continue;
        }
        let capture = Capture::new(part, seed);
        let scanned = |points| {
            let raw = RawScan { points, ..RawScan::default() };
            Scan::new(raw, LengthUnit::Millimetre, &run).expect("the points are a scan")
        };
        let here = scanned(capture.points.clone());
        // Poses are compared in the capture's own axes, which are the part's.
        let ends = |from: &Pose| {
            let settings = FineSettings::default();
            let ended = fine(&run, &nominal, &tree, &here, *from, &settings);
            ended.expect("what was found can be refined").part_from_scan
        };
        let truth = ends(&Pose::identity());
        for number in mine {
            let mut random = Random::seeded(0x9057_0000 + number);
            let turn = random.turn();
            let shift = Vector::from_fn(|_, _| random.range(-FAR_MM, FAR_MM));
            let moved = Motion::<ScanFrame, ScanFrame>::from_turn_and_shift(turn, shift);
            let scan = scanned(capture.moved(&moved));
            let began = cpu_s();
            let found = locate(&run, &nominal, &tree, &scan, &LocateSettings::default());
            let cpu_s = cpu_s() - began;
            let as_captured = |pose: &Pose| *pose * moved;
            let answer = match found {
                Ok(found) => {
                    let off = apart_mm(&ends(&as_captured(&found.part_from_scan)), &truth, &bounds);
                    if off <= RIGHT_MM { Answer::Right(off) } else { Answer::Wrong(off) }
                }
                Err(LocateError::Undetermined { poses, .. }) => Answer::Undetermined(
                    poses
                        .iter()
                        .map(|p| apart_mm(&ends(&as_captured(p)), &truth, &bounds))
                        .fold(f64::INFINITY, f64::min),
                ),
                Err(error) => Answer::Refused(error.to_string()),
            };
            let posed = Posed { number, answer, cpu_s, points: scan.points().len() };
            each(&posed);
            tally.posed.push(posed);
        }
    }
    tally
}

fn apart_mm(a: &Pose, b: &Pose, bounds: &Aabb) -> f64 {
    let relative = *a * b.inverse();
    bounds.corners().iter().map(|c| (relative.point(c) - c).norm()).fold(0.0, f64::max)
}

/// Processor time of this process so far, s: user and system time of Linux's `/proc/self/stat`, whose tick
/// is a hundredth of a second. 0 where there is none.
fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // Fields 14 and 15, counted behind the name in brackets.
    let rest = text.rsplit(')').next().unwrap_or_default();
    rest.split_whitespace().skip(11).take(2).filter_map(|f| f.parse::<f64>().ok()).sum::<f64>() / 100.0
}
