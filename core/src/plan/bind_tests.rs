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

/// A body of revolution about z through (radius, height), from a place on the axis to another.
fn turned(profile: &[(f64, f64)]) -> Nominal {
    let (mut points, mut triangles) = (Vec::new(), Vec::new());
    let ring = |(r, z): (f64, f64), k: usize| {
        let angle = TAU * (k % SIDES) as f64 / SIDES as f64;
        Point::new(r * math::cos(angle), r * math::sin(angle), z)
    };
    for pair in profile.windows(2) {
        for k in 0..SIDES {
            let [a, b] = [k, k + 1].map(|k| ring(pair[0], k));
            let [d, c] = [k, k + 1].map(|k| ring(pair[1], k));
            let first = points.len() as u32;
            points.extend([a, b, c, d]);
            if pair[0].0 > 0.0 {
                triangles.push([first, first + 1, first + 2]);
            }
            if pair[1].0 > 0.0 {
                triangles.push([first, first + 2, first + 3]);
            }
        }
    }
    let raw = RawScan { points, triangles, ..RawScan::default() };
    Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
}

#[test]
fn a_ball_and_a_cone_are_found_and_the_wall_of_a_pin_or_a_hole_is_no_ball() {
    let of = |kind, near, nominal: &Nominal| {
        let mut alone = plan(&[TOP, H1, H2], &GOOD);
        let place = Place::Pick { near, facing: None, grow_to_angle_rad: None };
        alone.features = vec![Feature { id: "F".into(), kind, place }];
        alone.datum_systems.clear();
        alone.characteristics.clear();
        let one = bind(&alone, Some(nominal)).map(|map| map.features[0].clone());
        one.map(|f| (f.situation, f.triangles.len())).map_err(|faults| faults[0].problem.clone())
    };
    let ball: Vec<(f64, f64)> = (0..=24)
        .map(|k| {
            let turn = TAU * f64::from(k) / 48.0;
            (if k % 24 == 0 { 0.0 } else { 10.0 * math::sin(turn) }, -10.0 * math::cos(turn))
        })
        .collect();
    let ball = turned(&ball);
    let (situation, facets) = of(FeatureKind::Sphere, Point::new(9.0, 3.0, 2.0), &ball).unwrap();
    let Situation::Sphere { at, diameter_mm, hollow } = situation else { panic!() };
    assert!(at.coords.norm() < 1e-4 && (diameter_mm - 20.0).abs() < 1e-4 && !hollow, "{situation:?}");
    assert_eq!(facets, ball.mesh().triangles().len());
    let cone = turned(&[(0.0, 0.0), (6.0, 0.0), (9.0, 20.0), (0.0, 20.0)]);
    let (situation, facets) = of(FeatureKind::Cone, Point::new(7.5, 0.0, 10.0), &cone).unwrap();
    let Situation::Cone { at, half_angle_rad, radius_mm, .. } = situation else { panic!() };
    assert!((at - Point::new(0.0, 0.0, 10.0)).norm() < 1e-4 && (radius_mm - 7.5).abs() < 1e-4);
    assert!((math::tan(half_angle_rad) - 0.15).abs() < 1e-5 && facets == 2 * SIDES, "{situation:?}");
    let pin = turned(&[(0.0, 0.0), (6.0, 0.0), (6.0, 20.0), (0.0, 20.0)]);
    let refused = of(FeatureKind::Sphere, Point::new(6.0, 0.0, 10.0), &pin).unwrap_err();
    assert!(refused.contains("is no sphere"), "{refused}");
    let refused = of(FeatureKind::Cone, Point::new(6.0, 0.0, 10.0), &pin).unwrap_err();
    assert!(refused.contains("is a cylinder"), "{refused}");
    let refused = of(FeatureKind::Sphere, Point::new(7.5, 0.0, 10.0), &cone).unwrap_err();
    assert!(refused.contains("is no sphere"), "{refused}");
    let refused = of(FeatureKind::Sphere, Point::new(RADIUS_MM, 0.0, 1.5), &plate()).unwrap_err();
    assert!(refused.contains("is no sphere"), "{refused}");
}

#[test]
fn a_word_for_an_orientation_that_the_nominal_does_not_have_is_refused() {
    let tried = |feature: &str, word: &str| {
        let mut text = include_str!("samples/plan_1.toml").split("[[feature]]").next().unwrap().to_owned();
        for (id, kind, pick) in [TOP, H1] {
            text += &format!("[[feature]]\nid = \"{id}\"\nkind = \"{kind}\"\npick = {{ {pick} }}\n");
        }
        text += "[[feature]]\nid = \"LOW\"\nkind = \"plane\"\npick = { near_mm = [9, 9, 0], facing = [0, 0, -1] }\n";
        text += "[[datum_system]]\nid = \"A\"\n";
        text += "datum = [{ letter = \"A\", feature = \"TOP\", association = \"least_squares\" }]\n";
        text +=
            &format!("[[characteristic]]\nnumber = \"1\"\nfeature = \"{feature}\"\ndatum_system = \"A\"\n");
        let zone = if feature == "LOW" { "zone_width_mm" } else { "zone_diameter_mm" };
        text +=
            &format!("{word} = {{ {zone} = 0.1 }}\nfilter = {{ gaussian = {{ nesting_index_mm = 2.5 }} }}\n");
        bind(&check_toml(&text).unwrap().1, Some(&plate())).map(|_| ())
    };
    assert_eq!(tried("H1", "perpendicularity"), Ok(()));
    assert_eq!(tried("LOW", "parallelism"), Ok(()));
    assert_eq!(tried("LOW", "angularity"), Ok(()));
    for (feature, word, fits) in
        [("H1", "parallelism", "perpendicularity"), ("LOW", "perpendicularity", "parallelism")]
    {
        let faults = tried(feature, word).unwrap_err();
        assert_eq!(faults.len(), 1, "{faults:#?}");
        assert_eq!(faults[0].place, format!("characteristic[0].{word}"));
        assert!(faults[0].problem.contains(&format!("write `{fits}`")), "{}", faults[0]);
    }
}
