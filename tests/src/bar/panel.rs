//! A doubly curved panel of 3 mm, 1200 x 800 mm, with few features: three holes, a cut corner, a notch.

use super::cut_sheet::{CutSheet, in_box, lines, off_holes};
use scantling_core::geometry::{Point, TriangleMesh, Vector, math};

const HALF: [f64; 2] = [600.0, 400.0];

pub(super) fn panel() -> TriangleMesh {
    let holes = [[-520.0, 310.0, 20.0], [480.0, -330.0, 14.0], [110.0, 345.0, 24.0]];
    CutSheet {
        across: lines(-HALF[0], HALF[0], 5.0),
        along: lines(-HALF[1], HALF[1], 5.0),
        closed: false,
        thickness_mm: 3.0,
        from_edge: &|x, y| {
            let corner = (HALF[0] + HALF[1] - 120.0 - x - y) / std::f64::consts::SQRT_2;
            let notch = -in_box(x, y, [-230.0, -HALF[1] - 1.0], [-150.0, -HALF[1] + 45.0]);
            corner.min(notch).min(off_holes(x, y, &holes))
        },
        place: &place,
    }
    .mesh()
}

/// Curved by radii of some 2.6 and 1.3 m, and by a gentle wave.
fn place(x: f64, y: f64) -> (Point, Vector) {
    let (a, b) = (x / 260.0 - 0.6, y / 330.0 + 0.3);
    let z = -x * x / 5200.0 - y * y / 2600.0 + 10.0 * math::cos(a) * math::sin(b);
    let along_x = -x / 2600.0 - 10.0 / 260.0 * math::sin(a) * math::sin(b);
    let along_y = -y / 1300.0 + 10.0 / 330.0 * math::cos(a) * math::cos(b);
    (Point::new(x, y, z), Vector::new(-along_x, -along_y, 1.0).normalize())
}
