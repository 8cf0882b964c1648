//! The part of the comparisons: a doubly curved panel of 1200 x 800 mm, 3 mm thick, with a trim that is nowhere
//! symmetric, 12 round holes and 2 slots. Flat coordinates (x, y, depth) stand for a point of the upper face
//! and a way along its normal.

use scantling_core::geometry::{Point, Vector};

pub const THICKNESS_MM: f64 = 3.0;

/// The trim, anticlockwise seen from above.
const TRIM: [[f64; 2]; 12] = [
    [-600.0, -380.0],
    [-580.0, -400.0],
    [540.0, -400.0],
    [600.0, -350.0],
    [600.0, 310.0],
    [500.0, 400.0],
    [250.0, 400.0],
    [250.0, 360.0],
    [170.0, 360.0],
    [170.0, 400.0],
    [-570.0, 400.0],
    [-600.0, 360.0],
];

/// Centre and diameter.
const HOLES: [[f64; 3]; 12] = [
    [-550.0, -350.0, 8.0],
    [-250.0, -365.0, 12.0],
    [60.0, -340.0, 6.0],
    [410.0, -360.0, 20.0],
    [560.0, -180.0, 10.0],
    [545.0, 200.0, 14.0],
    [330.0, 350.0, 6.0],
    [-60.0, 365.0, 16.0],
    [-510.0, 310.0, 12.0],
    [-560.0, -20.0, 18.0],
    [130.0, 80.0, 8.0],
    [-210.0, -90.0, 10.0],
];

/// Centre, length over all, width, angle of the length to x.
const SLOTS: [[f64; 5]; 2] = [[-330.0, 140.0, 50.0, 14.0, 0.9], [290.0, -120.0, 36.0, 10.0, -0.25]];

/// The upper face over a place: height and unit normal.
pub fn upper(x: f64, y: f64) -> (f64, Vector) {
    let (a, b) = (x / 240.0 - 0.7, y / 310.0 + 0.3);
    let z = -x * x / 5200.0 - y * y / 2500.0 + 12.0 * a.cos() * b.sin() + x * y / 26_000.0;
    let along_x = -x / 2600.0 - 0.05 * a.sin() * b.sin() + y / 26_000.0;
    let along_y = -y / 1250.0 + 12.0 / 310.0 * a.cos() * b.cos() + x / 26_000.0;
    (z, Vector::new(-along_x, -along_y, 1.0).normalize())
}

/// Flat coordinates to the panel.
pub fn lift(x: f64, y: f64, depth: f64) -> Point {
    let (z, normal) = upper(x, y);
    Point::new(x, y, z) + normal * depth
}

/// How far a place is from the nearest edge of trim, hole or slot: positive on the sheet, negative off it.
pub fn from_edge(x: f64, y: f64) -> f64 {
    let (mut nearest, mut within) = (f64::INFINITY, false);
    for (i, a) in TRIM.iter().enumerate() {
        let b = TRIM[(i + 1) % TRIM.len()];
        let (ex, ey) = (b[0] - a[0], b[1] - a[1]);
        let t = (((x - a[0]) * ex + (y - a[1]) * ey) / (ex * ex + ey * ey)).clamp(0.0, 1.0);
        nearest = nearest.min((x - a[0] - t * ex).hypot(y - a[1] - t * ey));
        if (a[1] > y) != (b[1] > y) && x < a[0] + (y - a[1]) / ey * ex {
            within = !within;
        }
    }
    let mut signed = if within { nearest } else { -nearest };
    for [cx, cy, diameter] in HOLES {
        signed = signed.min((x - cx).hypot(y - cy) - 0.5 * diameter);
    }
    for [cx, cy, length, width, angle] in SLOTS {
        let (sin, cos) = angle.sin_cos();
        let along = ((x - cx) * cos + (y - cy) * sin).abs() - 0.5 * (length - width);
        let across = (y - cy) * cos - (x - cx) * sin;
        signed = signed.min(along.max(0.0).hypot(across) - 0.5 * width);
    }
    signed
}

/// All edges as closed polygons with sides of at most `longest_mm`, material on the left of each side.
pub fn edges(longest_mm: f64) -> Vec<Vec<[f64; 2]>> {
    let turn = std::f64::consts::TAU;
    // 96 sides: the polygon of the largest hole is 5 um off the circle.
    let mut loops = vec![TRIM.to_vec()];
    for [cx, cy, diameter] in HOLES {
        let at = |i: i32| {
            let (sin, cos) = (-turn * f64::from(i) / 96.0).sin_cos();
            [cx + 0.5 * diameter * cos, cy + 0.5 * diameter * sin]
        };
        loops.push((0..96).map(at).collect());
    }
    for [cx, cy, length, width, angle] in SLOTS {
        let (sin, cos) = angle.sin_cos();
        let half = 0.5 * (length - width);
        let at = |i: i32| {
            // 49 corners on each round end.
            let end = if i < 49 { half } else { -half };
            let a = -turn * (f64::from(i % 49) / 96.0) + if i < 49 { 0.25 * turn } else { -0.25 * turn };
            let (u, v) = (end + 0.5 * width * a.cos(), 0.5 * width * a.sin());
            [cx + u * cos - v * sin, cy + u * sin + v * cos]
        };
        loops.push((0..98).map(at).collect());
    }
    loops.iter().map(|corners| divided(corners, longest_mm)).collect()
}

fn divided(corners: &[[f64; 2]], longest_mm: f64) -> Vec<[f64; 2]> {
    let mut all = Vec::new();
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % corners.len()];
        let pieces = ((b[0] - a[0]).hypot(b[1] - a[1]) / longest_mm).ceil().max(1.0);
        for k in 0..pieces as u32 {
            let t = f64::from(k) / pieces;
            all.push([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]);
        }
    }
    all
}
