//! What reading and searching cost on large generated files: seconds of wall and of processor, and the largest memory.
//!
//! `cargo run --release -p scantling-core --example large -- [--points 5000000] [--triangles 1000000] [--text]`

mod cost;

use std::time::Instant;

use cost::{memory_mib, processor_s};
use scantling_core::geometry::random::Random;
use scantling_core::read::read;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::{PointTree, clusters, normals, thin};

type Outcome = Result<(), Box<dyn std::error::Error>>;

fn argument(name: &str, otherwise: usize) -> usize {
    let all: Vec<String> = std::env::args().collect();
    all.iter().position(|a| a == name).and_then(|i| all.get(i + 1)?.parse().ok()).unwrap_or(otherwise)
}

/// Does it `rounds` times; prints the quickest wall time, mean processor time and the memory it adds at most.
fn timed<T>(
    name: &str,
    rounds: usize,
    mut work: impl FnMut() -> Result<T, Box<dyn std::error::Error>>,
) -> Outcome {
    let (mut quickest, mut added, mut processor) = (f64::INFINITY, 0f64, 0.0);
    for _ in 0..rounds {
        // Makes the peak start anew; where that is refused it is that of the whole process.
        let _ = std::fs::write("/proc/self/clear_refs", "5");
        let (held, begin, start) = (memory_mib("VmRSS"), processor_s(), Instant::now());
        let made = std::hint::black_box(work()?);
        quickest = quickest.min(start.elapsed().as_secs_f64());
        processor += processor_s() - begin;
        added = added.max(memory_mib("VmHWM") - held);
        drop(made);
    }
    println!(
        "{name:<34} {quickest:>7.3} s wall {:>7.3} s processor {added:>7.0} MiB more",
        processor / rounds as f64
    );
    Ok(())
}

/// A point of a wavy sheet and the normal there.
fn place(random: &mut Random) -> [f32; 6] {
    let (x, y) = (random.range(0.0, 1500.0), random.range(0.0, 1200.0));
    let z = 1e-4 * (x * x - y * y) + random.range(-0.02, 0.02);
    [x as f32, y as f32, z as f32, (-2e-4 * x) as f32, (2e-4 * y) as f32, 1.0]
}

fn ply(points: usize) -> Vec<u8> {
    let mut bytes = format!("ply\nformat binary_little_endian 1.0\nelement vertex {points}\n").into_bytes();
    for name in ["x", "y", "z", "nx", "ny", "nz"] {
        bytes.extend(format!("property float {name}\n").bytes());
    }
    bytes.extend(b"end_header\n");
    bytes.reserve(24 * points);
    let mut random = Random::seeded(1);
    for _ in 0..points {
        bytes.extend(place(&mut random).iter().flat_map(|c| c.to_le_bytes()));
    }
    bytes
}

/// Corners of the triangles of a grid over the sheet.
fn facets(triangles: usize) -> impl Iterator<Item = [[f32; 3]; 3]> {
    let side = ((triangles / 2) as f64).sqrt() as usize;
    let at = move |i: usize, j: usize| {
        let (x, y) = (i as f64 * 1500.0 / side as f64, j as f64 * 1200.0 / side as f64);
        [x as f32, y as f32, (1e-4 * (x * x - y * y)) as f32]
    };
    (0..side * side).flat_map(move |n| {
        let (i, j) = (n % side, n / side);
        let corner = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
        [[corner[0], corner[1], corner[2]], [corner[0], corner[2], corner[3]]]
    })
}

fn stl(triangles: usize) -> Vec<u8> {
    let mut bytes = vec![b' '; 84];
    let mut count = 0u32;
    for facet in facets(triangles) {
        bytes.extend([0; 12]);
        bytes.extend(facet.iter().flatten().flat_map(|c| c.to_le_bytes()));
        bytes.extend([0; 2]);
        count += 1;
    }
    bytes[80..84].copy_from_slice(&count.to_le_bytes());
    bytes
}

fn text_files(points: usize, triangles: usize) -> Vec<(&'static str, Vec<u8>)> {
    let mut random = Random::seeded(2);
    let rows: String = (0..points)
        .map(|_| {
            let [x, y, z, nx, ny, nz] = place(&mut random);
            format!("{x} {y} {z} {nx} {ny} {nz}\n")
        })
        .collect();
    let mut head = format!("ply\nformat ascii 1.0\nelement vertex {points}\n");
    for name in ["x", "y", "z", "nx", "ny", "nz"] {
        head += &format!("property float {name}\n");
    }
    let mut solid = String::from("solid sheet\n");
    let (mut obj, mut vertices) = (String::new(), 0);
    for [a, b, c] in facets(triangles) {
        solid += "facet normal 0 0 1\nouter loop\n";
        for [x, y, z] in [a, b, c] {
            solid += &format!("vertex {x} {y} {z}\n");
            obj += &format!("v {x} {y} {z}\n");
        }
        solid += "endloop\nendfacet\n";
        obj += &format!("f {} {} {}\n", vertices + 1, vertices + 2, vertices + 3);
        vertices += 3;
    }
    solid += "endsolid sheet\n";
    vec![
        ("PLY ascii with normals", format!("{head}end_header\n{rows}").into_bytes()),
        ("XYZ with normals", rows.into_bytes()),
        ("STL ascii", solid.into_bytes()),
        ("OBJ", obj.into_bytes()),
    ]
}

fn main() -> Outcome {
    let run = quiet();
    let (points, triangles) = (argument("--points", 5_000_000), argument("--triangles", 1_000_000));
    println!("{points} points, {triangles} triangles, {} threads", rayon::current_num_threads());
    if std::env::args().any(|a| a == "--text") {
        for (name, bytes) in text_files(points, triangles) {
            timed(&format!("read {name}, {} MiB", bytes.len() >> 20), 3, || Ok(read(&bytes, &run)?))?;
        }
        return Ok(());
    }
    let bytes = stl(triangles);
    timed("copy STL", 5, || Ok(std::hint::black_box(bytes.clone())))?;
    timed("read STL, corners merged", 5, || Ok(read(&bytes, &run)?))?;
    let bytes = ply(points);
    timed("copy PLY", 5, || Ok(std::hint::black_box(bytes.clone())))?;
    timed("read PLY with normals", 5, || Ok(read(&bytes, &run)?))?;
    timed("read PLY and make the scan", 2, || {
        Ok(Scan::new(read(&bytes, &run)?, LengthUnit::Millimetre, &run)?)
    })?;
    let cloud = read(&bytes, &run)?.points;
    drop(bytes);
    timed("tree of the points", 2, || Ok(PointTree::new(&cloud)))?;
    timed("normals of 20 neighbours", 2, || Ok(normals(&cloud, 20, None, &run)?))?;
    timed("8 nearest of each", 2, || Ok(PointTree::new(&cloud).k_nearest(8, &run)?))?;
    timed("thinned to 2 mm", 2, || Ok(thin(&cloud, 2.0)))?;
    timed("clusters at 3 mm", 2, || Ok(clusters(&cloud, 3.0, &run)?))
}
