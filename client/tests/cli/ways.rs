//! Files by digest, words for shells and readers of manuals, and what is refused before anything is done.

use std::io::{Read, Write};
use std::net::TcpListener;

use crate::scene::{BLOCK_PLAN, Scene, program, said};

fn json(bytes: &[u8]) -> serde_json::Value {
    serde_json::from_slice(bytes).unwrap_or_else(|e| panic!("{e}: {}", said(bytes)))
}

#[test]
fn a_file_goes_in_once_and_comes_back_by_its_digest() {
    let scene = Scene::new();
    let bytes: Vec<u8> = (0..700_000u64).map(|k| (k * k % 251) as u8).collect();
    scene.file("a.bin", &bytes);
    let pushed = scene.scantling().args(["--output", "json", "push", "a.bin"]).assert().success();
    let blob = json(&pushed.get_output().stdout)["name"].as_str().expect("a name").to_owned();
    let again = scene.scantling().args(["push", "a.bin"]).assert().success();
    assert!(said(&again.get_output().stderr).contains("was there before"));
    assert!(said(&again.get_output().stdout).starts_with(&blob));

    scene.scantling().args(["get", &blob, "--to", "b.bin"]).assert().success();
    assert_eq!(std::fs::read(scene.path().join("b.bin")).expect("saved"), bytes);
    let got = scene.scantling().args(["--output", "json", "get", &blob, "--to", "b2.bin"]).assert().success();
    let got = json(&got.get_output().stdout);
    assert_eq!((got["name"].as_str(), got["sizeBytes"].as_str()), (Some(&*blob), Some("700000")));
    let digest = blob.trim_start_matches("blobs/");
    let out = scene.scantling().args(["get", digest, "--to", "-"]).assert().success();
    assert_eq!(out.get_output().stdout, bytes);

    let none = "0".repeat(64);
    scene.scantling().args(["get", &none, "--to", "c.bin"]).assert().code(5);
    assert!(!scene.path().join("c.bin").exists());
    scene.scantling().args(["get", &blob, "--to", "nowhere/c.bin"]).assert().code(4);
    scene.scantling().args(["get", "a.bin", "--to", "c.bin"]).assert().code(2);
}

#[test]
fn a_template_is_a_good_plan() {
    let scene = Scene::new();
    let template = scene.scantling().args(["plan", "template"]).assert().success();
    let text = said(&template.get_output().stdout);
    scene.scantling().args(["plan", "check", "-"]).write_stdin(text.clone()).assert().success();
    let template = scene.scantling().args(["--output", "json", "plan", "template"]).assert().success();
    assert_eq!(json(&template.get_output().stdout)["toml"].as_str(), Some(&*text));
}

#[test]
fn shells_and_manuals_learn_every_command() {
    let scene = Scene::new();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let script = scene.scantling().args(["completions", shell]).assert().success();
        assert!(said(&script.get_output().stdout).contains("associate"), "{shell}");
    }
    let page = scene.scantling().arg("man").assert().success();
    assert!(said(&page.get_output().stdout).contains(".TH scantling 1"));
    scene.scantling().args(["man", "--to", "man1"]).assert().success();
    assert!(scene.path().join("man1/scantling-measure.1").exists());
    scene.file("a-file", "");
    scene.scantling().args(["man", "--to", "a-file"]).assert().code(4);
    // Nothing of this needs a data folder.
    assert!(!scene.path().join("data").exists());
}

#[test]
fn a_report_that_cannot_be_saved_is_refused_before_anything_is_measured() {
    let scene = Scene::with_block();
    scene.file("scan.ply", "no scan");
    let measure = ["measure", "--part", "block", "--scan", "scan.ply", "--unit", "mm", "--serial", "1"];
    let output = scene.scantling().args(measure).args(["--report", "nowhere/1.html"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(4));
    assert!(said(&output.stderr).contains("nowhere/1.html"), "{}", said(&output.stderr));
    let list = scene.scantling().args(["--output", "json", "record", "list"]).assert().success();
    assert_eq!(json(&list.get_output().stdout), serde_json::json!({}));
}

#[test]
fn a_refused_plan_leaves_no_part_behind() {
    let scene = Scene::with_block();
    scene.file("faulty.toml", BLOCK_PLAN.replace("feature = \"TOP\"", "feature = \"TIP\""));
    let register =
        ["part", "register", "--part-id", "slab", "--plan", "faulty.toml", "--nominal", "block.stl"];
    let output =
        scene.scantling().args(register).args(["--unit", "mm", "--revision", "a"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(4), "{}", said(&output.stderr));
    let text = said(&output.stderr);
    assert!(text.contains("TIP"), "{text}");
    assert_eq!(text.matches("TIP").count(), 1, "said once only: {text}");
    scene.scantling().args(["part", "show", "slab"]).assert().code(5);
}

#[test]
fn a_part_is_told_to_programs_with_its_revisions() {
    let scene = Scene::with_block();
    let shown = scene.scantling().args(["--output", "json", "part", "show", "block"]).assert().success();
    let json = json(&shown.get_output().stdout);
    assert_eq!(json["name"], "parts/block");
    assert_eq!(json["revisions"][0]["name"], "parts/block/revisions/a");
    assert_eq!(json["revisions"][0]["state"], "REVISION_STATE_RELEASED");
}

#[test]
fn a_list_in_a_pipe_has_one_line_for_each_and_keeps_to_columns_that_are_stated() {
    let scene = Scene::with_block();
    let title = "a long title that no terminal would show on one line ".repeat(4);
    scene
        .scantling()
        .args(["part", "register", "--part-id", "slab", "--title", title.trim(), "--plan", "block.toml"])
        .args(["--nominal", "block.stl", "--unit", "mm", "--revision", "a"])
        .assert()
        .success();
    let list = scene.scantling().args(["part", "list"]).env_remove("COLUMNS").assert().success();
    assert_eq!(said(&list.get_output().stdout).lines().count(), 3, "{}", said(&list.get_output().stdout));
    let list = scene.scantling().args(["part", "list"]).env("COLUMNS", "80").assert().success();
    let text = said(&list.get_output().stdout);
    assert!(text.lines().count() > 3 && text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

#[test]
fn what_was_only_accepted_is_finished_by_who_waits_for_it() {
    let scene = Scene::with_block();
    scene.file("scan.ply", "no scan");
    let measure = |more: &[&str]| {
        scene
            .scantling()
            .args(["measure", "--part", "block", "--scan", "scan.ply", "--unit", "mm", "--serial", "1"])
            .args(more)
            .output()
            .expect("runs")
    };
    let accepted = measure(&["--no-wait"]);
    assert_eq!(accepted.status.code(), Some(3), "{}", said(&accepted.stderr));
    let text = said(&accepted.stderr);
    let id = text.split("record show ").nth(1).and_then(|t| t.split(' ').next()).expect("what to do next");
    let shown =
        scene.scantling().args(["record", "show", id, "--wait", "--exit-verdict"]).output().expect("runs");
    assert_eq!(shown.status.code(), Some(4), "{}{}", said(&shown.stdout), said(&shown.stderr));
    assert!(said(&shown.stdout).contains("FAILED"), "{}", said(&shown.stdout));
    // Once it is finished, the same again needs a word; the answer says which.
    let again = measure(&[]);
    assert_eq!(again.status.code(), Some(5));
    assert!(said(&again.stderr).contains(&format!("--repeat-of {id}")), "{}", said(&again.stderr));
}

#[test]
fn two_services_at_once_are_refused() {
    let scene = Scene::new();
    let output =
        scene.scantling().args(["--server", "http://127.0.0.1:1", "part", "list"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output.stderr).contains("leave one out"), "{}", said(&output.stderr));
}

#[test]
fn what_is_no_service_of_ours_is_told_so() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let url = format!("http://{}", listener.local_addr().expect("bound"));
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { return };
            let mut asked = [0; 1024];
            // Whatever was asked, a web server's answer.
            let _ = stream.read(&mut asked);
            let _ = stream
                .write_all(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
        }
    });
    let output = program().args(["--server", &url, "part", "list"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(7), "{}", said(&output.stderr));
    assert!(said(&output.stderr).contains("no Scantling service"), "{}", said(&output.stderr));
}

#[test]
fn a_data_folder_that_cannot_be_used_is_named_once() {
    let scene = Scene::new();
    let file = scene.file("data", "a file");
    let output = scene.scantling().args(["part", "list"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(7), "{}", said(&output.stderr));
    let text = said(&output.stderr);
    assert_eq!(text.matches("cannot be used").count(), 1, "{text}");
    assert_eq!(text.matches(file.to_str().expect("UTF-8")).count(), 1, "{text}");
}

#[test]
fn what_was_measured_by_hand_is_read_strictly() {
    let scene = Scene::with_block();
    for reading in ["1=3.02, calliper", "1=3.02 mm", "=1 mm, a", "1=maybe, gauge"] {
        let output = scene
            .scantling()
            .args(["measure", "--part", "block", "--serial", "1", "--reading", reading])
            .output()
            .expect("runs");
        assert_eq!(output.status.code(), Some(2), "{reading}");
    }
    scene.file("r.csv", "characteristic,value,colour\n1,2,red\n");
    let output = scene
        .scantling()
        .args(["measure", "--part", "block", "--serial", "1", "--readings", "r.csv"])
        .output()
        .expect("runs");
    assert_eq!(output.status.code(), Some(4));
    assert!(said(&output.stderr).contains("colour"), "{}", said(&output.stderr));
}
