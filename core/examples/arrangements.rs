//! How often several parts on one table are found: `cargo run --release -p scantling-core --example
//! arrangements -- COUNT SEED SPACING_MM`; with `bare` the normals are left out, with `close` the parts lie
//! 20 to 28 mm apart and large clamps bridge them, with `tell` each finding is shown.
//!
//! Each arrangement holds two good parts, a bad one and one of the other hand on a table with clamps. Right means within 0.5 mm, at the corners of the nominal's box, of
//! where the same descent ends that starts from the true pose.

use scantling_core::align::{Finding, InstancesSettings, LocateSettings, locate_all, settle};
use scantling_core::geometry::{
    Aabb, Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, Vector, random::Random,
};
use scantling_core::nominal::Nominal;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;
use scantling_core::simulate::{ArrangedPart, Demo, Hand, Scanner, arrangement, demo_parts, mirrored};
use std::collections::BTreeSet;
use std::time::Instant;

/// What lies where, and what was scanned of it.
struct Laid {
    nominal: TriangleMesh,
    points: Vec<Point>,
    normals: Vec<Direction>,
    /// Pose of each part and whether it is of the other hand.
    truths: Vec<(Motion<PartFrame, ScanFrame>, bool)>,
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<f64>().ok());
    let count = arguments.next().unwrap_or(3.0) as u64;
    let first = arguments.next().unwrap_or(1.0) as u64;
    let spacing_mm = arguments.next().unwrap_or(1.0);
    let with_normals = !asked("bare");
    let (mut right, mut wrong) = (0, 0);
    for seed in first..first.saturating_add(count) {
        let made = if asked("close") {
            close(&demo_parts(seed, 1.0), seed, spacing_mm)
        } else {
            apart(seed, spacing_mm)
        };
        let nominal = &made.nominal;
        let tree = SurfaceTree::new(nominal);
        let raw = RawScan {
            points: made.points.clone(),
            normals: with_normals.then(|| made.normals.iter().map(|n| n.vector()).collect()),
            ..RawScan::default()
        };
        let run = quiet();
        let scan = Scan::new(raw, LengthUnit::Millimetre, &run).expect("simulated points are a scan");
        let part = RawScan {
            points: nominal.vertices().to_vec(),
            triangles: nominal.triangles().to_vec(),
            ..RawScan::default()
        };
        let part = Nominal::from_mesh(part, LengthUnit::Millimetre, None, &run).expect("the demo's nominal");
        let begin = Instant::now();
        let found = locate_all(&run, &part, &tree, &scan, &InstancesSettings::default());
        let seconds = begin.elapsed().as_secs_f64();
        let found = match found {
            Ok(found) => found,
            Err(e) => {
                println!("seed {seed}: {e}");
                continue;
            }
        };
        let bounds = nominal.bounds();
        let mirrored = mirrored(nominal);
        let mirrored_tree = SurfaceTree::new(&mirrored);
        let mut open = made.truths.clone();
        let (mut worst, mut instances, mut hands, mut false_ones) = (0.0f64, 0, 0, 0);
        for f in &found.findings {
            match f {
                Finding::Instance(i) | Finding::OtherHand(i) => {
                    let other = matches!(f, Finding::OtherHand(_));
                    let (mesh, tree) = if other { (&mirrored, &mirrored_tree) } else { (nominal, &tree) };
                    let points: Vec<Point> = i.points.iter().map(|&p| scan.points().at(p as usize)).collect();
                    let normals: Option<Vec<Direction>> =
                        scan.normals().map(|n| i.points.iter().map(|&p| n.at(p as usize)).collect());
                    let settings = LocateSettings::default();
                    let ends = |from: &Motion<PartFrame, ScanFrame>| {
                        settle(mesh, tree, &points, normals.as_deref(), from, &settings)
                    };
                    let mine = ends(&i.part_from_scan);
                    let off = |t: &Motion<PartFrame, ScanFrame>| apart_mm(&mine, &ends(t), &mesh.bounds());
                    let nearest = open
                        .iter()
                        .enumerate()
                        .filter(|(_, t)| t.1 == other)
                        .map(|(n, t)| (off(&t.0), n))
                        .min_by(|a, b| a.0.total_cmp(&b.0));
                    match nearest {
                        Some((off, n)) if off < 0.5 => {
                            worst = worst.max(off);
                            open.remove(n);
                            if other { hands += 1 } else { instances += 1 }
                        }
                        other => {
                            false_ones += 1;
                            println!(
                                "seed {seed}: WRONG, {other:?}: seen {}, {:?}",
                                i.seen, i.part_from_scan
                            );
                        }
                    }
                    if asked("tell") {
                        println!(
                            "  explained {:.3} seen {:.3} rms {:.3} evidence {}:{} hand {:?} points {} to {:?}",
                            i.explained,
                            i.seen,
                            i.rms_mm,
                            i.evidence_for,
                            i.evidence_against,
                            i.evidence_of_hand,
                            i.points.len(),
                            bounds.size()
                        );
                    }
                }
                Finding::Undetermined(o) => {
                    println!("seed {seed}: open, {} points: {}", o.points.len(), o.why);
                }
                Finding::NotThisPart(o) => {
                    println!("seed {seed}: other, {} points: {}", o.points.len(), o.why);
                }
            }
        }
        let ok = instances == 3 && hands == 1 && false_ones == 0;
        right += u32::from(ok);
        wrong += u32::from(false_ones > 0);
        println!(
            "seed {seed}: {instances} instances, {hands} of the other hand, {false_ones} wrong, worst {worst:.3} mm, \
             {} points ({} support, {} clutter), {seconds:.1} s",
            scan.points().len(),
            found.support_points,
            found.clutter_points
        );
    }
    println!("{right} right, {wrong} wrong of {count}");
}

fn apart_mm(a: &Motion<PartFrame, ScanFrame>, b: &Motion<PartFrame, ScanFrame>, bounds: &Aabb) -> f64 {
    let relative = *a * b.inverse();
    bounds.corners().iter().map(|c| (relative.point(c) - c).norm()).fold(0.0, f64::max)
}

fn asked(word: &str) -> bool {
    std::env::args().any(|a| a == word)
}

/// The simulator's own arrangement.
fn apart(seed: u64, spacing_mm: f64) -> Laid {
    let made = arrangement(seed, 2, 1, 1);
    let scan = made.scan(spacing_mm).expect("the arrangement can be scanned");
    let truth = |p: &ArrangedPart| (p.part.scan_from_part.inverse(), p.hand == Hand::Opposite);
    let truths = made.parts.iter().map(truth).collect();
    Laid { nominal: made.nominal, points: scan.points, normals: scan.normals, truths }
}

/// Parts in two rows of two, turned a little or by half a turn, on a table of which a scanner from above
/// sees what no part and no clamp hides.
fn close(demo: &Demo, seed: u64, spacing_mm: f64) -> Laid {
    let mut random = Random::seeded(seed);
    let [length, width, _] = demo.surround.size_mm();
    let mut order = [0, 1, 2, 3];
    for i in (1..4).rev() {
        order.swap(i, random.below(i + 1));
    }
    let mut made: Vec<(Point, Direction)> = Vec::new();
    let mut truths = Vec::new();
    let mut tops: Vec<Point> = Vec::new();
    for (slot, which) in order.into_iter().enumerate() {
        let (part, other) = match which {
            0 | 1 => (&demo.good, false),
            2 => (&demo.bad, false),
            _ => (&demo.good, true),
        };
        let scanner = Scanner::front(spacing_mm, 0.03, random.next_u64());
        let own = scanner.scan(&part.made, &Motion::identity()).expect("the demo part can be scanned");
        let angle = random.range(-0.02, 0.02) + if random.unit() < 0.5 { std::f64::consts::PI } else { 0.0 };
        let turn = Motion::<ScanFrame, PartFrame>::turn_about(
            Point::new(0.5 * length, 0.5 * width, 0.0),
            Vector::new(0.0, 0.0, angle),
            Vector::zeros(),
        );
        let shift = Motion::<ScanFrame, ScanFrame>::from_turn_and_shift(
            Vector::zeros(),
            Vector::new(
                (slot % 2) as f64 * (length + 24.0)
                    + if other { length } else { 0.0 }
                    + random.range(-2.0, 2.0),
                (slot / 2) as f64 * (width + 24.0) + random.range(-2.0, 2.0),
                demo.surround.thickness_mm(),
            ),
        );
        let pose = shift
            * if other {
                // About where the mirrored part's middle lies.
                Motion::turn_about(
                    Point::new(-0.5 * length, 0.5 * width, 0.0),
                    Vector::new(0.0, 0.0, angle),
                    Vector::zeros(),
                )
            } else {
                turn
            };
        for (p, n) in own.points.iter().zip(&own.normals) {
            let (p, n) = if other { (Point::new(-p.x, p.y, p.z), n.reflected_x()) } else { (*p, *n) };
            made.push((pose.point(&p), pose.direction(n)));
        }
        truths.push((pose.inverse(), other));
        tops.extend([0.0, 1.0].map(|e| {
            let x = if other { -1.0 } else { 1.0 };
            pose.point(&Point::new(
                x * (0.35 + 0.3 * e) * length,
                if e > 0.5 { width - 4.0 } else { 4.0 },
                0.0,
            ))
        }));
        tops.push(pose.point(&Point::new(if other { -1.0 } else { 1.0 } * (length - 4.0), 0.4 * width, 0.0)));
    }
    // Clamps: boxes over the flange's edge, 50 x 40 x 30 mm, which hide what is under them.
    let mut clamps: Vec<Aabb> = Vec::new();
    for t in &tops {
        if random.unit() < 0.7 {
            let half = Vector::new(random.range(18.0, 28.0), random.range(18.0, 28.0), 0.0);
            let up = Vector::new(0.0, 0.0, random.range(15.0, 35.0));
            clamps.push(Aabb::of(&[t - half, t + half + up]));
        }
    }
    made.retain(|(p, _)| !clamps.iter().any(|c| (0..2).all(|a| p[a] > c.low[a] && p[a] < c.high[a])));
    let cell = |p: &Point| [0, 1].map(|a| (p[a] / 3.0).floor() as i64);
    let hidden: BTreeSet<[i64; 2]> = made.iter().map(|(p, _)| cell(p)).collect();
    let box_of = Aabb::of(made.iter().map(|m| &m.0));
    let noisy = |p: Point, n: Direction, random: &mut Random| (p + n.vector() * (0.03 * random.normal()), n);
    let (mut x, step) = (box_of.low.x - 120.0, spacing_mm);
    while x < box_of.high.x + 120.0 {
        let mut y = box_of.low.y - 120.0;
        while y < box_of.high.y + 120.0 {
            let p = Point::new(x + random.range(-0.2, 0.2), y + random.range(-0.2, 0.2), 0.0);
            let under = clamps.iter().any(|c| (0..2).all(|a| p[a] > c.low[a] && p[a] < c.high[a]));
            if !under && !hidden.contains(&cell(&p)) {
                made.push(noisy(p, Direction::Z, &mut random));
            }
            y += step;
        }
        x += step;
    }
    for c in &clamps {
        let size = c.size();
        for side in 0..5 {
            // Top, then the four upright sides.
            let (normal, area) = match side {
                0 => (Vector::z(), size.x * size.y),
                1 => (Vector::x(), size.y * size.z),
                2 => (-Vector::x(), size.y * size.z),
                3 => (Vector::y(), size.x * size.z),
                _ => (-Vector::y(), size.x * size.z),
            };
            let Some(normal) = Direction::new(normal) else { continue };
            for _ in 0..(area / (step * step)) as usize {
                let mut p = Point::from(c.low.coords + size.map(|s| s * random.unit()));
                for a in 0..3 {
                    let n = normal.vector()[a];
                    if n != 0.0 {
                        p[a] = if n > 0.0 { c.high[a] } else { c.low[a] };
                    }
                }
                made.push(noisy(p, normal, &mut random));
            }
        }
    }
    // How the table stood before the scanner.
    let stood = Motion::<ScanFrame, ScanFrame>::from_turn_and_shift(
        random.turn(),
        Vector::new(random.range(-500.0, 500.0), random.range(-500.0, 500.0), random.range(-500.0, 500.0)),
    );
    let back = stood.inverse();
    Laid {
        nominal: demo.nominal.clone(),
        points: made.iter().map(|m| stood.point(&m.0)).collect(),
        normals: made.iter().map(|m| stood.direction(m.1)).collect(),
        truths: truths.into_iter().map(|(t, other)| (t * back, other)).collect(),
    }
}
