//! The way from a plan to a report for what is sunk into a skin and what stands in it: a countersink and a bonded insert.

#![allow(clippy::disallowed_methods, reason = "the plate need not have the same bits everywhere")]

use std::f64::consts::TAU;

use crate::scene::{Scene, said};

type Corner = [f64; 3];

/// Thickness of the plate, mm; its upper side lies at z = 0.
const DEEP: f64 = 3.0;
/// Corners of a round: they lie on it.
const AROUND: usize = 96;

/// Triangles between an outline and a round within it, as seen from above. Each corner of the round goes with the corner of the
/// outline that is nearest by its turn.
fn between(outline: &[[f64; 2]], middle: [f64; 2], radius: f64, z: f64, out: &mut Vec<[Corner; 3]>) {
    let turn = |p: [f64; 2]| (p[1] - middle[1]).atan2(p[0] - middle[0]).rem_euclid(TAU);
    let mut outer: Vec<(f64, [f64; 2])> = outline.iter().map(|p| (turn(*p), *p)).collect();
    outer.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (inner, n) = (round(middle, radius), outer.len());
    let at = |p: [f64; 2]| [p[0], p[1], z];
    let turn_of = |i: usize| outer[i % n].0 + TAU * (i / n) as f64;
    let (mut i, mut j) = (0, 0);
    while i < n || j < AROUND {
        let (far, near) = (outer[i % n].1, inner[j % AROUND]);
        let half_way = 0.5 * (turn_of(i) + turn_of(i + 1));
        if j == AROUND || (i < n && half_way < TAU * (j + 1) as f64 / AROUND as f64) {
            i += 1;
            out.push([at(near), at(far), at(outer[i % n].1)]);
        } else {
            j += 1;
            out.push([at(near), at(far), at(inner[j % AROUND])]);
        }
    }
}

fn round(middle: [f64; 2], radius: f64) -> Vec<[f64; 2]> {
    let turn = |k: usize| TAU * k as f64 / AROUND as f64;
    (0..AROUND).map(|k| [middle[0] + radius * turn(k).cos(), middle[1] + radius * turn(k).sin()]).collect()
}

/// The wall of an opening from one radius and height down to another, seen from its middle.
fn band(middle: [f64; 2], from: [f64; 2], to: [f64; 2], out: &mut Vec<[Corner; 3]>) {
    let (upper, lower) = (round(middle, from[0]), round(middle, to[0]));
    for k in 0..AROUND {
        let n = (k + 1) % AROUND;
        let at = |p: [f64; 2], z: f64| [p[0], p[1], z];
        let (a, b) = (at(upper[k], from[1]), at(upper[n], from[1]));
        let (c, d) = (at(lower[n], to[1]), at(lower[k], to[1]));
        out.extend([[a, b, c], [a, c, d]]);
    }
}

/// A plate of 120 x 60 x 3 mm with one corner cut off: a bore of 10 mm, an insert of 14 mm that stands out by 0.2 mm, a hole of
/// 6 mm with a countersink of 90 degrees and 9 mm.
fn plate_stl() -> String {
    let mut triangles = Vec::new();
    let bored = [[0.0, 0.0], [40.0, 0.0], [40.0, 60.0], [15.0, 60.0], [0.0, 35.0]];
    let filled = [[40.0, 0.0], [80.0, 0.0], [80.0, 60.0], [40.0, 60.0]];
    let sunk = [[80.0, 0.0], [120.0, 0.0], [120.0, 60.0], [80.0, 60.0]];
    let (bore, insert, sink) = ([20.0, 25.0], [60.0, 30.0], [100.0, 20.0]);
    let mut lower = Vec::new();
    between(&bored, bore, 5.0, 0.0, &mut triangles);
    between(&bored, bore, 5.0, -DEEP, &mut lower);
    band(bore, [5.0, 0.0], [5.0, -DEEP], &mut triangles);
    between(&filled, insert, 7.0, 0.0, &mut triangles);
    // The insert's side looks outwards.
    band(insert, [7.0, 0.2], [7.0, 0.0], &mut lower);
    let face = round(insert, 7.0);
    let top = |p: [f64; 2]| [p[0], p[1], 0.2];
    triangles.extend((0..AROUND).map(|k| [top(insert), top(face[k]), top(face[(k + 1) % AROUND])]));
    let under = |p: [f64; 2]| [p[0], p[1], -DEEP];
    lower.extend([[0, 1, 2], [0, 2, 3]].map(|t: [usize; 3]| t.map(|k| under(filled[k]))));
    between(&sunk, sink, 4.5, 0.0, &mut triangles);
    band(sink, [4.5, 0.0], [3.0, -1.5], &mut triangles);
    band(sink, [3.0, -1.5], [3.0, -DEEP], &mut triangles);
    between(&sunk, sink, 3.0, -DEEP, &mut lower);
    // What was laid out as seen from above looks downwards.
    triangles.extend(lower.into_iter().map(|[a, b, c]| [a, c, b]));
    // Round the outside.
    let outline = [
        [0.0, 0.0],
        [40.0, 0.0],
        [80.0, 0.0],
        [120.0, 0.0],
        [120.0, 60.0],
        [80.0, 60.0],
        [40.0, 60.0],
        [15.0, 60.0],
        [0.0, 35.0],
    ];
    for (k, a) in outline.iter().enumerate() {
        let b = outline[(k + 1) % outline.len()];
        let [p, q, r, s] = [[a[0], a[1], -DEEP], [b[0], b[1], -DEEP], [b[0], b[1], 0.0], [a[0], a[1], 0.0]];
        triangles.extend([[p, q, r], [p, r, s]]);
    }
    let mut text = "solid plate\n".to_owned();
    for triangle in triangles {
        let corners = triangle.map(|[x, y, z]| format!("vertex {x:.6} {y:.6} {z:.6}")).join("\n");
        text += &format!("facet normal 0 0 0\nouter loop\n{corners}\nendloop\nendfacet\n");
    }
    text + "endsolid plate\n"
}

const PLAN: &str = r#"
schema_version = 1
part = "plate"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
filter = { gaussian = { nesting_index_mm = 2.5 } }

[nominal]
file = "plate.stl"

[[feature]]
id = "TOP"
kind = "plane"
pick = { near_mm = [30.0, 50.0, 0.0], facing = [0.0, 0.0, 1.0] }

[[feature]]
id = "INSERT"
kind = "plane"
pick = { near_mm = [60.0, 30.0, 0.2], facing = [0.0, 0.0, 1.0] }

[[feature]]
id = "H"
kind = "hole"
pick = { near_mm = [100.0, 20.0, -2.2] }

[[feature]]
id = "K"
kind = "countersink"
countersink = { of = "H", included_angle_deg = 90.0 }

[[characteristic]]
number = "1"
feature = "INSERT"
protrusion = { above = "TOP", nominal_mm = 0.2, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1 }
when = "every"

[[characteristic]]
number = "2"
feature = "K"
diameter = { nominal_mm = 9.0, upper_deviation_mm = 0.3, lower_deviation_mm = -0.3, size = "least_squares" }
when = "every"

[[characteristic]]
number = "3"
feature = "K"
depth = { nominal_mm = 1.5, upper_deviation_mm = 0.2, lower_deviation_mm = -0.2 }
when = "every"
"#;

/// A scan of it as drawn, rounded a little and noisy, from above; the bad one has its insert 0.35 mm too deep.
const SIMULATION: &str = r#"
schema_version = 1
seed = 4
part = { nominal = {} }
pose = { random = {} }
[scanner]
spacing_mm = 0.4
noise_mm = 0.01
"#;

const PRESSED_IN: &str = "
[[deviation]]
dent = { centre_mm = [60.0, 30.0, 0.2], inward = [0.0, 0.0, -1.0], radius_mm = 7.9, flat = 0.9, depth_mm = 0.35, reach_mm = 1.0 }
";

#[test]
fn a_countersink_and_an_insert_are_measured_and_told_from_plan_to_report() {
    let scene = Scene::new();
    scene.file("plate.stl", plate_stl());
    scene.file("plate.toml", PLAN);
    scene
        .scantling()
        .args(["part", "register", "--part-id", "plate", "--plan", "plate.toml", "--nominal", "plate.stl"])
        .args(["--unit", "mm", "--revision", "a"])
        .assert()
        .success();
    scene.scantling().args(["part", "release", "plate/a"]).assert().success();
    let shown = scene.scantling().args(["part", "show", "plate/a"]).assert().success();
    let text = said(&shown.get_output().stdout);
    for words in ["protrusion above TOP, 0.2 +0.1 -0.1", "depth 1.5 +0.2 -0.2", "countersink"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let scans = [("good", SIMULATION.to_owned(), 0), ("bad", format!("{SIMULATION}{PRESSED_IN}"), 1)];
    for (serial, simulation, exit) in scans {
        scene.file("simulation.toml", simulation);
        let scan = format!("{serial}.ply");
        scene
            .scantling()
            .args(["simulate", "simulation.toml", "--revision", "plate/a", "--to", &scan])
            .assert()
            .success();
        let report = format!("{serial}.html");
        let measured = scene
            .scantling()
            .args(["--output", "json", "measure", "--part", "plate", "--scan", &scan, "--unit", "mm"])
            .args(["--simulated", "--purpose", "rehearsal", "--serial", serial, "--report", &report])
            .output()
            .expect("runs");
        let told = said(&measured.stdout);
        assert_eq!(measured.status.code(), Some(exit), "{told}{}", said(&measured.stderr));
        let json: serde_json::Value = serde_json::from_str(&told).expect("JSON");
        let evaluations = json["evaluations"].as_array().expect("evaluations");
        let step = if serial == "good" { 0.2 } else { -0.15 };
        for (evaluation, (number, value)) in evaluations.iter().zip([("1", step), ("2", 9.0), ("3", 1.5)]) {
            assert_eq!(evaluation["number"], number);
            let told = evaluation["valueMm"].as_f64().unwrap_or_else(|| panic!("{evaluation}"));
            assert!((told - value).abs() < 0.03, "{number}: {told} for {value}");
            let fails = serial == "bad" && number == "1";
            let verdict = if fails { "VERDICT_DOES_NOT_CONFORM" } else { "VERDICT_CONFORMS" };
            assert_eq!(evaluation["verdict"], verdict, "{evaluation}");
        }
        let page = std::fs::read_to_string(scene.path().join(&report)).expect("a report");
        for words in ["protrusion over the skin", "depth of the countersink", "included angle"] {
            assert!(page.contains(words), "{words} in the report of the {serial} one");
        }
    }
}
