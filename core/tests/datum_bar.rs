//! Holes on A|B|C at 0.02 mm white noise: bias and scatter of their coordinates over many scans, against what the points
//! can give at best.
//!
//! `DATUM_SCANS=1000 cargo test --profile checked -p scantling-core --test datum_bar -- --nocapture` for the bar; 40 scans
//! otherwise.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

mod bench;

use bench::{Bench, Cell, THICK_MM, pose};
use rayon::prelude::*;
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Point, Vector};
use scantling_core::inspect::{Job, ScanPart, ScanSource, inspect};
use scantling_core::plan;
use scantling_core::run::quiet;

const NOISE_MM: f64 = 0.02;
const SPACING_MM: f64 = 1.0;
/// Wide enough that the wall is shorter than its diameter: its centre is told in the middle of its depth.
const RADIUS_MM: f64 = 13.0;

/// Variance of a hole's two coordinates at best, mm2: to first order, of least squares on all points of A, B, C and of the
/// wall between `ends` (from its upper and lower end, mm), where A holds the tilts, B the turn and a shift, C the rest.
fn bound(points: &[(String, Point, Vector)], hole: &str, centre: Point, end_mm: f64) -> [f64; 2] {
    let s2 = NOISE_MM * NOISE_MM;
    let of = |name: &str| points.iter().filter(|p| p.0 == name).map(|p| p.1).collect::<Vec<_>>();
    let mean = |all: &[Point], f: &dyn Fn(&Point) -> f64| all.iter().map(f).sum::<f64>() / all.len() as f64;
    let (a, b, c) = (of("A"), of("B"), of("C"));
    let wall: Vec<Point> =
        of(hole).into_iter().filter(|p| p.z < -end_mm && p.z > -THICK_MM + end_mm).collect();
    // The centre with the radius free.
    let (mut xx, mut yy, mut x1, mut y1, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for p in &wall {
        let d = Vector::new(p.x - centre.x, p.y - centre.y, 0.0).normalize();
        xx += d.x * d.x;
        yy += d.y * d.y;
        xy += d.x * d.y;
        x1 += d.x;
        y1 += d.y;
    }
    let n = wall.len() as f64;
    let (xx, yy, xy) = (xx - x1 * x1 / n, yy - y1 * y1 / n, xy - x1 * y1 / n);
    let det = xx * yy - xy * xy;
    let own = [s2 * yy / det, s2 * xx / det];
    let spread = |all: &[Point], f: &dyn Fn(&Point) -> f64| {
        let m = mean(all, f);
        all.iter().map(|p| (f(p) - m) * (f(p) - m)).sum::<f64>()
    };
    // Tilts of A act over the heights between the middles of sides and hole, the turn of B over the ways along them.
    let tilt_x = s2 / spread(&a, &|p| p.x);
    let tilt_y = s2 / spread(&a, &|p| p.y);
    let turn = s2 / spread(&b, &|p| p.x);
    let middle = -0.5 * THICK_MM;
    let lever = |all: &[Point], f: &dyn Fn(&Point) -> f64, at: f64| {
        let way = at - mean(all, f);
        way * way
    };
    let dx = own[0]
        + s2 / c.len() as f64
        + tilt_x * lever(&c, &|p| p.z, middle)
        + turn * lever(&c, &|p| p.y, centre.y);
    let dy = own[1]
        + s2 / b.len() as f64
        + tilt_y * lever(&b, &|p| p.z, middle)
        + turn * lever(&b, &|p| p.x, centre.x);
    [dx, dy]
}

#[test]
fn coordinates_of_holes_are_unbiased_and_as_certain_as_the_points_allow() {
    let scans: u64 = std::env::var("DATUM_SCANS").ok().and_then(|v| v.parse().ok()).unwrap_or(40);
    let bench = Bench {
        rows: vec![vec![Cell::Hole(RADIUS_MM), Cell::Plain], vec![Cell::Plain, Cell::Hole(RADIUS_MM)]],
    };
    let nominal = bench.nominal();
    let mut text = String::from(
        "schema_version = 1\npart = \"bench\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\nobject = \"part\"\n\
         standard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\n[nominal]\nfile = \"bench.stl\"\n",
    );
    text.push_str(&bench.features_toml());
    text.push_str(
        "[[datum_system]]\nid = \"ABC\"\ndatum = [ { letter = \"A\", feature = \"A\", association = \"least_squares\" }, { letter = \"B\", \
         feature = \"B\", association = \"least_squares\" }, { letter = \"C\", feature = \"C\", association = \"least_squares\" } ]\n",
    );
    let holes = [("H00", bench.centre(0, 0)), ("H11", bench.centre(1, 1))];
    for (hole, _) in holes {
        text.push_str(&format!(
            "[[characteristic]]\nnumber = \"{hole}\"\nfeature = \"{hole}\"\nposition = {{ zone_diameter_mm = 0.5 }}\ndatum_system = \"ABC\"\n"
        ));
    }
    let (_, plan) = plan::check_toml(&text).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap();
    let one = |seed: u64| -> Vec<[f64; 2]> {
        let pose = pose(seed);
        let scan = bench.scan(SPACING_MM, NOISE_MM, seed, &pose, |_, p, _| *p);
        let part = ScanPart::Placement(pose.inverse());
        let sources = [ScanSource { scan: &scan, sha256: "scan".into(), part }];
        let found = inspect(&quiet(), &Job::of_scans(&nominal, &plan, &faces, &sources)).unwrap();
        found
            .record
            .evaluations
            .iter()
            .map(|e| {
                e.components
                    .map(|c| [c.dx_mm, c.dy_mm])
                    .unwrap_or_else(|| panic!("seed {seed}: {}", e.reason))
            })
            .collect()
    };
    let all: Vec<Vec<[f64; 2]>> = (1..=scans).into_par_iter().map(one).collect();
    // The bound changes little from scan to scan: the first one's points stand for all.
    let points = bench.sampled(SPACING_MM, &mut Random::seeded(1));
    let n = scans as f64;
    let (mut given, mut used) = (0.0f64, 0.0f64);
    for (k, (hole, centre)) in holes.iter().enumerate() {
        // The whole wall, and that between the strips of a tenth of the depth that are left out.
        let best = bound(&points, hole, *centre, 0.0);
        let inner = bound(&points, hole, *centre, 0.1 * THICK_MM);
        for axis in 0..2 {
            let mean = all.iter().map(|s| s[k][axis]).sum::<f64>() / n;
            let square = all.iter().map(|s| s[k][axis] * s[k][axis]).sum::<f64>() / n;
            // Three standard errors of the mean beside the bar.
            assert!(mean.abs() <= 0.001 + 3.0 * (best[axis] / n).sqrt(), "{hole} {axis}: bias {mean}");
            println!(
                "{hole} {}: bias {mean:.5} mm, rms {:.5}, of all wall points {:.3}, of those used {:.3}",
                ["x", "y"][axis],
                square.sqrt(),
                (square / best[axis]).sqrt(),
                (square / inner[axis]).sqrt()
            );
            given += square / best[axis] / 4.0;
            used += square / inner[axis] / 4.0;
        }
    }
    let (given, used) = (given.sqrt(), used.sqrt());
    println!("rms over the bound, {scans} scans: {given:.3} of all wall points, {used:.3} of those used");
    // One in a thousand random sets of so many scans exceeds this by chance: 3 standard errors of an rms.
    assert!(used <= 1.15 * (1.0 + 3.0 / (2.0 * 4.0 * n).sqrt()), "{used}");
}
