//! The demo comes out as it was made, and keeps what it is told to keep.

use crate::scene::{Scene, said};

#[test]
fn the_demo_comes_out_as_it_was_made() {
    let scene = Scene::new();
    let output = scene.scantling().args(["demo", "--keep", "kept"]).output().expect("runs");
    let text = said(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{text}\n{}", said(&output.stderr));
    for word in ["DOES NOT CONFORM", "verdict   CONFORMS", "responsible quality authority", "as it was made"]
    {
        assert!(text.contains(word), "{word} is not in:\n{text}");
    }
    for line in text.lines() {
        assert!(line.chars().count() <= 100, "{line}");
    }
    for file in ["good.html", "bad.html", "good.ply", "bad.ply", "ws-214.stl", "ws-214.toml", "data"] {
        assert!(scene.path().join("kept").join(file).exists(), "{file}");
    }
    // What is there is not written over.
    scene.scantling().args(["demo", "--keep", "kept"]).assert().code(5);

    // The kept data folder serves the other commands, and its records their verdicts.
    let kept = |args: &[&str]| {
        let mut command = crate::scene::program();
        command.arg("--data-dir").arg(scene.path().join("kept/data")).args(args);
        command.output().expect("runs")
    };
    let list = kept(&["--output", "json", "record", "list"]);
    let list: serde_json::Value = serde_json::from_slice(&list.stdout).expect("json");
    for inspection in list["inspections"].as_array().expect("some") {
        let name = inspection["name"].as_str().expect("a name");
        let wanted = if inspection["serialNumber"] == "good" { 0 } else { 1 };
        assert_eq!(kept(&["record", "show", name, "--exit-verdict"]).status.code(), Some(wanted));
        assert_eq!(kept(&["record", "show", name]).status.code(), Some(0));
    }
}

#[test]
fn each_run_of_a_demo_is_told_to_programs() {
    let scene = Scene::new();
    let output = scene.scantling().args(["--output", "json", "demo", "--runs", "1"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(0), "{}", said(&output.stderr));
    let line: serde_json::Value = serde_json::from_slice(&output.stdout).expect("json");
    assert_eq!((&line["seed"], &line["asMade"]), (&1.into(), &true.into()));
    assert!(line["holeErrorMm"].as_f64().expect("a number") < 0.01, "{line}");
}
