//! Nearest points, normals, thinning and clusters of a generated cloud.
//!
//! `cargo bench -p scantling-core --bench points`

#![allow(missing_docs, clippy::unwrap_used, reason = "a bench, on data that it makes itself")]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use scantling_core::geometry::Point;
use scantling_core::geometry::random::Random;
use scantling_core::run::quiet;
use scantling_core::search::{PointTree, clusters, normals, thin};

fn cloud(points: u64) -> Vec<Point> {
    let mut random = Random::seeded(1);
    let place = |_| {
        let (x, y) = (random.range(0.0, 1500.0), random.range(0.0, 1200.0));
        Point::new(x, y, 1e-4 * (x * x - y * y) + random.range(-0.02, 0.02))
    };
    (0..points).map(place).collect()
}

fn points(criterion: &mut Criterion) {
    let (count, run) = (500_000, quiet());
    let points = cloud(count);
    let mut group = criterion.benchmark_group("points");
    group.sample_size(10).throughput(Throughput::Elements(count));
    group.bench_function("tree", |b| b.iter(|| PointTree::new(&points)));
    group
        .bench_function("normals of 20 neighbours", |b| b.iter(|| normals(&points, 20, None, &run).unwrap()));
    let tree = PointTree::new(&points);
    group.bench_function("8 nearest of each", |b| b.iter(|| tree.k_nearest(8, &run).unwrap()));
    group.bench_function("thin", |b| b.iter(|| thin(&points, 5.0)));
    group.bench_function("clusters", |b| b.iter(|| clusters(&points, 6.0, &run).unwrap()));
    group.finish();
}

criterion_group!(benches, points);
criterion_main!(benches);
