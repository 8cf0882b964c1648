//! The files of a session, made once and deterministic, and how they are read back for the Rust side.

use crate::brute;
use crate::scans::{self, Made, ScanFromPart, Wish};
use crate::sheet::{self, Mesh};
use anyhow::{Context, Result};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, Point, TriangleMesh};
use serde_json::{Value, json};
use std::fs;
use std::io::{BufWriter, Write};
use std::path::Path;

/// Name, triangles wanted, and how many queries are checked by brute force.
const MESHES: [(&str, f64, usize); 4] =
    [("20k", 20e3, 10_000), ("200k", 200e3, 10_000), ("1m", 1e6, 10_000), ("4m", 4e6, 1000)];

/// Name, points wanted, warped, cut, pose.
const SCANS: [(&str, f64, bool, bool, Pose); 9] = [
    ("200k_fine", 200e3, true, false, Pose::Near),
    ("200k_fine_still", 200e3, false, false, Pose::Near),
    ("2m_fine", 2e6, true, false, Pose::Near),
    ("5m_fine", 5e6, true, false, Pose::Near),
    ("200k_any", 200e3, true, false, Pose::Any),
    ("200k_any_cut", 200e3, true, true, Pose::Any),
    ("1m_any", 1e6, true, false, Pose::Any),
    ("5m_any", 5e6, true, false, Pose::Any),
    ("20m_any", 20e6, true, false, Pose::Any),
];

#[derive(Clone, Copy)]
enum Pose {
    Near,
    Any,
}

/// Poses that the search is tried from, beside the scan's own.
const POSES: usize = 20;

/// Makes what is missing; `brief` leaves out what is largest (4 million triangles, 20 million points).
pub fn make(dir: &Path, brief: bool) -> Result<()> {
    fs::create_dir_all(dir)?;
    for (name, wanted, _) in MESHES {
        if brief && name == "4m" || dir.join(format!("panel_{name}.f.u32")).exists() {
            continue;
        }
        let mesh = sheet::mesh(wanted)?;
        write_stl(&dir.join(format!("panel_{name}.stl")), &mesh)?;
        write_numbers(
            &dir.join(format!("panel_{name}.v.f32")),
            mesh.vertices.iter().flatten(),
            f32::to_le_bytes,
        )?;
        write_numbers(
            &dir.join(format!("panel_{name}.f.u32")),
            mesh.triangles.iter().flatten(),
            u32::to_le_bytes,
        )?;
        eprintln!("panel {name}: {} triangles", mesh.triangles.len());
    }
    if !dir.join("near_outliers.f32").exists() {
        let wish = Wish { points: 1e6, warped: true, outliers: false, cut: false };
        let scan = scans::scan(wish, &Motion::identity(), 7);
        write_points(&dir.join("near_scan.f32"), &scan.points)?;
        let mut shuffled = scan.points;
        let mut random = Random::seeded(8);
        for i in (1..shuffled.len()).rev() {
            shuffled.swap(i, random.below(i + 1));
        }
        write_points(&dir.join("near_shuffled.f32"), &shuffled)?;
        let scan = scans::scan(Wish { outliers: true, ..wish }, &Motion::identity(), 7);
        write_points(&dir.join("near_outliers.f32"), &scan.points)?;
        eprintln!("queries: {} points", scan.points.len());
    }
    let mut truth = serde_json::Map::new();
    for (i, (name, points, warped, cut, pose)) in SCANS.into_iter().enumerate() {
        let pose = match pose {
            Pose::Near => scans::pose(2.0, 5.0),
            Pose::Any => scans::pose(150.0, 500.0),
        };
        truth.insert(format!("scan_{name}"), rows(&pose));
        let path = dir.join(format!("scan_{name}.ply"));
        if brief && name == "20m_any" || path.exists() {
            continue;
        }
        let scan = scans::scan(Wish { points, warped, outliers: true, cut }, &pose, 100 + i as u64);
        eprintln!("scan {name}: {} points", scan.points.len());
        write_ply(&path, &scan)?;
    }
    let poses: Vec<Value> = scans::random_poses(POSES, 150.0, 500.0).iter().map(rows).collect();
    truth.insert("poses".into(), poses.into());
    fs::write(dir.join("truth.json"), serde_json::to_string_pretty(&Value::Object(truth))?)?;
    for (name, _, checked) in MESHES {
        for order in ["scan", "shuffled", "outliers"] {
            let path = dir.join(format!("exact_{name}_{order}.f64"));
            if !dir.join(format!("panel_{name}.f.u32")).exists() || path.exists() {
                continue;
            }
            let queries = queries(dir, order)?;
            let checked = if order == "scan" { checked } else { 1000 };
            let exact = brute::distances(&mesh(dir, name)?, &chosen(&queries, checked));
            write_numbers(&path, &exact, f64::to_le_bytes)?;
            eprintln!("by brute force: {name}, {order}");
        }
    }
    Ok(())
}

/// `count` of the queries, evenly spread over their order; the Python side takes the same.
pub fn chosen<T: Copy>(all: &[T], count: usize) -> Vec<T> {
    (0..count).map(|i| all[i * all.len() / count]).collect()
}

fn rows(pose: &ScanFromPart) -> Value {
    let (r, t) = pose.rows();
    let row = |i: usize| json!([r[i][0], r[i][1], r[i][2], t[i]]);
    json!([row(0), row(1), row(2)])
}

/// A pose as [`rows`] writes it.
pub fn pose_of(value: &Value) -> Result<ScanFromPart> {
    let number = |i: usize, j: usize| value[i][j].as_f64().context("a pose has 3 rows of 4 numbers");
    let mut turn = scantling_core::geometry::Matrix3::zeros();
    let mut shift = scantling_core::geometry::Vector::zeros();
    for i in 0..3 {
        for j in 0..3 {
            turn[(i, j)] = number(i, j)?;
        }
        shift[i] = number(i, 3)?;
    }
    Motion::new(turn, shift).context("a pose that is no rigid motion")
}

pub fn truth(dir: &Path) -> Result<Value> {
    Ok(serde_json::from_str(&fs::read_to_string(dir.join("truth.json"))?)?)
}

pub fn mesh(dir: &Path, name: &str) -> Result<TriangleMesh> {
    let vertices = points(&dir.join(format!("panel_{name}.v.f32")))?;
    let bytes = fs::read(dir.join(format!("panel_{name}.f.u32")))?;
    let corner = |b: &[u8]| u32::from_le_bytes([b[0], b[1], b[2], b[3]]);
    let triangles = bytes.chunks_exact(12).map(|b| [corner(b), corner(&b[4..]), corner(&b[8..])]).collect();
    Ok(TriangleMesh::new(vertices, triangles)?)
}

/// Points near the panel, in its own frame.
pub fn queries(dir: &Path, order: &str) -> Result<Vec<Point>> {
    points(&dir.join(format!("near_{order}.f32")))
}

fn points(path: &Path) -> Result<Vec<Point>> {
    let bytes = fs::read(path).with_context(|| format!("{}", path.display()))?;
    let number = |b: &[u8]| f64::from(f32::from_le_bytes([b[0], b[1], b[2], b[3]]));
    Ok(bytes.chunks_exact(12).map(|b| Point::new(number(b), number(&b[4..]), number(&b[8..]))).collect())
}

/// The distances that brute force found for [`chosen`] queries.
pub fn exact(dir: &Path, mesh: &str, order: &str) -> Result<Vec<f64>> {
    let bytes = fs::read(dir.join(format!("exact_{mesh}_{order}.f64")))?;
    let (all, _) = bytes.as_chunks::<8>();
    Ok(all.iter().map(|b| f64::from_le_bytes(*b)).collect())
}

pub fn write_numbers<'a, T: Copy + 'a, const N: usize>(
    path: &Path,
    numbers: impl IntoIterator<Item = &'a T>,
    bytes: fn(T) -> [u8; N],
) -> Result<()> {
    let mut out = BufWriter::new(fs::File::create(path)?);
    for &n in numbers {
        out.write_all(&bytes(n))?;
    }
    Ok(out.flush()?)
}

fn write_points(path: &Path, points: &[[f32; 3]]) -> Result<()> {
    write_numbers(path, points.iter().flatten(), f32::to_le_bytes)
}

fn write_ply(path: &Path, scan: &Made) -> Result<()> {
    let mut out = BufWriter::new(fs::File::create(path)?);
    write!(out, "ply\nformat binary_little_endian 1.0\nelement vertex {}\n", scan.points.len())?;
    for name in ["x", "y", "z", "nx", "ny", "nz"] {
        writeln!(out, "property float {name}")?;
    }
    writeln!(out, "end_header")?;
    for (p, n) in scan.points.iter().zip(&scan.normals) {
        for v in p.iter().chain(n) {
            out.write_all(&v.to_le_bytes())?;
        }
    }
    Ok(out.flush()?)
}

fn write_stl(path: &Path, mesh: &Mesh) -> Result<()> {
    let mut out = BufWriter::new(fs::File::create(path)?);
    out.write_all(&[b' '; 80])?;
    out.write_all(&(mesh.triangles.len() as u32).to_le_bytes())?;
    for t in &mesh.triangles {
        // The normal is left to the corners, as the format allows.
        out.write_all(&[0; 12])?;
        for v in t.iter().flat_map(|&c| mesh.vertices[c as usize]) {
            out.write_all(&v.to_le_bytes())?;
        }
        out.write_all(&[0; 2])?;
    }
    Ok(out.flush()?)
}
