//! The sides of a 2 mm skin that is bent by up to three times its thickness, in scans without normals: distance tells them
//! wrong all over, walls and the other side tell them right.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

mod plate;

use plate::{Plate, SIZE_MM, THICKNESS_MM, sampled};
use scantling_core::align::{FineSettings, fine, outward};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame, Vector};
use scantling_core::inspect::{Job, ScanPart, ScanSource, inspect};
use scantling_core::nominal::Nominal;
use scantling_core::partition::{Partition, PartitionSettings};
use scantling_core::plan;
use scantling_core::read::RawScan;
use scantling_core::record::Record;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;

/// How far each point of the plate was moved along z; at most three thicknesses.
type Bend = fn(&Point) -> f64;

const BENDS: [Bend; 3] = [
    |p| 6.0 - 9.0 * (p.x * p.x) / 1e4,
    |p| -6.0 * (p.x / 100.0) * (p.y / 60.0),
    |p| 4.0 * (p.y * p.y) / 3600.0 - 5.0 * p.x / 100.0 * (p.x * p.x) / 1e4,
];

/// Which faces the scanner has seen; the walls always.
const SEEN: [fn(&Vector) -> bool; 3] = [|_| true, |n| n.z > -0.5, |n| n.z < 0.5];

const COUNT: usize = 100_000;

struct Made {
    points: Vec<Point>,
    /// Of the nominal surface that each was taken from, and the place there.
    normals: Vec<Vector>,
    from: Vec<Point>,
}

fn made(nominal: &Nominal, bend: Bend, seen: fn(&Vector) -> bool, random: &mut Random) -> Made {
    let all = sampled(nominal.mesh(), COUNT, seen, random);
    let mut points = Vec::new();
    for (p, n) in all.points.iter().zip(&all.normals) {
        points.push(p + Vector::z() * bend(p) + n * (0.02 * random.normal()));
    }
    Made { points, normals: all.normals, from: all.points }
}

fn scan(points: &[Point], normals: Option<&[Vector]>) -> Scan {
    let raw =
        RawScan { points: points.to_vec(), normals: normals.map(<[Vector]>::to_vec), ..RawScan::default() };
    Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap()
}

/// Further than two spacings from every arris.
fn clear_of_arrises(p: &Point, n: &Vector, spacing_mm: f64) -> bool {
    let in_plane = (0.5 * SIZE_MM[0] - p.x.abs()).min(0.5 * SIZE_MM[1] - p.y.abs());
    n.z.abs() > 0.5 && in_plane > 2.0 * spacing_mm
}

#[test]
fn at_most_one_point_in_a_thousand_lies_on_the_wrong_side() {
    let nominal = plate::nominal(&Plate::curved().mesh());
    let tree = SurfaceTree::new(nominal.mesh());
    let mut random = Random::seeded(11);
    for (b, bend) in BENDS.into_iter().enumerate() {
        // Both sides, and one of them.
        for s in [0, 1 + b % 2] {
            let seen = SEEN[s];
            let made = made(&nominal, bend, seen, &mut random);
            let scan = scan(&made.points, None);
            let turn = random.direction().vector() * 0.02;
            let start =
                Motion::<PartFrame, ScanFrame>::from_turn_and_shift(turn, Vector::new(1.0, -2.0, 1.5));
            let sides = |scan: &Scan, pose: Motion<PartFrame, ScanFrame>| {
                let settings = PartitionSettings { reach_mm: 12.0, min_cos: 0.5 };
                let found = Partition::new(&quiet(), &nominal, &tree, scan, pose, &settings).unwrap();
                let (mut asked, mut wrong) = (0usize, 0usize);
                for p in found.placed(scan) {
                    let i = p.index as usize;
                    if clear_of_arrises(&made.from[i], &made.normals[i], scan.spacing_mm()) {
                        asked += 1;
                        let on = nominal.mesh().normal(p.triangle).unwrap().vector();
                        wrong += usize::from(on.dot(&made.normals[i]) < 0.0);
                    }
                }
                assert!(asked > COUNT / 3, "{asked}");
                wrong as f64 / asked as f64
            };
            let by_distance = sides(&scan, start);
            let told = outward(&quiet(), &nominal, &tree, &scan, &start, 10.0).unwrap().unwrap();
            assert!(told.by_distance * 10 < COUNT, "{} of {COUNT}", told.by_distance);
            let astray = told.normals.iter().zip(&made.normals).filter(|(n, m)| n.dot(m) < 0.0).count();
            println!("{astray} of {COUNT} look the wrong way, {} by distance", told.by_distance);
            let faced = scan.with_normals(told.normals);
            let then = fine(&quiet(), &nominal, &tree, &faced, start, &FineSettings::default()).unwrap();
            let wrong = sides(&faced, then.part_from_scan);
            println!("bend {b}, seen {s}: wrong side by distance {by_distance:.4}, then {wrong:.5}");
            assert!(wrong <= 0.001, "bend {b}, seen {s}: {wrong}");
            // Of one side alone distance may happen to be right, of both it is not.
            assert!(s > 0 || by_distance > 0.1, "bend {b}: nothing to tell, {by_distance}");
        }
    }
}

/// A record of the plate's two faces, by best fit.
fn record(nominal: &Nominal, scan: &Scan) -> Record {
    let text = format!(
        "schema_version = 1\npart = \"p\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
         object = \"part\"\nstandard = {{ system = \"iso\", edition = \"ISO 1101:2017\" }}\ndecision = {{ proven = {{}} }}\n\
         filter = {{ gaussian = {{ nesting_index_mm = 2.5 }} }}\n\
         [nominal]\nfile = \"p.stl\"\n{}{}",
        face("UP", 1.0),
        face("DOWN", -1.0)
    );
    let (_, plan) = plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}"));
    let faces = plan::bind(&plan, Some(nominal)).unwrap();
    let part = ScanPart::Placement(Motion::identity());
    let sources = [ScanSource { scan, sha256: "s".into(), part }];
    inspect(&quiet(), &Job::of_scans(nominal, &plan, &faces, &sources)).unwrap().record
}

fn face(id: &str, up: f64) -> String {
    let z = if up > 0.0 { 0.0 } else { -THICKNESS_MM };
    format!(
        "[[feature]]\nid = \"{id}\"\nkind = \"surface\"\n\
         pick = {{ near_mm = [0.0, 0.0, {z:?}], facing = [0.0, 0.0, {up:?}], grow_to_angle_deg = 12.0 }}\n\
         [[characteristic]]\nnumber = \"{id}\"\nfeature = \"{id}\"\n\
         surface_profile = {{ limit_outside_mm = 4.0, limit_inside_mm = 4.0 }}\n"
    )
}

/// The whole way: what is measured of a bent plate without normals is what is measured of it with them.
#[test]
fn a_bent_plate_without_normals_is_measured_as_with_them() {
    let nominal = plate::nominal(&Plate::flat().mesh());
    let mut random = Random::seeded(12);
    let made = made(&nominal, |p| 2.4 * (p.x * p.x) / 1e4 - 0.8, |_| true, &mut random);
    let bare = record(&nominal, &scan(&made.points, None));
    let with = record(&nominal, &scan(&made.points, Some(&made.normals)));
    assert_eq!((bare.evaluations.len(), with.evaluations.len()), (2, 2));
    for (a, b) in bare.evaluations.iter().zip(&with.evaluations) {
        let ends = |e: &scantling_core::record::Evaluation| {
            [&e.minimum, &e.maximum]
                .map(|p| p.as_ref().unwrap_or_else(|| panic!("{}: {}", e.number, e.reason)).value_mm)
        };
        let ([low, high], [with_low, with_high]) = (ends(a), ends(b));
        println!("{}: {low:.3} to {high:.3}, with normals {with_low:.3} to {with_high:.3}", a.number);
        assert!((low - with_low).abs() < 0.05 && (high - with_high).abs() < 0.05);
        assert!(with_high - with_low > 2.0, "{with_low} {with_high}");
    }
    assert!(bare.cautions.iter().any(|c| c.contains("told by what lies around them")));
}
