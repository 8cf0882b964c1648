//! A duct of 2 mm sheet with a closed section of 90 x 60 mm, corners rounded by 12 mm, bent by 40 degrees
//! in the plane of its wide side. Developed coordinates: round the section, along the path.

use super::cut_sheet::{CutSheet, in_box, lines, off_holes};
use scantling_core::geometry::{Point, TriangleMesh, Vector, math};

const HALF: [f64; 2] = [45.0, 30.0];
const CORNER: f64 = 12.0;
const ARC: f64 = CORNER * std::f64::consts::FRAC_PI_2;
/// Straight parts of the section, wide and narrow.
const SIDES: [f64; 2] = [2.0 * (HALF[0] - CORNER), 2.0 * (HALF[1] - CORNER)];
const ROUND: f64 = 2.0 * (SIDES[0] + SIDES[1]) + 4.0 * ARC;
/// Straight, bent, straight.
const BEND_RADIUS: f64 = 160.0;
const BEND_RAD: f64 = 40.0 * std::f64::consts::PI / 180.0;
const FIRST: f64 = 150.0;
const LENGTH: f64 = FIRST + BEND_RADIUS * BEND_RAD + 120.0;

/// Five holes and a notch at one end.
pub(super) fn asymmetric() -> TriangleMesh {
    let holes = [
        [25.0, 62.0, 16.0],
        [SIDES[0] + ARC + 20.0, 201.0, 12.0],
        [SIDES[0] + SIDES[1] + 2.0 * ARC + 28.0, 118.0, 20.0],
        [SIDES[0] + SIDES[1] + 2.0 * ARC + 40.0, 318.0, 10.0],
        [40.0, 335.0, 14.0],
    ];
    let mut across = vec![0.0];
    for side in [0, 1, 0, 1] {
        let low = across[across.len() - 1];
        across.extend(lines(low, low + SIDES[side], 3.0).into_iter().skip(1));
        across.extend(lines(low + SIDES[side], low + SIDES[side] + ARC, 2.0).into_iter().skip(1));
    }
    CutSheet {
        across,
        along: lines(0.0, LENGTH, 3.0),
        closed: true,
        thickness_mm: 2.0,
        from_edge: &|u, v| {
            let notch = -in_box(u, v, [20.0, -1.0], [50.0, 22.0]);
            notch.min(off_holes(u, v, &holes))
        },
        place: &place,
    }
    .mesh()
}

fn place(u: f64, v: f64) -> (Point, Vector) {
    let (a, b, na, nb) = section(u);
    let angle = ((v - FIRST) / BEND_RADIUS).clamp(0.0, BEND_RAD);
    let (sin, cos) = (math::sin(angle), math::cos(angle));
    let straight = if v < FIRST { v } else { FIRST };
    let rest = (v - FIRST - BEND_RADIUS * BEND_RAD).max(0.0);
    let (along, aside) = (Vector::new(-sin, cos, 0.0), Vector::new(cos, sin, 0.0));
    let bent = Vector::new(BEND_RADIUS * (cos - 1.0), BEND_RADIUS * sin, 0.0);
    let middle = Vector::new(0.0, straight, 0.0) + bent + along * rest;
    (Point::from(middle + aside * a + Vector::z() * b), aside * na + Vector::z() * nb)
}

/// Place and outward normal round the section, from the lower wide side.
fn section(u: f64) -> (f64, f64, f64, f64) {
    let half = 0.5 * ROUND;
    let (mut s, turned) = if u < half { (u, 1.0) } else { (u - half, -1.0) };
    // Half of the section; the other half is turned by half a turn.
    let (a, b, na, nb) = if s <= SIDES[0] {
        (s - 0.5 * SIDES[0], -HALF[1], 0.0, -1.0)
    } else if s <= SIDES[0] + ARC {
        s -= SIDES[0];
        let (sin, cos) = (math::sin(s / CORNER), math::cos(s / CORNER));
        (HALF[0] - CORNER + CORNER * sin, CORNER - HALF[1] - CORNER * cos, sin, -cos)
    } else if s <= SIDES[0] + ARC + SIDES[1] {
        (HALF[0], s - SIDES[0] - ARC - 0.5 * SIDES[1], 1.0, 0.0)
    } else {
        s -= SIDES[0] + ARC + SIDES[1];
        let (sin, cos) = (math::sin(s / CORNER), math::cos(s / CORNER));
        (HALF[0] - CORNER + CORNER * cos, HALF[1] - CORNER + CORNER * sin, cos, sin)
    };
    (turned * a, turned * b, turned * na, turned * nb)
}
