//! How often the demo part is found: `cargo run --release -p scantling-core --example poses -- COUNT SEED`.
//!
//! Each pose is tried with and without normals, whole and with 30 % cut off, with noise, a smooth warp and
//! some clutter. Right means within 0.5 mm, at the corners of the nominal's box, of where the same descent
//! ends that starts from the true pose.

use scantling_core::align::{LocateSettings, locate_points, settle};
use scantling_core::geometry::{
    Aabb, Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector, math, random::Random,
};
use scantling_core::run::quiet;
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::WindowSurround;
use std::time::{Duration, Instant};

struct View {
    name: &'static str,
    from: Option<Vector>,
    unseen: f64,
    with_normals: bool,
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<u64>().ok());
    let count = arguments.next().unwrap_or(5);
    let seed = arguments.next().unwrap_or(1);
    let points = arguments.next().unwrap_or(300_000) as usize;
    let mesh = WindowSurround::default().mesh();
    let begin = Instant::now();
    let tree = SurfaceTree::new(&mesh);
    println!("{} triangles, tree in {:.2?}", mesh.triangles().len(), begin.elapsed());
    let front = Some(Vector::new(0.1, -0.15, 0.98));
    let back = Some(Vector::new(-0.1, 0.1, -0.98));
    for view in [
        View { name: "front", from: front, unseen: 0.0, with_normals: true },
        View { name: "front, 30 % unseen", from: front, unseen: 0.3, with_normals: true },
        View { name: "back, 30 % unseen", from: back, unseen: 0.3, with_normals: true },
        View { name: "both sides", from: None, unseen: 0.0, with_normals: true },
        View { name: "front, no normals", from: front, unseen: 0.0, with_normals: false },
        View { name: "front, 30 % unseen, no normals", from: front, unseen: 0.3, with_normals: false },
        View { name: "back, no normals", from: back, unseen: 0.0, with_normals: false },
    ] {
        let (mut right, mut wrong, mut open) = (0, 0, 0);
        let mut slowest = Duration::ZERO;
        let mut total = Duration::ZERO;
        let mut least = u64::MAX;
        for n in 0..count {
            let seed = seed * 10_000 + n;
            let (scan, normals, truth) = scan(&mesh, &view, points, seed);
            let normals = view.with_normals.then_some(&normals[..]);
            let settings = LocateSettings::default();
            let begin = Instant::now();
            let answer = locate_points(&quiet(), &mesh, &tree, &scan, normals, &settings);
            total += begin.elapsed();
            slowest = slowest.max(begin.elapsed());
            let best = settle(&mesh, &tree, &scan, normals, &truth, &settings);
            match answer {
                Ok(found) => {
                    let mine = settle(&mesh, &tree, &scan, normals, &found.part_from_scan, &settings);
                    let off = apart_mm(&mine, &best, &mesh.bounds());
                    let before = apart_mm(&found.part_from_scan, &best, &mesh.bounds());
                    least = least.min(found.evidence_for);
                    if off < 0.5 {
                        right += 1;
                    } else {
                        wrong += 1;
                        println!("  seed {seed}: WRONG by {off:.3} mm ({before:.3} before): {found:?}");
                    }
                }
                Err(e) => {
                    open += 1;
                    println!("  seed {seed}: {e}");
                }
            }
        }
        println!(
            "{}: {right} right, {wrong} wrong, {open} not answered of {count}; {:.2?} mean, {slowest:.2?} slowest; least evidence {least}",
            view.name,
            total / count.max(1) as u32
        );
    }
}

fn apart_mm(a: &Motion<PartFrame, ScanFrame>, b: &Motion<PartFrame, ScanFrame>, bounds: &Aabb) -> f64 {
    let relative = *a * b.inverse();
    bounds.corners().iter().map(|c| (relative.point(c) - c).norm()).fold(0.0, f64::max)
}

/// Points, normals and the true pose.
fn scan(
    mesh: &TriangleMesh,
    view: &View,
    count: usize,
    seed: u64,
) -> (Vec<Point>, Vec<Direction>, Motion<PartFrame, ScanFrame>) {
    let mut random = Random::seeded(seed);
    let bounds = mesh.bounds();
    let shift = Vector::from_fn(|_, _| random.range(-500.0, 500.0));
    let scan_from_part = Motion::from_turn_and_shift(random.turn(), shift);
    let from = view.from.and_then(Direction::new);
    let mut seen = Vec::new();
    let mut sum = 0.0;
    for t in 0..mesh.triangles().len() as u32 {
        if let Some(n) = mesh.normal(t).filter(|n| from.is_none_or(|d| n.dot(d) > 0.17)) {
            sum += mesh.area(t);
            seen.push((sum, t, n));
        }
    }
    let mut made: Vec<(Point, Direction)> = Vec::new();
    for _ in 0..count {
        let at = random.range(0.0, sum);
        let (_, t, n) = seen[seen.partition_point(|s| s.0 < at).min(seen.len() - 1)];
        let [a, b, c] = mesh.corners(t);
        let (mut u, mut v) = (random.unit(), random.unit());
        if u + v > 1.0 {
            (u, v) = (1.0 - u, 1.0 - v);
        }
        let p = a + (b - a) * u + (c - a) * v;
        let (x, y) = ((p.x - bounds.low.x) / bounds.size().x, (p.y - bounds.low.y) / bounds.size().y);
        let warp = 0.3 * math::sin(5.0 * x) * math::cos(4.0 * y);
        let noise = 0.03 * random.normal();
        let tilt = Vector::from_fn(|_, _| 0.05 * random.normal());
        let normal = Direction::new(n.vector() + tilt).unwrap_or(n);
        made.push((p + Vector::new(0.0, 0.0, warp) + n.vector() * noise, normal));
    }
    let cut = random.direction().vector();
    made.sort_by(|a, b| a.0.coords.dot(&cut).total_cmp(&b.0.coords.dot(&cut)));
    made.truncate(((1.0 - view.unseen) * count as f64) as usize);
    for i in 0..count / 30 {
        let at = i * 7919 % made.len();
        let out = random.direction().vector() * bounds.diagonal() * random.range(0.2, 0.6);
        made[at].0 = bounds.centre() + out;
    }
    let points = made.iter().map(|(p, _)| scan_from_part.point(p)).collect();
    let normals = made.iter().map(|(_, n)| scan_from_part.direction(*n)).collect();
    (points, normals, scan_from_part.inverse())
}
