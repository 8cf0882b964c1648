//! Check points on domes, on a fixture: a perfect part reads zero, wherever its place comes from.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, Point, Vector};
use scantling_core::inspect::{Job, PointSource, ScanPart, ScanSource, inspect};
use scantling_core::nominal::{Nominal, Side};
use scantling_core::plan;
use scantling_core::points::{Coordinates, PointSet, read as read_points};
use scantling_core::read::RawScan;
use scantling_core::record::Verdict;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use std::fmt::Write;

/// Radius of the domes, mm.
const R: f64 = 30.0;
/// Height and normal of a sheet with two domes.
fn height(x: f64, y: f64) -> (f64, Vector) {
    for (cx, cy) in [(45.0, 45.0), (110.0, 90.0)] {
        let (dx, dy) = (x - cx, y - cy);
        let q = R * R - dx * dx - dy * dy;
        if q > (R - 8.0) * (R - 8.0) {
            return (q.sqrt() - (R - 8.0), Vector::new(dx, dy, q.sqrt()) / R);
        }
    }
    (0.0, Vector::z())
}

#[test]
fn a_check_point_on_a_curved_face_of_a_perfect_part_reads_zero() {
    let n = |l: f64| (l / 0.5) as u32 + 1;
    let (w, h) = (n(160.0), n(120.0));
    let mut points = Vec::new();
    let mut triangles = Vec::new();
    for j in 0..h {
        for i in 0..w {
            let (x, y) = (0.5 * f64::from(i), 0.5 * f64::from(j));
            points.push(Point::new(x, y, height(x, y).0));
            if i + 1 < w && j + 1 < h {
                let a = j * w + i;
                triangles.push([a, a + 1, a + w + 1]);
                triangles.push([a, a + w + 1, a + w]);
            }
        }
    }
    let raw = RawScan { points, triangles, ..RawScan::default() };
    let nominal =
        Nominal::from_mesh(raw, LengthUnit::Millimetre, Some(Side::BehindNormal), &quiet()).unwrap();
    let mut random = Random::seeded(3);
    let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
    for j in 0..299 {
        for i in 0..399 {
            let (x, y) = (0.2 + 0.4 * f64::from(i), 0.2 + 0.4 * f64::from(j));
            let (z, normal) = height(x, y);
            raw.points.push(Point::new(x, y, z) + normal * (0.005 * random.normal()));
            raw.normals.as_mut().unwrap().push(normal);
        }
    }
    let balls = [[-40.0, -30.0, 10.0], [200.0, -25.0, 12.0], [190.0, 150.0, 8.0]];
    for c in balls {
        for k in 0..600 {
            let z = f64::from(k) / 600.0;
            let (t, r) = (f64::from(k) * 2.399_963, (1.0 - z * z).sqrt());
            let m = Vector::new(r * libm::cos(t), r * libm::sin(t), z);
            raw.points.push(Point::from(c) + m * 10.0);
            raw.normals.as_mut().unwrap().push(m);
        }
    }
    let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet()).unwrap();
    let mut text = String::from(
        "schema_version = 1\npart = \"b\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\nstandard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\n[nominal]\nfile = \"b.stl\"\nside_of_material = \"behind_normal\"\n[[fixture]]\nid = \"fx\"\ncertificate = \"K\"\nexpanded_uncertainty_mm = 0.002\ntarget = [\n",
    );
    for (i, [x, y, z]) in balls.iter().enumerate() {
        writeln!(text, "{{ id = \"K{i}\", at_mm = [{x}, {y}, {z}], ball_diameter_mm = 20 }},").unwrap();
    }
    text += "]\n[[datum_system]]\nid = \"D\"\nfixture = \"fx\"\n";
    for (k, (x, y)) in [(45.0, 45.0), (110.0, 90.0), (80.0, 20.0)].iter().enumerate() {
        for radius in [2.0, 3.0, 5.0] {
            let id = format!("P{k}r{radius}");
            writeln!(text, "[[feature]]\nid = \"{id}\"\nkind = \"point\"\npoint = {{ at_mm = [{x}, {y}, {}], direction = [0, 0, 1], patch_radius_mm = {radius} }}", height(*x, *y).0).unwrap();
            writeln!(text, "[[characteristic]]\nnumber = \"{id}\"\nfeature = \"{id}\"\nsurface_profile = {{ limit_outside_mm = 0.1, limit_inside_mm = 0.1 }}\ndatum_system = \"D\"").unwrap();
        }
    }
    let (_, plan) = plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}"));
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    for part in [ScanPart::Whole, ScanPart::Placement(Motion::identity())] {
        let scans = [ScanSource { scan: &scan, sha256: "s".into(), part: part.clone() }];
        let job = Job::of_scans(&nominal, &plan, &faces, &scans);
        let record = inspect(&quiet(), &job).unwrap().record;
        assert_eq!(record.evaluations.len(), 9);
        for e in &record.evaluations {
            // Taken by places they would read -0.033, -0.075 and -0.208 mm on the domes: radius^2 / 4 R.
            let value = e.value_mm.unwrap_or_else(|| panic!("{part:?} {}: {}", e.number, e.reason));
            assert!(value.abs() < 0.004, "{part:?} {}: {value}", e.number);
            assert_eq!(e.verdict, Verdict::Conforms, "{part:?} {}: {}", e.number, e.reason);
        }
        let [x, y] = [45.0, 45.0];
        let file = format!("name,x,y,z,u\nP0r2,{x},{y},{},0.003\n", height(x, y).0);
        let taken = read_points(file.as_bytes(), LengthUnit::Millimetre, None, &quiet()).unwrap();
        let set = PointSet { points: taken, coordinates: Coordinates::Part };
        let both = [PointSource { set: &set, sha256: "p".into() }];
        let record = inspect(&quiet(), &Job { points: &both, ..job }).unwrap().record;
        let twice = record.cautions.iter().find(|c| c.starts_with("Measured in more than one way"));
        assert!(twice.is_some_and(|c| c.ends_with("points, scan: P0r2.")), "{twice:?}");
        let told = record.cautions.iter().any(|c| c.contains("not searched"));
        assert_eq!(told, matches!(part, ScanPart::Placement(_)));
    }
}
