//! One scan of one part, inspected and held against the truth.

use std::collections::BTreeMap;

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, ScanFrame, Vector};
use scantling_core::inspect::{Job, ScanPart, ScanSource, inspect};
use scantling_core::read::RawScan;
use scantling_core::record::Evaluation;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::simulate::{Made, Scanner as Simulated};
use scantling_core::uncertainty::Conditions;

use super::kept::{Line, Outcome};
use super::part::{Kind, Part, SHARES, True, VARIANTS};
use super::scanner::{Scanner, Taken};

/// A scan that tells the truth has so much noise, mm: enough that the slopes of what was made are not taken for scatter, and a
/// tenth of what the scans have at most.
const HARDLY_MM: f64 = 0.002;

/// Draws part, scanner and pose by the seed, scans and inspects.
pub fn scan(part: &Part, scanner: Scanner, seed: u64) -> Line {
    let mut random = Random::seeded(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5CA9);
    let share = (seed % SHARES.len() as u64) as usize;
    let variant = random.below(VARIANTS as usize) as u64;
    let taken = Taken::draw(scanner, &mut random);
    let shift = Vector::from_fn(|_, _| random.range(-300.0, 300.0));
    let pose = Motion::from_turn_and_shift(random.turn(), shift);
    let made = part.made(share, variant);
    let simulated = taken.scanner(part, random.next_u64());
    let evaluations = inspected(part, &simulated, &made, &pose, &[taken.stated(scanner)]);
    let truths = part.truths(share, variant, || truths(part, &made));
    let of = |e: &Evaluation| {
        let kind = Kind::of(&e.number)?;
        Some(Outcome::of(kind, e, &truths[&kind]))
    };
    let outcomes = evaluations.iter().filter_map(of).collect();
    Line { part: part.name.into(), scanner, seed, share: SHARES[share], variant, taken, outcomes }
}

/// What is true of a made part: the same operators on many points of it with hardly any error.
pub fn truths(part: &Part, made: &Made) -> BTreeMap<Kind, True> {
    let found = without_error(part, made);
    let of = |e: &Evaluation| {
        let kind = Kind::of(&e.number)?;
        let truth = True::of(kind, e).unwrap_or_else(|| panic!("{} {}: {}", part.name, e.number, e.reason));
        Some((kind, truth))
    };
    found.iter().filter_map(of).collect()
}

/// A dense scan with hardly any error, inspected.
fn without_error(part: &Part, made: &Made) -> Vec<Evaluation> {
    let simulated = Simulated {
        spacing_mm: part.truth_spacing_mm,
        noise_mm: HARDLY_MM,
        normal_error_rad: 0.0,
        views: part.views.clone(),
        seed: 1,
        imperfections: Default::default(),
    };
    inspected(part, &simulated, made, &Motion::identity(), &[])
}

fn inspected(
    part: &Part,
    simulated: &Simulated,
    made: &Made,
    pose: &Motion<ScanFrame, PartFrame>,
    conditions: &[Conditions],
) -> Vec<Evaluation> {
    let points = simulated.scan(made, pose).expect("a part of the validation can be scanned");
    let normals = Some(points.normals.iter().map(|n| n.vector()).collect());
    let raw = RawScan { points: points.points, normals, ..RawScan::default() };
    let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).expect("points before a scanner");
    let part_of = ScanPart::Placement(pose.inverse());
    let sources = [ScanSource { scan: &scan, sha256: "scan".into(), part: part_of }];
    let job = Job { conditions, ..Job::of_scans(&part.nominal, &part.plan, &part.faces, &sources) };
    inspect(&quiet(), &job).expect("nothing asks to stop").record.evaluations
}
