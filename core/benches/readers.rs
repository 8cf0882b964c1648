//! Readers on generated files, beside a copy of the bytes.
//!
//! `cargo bench -p scantling-core --bench readers`

#![allow(missing_docs, clippy::unwrap_used, reason = "a bench, on data that it makes itself")]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use scantling_core::geometry::random::Random;
use scantling_core::read::read;
use scantling_core::run::quiet;

/// Places on a sheet with their normals.
fn rows(count: usize) -> Vec<[f32; 6]> {
    let mut random = Random::seeded(1);
    let mut row = |_| {
        let (x, y) = (random.range(0.0, 1500.0) as f32, random.range(0.0, 1200.0) as f32);
        [x, y, 1e-4 * x * y, -1e-4 * y, -1e-4 * x, 1.0]
    };
    (0..count).map(&mut row).collect()
}

fn ply(rows: &[[f32; 6]], format: &str) -> Vec<u8> {
    let mut head = format!("ply\nformat {format} 1.0\nelement vertex {}\n", rows.len());
    for name in ["x", "y", "z", "nx", "ny", "nz"] {
        head += &format!("property float {name}\n");
    }
    (head + "end_header\n").into_bytes()
}

fn text(rows: &[[f32; 6]]) -> Vec<u8> {
    rows.iter()
        .flat_map(|r| r.map(|c| format!("{c} ")).concat().into_bytes().into_iter().chain([b'\n']))
        .collect()
}

/// A grid of `side` by `side` squares, each of two triangles.
fn stl(side: u32) -> Vec<u8> {
    let mut bytes = vec![b' '; 80];
    bytes.extend((2 * side * side).to_le_bytes());
    for (i, j) in (0..side * side).map(|n| (n % side, n / side)) {
        for corners in [[(i, j), (i + 1, j), (i + 1, j + 1)], [(i, j), (i + 1, j + 1), (i, j + 1)]] {
            bytes.extend([0; 12]);
            for (x, y) in corners {
                bytes
                    .extend([x as f32, y as f32, 1e-3 * (x * y) as f32].iter().flat_map(|c| c.to_le_bytes()));
            }
            bytes.extend([0; 2]);
        }
    }
    bytes
}

fn readers(criterion: &mut Criterion) {
    let (many, few) = (rows(1_000_000), rows(200_000));
    let binary: Vec<u8> = many.iter().flatten().flat_map(|c| c.to_le_bytes()).collect();
    let files = [
        ("ply binary", [ply(&many, "binary_little_endian"), binary].concat()),
        ("stl binary", stl(350)),
        ("ply ascii", [ply(&few, "ascii"), text(&few)].concat()),
        ("xyz", text(&few)),
    ];
    let mut group = criterion.benchmark_group("readers");
    group.sample_size(10);
    for (name, bytes) in files {
        group.throughput(Throughput::Bytes(bytes.len() as u64));
        group.bench_function(name, |b| b.iter(|| read(&bytes, &quiet()).unwrap()));
        group.bench_function(format!("{name}, copied"), |b| b.iter(|| bytes.clone()));
    }
    group.finish();
}

criterion_group!(benches, readers);
criterion_main!(benches);
