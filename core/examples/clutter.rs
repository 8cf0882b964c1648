//! How often one part is found among other things: `cargo run --release -p scantling-core --example clutter
//! -- COUNT SEED SPACING_MM`.
//!
//! Each scan holds one window surround, of which 30 % at one end is cut off, and clutter of a tenth of its
//! points: boxes against it and stray points; every other scan has a table with clamps, and every other pair
//! no normals. Right means within 0.5 mm, at the corners of the nominal's box, of where the same descent ends
//! that starts from the true pose. Then parts of other sizes and of the other hand, which must not be found.

use scantling_core::align::{LocateError, LocateSettings, locate, settle};
use scantling_core::geometry::{
    Aabb, Direction, Motion, PartFrame, Point, ScanFrame, Vector, random::Random,
};
use scantling_core::nominal::Nominal;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::{Origin, Scanner, WindowSurround, arrangement, demo_parts};
use std::time::Instant;

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<f64>().ok());
    let count = arguments.next().unwrap_or(3.0) as u64;
    let first = arguments.next().unwrap_or(1.0) as u64;
    let spacing_mm = arguments.next().unwrap_or(2.0);
    let mesh = WindowSurround::default().mesh();
    let nominal = Nominal::from_mesh(
        RawScan {
            points: mesh.vertices().to_vec(),
            triangles: mesh.triangles().to_vec(),
            ..RawScan::default()
        },
        LengthUnit::Millimetre,
        None,
        &quiet(),
    )
    .expect("the demo's nominal");
    let mesh = nominal.mesh();
    let tree = SurfaceTree::new(mesh);
    let settings = LocateSettings::default();
    let (mut right, mut open, mut wrong, mut refused) = (0, 0, 0, 0);
    for seed in first..first.saturating_add(count) {
        let table = seed % 2 == 0;
        let with_normals = seed / 2 % 2 == 0;
        let (points, normals, truth) = cluttered(seed, spacing_mm, table);
        let scan = as_scan(points, with_normals.then_some(&normals[..]));
        let begin = Instant::now();
        let answer = locate(&quiet(), &nominal, &tree, &scan, &settings);
        let seconds = begin.elapsed().as_secs_f64();
        let what = format!("seed {seed}, table {table}, normals {with_normals}, {seconds:.1} s");
        match answer {
            Ok(found) => {
                // The part's own points: what lies near it under the true pose.
                let near: Vec<usize> = (0..scan.points().len())
                    .filter(|&i| tree.nearest(&truth.point(&scan.points().at(i)), 1.2).is_some())
                    .collect();
                let points: Vec<Point> = near.iter().map(|&i| scan.points().at(i)).collect();
                let normals: Option<Vec<Direction>> =
                    scan.normals().map(|n| near.iter().map(|&i| n.at(i)).collect());
                let ends = |from: &Motion<PartFrame, ScanFrame>| {
                    settle(mesh, &tree, &points, normals.as_deref(), from, &settings)
                };
                let off = apart_mm(&ends(&found.part_from_scan), &ends(&truth), &mesh.bounds());
                let raw = apart_mm(&found.part_from_scan, &ends(&truth), &mesh.bounds());
                println!("{what}: {off:.3} mm ({raw:.3} as found), explained {:.2}", found.explained);
                if off < 0.5 { right += 1 } else { wrong += 1 }
            }
            Err(e) => {
                match e {
                    LocateError::Undetermined { .. } | LocateError::HandOpen { .. } => open += 1,
                    _ => refused += 1,
                }
                println!("{what}: {e}");
            }
        }
    }
    println!("{right} right, {open} undetermined, {refused} refused, {wrong} wrong of {count}");
    if std::env::args().any(|a| a == "others") {
        let mut found = 0;
        for seed in first..first.saturating_add(count) {
            let size = [0.85, 0.95, 0.98, 1.02, 1.05, 1.15][seed as usize % 6];
            let (points, normals) = other(seed, spacing_mm, size);
            let scan = as_scan(points, Some(&normals));
            let begin = Instant::now();
            let answer = locate(&quiet(), &nominal, &tree, &scan, &settings);
            found += u32::from(answer.is_ok());
            let seconds = begin.elapsed().as_secs_f64();
            match answer {
                Ok(l) => println!("seed {seed}, size {size}: FOUND {l:?}"),
                Err(e) => println!("seed {seed}, size {size}, {seconds:.1} s: {e}"),
            }
        }
        println!("{found} of {count} other parts taken for this one");
    }
}

fn as_scan(points: Vec<Point>, normals: Option<&[Direction]>) -> Scan {
    let normals = normals.map(|n| n.iter().map(|n| n.vector()).collect());
    let raw = RawScan { points, normals, ..RawScan::default() };
    Scan::new(raw, LengthUnit::Millimetre, &quiet()).expect("simulated points are a scan")
}

/// A part of another size (1: of the other hand) by itself, seen from the front.
fn other(seed: u64, spacing_mm: f64, size: f64) -> (Vec<Point>, Vec<Direction>) {
    let demo = demo_parts(seed, size);
    let scanner = Scanner::front(spacing_mm, 0.03, seed);
    let scan =
        scanner.scan(&demo.good.made, &demo.good.scan_from_part).expect("the demo part can be scanned");
    if !seed.is_multiple_of(3) {
        return (scan.points, scan.normals);
    }
    // Every third is this part of the other hand instead.
    let demo = demo_parts(seed, 1.0);
    let scan =
        scanner.scan(&demo.good.made, &demo.good.scan_from_part).expect("the demo part can be scanned");
    let points = scan.points.iter().map(|p| Point::new(-p.x, p.y, p.z)).collect();
    (points, scan.normals.iter().map(|n| n.reflected_x()).collect())
}

type Cluttered = (Vec<Point>, Vec<Direction>, Motion<PartFrame, ScanFrame>);

fn cluttered(seed: u64, spacing_mm: f64, table: bool) -> Cluttered {
    let made = arrangement(seed, 1, 0, 0);
    let scan = made.scan(spacing_mm).expect("the arrangement can be scanned");
    let truth = made.parts[0].part.scan_from_part.inverse();
    let mut random = Random::seeded(seed);
    let along = random.direction().vector();
    let mut part: Vec<(Point, Direction)> = Vec::new();
    let mut rest: Vec<(Point, Direction)> = Vec::new();
    for ((p, n), origin) in scan.points.iter().zip(&scan.normals).zip(&scan.origin) {
        match origin {
            Origin::Part(_) => part.push((*p, *n)),
            _ if table => rest.push((*p, *n)),
            _ => {}
        }
    }
    part.sort_by(|a, b| a.0.coords.dot(&along).total_cmp(&b.0.coords.dot(&along)));
    part.truncate(part.len() * 7 / 10);
    let budget = part.len() / 10;
    let mut clutter: Vec<(Point, Direction)> = Vec::new();
    let all = Aabb::of(part.iter().map(|m| &m.0));
    while clutter.len() < budget {
        // A box whose one corner is a point of the part, as something that leans against it.
        let corner = part[random.below(part.len())].0;
        let turn = Motion::<ScanFrame, ScanFrame>::from_turn_and_shift(random.turn(), Vector::zeros());
        let size = [0, 1, 2].map(|_| random.range(15.0, 60.0));
        let axes = [Vector::x(), Vector::y(), Vector::z()].map(|a| turn.vector(&a));
        for k in 0..3 {
            let (u, v) = (axes[(k + 1) % 3] * size[(k + 1) % 3], axes[(k + 2) % 3] * size[(k + 2) % 3]);
            let Some(normal) = Direction::new(axes[k]) else { continue };
            let from = corner + axes[k] * size[k];
            for _ in 0..(size[(k + 1) % 3] * size[(k + 2) % 3] / (spacing_mm * spacing_mm)) as usize {
                clutter.push((from + u * random.unit() + v * random.unit(), normal));
            }
        }
        for _ in 0..20 {
            let stray = Point::from(Vector::from_fn(|a, _| random.range(all.low[a], all.high[a])));
            clutter.push((stray, random.direction()));
        }
    }
    clutter.truncate(budget);
    part.extend(clutter);
    part.extend(rest);
    let (points, normals) = part.into_iter().unzip();
    (points, normals, truth)
}

fn apart_mm(a: &Motion<PartFrame, ScanFrame>, b: &Motion<PartFrame, ScanFrame>, bounds: &Aabb) -> f64 {
    let relative = *a * b.inverse();
    bounds.corners().iter().map(|c| (relative.point(c) - c).norm()).fold(0.0, f64::max)
}
