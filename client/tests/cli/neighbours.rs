//! A plan that names a neighbour: its file is found beside the plan, or named.

use crate::scene::{BLOCK_PLAN, Scene, block_stl_from, said};

const JOINT: &str = r#"
[[neighbour]]
id = "PANE"
file = "pane.stl"
pick = { near_mm = [150.0, 30.0, 10.0], facing = [0.0, 0.0, 1.0] }

[[feature]]
id = "JOINT"
kind = "edge"
edge = { of = "TOP", along = [{ at_mm = [100.0, 5.0, 10.0] }, { at_mm = [100.0, 55.0, 10.0] }], at = "visible_arris" }

[[datum_system]]
id = "FIT"
datum = []
best_fit = { feature = ["TOP"], criterion = "least_squares" }

[[characteristic]]
number = "2"
feature = "JOINT"
gap = { to = "PANE", nominal_mm = 4.0, upper_deviation_mm = 0.5, lower_deviation_mm = -0.5 }
datum_system = "FIT"
"#;

#[test]
fn a_neighbours_file_is_found_beside_the_plan_or_by_a_flag() {
    let scene = Scene::with_block();
    std::fs::create_dir(scene.path().join("plans")).expect("a folder");
    scene.file("plans/joint.toml", format!("{BLOCK_PLAN}{JOINT}"));
    let check = |more: &[&str]| {
        let mut command = scene.scantling();
        command
            .args(["plan", "check", "plans/joint.toml", "--nominal", "block.stl", "--unit", "mm"])
            .args(more);
        command.output().expect("runs")
    };
    let missing = check(&[]);
    assert_eq!(missing.status.code(), Some(4), "{}", said(&missing.stderr));
    assert!(said(&missing.stderr).contains("--neighbour PANE=FILE"), "{}", said(&missing.stderr));

    scene.file("elsewhere.stl", block_stl_from(104.0));
    let named = check(&["--neighbour", "PANE=elsewhere.stl"]);
    assert_eq!(named.status.code(), Some(0), "{}{}", said(&named.stdout), said(&named.stderr));
    for (words, code) in [
        (&["--neighbour", "PANE"][..], 2),
        (&["--neighbour", "PANE=elsewhere.stl", "--neighbour", "PANE=block.stl"], 2),
        (&["--neighbour", "PANE=nowhere.stl"], 4),
        (&["--neighbour", "PANE=elsewhere.stl", "--neighbour", "LINER=elsewhere.stl"], 4),
    ] {
        let output = check(words);
        assert_eq!(output.status.code(), Some(code), "{words:?}: {}", said(&output.stderr));
    }

    scene.file("plans/pane.stl", block_stl_from(104.0));
    let found = check(&[]);
    assert_eq!(found.status.code(), Some(0), "{}{}", said(&found.stdout), said(&found.stderr));
    scene
        .scantling()
        .args(["part", "register", "--part-id", "joint", "--plan", "plans/joint.toml", "--revision", "a"])
        .args(["--nominal", "block.stl", "--unit", "mm"])
        .assert()
        .success();
    let shown = scene.scantling().args(["part", "show", "joint/a"]).assert().success();
    let text = said(&shown.get_output().stdout);
    assert!(text.contains("PANE, sha256 ") && text.contains("gap to PANE, 4"), "{text}");
}
