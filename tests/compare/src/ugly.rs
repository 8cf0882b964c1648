//! Closest points on meshes with faults, against brute force.

use crate::brute;
use crate::cost::Line;
use crate::ours;
use anyhow::Result;
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Point, TriangleMesh};
use serde_json::{Value, json};

const QUERIES: usize = 10_000;

pub fn run() -> Result<Value> {
    let mut line = Line::new();
    let mut errors = serde_json::Map::new();
    for (name, mesh) in meshes()? {
        let bounds = mesh.bounds().grown(0.3 * mesh.bounds().diagonal());
        let mut random = Random::seeded(5);
        let mut next = || {
            let at: [f64; 3] = std::array::from_fn(|i| random.range(bounds.low[i], bounds.high[i]));
            // Half of them near the surface.
            let near = mesh.vertices()[random.below(mesh.vertices().len())];
            if random.unit() < 0.5 { Point::from(at) } else { near + random.direction().vector() * 0.01 }
        };
        let queries: Vec<Point> = (0..QUERIES).map(|_| next()).collect();
        let feet = ours::closest(&ours::tree(&mesh), &queries);
        let found: Vec<f64> = feet.iter().map(|f| f.as_ref().map_or(f64::NAN, |f| f.distance)).collect();
        let error = brute::largest_difference(&found, &brute::distances(&mesh, &queries));
        errors.insert(name.into(), json!(if error.is_finite() { error } else { 1e300 }));
    }
    line.set("errors_mm", Value::Object(errors));
    Ok(line.end())
}

/// A wavy sheet of n x n cells, open at its border.
fn sheet(n: u32) -> (Vec<Point>, Vec<[u32; 3]>) {
    let (mut vertices, mut triangles) = (Vec::new(), Vec::new());
    for j in 0..=n {
        for i in 0..=n {
            let (x, y) = (f64::from(i), f64::from(j));
            vertices.push(Point::new(x, y, (0.3 * x).sin() + (0.2 * y).cos()));
            if i < n && j < n {
                let a = j * (n + 1) + i;
                triangles.extend([[a, a + 1, a + n + 2], [a, a + n + 2, a + n + 1]]);
            }
        }
    }
    (vertices, triangles)
}

fn meshes() -> Result<Vec<(&'static str, TriangleMesh)>> {
    let (vertices, triangles) = sheet(40);
    let mut made = vec![("open sheet", TriangleMesh::new(vertices.clone(), triangles.clone())?)];

    // A thousand times as long as wide.
    let long = vertices.iter().map(|v| Point::new(1000.0 * v.x, v.y, v.z)).collect();
    made.push(("slivers", TriangleMesh::new(long, triangles.clone())?));

    // Every triangle three times, some turned over.
    let thrice = triangles.iter().flat_map(|&[a, b, c]| [[a, b, c], [b, c, a], [a, c, b]]).collect();
    made.push(("duplicates", TriangleMesh::new(vertices.clone(), thrice)?));

    // One side's cells are halved, its neighbour's are not.
    let (mut split, mut parts) = (vertices.clone(), Vec::new());
    for &[a, b, c] in &triangles {
        if vertices[a as usize].x < 20.0 {
            let middle = split.len() as u32;
            split.push(nalgebra::center(&vertices[b as usize], &vertices[c as usize]));
            parts.extend([[a, b, middle], [a, middle, c]]);
        } else {
            parts.push([a, b, c]);
        }
    }
    made.push(("t-junctions", TriangleMesh::new(split, parts)?));

    // Triangles that are a line or a place, between the others.
    let flat = triangles.iter().flat_map(|&[a, b, c]| [[a, b, c], [a, b, b], [c, c, c]]).collect();
    made.push(("no area", TriangleMesh::new(vertices.clone(), flat)?));

    // All triangles in one corner, and the corners a thousandth apart in height.
    let mut random = Random::seeded(3);
    let mut fan = vec![Point::origin()];
    fan.extend((0..2000).map(|i| {
        let a = std::f64::consts::TAU * f64::from(i) / 2000.0;
        Point::new(50.0 * a.cos(), 50.0 * a.sin(), 1e-3 * random.unit())
    }));
    let round = (0..2000u32).map(|i| [0, 1 + i, 1 + (i + 1) % 2000]).collect();
    made.push(("fan", TriangleMesh::new(fan, round)?));

    // Pieces of any size and place that cut through each other.
    let mut place = |size: f64| Point::from(random.direction().vector() * size);
    let corners: Vec<Point> = (0..2000)
        .flat_map(|i| {
            let (at, size) = (place(50.0), 0.001 * 1.006f64.powi(i));
            [at, at + place(size).coords, at + place(size).coords]
        })
        .collect();
    let loose = (0..2000u32).map(|i| [3 * i, 3 * i + 1, 3 * i + 2]).collect();
    made.push(("loose pieces", TriangleMesh::new(corners, loose)?));
    Ok(made)
}
