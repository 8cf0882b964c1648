//! The two sides of a 2 mm skin: from starts that are off by far more, the scanned side is found, and where nothing
//! tells the sides apart the answer says so.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

mod plate;

use plate::{Plate, SIZE_MM, Sampled, THICKNESS_MM, sampled};
use scantling_core::align::{Alignment, FineSettings, Sides, Stop, fine};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector};
use scantling_core::inspect::{Job, ScanPart, ScanSource, align};
use scantling_core::nominal::Nominal;
use scantling_core::plan;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;

const STARTS: usize = 200;

struct Case {
    nominal: Nominal,
    tree: SurfaceTree,
    random: Random,
}

impl Case {
    fn new() -> Self {
        let mesh = Plate::curved().mesh();
        let nominal = plate::nominal(&mesh);
        let tree = SurfaceTree::new(nominal.mesh());
        Self { nominal, tree, random: Random::seeded(4) }
    }

    /// The upper face, or the lower one, with or without a strip of `margin_mm` along the edges and the walls.
    fn scan(&mut self, upper: bool, normals: bool, margin_mm: Option<f64>) -> Scan {
        let facing = if upper { 1.0 } else { -1.0 };
        let least = if margin_mm.is_some() { 0.5 } else { -0.5 };
        let Sampled { points, normals: given } =
            sampled(self.nominal.mesh(), 12_000, |n| n.z * facing > least, &mut self.random);
        let margin = margin_mm.unwrap_or(0.0);
        let inside =
            |p: &Point| p.x.abs() <= 0.5 * SIZE_MM[0] - margin && p.y.abs() <= 0.5 * SIZE_MM[1] - margin;
        let mut raw = RawScan { normals: normals.then(Vec::new), ..RawScan::default() };
        for (p, n) in points.iter().zip(&given).filter(|(p, _)| inside(p)) {
            raw.points.push(p + n * (0.02 * self.random.normal()));
            if let Some(all) = &mut raw.normals {
                all.push(*n);
            }
        }
        Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap()
    }

    fn start(&mut self, degrees: f64, shift_mm: f64) -> Motion<PartFrame, ScanFrame> {
        let centre = self.nominal.mesh().bounds().centre();
        let turn = self.random.direction().vector() * degrees.to_radians();
        Motion::turn_about(centre, turn, self.random.direction().vector() * shift_mm)
    }

    fn found(&self, scan: &Scan, start: Motion<PartFrame, ScanFrame>, settings: &FineSettings) -> Alignment {
        fine(&quiet(), &self.nominal, &self.tree, scan, start, settings).unwrap()
    }

    fn off_mm(&self, found: &Alignment) -> f64 {
        let corners = self.nominal.mesh().bounds().corners();
        corners.iter().map(|c| (found.part_from_scan.point(c) - c).norm()).fold(0.0, f64::max)
    }
}

fn from_far(normals: bool) {
    let mut case = Case::new();
    for n in 0..STARTS {
        let scan = case.scan(n % 2 == 0, normals, None);
        let start = case.start(5.0, 20.0);
        let found = case.found(&scan, start, &FineSettings::default());
        let off = case.off_mm(&found);
        assert!(off < 0.1, "start {n}: {off} mm off, {:?}", found.sides);
        assert_eq!(found.sides, Sides::Told, "start {n}");
    }
}

#[test]
fn with_normals_no_start_ends_on_the_other_side() {
    from_far(true);
}

#[test]
fn without_normals_no_start_ends_on_the_other_side() {
    from_far(false);
}

/// Nothing but the walls of a flat plate hold it in its plane: one point in 300, too few among those that lead near.
#[test]
fn a_flat_part_that_few_points_hold_is_aligned() {
    let mesh = Plate::flat().mesh();
    let nominal = plate::nominal(&mesh);
    let tree = SurfaceTree::new(nominal.mesh());
    let mut random = Random::seeded(7);
    let face = sampled(&mesh, 60_000, |n| n.z > 0.5, &mut random);
    let walls = sampled(&mesh, 200, |n| n.z.abs() < 0.5, &mut random);
    let points = face.points.iter().chain(&walls.points).zip(face.normals.iter().chain(&walls.normals));
    let points = points.map(|(p, n)| p + n * (0.01 * random.normal())).collect();
    let scan = Scan::new(RawScan { points, ..RawScan::default() }, LengthUnit::Millimetre, &quiet()).unwrap();
    let start = Motion::from_turn_and_shift(Vector::new(0.0, 0.0, 0.002), Vector::new(0.3, -0.2, 0.1));
    let found = fine(&quiet(), &nominal, &tree, &scan, start, &FineSettings::default()).unwrap();
    let corners = nominal.mesh().bounds().corners();
    let off = corners.iter().map(|c| (found.part_from_scan.point(c) - c).norm()).fold(0.0, f64::max);
    assert!(off < 0.02, "{off} mm {found:?}");
}

/// A reach beyond all measure is that of the part, and the pose rests as it does otherwise.
#[test]
fn a_reach_without_end_ends_where_another_does() {
    let mut case = Case::new();
    let scan = case.scan(true, true, None);
    let start = case.start(0.2, 0.5);
    let ends =
        |reach_mm: f64| case.found(&scan, start, &FineSettings { reach_mm, ..FineSettings::default() });
    let (far, near) = (ends(f64::INFINITY), ends(20.0));
    assert_eq!(far.stop, Stop::Settled);
    assert!((case.off_mm(&far) - case.off_mm(&near)).abs() < 1e-3, "{far:?} {near:?}");
}

#[test]
fn sides_that_nothing_tells_apart_are_said_to_be_so() {
    let mut case = Case::new();
    for n in 0..4 {
        let upper = n % 2 == 0;
        let bare = case.scan(upper, false, Some(12.0));
        let start = case.start(0.5, 3.0);
        let found = case.found(&bare, start, &FineSettings::default());
        let Sides::Alike { thickness_mm } = found.sides else { panic!("start {n}: {:?}", found.sides) };
        assert!(thickness_mm > 0.7 * THICKNESS_MM && thickness_mm <= THICKNESS_MM + 1e-9, "{thickness_mm}");

        // Said by the caller, or shown by normals.
        let up = Direction::Z;
        let seen_from = Some(if upper { up } else { up.reversed() });
        let stated = case.found(&bare, start, &FineSettings { seen_from, ..FineSettings::default() });
        let scan = case.scan(upper, true, Some(12.0));
        let shown = case.found(&scan, start, &FineSettings::default());
        for found in [stated, shown] {
            assert_eq!(found.sides, Sides::Told);
            let off = case.off_mm(&found);
            assert!(off < 0.1, "start {n}: {off} mm");
        }
    }
}

/// Bare points of the middle of one side, said to lie where they do: which side was scanned stays a toss.
#[test]
fn a_stated_place_does_not_decide_between_sides_that_are_alike() {
    let mut case = Case::new();
    let text = "schema_version = 1\npart = \"p\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
                object = \"part\"\nstandard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\n\
                [nominal]\nfile = \"p.stl\"\nside_of_material = \"behind_normal\"\n\
                [[characteristic]]\nnumber = \"1\"\nreading = { quantity = \"mass\", unit = \"kg\", upper_limit = 2 }\n";
    let (_, plan) = plan::check_toml(text).unwrap_or_else(|f| panic!("{f:#?}"));
    let faces = plan::bind(&plan, Some(&case.nominal)).unwrap();
    for normals in [false, true] {
        let scan = case.scan(true, normals, Some(12.0));
        let source =
            ScanSource { scan: &scan, sha256: "s".into(), part: ScanPart::Placement(Motion::identity()) };
        let sources = [source];
        let job = Job::of_scans(&case.nominal, &plan, &faces, &sources);
        match align(&quiet(), &job, None) {
            Ok(found) => assert!(normals, "aligned: {:?}", found.cautions),
            Err(error) => assert!(!normals && error.to_string().contains("fits both sides"), "{error}"),
        }
    }
}
