//! Closest points on a doubly curved panel of 1.2 m: in a scanner's order, shuffled, with outliers, and the
//! building of the tree. `cargo bench -p scantling-core --bench closest`

#![allow(clippy::unwrap_used, missing_docs, reason = "a benchmark of a mesh that is right by construction")]

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Point, TriangleMesh, Vector, math};
use scantling_core::search::SurfaceTree;

const POINTS: usize = 200_000;

fn height(x: f64, y: f64) -> f64 {
    x * x / 2400.0 + y * y / 1600.0 + 6.0 * math::sin(x / 90.0) * math::cos(y / 70.0)
}

fn panel(triangles: f64) -> TriangleMesh {
    let across = (0.75 * triangles).sqrt() as u32;
    let along = across * 2 / 3;
    let mut vertices = Vec::new();
    for j in 0..=along {
        for i in 0..=across {
            let x = -600.0 + 1200.0 * f64::from(i) / f64::from(across);
            let y = -400.0 + 800.0 * f64::from(j) / f64::from(along);
            vertices.push(Point::new(x, y, height(x, y)));
        }
    }
    let mut all = Vec::new();
    for j in 0..along {
        for i in 0..across {
            let a = j * (across + 1) + i;
            let b = a + across + 1;
            all.extend([[a, a + 1, b + 1], [a, b + 1, b]]);
        }
    }
    TriangleMesh::new(vertices, all).unwrap()
}

/// Stripes of 100 mm in lines of 0.3 mm, 0.05 mm of noise on a form that is 0.2 mm off.
fn scan(outliers: f64) -> Vec<Point> {
    let mut random = Random::seeded(1);
    let mut places: Vec<(f64, f64)> = Vec::new();
    for _ in 0..POINTS {
        places.push((random.range(-600.0, 600.0), random.range(-400.0, 400.0)));
    }
    let key = |p: &(f64, f64)| (p.1 / 100.0).floor() * 1e5 + (p.0 / 0.3).floor() + p.1 / 1e4;
    places.sort_by(|a, b| key(a).total_cmp(&key(b)));
    let mut points = Vec::new();
    for (x, y) in places {
        let mut p = Point::new(x, y, height(x, y) + 0.2 * math::sin(x / 200.0) + 0.05 * random.normal());
        if random.unit() < outliers {
            p += Vector::new(5.0 * random.normal(), 5.0 * random.normal(), random.range(-25.0, 25.0));
        }
        points.push(p);
    }
    points
}

fn closest(c: &mut Criterion) {
    let in_order = scan(0.0);
    let mut shuffled = in_order.clone();
    let mut random = Random::seeded(2);
    for i in (1..shuffled.len()).rev() {
        shuffled.swap(i, random.below(i + 1));
    }
    let with_outliers = scan(0.01);
    for (name, triangles) in [("200k", 2e5), ("1M", 1e6)] {
        let mesh = panel(triangles);
        let tree = SurfaceTree::new(&mesh);
        let mut group = c.benchmark_group("closest");
        group.sample_size(10).throughput(Throughput::Elements(POINTS as u64));
        for (order, points) in
            [("scan order", &in_order), ("shuffled", &shuffled), ("outliers", &with_outliers)]
        {
            group.bench_with_input(BenchmarkId::new(order, name), points, |b, points| {
                b.iter(|| tree.nearest_each(points, f64::INFINITY, |_, foot| foot.map(|f| f.distance)));
            });
        }
        group.finish();
        let mut group = c.benchmark_group("build");
        group.sample_size(10).throughput(Throughput::Elements(mesh.triangles().len() as u64));
        group.bench_function(name, |b| b.iter(|| SurfaceTree::new(&mesh)));
        group.finish();
    }
}

criterion_group!(benches, closest);
criterion_main!(benches);
