//! A flat bracket of 2 mm sheet, 260 x 180 mm: seen from one side its two faces fit alike, and only the
//! walls of its edges tell them apart.

use super::cut_sheet::{CutSheet, in_box, lines, off_holes};
use scantling_core::geometry::{Point, TriangleMesh, Vector};

const SIZE: [f64; 2] = [260.0, 180.0];

/// A cut corner, a notch and six holes at places without any symmetry.
pub(super) fn asymmetric() -> TriangleMesh {
    let holes = [
        [30.0, 28.0, 12.0],
        [218.0, 36.0, 8.0],
        [141.0, 47.0, 16.0],
        [62.0, 122.0, 10.0],
        [122.0, 141.0, 9.0],
        [208.0, 118.0, 20.0],
    ];
    plate(&|x, y| {
        let corner = (SIZE[0] + SIZE[1] - 45.0 - x - y) / std::f64::consts::SQRT_2;
        let notch = -in_box(x, y, [84.0, -1.0], [108.0, 18.0]);
        corner.min(notch).min(off_holes(x, y, &holes))
    })
}

/// Four equal holes: half a turn about each axis takes it onto itself.
pub(super) fn symmetric() -> TriangleMesh {
    let holes = [[35.0, 30.0, 12.0], [225.0, 30.0, 12.0], [35.0, 150.0, 12.0], [225.0, 150.0, 12.0]];
    plate(&|x, y| off_holes(x, y, &holes))
}

fn plate(cuts: &dyn Fn(f64, f64) -> f64) -> TriangleMesh {
    CutSheet {
        across: lines(0.0, SIZE[0], 2.0),
        along: lines(0.0, SIZE[1], 2.0),
        closed: false,
        thickness_mm: 2.0,
        from_edge: cuts,
        place: &|x, y| (Point::new(x, y, 0.0), Vector::z()),
    }
    .mesh()
}
