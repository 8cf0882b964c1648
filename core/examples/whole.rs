//! The whole way from two files to the deviation of every point: seconds of wall and of processor of each step, and
//! the largest memory so far.
//!
//! `cargo run --release -p scantling-core --example whole -- [--points 5000000] [--near]` for generated files, or
//! `... --example whole -- --files SCAN NOMINAL [--near]`. `--near`: the scan lies nearly in place and is not located;
//! `--normals`: normals of all points too, at the end.

mod cost;

use std::time::Instant;

use cost::{memory_mib, processor_s};
use scantling_core::align::{FineSettings, LocateSettings, fine, locate};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector};
use scantling_core::nominal::{Nominal, Side};
use scantling_core::read::{TextLayout, read, take};
use scantling_core::run::{Limits, Run, quiet};
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::{SurfaceTree, normals};
use scantling_core::simulate::window_surround::WindowSurround;
use scantling_core::simulate::{write_ply, write_stl};

type Fault = Box<dyn std::error::Error>;

/// Does it and tells what it cost.
fn step<T>(name: &str, work: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
    let (begin, start) = (processor_s(), Instant::now());
    let made = work()?;
    println!(
        "{name:<24} {:>7.3} s wall {:>7.2} s processor {:>7.0} MiB held {:>7.0} MiB at most so far",
        start.elapsed().as_secs_f64(),
        processor_s() - begin,
        memory_mib("VmRSS"),
        memory_mib("VmHWM")
    );
    Ok(made)
}

/// About `wanted` noisy points, evenly over the outer surface of the part, elsewhere; with their normals.
fn scanned(mesh: &TriangleMesh, wanted: usize, motion: &Motion<ScanFrame, PartFrame>) -> Vec<u8> {
    let mut random = Random::seeded(1);
    let whole: f64 = (0..mesh.triangles().len() as u32).map(|t| mesh.area(t)).sum();
    let (mut points, mut facing) = (Vec::with_capacity(wanted), Vec::with_capacity(wanted));
    for t in 0..mesh.triangles().len() as u32 {
        let Some(normal) = mesh.normal(t) else { continue };
        let [a, b, c] = mesh.corners(t);
        for _ in 0..(wanted as f64 * mesh.area(t) / whole + random.unit()) as usize {
            let (u, v) = (random.unit(), random.unit());
            let (u, v) = if u + v > 1.0 { (1.0 - u, 1.0 - v) } else { (u, v) };
            let p: Point = a + (b - a) * u + (c - a) * v + normal.vector() * (0.02 * random.normal());
            points.push(motion.point(&p));
            facing.push(motion.direction(normal));
        }
    }
    write_ply(&points, &facing)
}

fn main() -> Result<(), Fault> {
    let arguments: Vec<String> = std::env::args().collect();
    let after =
        |name: &str, n: usize| arguments.iter().position(|a| a == name).and_then(|i| arguments.get(i + n));
    let near = arguments.iter().any(|a| a == "--near");
    let run = Run { limits: Limits { file_bytes: u64::MAX, ..Limits::default() }, ..quiet() };
    let files = after("--files", 1).zip(after("--files", 2));
    let mut made = match files {
        Some(_) => None,
        None => {
            let wanted = after("--points", 1).and_then(|n| n.parse().ok()).unwrap_or(5_000_000);
            let mesh = WindowSurround::default().mesh();
            let (turn, shift) = if near { (0.03, 5.0) } else { (2.2, 400.0) };
            let motion = Motion::from_turn_and_shift(
                Vector::new(0.6, -0.5, 0.62) * turn,
                Vector::new(-0.4, 0.7, 0.5) * shift,
            );
            Some((scanned(&mesh, wanted, &motion), write_stl(&mesh)))
        }
    };
    let mut bytes = |scan: bool| -> Result<Vec<u8>, Fault> {
        Ok(match (&mut made, files) {
            (Some(made), _) => std::mem::take(if scan { &mut made.0 } else { &mut made.1 }),
            (None, Some((of_scan, of_nominal))) => std::fs::read(if scan { of_scan } else { of_nominal })?,
            (None, None) => Vec::new(),
        })
    };
    // Where that is refused the peak is that of the making of the files too.
    let _ = std::fs::write("/proc/self/clear_refs", "5");
    let (begin, start) = (processor_s(), Instant::now());
    let taken = step("read the scan", || Ok(take(&bytes(true)?, &TextLayout::default(), &run)?))?;
    let scan = step("take it in", || Ok(Scan::new(taken, LengthUnit::Millimetre, &run)?))?;
    let raw = step("read the nominal", || Ok(read(&bytes(false)?, &run)?))?;
    let nominal = step("take it in", || {
        Ok(Nominal::from_mesh(raw, LengthUnit::Millimetre, Some(Side::BehindNormal), &run)?)
    })?;
    let tree = step("tree", || Ok(SurfaceTree::new(nominal.mesh())))?;
    let pose = if near {
        Motion::identity()
    } else {
        step("locate", || {
            Ok(locate(&run, &nominal, &tree, &scan, &LocateSettings::default())?.part_from_scan)
        })?
    };
    let pose = step("fine", || {
        Ok(fine(&run, &nominal, &tree, &scan, pose, &FineSettings::default())?.part_from_scan)
    })?;
    let deviations = step("deviation", || {
        let outside =
            |t: u32, way: &Vector| nominal.mesh().normal(t).is_none_or(|n| n.vector().dot(way) >= 0.0);
        let mut all: Vec<f32> = Vec::with_capacity(scan.points().len());
        for points in scan.points().chunks(1 << 18) {
            let placed: Vec<Point> = points.iter().map(|p| pose.point(&p)).collect();
            all.extend(tree.nearest_each(&placed, f64::INFINITY, |i, foot| {
                foot.map_or(f32::NAN, |foot| {
                    let side = if outside(foot.triangle, &(placed[i] - foot.point)) { 1.0 } else { -1.0 };
                    (side * foot.distance) as f32
                })
            }));
        }
        Ok(all)
    })?;
    println!(
        "all: {:.3} s wall {:.2} s processor, {} points, {:.1} % within 0.4 mm, {} threads",
        start.elapsed().as_secs_f64(),
        processor_s() - begin,
        deviations.len(),
        100.0 * deviations.iter().filter(|d| d.abs() < 0.4).count() as f64 / deviations.len() as f64,
        rayon::current_num_threads()
    );
    if arguments.iter().any(|a| a == "--normals") {
        let found: Vec<Option<Direction>> =
            step("normals of 20", || Ok(normals(&scan.points().to_vec(), 20, None, &run)?))?;
        println!("{} normals", found.iter().flatten().count());
    }
    Ok(())
}
