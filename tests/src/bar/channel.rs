//! A U-channel of 2 mm sheet, 400 mm long: web 80 mm, flanges 45 mm over all, bends of 5 mm outside.
//!
//! Developed coordinates: across from the tip of the first flange over the web to the tip of the second,
//! along the length.

use super::cut_sheet::{CutSheet, in_box, lines, off_holes};
use scantling_core::geometry::{Point, TriangleMesh, Vector, math};

const LENGTH: f64 = 400.0;
const WEB: f64 = 80.0;
const FLANGE: f64 = 45.0;
const BEND: f64 = 5.0;
/// A quarter of a turn of the bend, along the outer side.
const ARC: f64 = BEND * std::f64::consts::FRAC_PI_2;
/// Where the web begins and ends, and where the second bend ends.
const TURNS: [f64; 5] = [
    FLANGE - BEND,
    FLANGE - BEND + ARC,
    FLANGE + ARC + WEB - 3.0 * BEND,
    FLANGE + 2.0 * ARC + WEB - 3.0 * BEND,
    2.0 * (FLANGE + ARC) + WEB - 4.0 * BEND,
];

/// Holes in web and flanges, a notch in the second flange, without any symmetry.
pub(super) fn asymmetric() -> TriangleMesh {
    let middle = 0.5 * TURNS[4];
    let holes = [
        [middle - 12.0, 52.0, 12.0],
        [middle + 17.0, 131.0, 8.0],
        [middle - 5.0, 222.0, 18.0],
        [middle + 20.0, 308.0, 10.0],
        [middle - 16.0, 361.0, 14.0],
        [20.0, 96.0, 9.0],
        [18.0, 268.0, 12.0],
        [TURNS[4] - 20.0, 180.0, 10.0],
    ];
    channel(&|u, v| {
        let notch = -in_box(u, v, [TURNS[4] - 22.0, 322.0], [TURNS[4] + 1.0, 352.0]);
        notch.min(off_holes(u, v, &holes))
    })
}

/// Holes that half a turn about the web's normal exchanges.
pub(super) fn symmetric() -> TriangleMesh {
    let middle = 0.5 * TURNS[4];
    let holes = [
        [middle - 14.0, 60.0, 12.0],
        [middle + 14.0, LENGTH - 60.0, 12.0],
        [20.0, 120.0, 10.0],
        [TURNS[4] - 20.0, LENGTH - 120.0, 10.0],
    ];
    channel(&|u, v| off_holes(u, v, &holes))
}

fn channel(cuts: &dyn Fn(f64, f64) -> f64) -> TriangleMesh {
    let mut across = lines(0.0, TURNS[0], 2.5);
    for (i, step) in [(0, 1.0), (1, 2.5), (2, 1.0), (3, 2.5)] {
        across.extend(lines(TURNS[i], TURNS[i + 1], step).into_iter().skip(1));
    }
    CutSheet {
        across,
        along: lines(0.0, LENGTH, 2.5),
        closed: false,
        thickness_mm: 2.0,
        from_edge: cuts,
        place: &place,
    }
    .mesh()
}

/// The outer side: first flange at x = -web / 2, web at z = 0, open towards +z.
fn place(u: f64, v: f64) -> (Point, Vector) {
    // The second half is the first in a mirror.
    let whole = TURNS[4];
    let (s, side) = if u <= 0.5 * whole { (u, -1.0) } else { (whole - u, 1.0) };
    let (x, z, nx, nz) = if s <= TURNS[0] {
        (0.5 * WEB, FLANGE - s, 1.0, 0.0)
    } else if s <= TURNS[1] {
        let angle = (s - TURNS[0]) / BEND;
        let (sin, cos) = (math::sin(angle), math::cos(angle));
        (0.5 * WEB - BEND + BEND * cos, BEND - BEND * sin, cos, -sin)
    } else {
        (0.5 * WEB - BEND - (s - TURNS[1]), 0.0, 0.0, -1.0)
    };
    (Point::new(side * x, v, z), Vector::new(side * nx, 0.0, nz))
}
