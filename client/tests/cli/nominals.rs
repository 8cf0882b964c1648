//! Faces of a nominal and what became of them, of files and of registered revisions.
//!
//! The STEP file is core's block of 40 x 30 x 20 mm with a hole of radius 5 mm along z through (15, 12): the bottom is #1100,
//! the top #1101, the sides #1102 to #1105, the wall of the hole #1106.

use crate::scene::{Scene, said};

const BLOCK: &str = include_str!("../../../core/tests/data/step/block.step");

const PLAN: &str = r#"
schema_version = 1
part = "drilled"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
filter = { gaussian = { nesting_index_mm = 2.5 } }

[nominal]
file = "drilled.step"

[[feature]]
id = "H"
kind = "hole"
pick = { near_mm = [15.0, 12.0, 20.0] }

[[characteristic]]
number = "1"
feature = "H"
diameter = { nominal_mm = 10.0, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, size = "least_squares" }
when = "every"
"#;

/// The hole 2 mm further along x.
fn shifted() -> String {
    BLOCK.replace("(15.0,12.0,", "(17.0,12.0,").replace("(20.0,12.0,", "(22.0,12.0,")
}

/// The block registered as drilled/a, with its file and a later issue of it.
fn scene() -> Scene {
    let scene = Scene::new();
    scene.file("drilled.step", BLOCK);
    scene.file("later.step", shifted());
    scene.file("drilled.toml", PLAN);
    let register = ["part", "register", "--part-id", "drilled", "--plan", "drilled.toml"];
    let of = ["--nominal", "drilled.step", "--revision", "a"];
    scene.scantling().args(register).args(of).assert().success();
    scene
}

fn json(scene: &Scene, args: &[&str]) -> serde_json::Value {
    let done = scene.scantling().args(["--output", "json"]).args(args).assert().success();
    serde_json::from_slice(&done.get_output().stdout).expect("JSON")
}

#[test]
fn the_faces_of_a_revision_are_those_of_its_file() {
    let scene = scene();
    let (file, revision) = (
        json(&scene, &["part", "faces", "drilled.step"]),
        json(&scene, &["part", "faces", "drilled/a", "--html", "faces.html"]),
    );
    assert_eq!(file["faces"], revision["faces"]);
    assert_eq!((&file["file"], &revision["file"]), (&"drilled.step".into(), &"drilled/a".into()));
    let faces = file["faces"].as_array().expect("faces");
    assert_eq!(faces.len(), 7);
    let wall = faces.iter().find(|f| f["face"] == "#1106").expect("the wall of the hole");
    assert_eq!((&wall["surface"], &wall["distances"]), (&"cylinder".into(), &"exact".into()));
    let near = |value: &serde_json::Value, to: f64| (value.as_f64().expect("a number") - to).abs() < 1e-6;
    assert!(near(&wall["diameter_mm"], 10.0) && near(&wall["centroid_mm"][2], 10.0), "{wall}");
    let page = std::fs::read_to_string(scene.path().join("faces.html")).expect("a page");
    assert!(page.contains("drilled/a") && page.contains("#1106"));
    // As people read it.
    let table = scene.scantling().args(["part", "faces", "drilled.step"]).assert().success();
    let text = said(&table.get_output().stdout);
    assert!(text.starts_with("drilled.step: 7 faces, closed, 40.000 x 30.000 x 20.000 mm"), "{text}");
    assert!(text.contains("diameter 10.000"), "{text}");
}

#[test]
fn what_moved_between_a_revision_and_a_later_file_is_told_with_the_features_on_it() {
    let scene = scene();
    let told = json(&scene, &["part", "diff", "drilled/a", "later.step", "--plan", "drilled.toml"]);
    let moved: Vec<&serde_json::Value> =
        told["faces"].as_array().expect("faces").iter().filter(|f| f["what"] == "moved").collect();
    let wall = moved.iter().find(|f| f["before"]["face"] == "#1106").expect("the hole moved");
    assert!((wall["moved_mm"].as_f64().expect("a number") - 2.0).abs() < 1e-6, "{wall}");
    let features = told["features"].as_array().expect("features");
    assert!(
        features.iter().any(|f| f.as_str().is_some_and(|f| f.starts_with("H moved by 2.00"))),
        "{features:?}"
    );
    let same = json(&scene, &["part", "diff", "drilled.step", "drilled/a"]);
    assert_eq!((&same["same"], &same["faces"]), (&7.into(), &serde_json::json!([])));
    // Exported anew, every number another.
    scene.file("anew.step", BLOCK.replace("#1", "#71").replace("#2", "#82"));
    let anew = scene.scantling().args(["part", "diff", "drilled/a", "anew.step"]).assert().success();
    let text = said(&anew.get_output().stdout);
    assert!(text.contains("#1106 is now #71106"), "{text}");
}

/// What `part faces` prints for a plan is a plan's, and finds the faces again in another export.
#[test]
fn faces_are_printed_as_a_plan_names_them_and_found_again() {
    let scene = scene();
    let printed = scene.scantling().args(["part", "faces", "drilled.step", "--as-plan"]).assert().success();
    let text = said(&printed.get_output().stdout);
    let wall: Vec<&str> = text.lines().skip_while(|l| !l.contains("#1106")).take(2).collect();
    let plan = PLAN.replace("pick = { near_mm = [15.0, 12.0, 20.0] }", &wall.join("\n"));
    scene.file("named.toml", &plan);
    scene.file("anew.step", BLOCK.replace("#1", "#71").replace("#2", "#82"));
    let check = |nominal: &str| {
        let args = ["plan", "check", "named.toml", "--nominal", nominal];
        let output = scene.scantling().args(args).output().expect("runs");
        (output.status.code(), said(&output.stdout) + &said(&output.stderr))
    };
    let (code, text) = check("drilled.step");
    assert_eq!(code, Some(0), "{text}");
    let (code, text) = check("anew.step");
    assert!(code == Some(0) && text.contains("#1106 is now #71106"), "{text}");
    let (code, text) = check("later.step");
    assert!(code == Some(4) && text.contains("no face of the nominal is a cylinder"), "{text}");
}

/// The whole way on a STEP nominal, which tells its own unit: registered, released, measured, told.
#[test]
fn a_part_drawn_in_step_is_registered_and_measured() {
    let scene = scene();
    // With a unit beside it, it is refused: the file tells one.
    let twice = ["part", "register", "--part-id", "again", "--plan", "drilled.toml", "--revision", "a"];
    let output = scene.scantling().args(twice).args(["--nominal", "drilled.step", "--unit", "mm"]).output();
    let output = output.expect("runs");
    assert_eq!(output.status.code(), Some(4), "{}", said(&output.stderr));
    assert!(said(&output.stderr).contains("tells its own"), "{}", said(&output.stderr));

    scene.scantling().args(["part", "release", "drilled/a"]).assert().success();
    scene.file(
        "scan.toml",
        "schema_version = 1\nseed = 3\npart = { nominal = {} }\n[scanner]\nspacing_mm = 0.6\nnoise_mm = 0.01\n",
    );
    let simulate = ["simulate", "scan.toml", "--revision", "drilled/a", "--to", "scan.ply"];
    scene.scantling().args(simulate).assert().success();
    let measure = ["measure", "--part", "drilled", "--scan", "scan.ply", "--unit", "mm", "--serial", "1"];
    let how = ["--simulated", "--purpose", "rehearsal"];
    let output = scene.scantling().args(["--output", "json"]).args(measure).args(how).output().expect("runs");
    assert_eq!(output.status.code(), Some(0), "{}{}", said(&output.stdout), said(&output.stderr));
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let text = told.to_string();
    assert!(text.contains("from the file's surfaces, in closed form"), "{text}");
}

#[test]
fn a_nominal_that_is_not_there_is_told() {
    let scene = scene();
    for (args, code) in [
        (vec!["part", "faces", "missing.step"], 4),
        (vec!["part", "faces", "drilled/b"], 5),
        (vec!["part", "diff", "drilled.step", "drilled/b"], 5),
        (vec!["part", "diff", "drilled.step", "missing.stl"], 4),
        // A mesh tells no unit.
        (vec!["part", "faces", "drilled.toml"], 4),
    ] {
        let output = scene.scantling().args(&args).output().expect("runs");
        assert_eq!(output.status.code(), Some(code), "{args:?}: {}", said(&output.stderr));
        let name = args[args.len() - 1].rsplit('/').next().expect("a name");
        let text = said(&output.stderr);
        assert!(output.stdout.is_empty() && text.contains(name), "{args:?}: {text}");
    }
}
