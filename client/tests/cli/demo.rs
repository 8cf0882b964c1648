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
        if wanted == 0 {
            deviations(&scene, name);
        }
    }
    the_good_scan_by_call(&scene);
}

/// The program on the kept data folder, with the words that every call needs.
fn kept(scene: &Scene, words: &[&str]) -> std::process::Output {
    let mut command = crate::scene::program();
    command.current_dir(scene.path()).args(["--data-dir", "kept/data"]).args(words).output().expect("runs")
}

fn deviations(scene: &Scene, name: &str) {
    for form in ["csv", "ply", "raw"] {
        let file = format!("deviation.{form}");
        let output = kept(scene, &["record", "export", name, "--form", form, "--to", &file]);
        assert_eq!(output.status.code(), Some(0), "{form}: {}", said(&output.stderr));
    }
    let read = |form: &str| std::fs::read(scene.path().join(format!("deviation.{form}"))).expect("saved");
    let table = String::from_utf8(read("csv")).expect("text");
    let rows = table.lines().count() - 1;
    // 16 bytes of head and 8 for each vertex.
    assert_eq!(read("raw").len(), 16 + 8 * rows);
    let seen: Vec<f64> = table.lines().skip(1).filter_map(|l| l.split(',').nth(3)?.parse().ok()).collect();
    assert!(seen.len() > rows / 4 && seen.len() < rows, "{} of {rows} vertices were seen", seen.len());
    // A good part, scanned with a noise of 0.02 mm.
    assert!(seen.iter().all(|d| d.abs() < 0.6), "{:?}", seen.iter().cloned().fold(0.0, f64::max));
}

fn the_good_scan_by_call(scene: &Scene) {
    let one = ["--revision", "ws-214/c1", "--scan", "kept/good.ply", "--unit", "mm"];
    let found = kept(scene, &[&["--output", "json", "locate"], &one[..]].concat());
    assert_eq!(found.status.code(), Some(0), "{}", said(&found.stderr));
    let json: serde_json::Value = serde_json::from_slice(&found.stdout).expect("json");
    assert_eq!(json["findings"].as_array().map(Vec::len), Some(1), "{json}");
    assert_eq!(json["findings"][0]["kind"], "FINDING_KIND_PART");
    scene.file("found.json", &found.stdout);
    let placed = ["--placement", "found.json", "--datum-system", "ABC"];
    let lies = kept(scene, &[&["align"], &one[..], &placed].concat());
    assert_eq!(lies.status.code(), Some(0), "{}", said(&lies.stderr));
    assert!(said(&lies.stdout).contains("datum"), "{}", said(&lies.stdout));
    let again = ["--simulated", "--purpose", "rehearsal", "--serial", "T", "--all-instances"];
    let all = kept(scene, &[&["measure"], &one[..], &again].concat());
    assert_eq!(all.status.code(), Some(0), "{}{}", said(&all.stdout), said(&all.stderr));
    assert!(said(&all.stdout).contains("T-1"), "{}", said(&all.stdout));

    // A wrong unit is told in the same words, whatever was asked.
    let inch = ["--revision", "ws-214/c1", "--scan", "kept/good.ply", "--unit", "inch"];
    let serial = ["--simulated", "--purpose", "rehearsal", "--serial", "U"];
    for (asked, more) in [
        ("locate", &[][..]),
        ("align", &["--placement", "found.json"]),
        ("measure", &serial),
        ("measure", &again),
    ] {
        let refused = kept(scene, &[&[asked], &inch[..], more].concat());
        assert_eq!(refused.status.code(), Some(4), "{asked} {more:?}: {}", said(&refused.stderr));
        let words = format!("{}{}", said(&refused.stdout), said(&refused.stderr));
        let words: String = words.split_whitespace().collect::<Vec<_>>().join(" ");
        let told = "with all lengths of the scan multiplied by 0.0394 the part is found in it; check the length unit stated: \
                    this looks like mm, not inch";
        assert!(words.contains(told), "{asked} {more:?}: {words}");
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
