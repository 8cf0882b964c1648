//! The command line as a caller sees it: exit codes, what goes where, pipes.

use std::io::{BufRead, BufReader, Read};
use std::process::Stdio;

use crate::scene::{BLOCK_PLAN, Scene, program, said};

#[test]
fn wrong_usage_ends_with_2() {
    let scene = Scene::new();
    for args in [
        vec![],
        vec!["measure"],
        vec!["weigh"],
        vec!["part", "show", "No Such Name"],
        vec!["record", "show", "../../etc/passwd"],
        // The unit of a scan is never assumed.
        vec!["measure", "--part", "block", "--scan", "s.ply", "--serial", "1"],
        vec![
            "measure",
            "--part",
            "a",
            "--revision",
            "a/b",
            "--scan",
            "s.ply",
            "--unit",
            "mm",
            "--serial",
            "1",
        ],
        vec!["measure", "--part", "a", "--scan", "s.ply", "--unit", "furlong", "--serial", "1"],
        vec!["plan", "check", "plan.toml", "--unit", "mm"],
        vec!["scan", "info"],
        vec!["scan", "info", "a.csv", "--columns", "x y"],
        vec!["--server", "ftp://127.0.0.1", "part", "list"],
        vec!["serve", "--listen", "0.0.0.0:0"],
    ] {
        let output = scene.scantling().args(&args).output().expect("runs");
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", said(&output.stderr));
        assert!(output.stdout.is_empty(), "{args:?} wrote to stdout");
    }
}

#[test]
fn help_ends_with_the_cautions() {
    let output = program().arg("--help").output().expect("runs");
    assert_eq!(output.status.code(), Some(0));
    let text = said(&output.stdout);
    let cautions = text.split("Cautions:").nth(1).expect("cautions");
    for word in ["responsible quality authority", "laser", "eye protection", "dust"] {
        assert!(cautions.contains(word), "{word} is not in: {cautions}");
    }
}

#[test]
fn every_fault_of_a_plan_is_named_at_once() {
    let scene = Scene::new();
    let faulty = BLOCK_PLAN
        // An unknown key, a wrong type ...
        .replace("object = \"part\"", "object = \"part\"\ncolour = \"grey\"")
        .replace("plan_version = 1", "plan_version = \"one\"")
        // ... and a number used twice, an unknown feature, missing limits.
        + r#"
[[characteristic]]
number = "1"
feature = "TIP"
flatness = { zone_width_mm = 0.2, association = "minimum_zone" }

[[characteristic]]
number = "2"
feature = "TOP"
surface_profile = { limit_outside_mm = 0.4 }
"#;
    scene.file("faulty.toml", faulty);
    let output = scene.scantling().args(["plan", "check", "faulty.toml"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(4), "{}", said(&output.stderr));
    let text = said(&output.stdout);
    for wrong in ["colour", "plan_version", "\"1\"", "TIP", "limit_inside_mm"] {
        assert!(text.contains(wrong), "{wrong} is not named in:\n{text}");
    }
}

#[test]
fn a_good_plan_passes_from_a_file_and_from_stdin() {
    let scene = Scene::new();
    scene.file("block.toml", BLOCK_PLAN);
    let from_file = scene.scantling().args(["plan", "check", "block.toml"]).assert().success();
    let from_stdin =
        scene.scantling().args(["plan", "check", "-"]).write_stdin(BLOCK_PLAN).assert().success();
    assert_eq!(said(&from_file.get_output().stdout), said(&from_stdin.get_output().stdout));
    scene.scantling().args(["plan", "check", "missing.toml"]).assert().code(4);
}

#[test]
fn what_is_not_there_ends_with_5() {
    let scene = Scene::new();
    for args in [
        vec!["part", "show", "nothing"],
        vec!["part", "show", "nothing/a"],
        vec!["part", "release", "nothing/a"],
        vec!["record", "show", "00000000-0000-7000-8000-000000000000"],
    ] {
        let output = scene.scantling().args(&args).output().expect("runs");
        assert_eq!(output.status.code(), Some(5), "{args:?}: {}", said(&output.stderr));
        assert!(said(&output.stderr).starts_with("error: "), "{}", said(&output.stderr));
    }
}

#[test]
fn where_nobody_serves_it_ends_with_7() {
    // Port 1 is privileged and unused on any machine that runs tests.
    let output = program().args(["--server", "http://127.0.0.1:1", "part", "list"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(7), "{}", said(&output.stderr));
    assert!(said(&output.stderr).contains("scantling serve"), "{}", said(&output.stderr));
}

#[test]
fn a_part_is_registered_shown_and_released_once() {
    let scene = Scene::with_block();
    let shown = scene.scantling().args(["part", "show", "block"]).assert().success();
    let text = said(&shown.get_output().stdout);
    assert!(text.contains("released"), "{text}");
    // Released is for ever.
    scene.scantling().args(["part", "release", "block/a"]).assert().code(5);
    // And its id is taken.
    scene
        .scantling()
        .args(["part", "register", "--part-id", "block", "--plan", "block.toml", "--nominal", "block.stl"])
        .args(["--unit", "mm", "--revision", "a"])
        .assert()
        .code(5);
    let json = scene.scantling().args(["--output", "json", "part", "list"]).assert().success();
    let json: serde_json::Value = serde_json::from_slice(&json.get_output().stdout).expect("json");
    assert_eq!(json["parts"][0]["name"], "parts/block");
    assert_eq!(json["parts"][0]["releasedRevision"], "parts/block/revisions/a");
}

#[test]
fn a_scan_that_cannot_be_read_is_refused_and_leaves_no_verdict() {
    let scene = Scene::with_block();
    let cut = "ply\nformat binary_little_endian 1.0\nelement vertex 4000000000\nproperty float x\n\
               property float y\nproperty float z\nend_header\nabc";
    let not_a_number = "ply\nformat ascii 1.0\nelement vertex 2\nproperty float x\nproperty float y\n\
                        property float z\nend_header\nnan 0 0\n1 2 3\n";
    for (serial, bytes) in [("text", "dear colleague, here is the scan"), ("cut", cut), ("nan", not_a_number)]
    {
        scene.file("scan.ply", bytes);
        let output = scene
            .scantling()
            .args(["measure", "--part", "block", "--scan", "scan.ply", "--unit", "mm", "--serial", serial])
            .output()
            .expect("runs");
        assert_eq!(output.status.code(), Some(4), "{serial}: {}", said(&output.stderr));
    }
    scene.file("empty.ply", "");
    scene
        .scantling()
        .args(["measure", "--part", "block", "--scan", "empty.ply", "--unit", "mm", "--serial", "empty"])
        .assert()
        .code(4);
    let list = scene.scantling().args(["--output", "json", "record", "list"]).assert().success();
    let list: serde_json::Value = serde_json::from_slice(&list.get_output().stdout).expect("json");
    for inspection in list["inspections"].as_array().expect("some") {
        assert_eq!(inspection["state"], "INSPECTION_STATE_FAILED", "{inspection}");
        assert!(inspection.get("verdict").is_none(), "{inspection}");
    }
}

#[test]
fn the_same_request_is_measured_once_and_the_same_scan_needs_a_word() {
    let scene = Scene::with_block();
    scene.file("scan.ply", "no scan");
    let measure = |more: &[&str]| {
        scene
            .scantling()
            .args(["--output", "json", "measure", "--part", "block", "--scan", "scan.ply", "--unit", "mm"])
            .args(["--serial", "1"])
            .args(more)
            .output()
            .expect("runs")
    };
    let name = |output: &std::process::Output| {
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("json");
        json["name"].as_str().expect("a name").to_owned()
    };
    let id = ["--request-id", "018f3c2e-0000-7000-8000-000000000001"];
    let first = measure(&id);
    assert_eq!(first.status.code(), Some(4), "{}", said(&first.stderr));
    // The whole command again is the same request.
    let again = measure(&id);
    assert_eq!(name(&again), name(&first));
    // Another request for the same scan is refused and names the first ...
    let other = measure(&[]);
    assert_eq!(other.status.code(), Some(5), "{}", said(&other.stderr));
    assert!(said(&other.stderr).contains(&name(&first)), "{}", said(&other.stderr));
    // ... unless it says that it repeats it.
    let repeat = measure(&["--repeat-of", &name(&first)]);
    assert_ne!(name(&repeat), name(&first), "{}", said(&repeat.stderr));
}

#[test]
fn a_draft_does_not_judge_production() {
    let scene = Scene::with_block();
    scene
        .scantling()
        .args(["part", "register", "--part-id", "block", "--plan", "block.toml", "--nominal", "block.stl"])
        .args(["--unit", "mm", "--revision", "b"])
        .assert()
        .success();
    scene.file("scan.ply", "no scan");
    let measure = ["measure", "--revision", "block/b", "--scan", "scan.ply", "--unit", "mm", "--serial", "1"];
    let output = scene.scantling().args(measure).output().expect("runs");
    assert_eq!(output.status.code(), Some(6), "{}", said(&output.stderr));
}

#[test]
fn what_is_only_accepted_is_no_pass_and_is_measured_by_the_next_command() {
    let scene = Scene::with_block();
    scene.file("scan.ply", "no scan");
    let accepted = scene
        .scantling()
        .args(["--output", "json", "measure", "--part", "block", "--scan", "scan.ply", "--unit", "mm"])
        .args(["--serial", "1", "--no-wait"])
        .output()
        .expect("runs");
    assert_eq!(accepted.status.code(), Some(3), "{}", said(&accepted.stderr));
    let json: serde_json::Value = serde_json::from_slice(&accepted.stdout).expect("json");
    let name = json["name"].as_str().expect("a name");
    let watched = scene.scantling().args(["record", "watch", "--most", "1"]).assert().success();
    assert!(said(&watched.get_output().stdout).contains("FAILED"), "{}", said(&watched.get_output().stdout));
    scene.scantling().args(["record", "show", name]).assert().success();
    scene.scantling().args(["record", "show", name, "--exit-verdict"]).assert().code(4);
}

#[cfg(unix)]
#[test]
fn an_interrupt_ends_a_command_with_130() {
    let scene = Scene::with_block();
    scene.file("scan.ply", "no scan");
    scene
        .scantling()
        .args(["measure", "--part", "block", "--scan", "scan.ply", "--unit", "mm", "--serial", "1"])
        .assert()
        .code(4);
    let mut watching = Serving(
        std::process::Command::new(env!("CARGO_BIN_EXE_scantling"))
            .arg("--data-dir")
            .arg(scene.path().join("data"))
            .args(["--output", "json", "record", "watch"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("starts"),
    );
    let mut stdout = BufReader::new(watching.0.stdout.take().expect("piped"));
    let mut line = String::new();
    stdout.read_line(&mut line).expect("a line");
    let json: serde_json::Value = serde_json::from_str(&line).expect("json on one line");
    assert_eq!(json["sequence"], "1");
    let pid = watching.0.id().to_string();
    assert!(std::process::Command::new("kill").args(["-INT", &pid]).status().expect("kill runs").success());
    assert_eq!(watching.0.wait().expect("ends").code(), Some(130));
}

#[test]
fn a_closed_pipe_is_no_fault() {
    let scene = Scene::with_block();
    for args in [vec!["part", "list"], vec!["part", "show", "block/a"], vec!["--help"]] {
        let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_scantling"))
            .arg("--data-dir")
            .arg(scene.path().join("data"))
            .args(&args)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("starts");
        drop(child.stdout.take());
        let output = child.wait_with_output().expect("ends");
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", said(&output.stderr));
        assert!(output.stderr.is_empty(), "{args:?}: {}", said(&output.stderr));
    }
}

/// Started on a free port; killed when a test fails before it ends in order.
struct Serving(std::process::Child);

impl Drop for Serving {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[cfg(unix)]
#[test]
fn serve_answers_others_and_ends_in_order_at_sigterm() {
    let scene = Scene::with_block();
    let mut serving = Serving(
        std::process::Command::new(env!("CARGO_BIN_EXE_scantling"))
            .arg("--data-dir")
            .arg(scene.path().join("data"))
            .args(["serve", "--listen", "127.0.0.1:0"])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("starts"),
    );
    let mut url = String::new();
    BufReader::new(serving.0.stdout.take().expect("piped")).read_line(&mut url).expect("an address");
    let list = program().args(["--server", url.trim(), "part", "list"]).output().expect("runs");
    assert_eq!(list.status.code(), Some(0), "{}", said(&list.stderr));
    assert!(said(&list.stdout).contains("block"), "{}", said(&list.stdout));
    // Another process must keep off the folder.
    scene.scantling().args(["part", "list"]).assert().code(7);

    let pid = serving.0.id().to_string();
    assert!(std::process::Command::new("kill").args(["-TERM", &pid]).status().expect("kill runs").success());
    assert_eq!(serving.0.wait().expect("ends").code(), Some(0));
    let mut log = String::new();
    serving.0.stderr.take().expect("piped").read_to_string(&mut log).expect("a log");
    assert!(log.contains("ended in order"), "{log}");
    // What it runs with, by the names of its flags.
    assert!(log.contains("workers 1") && log.contains("drain-ms "), "{log}");
}

#[test]
fn scan_info_tells_what_a_file_holds() {
    let scene = Scene::new();
    scene.file("points.txt", "made by hand\n1;7,5;20\n2;7,5;20\n3;7,5;20\n");
    let info = |more: &[&str]| {
        let mut command = scene.scantling();
        command.args(["scan", "info", "points.txt", "--output", "json"]).args(more).output().expect("runs")
    };
    let output = info(&["--columns", "skip=1 z y x", "--unit", "cm"]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output.stderr));
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(told["format"], "text");
    assert_eq!(told["box_low"], serde_json::json!([20.0, 7.5, 1.0]));
    assert_eq!(told["spacing_mm"], 10.0);
    assert_eq!(told["text"]["columns"], serde_json::json!(["z", "y", "x"]));
    // Without the columns it is not clear, and the error says what to state.
    let output = info(&[]);
    assert_eq!(output.status.code(), Some(4));
    assert!(output.stdout.is_empty());
    assert!(said(&output.stderr).contains("state the columns"), "{}", said(&output.stderr));
    // As a table, from stdin.
    let mesh = "v 0 0 0\nv 200 0 0\nv 0 300 0\nf 1 2 3\n";
    let output = scene.scantling().args(["scan", "info", "-"]).write_stdin(mesh).output().expect("runs");
    let text = said(&output.stdout);
    for line in ["format      OBJ", "triangles   1, 3 open edges", "size suggests millimetres"] {
        assert!(text.contains(line), "{line} is not in: {text}");
    }
}
