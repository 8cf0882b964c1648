//! Work that is shared among threads answers the same on any number of them, on clouds large enough to be shared.

#![allow(clippy::unwrap_used, reason = "a test, on data that it makes itself")]

use scantling_core::align::{FineSettings, fine};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, Point, Vector};
use scantling_core::nominal::{Nominal, Side};
use scantling_core::read::{RawScan, read};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::{PointTree, SurfaceTree, clusters, normals, thin};
use scantling_core::simulate::window_surround::WindowSurround;
use scantling_core::simulate::write_stl;

/// The same on 1, 2, 4 and 8 threads.
fn same<T: PartialEq + Send>(what: &str, work: impl Fn() -> T + Sync) -> T {
    let on = |threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(&work);
    let one = on(1);
    for threads in [2, 4, 8] {
        assert!(on(threads) == one, "{what} with {threads} threads");
    }
    one
}

/// A curved sheet in stripes, with strays, repeated points, one lattice and a dense patch.
fn cloud(count: usize) -> Vec<Point> {
    let mut random = Random::seeded(3);
    let mut points: Vec<Point> = (0..count)
        .map(|i| {
            let x = 300.0 * i as f64 / count as f64;
            let y = random.range(0.0, 200.0);
            let stray = if i % 97 == 0 { random.range(0.0, 20.0) } else { 0.0 };
            Point::new(x, y, 1e-3 * x * y + random.range(-0.02, 0.02) + stray)
        })
        .collect();
    points.extend((0..9000u32).map(|i| Point::new(f64::from(i % 90), f64::from(i / 90), 50.0)));
    points.extend((0..3000).map(|_| Point::new(random.range(0.0, 2.0), random.range(0.0, 2.0), -30.0)));
    points.extend_from_within(100..400);
    points
}

fn raw(points: Vec<Point>, normals: Option<Vec<Vector>>) -> RawScan {
    RawScan { points, normals, ..RawScan::default() }
}

#[test]
fn clouds_are_searched_alike_on_any_number_of_threads() {
    let points = cloud(40_000);
    let run = quiet();
    let tree = PointTree::new(&points);
    same("neighbours", || PointTree::new(&points).k_nearest(9, &run).unwrap());
    same("normals", || normals(&points, 20, None, &run).unwrap());
    same("thinning", || thin(&points, 1.5));
    same("clusters", || clusters(&points, 1.2, &run).unwrap());
    // What is asked for together is what one point alone is answered.
    let together = tree.k_nearest(9, &run).unwrap();
    for i in (0..points.len()).step_by(7) {
        let alone: Vec<u32> =
            tree.nearest(&points[i], 10).iter().map(|n| n.0).filter(|&n| n as usize != i).take(9).collect();
        assert_eq!(together.of(i), alone, "point {i}");
    }
}

#[test]
fn scans_and_nominals_are_taken_in_alike_on_any_number_of_threads() {
    let points = cloud(150_000);
    let run = quiet();
    let mut random = Random::seeded(4);
    let facing: Vec<Vector> = points
        .iter()
        .map(|_| {
            Vector::new(random.range(-1.0, 1.0), 0.2, 1.0) * if random.below(50) == 0 { 0.0 } else { 3.0 }
        })
        .collect();
    let scan = same("Scan::new", || {
        Scan::new(raw(points.clone(), Some(facing.clone())), LengthUnit::Millimetre, &run).unwrap()
    });
    assert!(scan.dropped() > 300 && scan.spacing_mm() > 0.0);
    let mesh = read(&write_stl(&WindowSurround::default().mesh()), &run).unwrap();
    same("Scan::new of triangles", || Scan::new(mesh.clone(), LengthUnit::Millimetre, &run).unwrap());
    let nominal = same("Nominal::from_mesh", || {
        Nominal::from_mesh(mesh.clone(), LengthUnit::Millimetre, Some(Side::BehindNormal), &run).unwrap()
    });
    same("closest points", || {
        let tree = SurfaceTree::new(nominal.mesh());
        tree.nearest_each(&points, 30.0, |_, foot| foot.map(|f| (f.distance.to_bits(), f.triangle)))
    });
}

#[test]
fn a_scan_is_aligned_alike_on_any_number_of_threads() {
    let run = quiet();
    let raw_mesh = read(&write_stl(&WindowSurround::default().mesh()), &run).unwrap();
    let nominal =
        Nominal::from_mesh(raw_mesh, LengthUnit::Millimetre, Some(Side::BehindNormal), &run).unwrap();
    let mesh = nominal.mesh();
    let tree = SurfaceTree::new(mesh);
    let mut random = Random::seeded(6);
    let (mut points, mut facing) = (Vec::new(), Vec::new());
    for t in 0..mesh.triangles().len() as u32 {
        let Some(normal) = mesh.normal(t) else { continue };
        let [a, b, c] = mesh.corners(t);
        for _ in 0..(0.4 * mesh.area(t) + random.unit()) as usize {
            let (u, v) = (random.unit(), random.unit());
            let (u, v) = if u + v > 1.0 { (1.0 - u, 1.0 - v) } else { (u, v) };
            points.push(a + (b - a) * u + (c - a) * v + normal.vector() * (0.02 * random.normal()));
            facing.push(normal.vector());
        }
    }
    assert!(points.len() > 100_000, "{}", points.len());
    let start = Motion::from_turn_and_shift(Vector::new(0.01, -0.01, 0.02), Vector::new(3.0, -2.0, 4.0));
    for normals in [Some(facing), None] {
        let scan = Scan::new(raw(points.clone(), normals), LengthUnit::Millimetre, &run).unwrap();
        same("fine", || fine(&run, &nominal, &tree, &scan, start, &FineSettings::default()).unwrap());
    }
}

#[test]
fn a_long_binary_file_is_read_as_row_by_row() {
    let mut random = Random::seeded(5);
    let mut single = |size: f64| f64::from(random.range(-size, size) as f32);
    let rows = 300_000;
    let points: Vec<Point> =
        (0..rows).map(|_| Point::new(single(900.0), single(5.0), single(70.0))).collect();
    let facing: Vec<Vector> = (0..rows).map(|_| Vector::new(single(1.0), single(1.0), single(1.0))).collect();
    let file = |word: &str, tail: &[u8]| {
        let mut bytes = format!("ply\nformat binary_little_endian 1.0\nelement vertex {rows}\n");
        ["x", "y", "z", "nx", "ny", "nz"].iter().for_each(|n| bytes += &format!("property float {n}\n"));
        let mut bytes = (bytes + word + "end_header\n").into_bytes();
        for (p, n) in points.iter().zip(&facing) {
            p.iter().chain(n.iter()).for_each(|c| bytes.extend((*c as f32).to_le_bytes()));
            bytes.extend(tail);
        }
        bytes
    };
    let plain = file("", &[]);
    let shared = same("a binary PLY", || read(&plain, &quiet()).unwrap());
    assert!(shared.points == points && shared.normals.as_deref() == Some(&facing[..]));
    // Rows that hold a list have no common length and are read one after the other.
    let serial = read(&file("property list uchar uchar flags\n", &[0]), &quiet()).unwrap();
    assert!(serial.points == shared.points && serial.normals == shared.normals);
    // What is wrong far behind is told with its place.
    let mut broken = plain;
    let at = broken.len() - 24 * 10;
    broken[at..at + 4].copy_from_slice(&f32::NAN.to_le_bytes());
    let told = same("its fault", || read(&broken, &quiet()).unwrap_err());
    assert!(told.to_string().contains(&(rows - 10).to_string()), "{told}");
}
