//! A part of 12 m loses nothing to its size: points on its surface, turned and moved by many metres, come back to
//! within a micrometre.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::align::{FineSettings, LocateSettings, fine, locate};
use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Point, ScanFrame, Vector, math};
use scantling_core::nominal::{Nominal, Side};
use scantling_core::read::RawScan;
use scantling_core::run::quiet;
use scantling_core::scan::{LengthUnit, Scan};
use scantling_core::search::SurfaceTree;

/// A doubly curved shell of 12 m by 3 m with a corner cut off and an opening, as a grid of triangles.
fn shell() -> RawScan {
    let (along, across) = (240u32, 60u32);
    let mut raw = RawScan::default();
    for j in 0..=across {
        for i in 0..=along {
            let (x, y) = (50.0 * f64::from(i), 50.0 * f64::from(j));
            let z = x * (12_000.0 - x) / 40_000.0 - y * y / 9_000.0 + 40.0 * math::sin(x / 700.0 + y / 900.0);
            raw.points.push(Point::new(x, y, z));
        }
    }
    for j in 0..across {
        for i in 0..along {
            let cut = i + 3 * j > 370 || ((60..90).contains(&i) && (20..34).contains(&j));
            if !cut {
                let a = j * (along + 1) + i;
                let b = a + along + 1;
                raw.triangles.extend([[a, a + 1, b + 1], [a, b + 1, b]]);
            }
        }
    }
    raw
}

#[test]
fn a_part_of_twelve_metres_is_aligned_to_a_micrometre() {
    let raw = shell();
    let run = quiet();
    let mut random = Random::seeded(12);
    let turn: Motion<ScanFrame, PartFrame> =
        Motion::from_turn_and_shift(Vector::new(0.6, -1.1, 1.7), Vector::new(15_000.0, -9_000.0, 4_000.0));
    let moved = |p: Point| turn.point(&p);
    let mut points = Vec::new();
    for t in &raw.triangles {
        let [a, b, c] = t.map(|v| raw.points[v as usize]);
        for _ in 0..3 {
            let (mut u, mut v) = (random.unit(), random.unit());
            if u + v > 1.0 {
                (u, v) = (1.0 - u, 1.0 - v);
            }
            points.push(moved(a + (b - a) * u + (c - a) * v));
        }
    }
    let nominal = Nominal::from_mesh(raw, LengthUnit::Millimetre, Some(Side::BehindNormal), &run).unwrap();
    let tree = SurfaceTree::new(nominal.mesh());
    let scan = Scan::new(RawScan { points, ..RawScan::default() }, LengthUnit::Millimetre, &run).unwrap();
    let located = locate(&run, &nominal, &tree, &scan, &LocateSettings::default()).unwrap();
    let fit = fine(&run, &nominal, &tree, &scan, located.part_from_scan, &FineSettings::default()).unwrap();
    let corners = nominal.mesh().bounds().corners();
    let off = corners.iter().map(|c| (fit.part_from_scan.point(&moved(*c)) - c).norm());
    let worst = off.fold(0.0, f64::max);
    assert!(worst < 1e-3, "corners are {worst} mm off");
    assert!(fit.rms_mm < 1e-3, "rms {} mm", fit.rms_mm);
}
