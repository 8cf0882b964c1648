//! Picks on a perforated plate whose every area and place is known.

use super::*;
use crate::geometry::{Direction, Point, math};
use crate::nominal::{Carrier, Nominal};
use crate::read::RawScan;
use crate::run::quiet;
use crate::scan::LengthUnit;
use std::f64::consts::TAU;

const CELL_MM: f64 = 20.0;
const THICK_MM: f64 = 3.0;
const RADIUS_MM: f64 = 6.0;
const CELLS: usize = 3;
/// Divisible by 8, so that a cell's corners are among its border points and neighbours share theirs.
const SIDES: usize = 48;

/// A plate of square cells in a row along x, each with a round hole in its middle; z from 0 to 3.
fn plate() -> Nominal {
    let (mut points, mut triangles) = (Vec::new(), Vec::new());
    let mut quad = |a: Point, b: Point, c: Point, d: Point| {
        let first = points.len() as u32;
        points.extend([a, b, c, d]);
        triangles.extend([[first, first + 1, first + 2], [first, first + 2, first + 3]]);
    };
    for cell in 0..CELLS {
        let middle = CELL_MM * cell as f64;
        let ring = |k: usize, z: f64| {
            let angle = TAU * (k % SIDES) as f64 / SIDES as f64;
            Point::new(middle + RADIUS_MM * math::cos(angle), RADIUS_MM * math::sin(angle), z)
        };
        let border = |k: usize, z: f64| {
            let angle = TAU * (k % SIDES) as f64 / SIDES as f64;
            let (x, y) = (math::cos(angle), math::sin(angle));
            // Micrometres, so that neighbours meet in equal numbers.
            let out = |v: f64| (0.5 * CELL_MM * v / x.abs().max(y.abs()) * 1e3).round() / 1e3;
            Point::new(middle + out(x), out(y), z)
        };
        for k in 0..SIDES {
            quad(ring(k, THICK_MM), border(k, THICK_MM), border(k + 1, THICK_MM), ring(k + 1, THICK_MM));
            quad(ring(k, 0.0), ring(k + 1, 0.0), border(k + 1, 0.0), border(k, 0.0));
            quad(ring(k, 0.0), ring(k, THICK_MM), ring(k + 1, THICK_MM), ring(k + 1, 0.0));
            let between = 0.5 * (border(k, 0.0) + border(k + 1, 0.0).coords).x - middle;
            let inner_left = between < -0.4999 * CELL_MM && cell > 0;
            let inner_right = between > 0.4999 * CELL_MM && cell + 1 < CELLS;
            if !inner_left && !inner_right {
                quad(border(k, 0.0), border(k + 1, 0.0), border(k + 1, THICK_MM), border(k, THICK_MM));
            }
        }
    }
    let raw = RawScan { points, triangles, ..RawScan::default() };
    Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
}

/// A plan with these features, a characteristic of the first hole, and these datum systems.
fn plan(features: &[(&str, &str, &str)], datums: &[&str; 3]) -> Plan {
    let mut text = include_str!("samples/plan_1.toml").split("[[feature]]").next().unwrap().to_owned();
    for (id, kind, pick) in features {
        text += &format!("[[feature]]\nid = \"{id}\"\nkind = \"{kind}\"\npick = {{ {pick} }}\n");
    }
    text += "[[datum_system]]\nid = \"ABC\"\ndatum = [\n";
    for (letter, feature) in ["A", "B", "C"].iter().zip(datums) {
        text += &format!(
            "{{ letter = \"{letter}\", feature = \"{feature}\", association = \"least_squares\" }},\n"
        );
    }
    text += "]\n[[characteristic]]\nnumber = \"1\"\nfeature = \"H1\"\nposition = { zone_diameter_mm = 1 }\n";
    text += "datum_system = \"ABC\"\n";
    check_toml(&text).unwrap().1
}

const TOP: (&str, &str, &str) = ("TOP", "plane", "near_mm = [9, 9, 3], facing = [0, 0.1, 1]");
const H1: (&str, &str, &str) = ("H1", "hole", "near_mm = [0.2, -0.3, 3]");
const H2: (&str, &str, &str) = ("H2", "hole", "near_mm = [46, 0, 1]");
const GOOD: [&str; 3] = ["TOP", "H1", "H2"];

fn bound(extra: (&str, &str, &str)) -> Result<FaceMap, Vec<Fault>> {
    bind(&plan(&[TOP, H1, H2, extra], &GOOD), Some(&plate()))
}

#[track_caller]
fn refused(extra: (&str, &str, &str), word: &str) {
    let faults = bound(extra).unwrap_err();
    assert_eq!(faults.len(), 1, "{faults:#?}");
    assert_eq!(faults[0].place, "feature[3].pick");
    assert!(faults[0].problem.contains(word), "{}", faults[0]);
}

/// Area of the regular polygon that stands for the hole.
fn polygon_mm2() -> f64 {
    0.5 * SIDES as f64 * RADIUS_MM * RADIUS_MM * math::sin(TAU / SIDES as f64)
}

#[test]
fn planes_holes_and_surfaces_are_found_whole() {
    let map = bound(("SKIN", "surface", "near_mm = [9, 9, 3.2], facing = [0, 0, 1], grow_to_angle_deg = 12"))
        .unwrap();
    let [top, first, last, skin] = map.features.as_slice() else { panic!() };
    let area = CELLS as f64 * (CELL_MM * CELL_MM - polygon_mm2());
    for plane in [top, skin] {
        assert!((plane.area_mm2 - area).abs() < 1e-6 * area, "{} {area}", plane.area_mm2);
        assert!((plane.centroid - Point::new(CELL_MM, 0.0, THICK_MM)).norm() < 1e-6);
        assert!(
            matches!(plane.carrier, Some(Carrier::Plane { normal, .. }) if normal.angle_to(Direction::Z) < 1e-6)
        );
        assert!(plane.triangles.is_sorted() && plane.triangles == top.triangles);
    }
    for (hole, x) in [(first, 0.0), (last, 2.0 * CELL_MM)] {
        assert_eq!(hole.triangles.len(), 2 * SIDES);
        assert!((hole.centroid - Point::new(x, 0.0, 0.5 * THICK_MM)).norm() < 1e-6);
        let Some(Carrier::Cylinder { radius_mm, hollow, .. }) = hole.carrier else { panic!() };
        assert!(hollow && (radius_mm - RADIUS_MM).abs() < 0.02, "{radius_mm}");
    }
}

#[test]
fn a_surface_grows_over_bends_up_to_its_angle_and_else_is_one_face() {
    // Walls of holes turn by 7.5 degrees from facet to facet, and stand square on the plate.
    let pick = |rest: &str| format!("near_mm = [6, 0.1, 1.5], facing = [-1, 0, 0]{rest}");
    let size = |rest: &str| bound(("W", "surface", &pick(rest))).map(|map| map.features[3].triangles.len());
    assert_eq!(size(", grow_to_angle_deg = 8"), Ok(2 * SIDES));
    assert_eq!(size(""), Ok(2 * SIDES));
    // One facet, and its neighbours are as near as makes no difference.
    assert!(size(", grow_to_angle_deg = 7").unwrap_err()[0].problem.contains("could mean two"));
}

#[test]
fn a_pick_near_nothing_is_told_what_is_nearest() {
    refused(("P", "plane", "near_mm = [9, 9, 43], facing = [0, 0, 1]"), "40.0 mm away");
    refused(("P", "hole", "near_mm = [-30, 0, 0]"), "30.0 mm away");
    refused(("P", "surface", "near_mm = [9, 9, 43]"), "40.0 mm away");
    refused(("P", "plane", "near_mm = [1e300, 9, 43]"), "away");
    refused(("P", "plane", "near_mm = [9, 9, 3], facing = [0, 1, 1]"), "no plane that faces so");
}

#[test]
fn a_pick_that_could_mean_two_is_refused() {
    refused(("P", "plane", "near_mm = [9, 9, 1.5]"), "could mean two");
    refused(("P", "hole", "near_mm = [10, 0, 1]"), "could mean two");
    refused(("P", "surface", "near_mm = [9, 9, 1.6]"), "could mean two");
}

#[test]
fn a_datum_system_that_holds_nothing_is_refused() {
    let nominal = plate();
    let side = ("SIDE", "plane", "near_mm = [-10, 0, 1.5], facing = [-1, 0, 0]");
    let faults = bind(&plan(&[side, H1, H2], &["SIDE", "H1", "H2"]), Some(&nominal)).unwrap_err();
    let places: Vec<&str> = faults.iter().map(|f| f.place.as_str()).collect();
    assert_eq!(places[..2], ["datum_system[0].datum[1].feature", "datum_system[0].datum[2].feature"]);
    assert!(faults[0].problem.contains("leans 90.0 degrees"), "{}", faults[0]);
    let same = ("H3", "hole", "near_mm = [0, 0, 0]");
    let faults = bind(&plan(&[TOP, H1, same], &["TOP", "H1", "H3"]), Some(&nominal)).unwrap_err();
    assert_eq!(faults.len(), 1);
    assert!(faults[0].problem.contains("less than 1 mm apart"), "{}", faults[0]);
}

#[test]
fn several_wrong_picks_are_told_at_once() {
    let far = ("H1", "hole", "near_mm = [0, 500, 0]");
    let other = ("H2", "hole", "near_mm = [0, 700, 0]");
    let faults = bind(&plan(&[TOP, far, other], &GOOD), Some(&plate())).unwrap_err();
    let places: Vec<&str> = faults.iter().map(|f| f.place.as_str()).collect();
    assert_eq!(places, ["feature[1].pick", "feature[2].pick"]);
}
