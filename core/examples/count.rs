//! One case of the measuring kernel, small enough to count its instructions; `tests/run counts` holds the counts
//! against `tests/data/counts.txt`.
//!
//! `cargo run -p scantling-core --example count -- CASE`

use std::hint::black_box;

use scantling_core::align::{FineSettings, LocateSettings, fine, locate};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Direction, Motion, Point, ScanFrame, TriangleMesh, math};
use scantling_core::nominal::{Nominal, Side};
use scantling_core::read::{RawScan, read};
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::{SurfaceTree, normals};
use scantling_core::simulate::{write_ply, write_stl};

type Fault = Box<dyn std::error::Error>;

/// A case that is made ready, and what is counted of it.
type Case = (&'static str, fn() -> Result<Counted, Fault>);
type Counted = Box<dyn FnOnce() -> Result<(), Fault>>;

const CASES: [Case; 8] = [
    ("build", build),
    ("closest", closest),
    ("closest_shuffled", closest_shuffled),
    ("normals", point_normals),
    ("read_ply", read_ply),
    ("read_stl", read_stl),
    ("fine", fine_fit),
    ("locate", located),
];

fn main() -> Result<(), Fault> {
    // The thread that is counted does all the work.
    rayon::ThreadPoolBuilder::new().num_threads(1).use_current_thread().build_global()?;
    let wanted = std::env::args().nth(1);
    let Some((_, case)) = CASES.iter().find(|(name, _)| Some(*name) == wanted.as_deref()) else {
        for (name, _) in CASES {
            println!("{name}");
        }
        return Ok(());
    };
    counted(case()?)
}

/// What the counting tool looks for by its name.
#[inline(never)]
fn counted(work: Counted) -> Result<(), Fault> {
    let done = work();
    black_box(&done);
    done
}

fn height(x: f64, y: f64) -> f64 {
    x * x / 2400.0 + y * y / 1600.0 + 6.0 * math::sin(x / 90.0) * math::cos(y / 70.0)
}

/// Whether the panel, with a corner cut off, a window and two holes, has material there.
fn inside(x: f64, y: f64) -> bool {
    let hole = |at: [f64; 2], r: f64| (x - at[0]) * (x - at[0]) + (y - at[1]) * (y - at[1]) < r * r;
    let window = (20.0..150.0).contains(&x) && (-40.0..60.0).contains(&y);
    !(x + y > 330.0 || window || hole([-180.0, 90.0], 14.0) || hole([-90.0, -120.0], 22.0))
}

fn panel() -> Result<TriangleMesh, Fault> {
    let (along, across) = (120u32, 80u32);
    let place = |i: u32, j: u32| {
        (-300.0 + 600.0 * f64::from(i) / f64::from(along), -200.0 + 400.0 * f64::from(j) / f64::from(across))
    };
    let (mut vertices, mut triangles) = (Vec::new(), Vec::new());
    for j in 0..=across {
        for i in 0..=along {
            let (x, y) = place(i, j);
            vertices.push(Point::new(x, y, height(x, y)));
        }
    }
    for j in 0..across {
        for i in 0..along {
            let (x, y) = place(i, j);
            if inside(x + 2.5, y + 2.5) {
                let a = j * (along + 1) + i;
                let b = a + along + 1;
                triangles.extend([[a, a + 1, b + 1], [a, b + 1, b]]);
            }
        }
    }
    Ok(TriangleMesh::new(vertices, triangles)?)
}

/// In lines of a scanner, with noise.
fn points(spacing_mm: f64) -> Vec<Point> {
    let mut random = Random::seeded(1);
    let (along, across) = ((600.0 / spacing_mm) as u32, (400.0 / spacing_mm) as u32);
    let mut points = Vec::new();
    for j in 0..across {
        for i in 0..along {
            let (x, y) =
                (-300.0 + spacing_mm * (f64::from(i) + 0.5), -200.0 + spacing_mm * (f64::from(j) + 0.5));
            if inside(x, y) {
                points.push(Point::new(x, y, height(x, y) + 0.02 * random.normal()));
            }
        }
    }
    points
}

fn build() -> Result<Counted, Fault> {
    let mesh = panel()?;
    Ok(Box::new(move || {
        black_box(SurfaceTree::new(&mesh));
        Ok(())
    }))
}

fn distances(points: Vec<Point>) -> Result<Counted, Fault> {
    let mesh: &'static TriangleMesh = Box::leak(Box::new(panel()?));
    let tree = SurfaceTree::new(mesh);
    Ok(Box::new(move || {
        black_box(tree.nearest_each(&points, f64::INFINITY, |_, foot| foot.map(|f| f.distance)));
        Ok(())
    }))
}

fn closest() -> Result<Counted, Fault> {
    distances(points(3.0))
}

fn closest_shuffled() -> Result<Counted, Fault> {
    let mut points = points(3.0);
    let mut random = Random::seeded(2);
    for i in (1..points.len()).rev() {
        points.swap(i, random.below(i + 1));
    }
    distances(points)
}

fn point_normals() -> Result<Counted, Fault> {
    let points = points(4.0);
    Ok(Box::new(move || {
        black_box(normals(&points, 20, None, &quiet())?);
        Ok(())
    }))
}

fn read_file(file: Vec<u8>) -> Counted {
    Box::new(move || {
        black_box(read(&file, &quiet())?);
        Ok(())
    })
}

fn read_ply() -> Result<Counted, Fault> {
    let points = points(2.0);
    let up = vec![Direction::Z; points.len()];
    Ok(read_file(write_ply(&points, &up)))
}

fn read_stl() -> Result<Counted, Fault> {
    Ok(read_file(write_stl(&panel()?)))
}

/// Nominal, its tree and a scan that lies elsewhere.
fn aside(spacing_mm: f64) -> Result<(&'static Nominal, SurfaceTree, Scan), Fault> {
    let mesh = panel()?;
    let raw = RawScan {
        points: mesh.vertices().to_vec(),
        triangles: mesh.triangles().to_vec(),
        ..RawScan::default()
    };
    let side = Some(Side::BehindNormal);
    let nominal: &'static Nominal =
        Box::leak(Box::new(Nominal::from_mesh(raw, LengthUnit::Millimetre, side, &quiet())?));
    let turned = |p: &Point| {
        let (s, c) = (math::sin(0.03), math::cos(0.03));
        Point::new(c * p.x - s * p.y + 3.0, s * p.x + c * p.y - 4.0, p.z + 5.0)
    };
    let raw = RawScan { points: points(spacing_mm).iter().map(turned).collect(), ..RawScan::default() };
    let scan = Scan::new(raw, LengthUnit::Millimetre, &quiet())?;
    Ok((nominal, SurfaceTree::new(nominal.mesh()), scan))
}

fn fine_fit() -> Result<Counted, Fault> {
    let (nominal, tree, scan) = aside(3.0)?;
    let start: Motion<_, ScanFrame> = Motion::identity();
    Ok(Box::new(move || {
        black_box(fine(&quiet(), nominal, &tree, &scan, start, &FineSettings::default())?);
        Ok(())
    }))
}

fn located() -> Result<Counted, Fault> {
    let (nominal, tree, scan) = aside(8.0)?;
    Ok(Box::new(move || {
        black_box(locate(&quiet(), nominal, &tree, &scan, &LocateSettings::default())?);
        Ok(())
    }))
}
