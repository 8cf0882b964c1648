//! A plate of 200 x 120 mm, 2 mm thick along z, and points on it.
#![allow(clippy::unwrap_used, dead_code, reason = "for tests, none of which uses everything")]

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Point, TriangleMesh, Vector};
use scantling_core::nominal::Nominal;
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::LengthUnit;

/// Its upper face lies at `height(x, y)`.
pub(crate) struct Plate {
    height: fn(f64, f64) -> f64,
}

pub(crate) const SIZE_MM: [f64; 2] = [200.0, 120.0];
pub(crate) const THICKNESS_MM: f64 = 2.0;

/// Squares along x and y.
const SQUARES: [u32; 2] = [80, 48];

impl Plate {
    pub(crate) fn curved() -> Self {
        Self { height: |x, y| -x * x / 300.0 - y * y / 200.0 + x * y / 500.0 + x * x * y / 60_000.0 }
    }

    pub(crate) fn flat() -> Self {
        Self { height: |_, _| 0.0 }
    }

    /// Closed: two faces, the same but for a shift along z, and four walls.
    pub(crate) fn mesh(&self) -> TriangleMesh {
        let [nx, ny] = SQUARES;
        let mut vertices = Vec::new();
        for below in [0.0, THICKNESS_MM] {
            for j in 0..=ny {
                for i in 0..=nx {
                    let x = SIZE_MM[0] * (f64::from(i) / f64::from(nx) - 0.5);
                    let y = SIZE_MM[1] * (f64::from(j) / f64::from(ny) - 0.5);
                    vertices.push(Point::new(x, y, (self.height)(x, y) - below));
                }
            }
        }
        let layer = (nx + 1) * (ny + 1);
        let at = |i: u32, j: u32| j * (nx + 1) + i;
        let mut triangles = Vec::new();
        let mut quad = |a: u32, b: u32, c: u32, d: u32| triangles.extend([[a, b, c], [a, c, d]]);
        for j in 0..ny {
            for i in 0..nx {
                let [a, b, c, d] = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
                quad(a, b, c, d);
                quad(d + layer, c + layer, b + layer, a + layer);
            }
        }
        let round = (0..nx).map(|i| at(i, 0)).chain((0..ny).map(|j| at(nx, j)));
        let round = round.chain((0..nx).map(|i| at(nx - i, ny))).chain((0..ny).map(|j| at(0, ny - j)));
        let round: Vec<u32> = round.collect();
        for (k, &a) in round.iter().enumerate() {
            let b = round[(k + 1) % round.len()];
            quad(a + layer, b + layer, b, a);
        }
        TriangleMesh::new(vertices, triangles).unwrap()
    }
}

/// Points of a surface with the normals there.
pub(crate) struct Sampled {
    pub(crate) points: Vec<Point>,
    pub(crate) normals: Vec<Vector>,
}

/// A closed mesh as a nominal.
pub(crate) fn nominal(mesh: &TriangleMesh) -> Nominal {
    let raw = RawScan {
        points: mesh.vertices().to_vec(),
        triangles: mesh.triangles().to_vec(),
        ..RawScan::default()
    };
    Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
}

/// About `count` points at random places, as dense everywhere, of triangles whose normal is `seen`.
pub(crate) fn sampled(
    mesh: &TriangleMesh,
    count: usize,
    seen: impl Fn(&Vector) -> bool,
    random: &mut Random,
) -> Sampled {
    let faces = (0..mesh.triangles().len() as u32).filter_map(|t| Some((t, mesh.normal(t)?.vector())));
    let faces: Vec<(u32, Vector)> = faces.filter(|(_, n)| seen(n)).collect();
    let area: f64 = faces.iter().map(|f| mesh.area(f.0)).sum();
    let mut all = Sampled { points: Vec::new(), normals: Vec::new() };
    let mut owed = random.unit();
    for (t, normal) in faces {
        owed += mesh.area(t) / area * count as f64;
        let [a, b, c] = mesh.corners(t);
        while owed >= 1.0 {
            owed -= 1.0;
            let (mut u, mut v) = (random.unit(), random.unit());
            if u + v > 1.0 {
                (u, v) = (1.0 - u, 1.0 - v);
            }
            all.points.push(a + (b - a) * u + (c - a) * v);
            all.normals.push(normal);
        }
    }
    all
}
