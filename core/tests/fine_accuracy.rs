//! How far fine alignment ends from the truth under white noise, and whether it knows. The bound is the test's own:
//! the inverse of the information that the true points with their true normals hold, as J'J over the noise's variance
//! (the Cramer-Rao bound for independent normal noise, from memory).
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

mod plate;

use plate::{Plate, Sampled, sampled};
use scantling_core::align::{FineSettings, Stop, fine};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{
    Cholesky, Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector,
};
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::WindowSurround;

const NOISE_MM: f64 = 0.02;
const POINTS: usize = 18_000;

const RUNS: usize = 100;
/// Six freedoms; the mean of 100 runs is a chi-square of 600 degrees of freedom over 100: within 0.35 two times of
/// three.
const NORMALISED: std::ops::Range<f64> = 4.9..7.2;
const TO_BOUND: f64 = 1.2;

fn row(p: &Point, n: &Vector, centre: &Point) -> [f64; 6] {
    let turn = (p - centre).cross(n);
    [turn.x, turn.y, turn.z, n.x, n.y, n.z]
}

fn squared(m: &[[f64; 6]; 6], e: &[f64; 6]) -> f64 {
    (0..6).map(|i| (0..6).map(|j| e[i] * m[i][j] * e[j]).sum::<f64>()).sum()
}

/// The turn and shift about `centre` that a small motion makes.
fn errors(motion: &Motion<PartFrame, PartFrame>, centre: &Point) -> [f64; 6] {
    let r = motion.rotation();
    let turn = Vector::new(r[(2, 1)] - r[(1, 2)], r[(0, 2)] - r[(2, 0)], r[(1, 0)] - r[(0, 1)]) * 0.5;
    let shift = motion.point(centre) - centre;
    [turn.x, turn.y, turn.z, shift.x, shift.y, shift.z]
}

fn check(name: &str, mesh: &TriangleMesh, normals_given: bool, seen: impl Fn(&Vector) -> bool) {
    let nominal = plate::nominal(mesh);
    let mesh = nominal.mesh();
    let tree = SurfaceTree::new(mesh);
    let bounds = mesh.bounds();
    let centre = bounds.centre();
    let mut random = Random::seeded(77);
    let (mut normalised, mut to_bound, mut corner, mut corner_bound) = (0.0, 0.0, 0.0, 0.0);
    for _ in 0..RUNS {
        let Sampled { points, normals } = sampled(mesh, POINTS, &seen, &mut random);
        let mut information = [[0.0; 6]; 6];
        for (p, n) in points.iter().zip(&normals) {
            let row = row(p, n, &centre);
            for i in 0..6 {
                for j in 0..6 {
                    information[i][j] += row[i] * row[j] / (NOISE_MM * NOISE_MM);
                }
            }
        }
        let truth = Motion::<PartFrame, ScanFrame>::from_turn_and_shift(
            random.turn(),
            random.direction().vector() * 300.0,
        );
        let scan_from_part = truth.inverse();
        let noisy = points
            .iter()
            .zip(&normals)
            .map(|(p, n)| scan_from_part.point(&(p + n * (NOISE_MM * random.normal()))));
        let noisy: Vec<Point> = noisy.collect();
        let told = normals.iter().map(|n| {
            let off = random.direction().vector() * 0.03;
            scan_from_part.vector(&Direction::new(n + off).unwrap().vector())
        });
        let told: Vec<Vector> = told.collect();
        let raw = RawScan { points: noisy, normals: normals_given.then_some(told), ..RawScan::default() };
        let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap();
        let near = Motion::<PartFrame, PartFrame>::turn_about(
            centre,
            random.direction().vector() * 0.01,
            random.direction().vector() * 2.0,
        );
        let found = fine(&quiet(), &nominal, &tree, &scan, near * truth, &FineSettings::default()).unwrap();
        assert_eq!(found.stop, Stop::Settled);
        assert_eq!(found.centre, centre);
        let error = found.part_from_scan * scan_from_part;
        let e = errors(&error, &centre);
        let covariance = found.unit_covariance.map(|r| r.map(|c| c * NOISE_MM * NOISE_MM));
        let inverse = Cholesky::new(&covariance).unwrap().inverse();
        normalised += squared(&inverse, &e) / RUNS as f64;
        to_bound += squared(&information, &e) / (6 * RUNS) as f64;
        let least = Cholesky::new(&information).unwrap().inverse();
        for c in bounds.corners() {
            corner += (error.point(&c) - c).norm_squared();
            for axis in 0..3 {
                // A corner's shift along the axis: shift + turn x lever.
                let unit = Vector::ith(axis, 1.0);
                let row = row(&c, &unit, &centre);
                corner_bound += squared(&least, &row);
            }
        }
    }
    let to_bound = f64::sqrt(to_bound);
    let corner = f64::sqrt(corner / corner_bound);
    println!(
        "{name}: normalised squared error {normalised:.2}, {to_bound:.3} of the bound, at the corners {corner:.3}"
    );
    assert!(NORMALISED.contains(&normalised), "{name}: normalised squared error {normalised}");
    assert!(to_bound < TO_BOUND, "{name}: {to_bound} of the bound");
    assert!(corner < TO_BOUND, "{name}: {corner} of the bound at the corners");
}

#[test]
fn a_window_surround_is_found_as_well_as_its_points_allow() {
    check("window surround, normals", &WindowSurround::default().mesh(), true, |n| n.z > -0.5);
}

#[test]
fn a_curved_plate_is_found_as_well_as_its_points_allow() {
    check("plate, normals", &Plate::curved().mesh(), true, |n| n.z > -0.5);
    check("plate, no normals", &Plate::curved().mesh(), false, |n| n.z > -0.5);
}

#[test]
fn a_flat_plate_is_held_by_its_walls_as_well_as_its_points_allow() {
    check("flat plate, both sides", &Plate::flat().mesh(), true, |_| true);
}
