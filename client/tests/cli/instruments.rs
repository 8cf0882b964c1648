//! Instruments from the command line: registered, verified, used, withdrawn.

use std::fmt::Write;

use crate::hand::with_bracket;
use crate::scene::{Scene, said};

fn json(bytes: &[u8]) -> serde_json::Value {
    serde_json::from_slice(bytes).unwrap_or_else(|e| panic!("{e}: {}", said(bytes)))
}

/// On one line, wherever its lines were broken.
fn unwrapped(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The bracket measured with the arm on a day; the answer's exit code and what was said.
fn measured(scene: &Scene, serial: &str, more: &[&str]) -> (Option<i32>, String) {
    let output = scene
        .scantling()
        .args([
            "measure",
            "--part",
            "br-7",
            "--points",
            "good.csv",
            "--unit",
            "mm",
            "--coordinates",
            "instrument",
        ])
        .args(["--point-uncertainty", "0.01", "--instrument", "instruments/arm-2", "--serial", serial])
        .args(["--reading", "2=1.2 kg +-0.01, scale 2", "--reading", "3=pass, gauge 7"])
        .args(more)
        .output()
        .expect("runs");
    (output.status.code(), unwrapped(&(said(&output.stdout) + &said(&output.stderr))))
}

#[test]
fn an_arm_is_registered_verified_used_and_its_verification_withdrawn() {
    let scene = with_bracket();
    let list = scene.scantling().args(["instrument", "list"]).assert().success();
    assert!(said(&list.get_output().stdout).contains("no instruments yet"));
    let add = ["instrument", "add", "arm-2", "--title", "Arm 2, hall B", "--serial-number", "4711"];
    let added = scene.scantling().args(add).assert().success();
    assert!(said(&added.get_output().stderr).contains("until it is verified"));
    scene.scantling().args(add).assert().code(5);
    scene.scantling().args(["instrument", "add", "Arm 2"]).assert().code(2);
    let list = scene.scantling().args(["instrument", "list"]).assert().success();
    let list = said(&list.get_output().stdout);
    assert!(list.contains("arm-2") && list.contains("4711") && list.contains("Arm 2, hall B"), "{list}");

    let taken = ["--taken", "2024-06-01T10:00:00Z"];
    let (code, text) = measured(&scene, "1", &taken);
    assert_eq!(code, Some(3), "{text}");
    assert!(text.contains("instruments/arm-2") && text.contains("none at all"), "{text}");
    let (code, text) = measured(&scene, "1", &[]);
    assert_eq!(code, Some(4), "its day must be said: {text}");

    let verify = |more: &[&str]| {
        let words = [
            "instrument",
            "verify",
            "arm-2",
            "--id",
            "2024-03",
            "--on",
            "2024-03-02",
            "--until",
            "2024-12-31",
        ];
        scene.scantling().args(words).args(more).output().expect("runs")
    };
    for wrong in [
        &["--every-surface"] as &[&str],
        &["--certificate", "KB 119"],
        &["--certificate", "KB 119", "--every-surface", "--surface-class", "dull"],
        &["--balls", "s.ply", "--every-surface"],
    ] {
        assert_eq!(verify(wrong).status.code(), Some(2), "{wrong:?}");
    }
    let silent = verify(&["--certificate", "KB 119", "--every-surface"]);
    assert_eq!(silent.status.code(), Some(4), "{}", said(&silent.stderr));
    scene.file("kb.txt", "a certificate");
    let stated =
        ["--certificate", "KB 119", "--certificate-file", "kb.txt", "--every-surface", "--probing", "0.004"];
    let verified = verify(&stated);
    assert_eq!(verified.status.code(), Some(0), "{}", said(&verified.stderr));
    let text = unwrapped(&said(&verified.stdout));
    assert!(text.contains("certificate KB 119 (blobs/") && text.contains("0.0040 mm"), "{text}");
    let shown =
        scene.scantling().args(["--output", "json", "instrument", "show", "arm-2"]).assert().success();
    let shown = json(&shown.get_output().stdout);
    assert_eq!(shown["verifications"][0]["name"], "instruments/arm-2/verifications/2024-03");
    assert_eq!(shown["verifications"][0]["errors"]["probingMm"], 0.004);
    let shown = scene.scantling().args(["instrument", "show", "arm-2"]).assert().success();
    let shown = said(&shown.get_output().stdout);
    assert!(shown.contains("2024-03-02") && shown.contains("every"), "{shown}");

    let (code, text) = measured(&scene, "2", &taken);
    assert_eq!(code, Some(0), "{text}");
    // Run again it is the same scan, taken with the same instrument: no second inspection.
    let (code, text) = measured(&scene, "2", &taken);
    assert_eq!(code, Some(5), "{text}");
    let (code, text) = measured(&scene, "3", &["--taken", "2025-01-01T00:00:00Z"]);
    assert_eq!(code, Some(3), "{text}");
    assert!(text.contains("valid until 2024-12-31"), "{text}");

    let withdraw = ["instrument", "withdraw", "arm-2/2024-03", "--reason", "the ball was dirty"];
    let gone = scene.scantling().args(withdraw).assert().success();
    assert!(said(&gone.get_output().stdout).contains("the ball was dirty"));
    scene.scantling().args(withdraw).assert().code(5);
    let (code, text) = measured(&scene, "4", &taken);
    assert_eq!(code, Some(3), "{text}");
    scene.scantling().args(["instrument", "show", "arm-2/2024-04"]).assert().code(5);
}

#[test]
fn balls_are_measured_by_the_template_of_their_artefact() {
    let scene = Scene::new();
    let template = scene.scantling().args(["instrument", "balls", "--template"]).assert().success();
    let template = said(&template.get_output().stdout);
    scene.file("balls.toml", &template);
    // Fifteen hundred points of each ball on a spiral (golden angle by its complex number, no functions needed).
    let (cosine, sine) = (-0.737_368_878_078_320_2_f64, 0.675_490_294_261_523_6_f64);
    let mut text = String::new();
    for at in [[0.0, 0.0, 0.0], [980.0, 15.0, 40.0], [470.0, 300.0, 250.0]] {
        let (mut c, mut s) = (1.0, 0.0);
        for n in 0..1500 {
            let z = 1.0 - 1.3 * (f64::from(n) + 0.5) / 1500.0;
            let r = (1.0 - z * z).sqrt();
            // In and out in turn, by 0.02 mm.
            let radius = 15.0 + if n % 2 == 0 { 0.02 } else { -0.02 };
            let p = [at[0] + radius * r * c, at[1] + radius * r * s, at[2] + radius * z];
            let _ = writeln!(text, "{} {} {}", p[0], p[1], p[2]);
            (c, s) = (c * cosine - s * sine, c * sine + s * cosine);
        }
    }
    scene.file("balls.xyz", &text);
    let balls = ["instrument", "balls", "balls.xyz", "--unit", "mm", "--artefact", "balls.toml"];
    let found = scene.scantling().args(["--output", "json"]).args(balls).output().expect("runs");
    assert_eq!(found.status.code(), Some(0), "{}", said(&found.stderr));
    let found = json(&found.stdout);
    let noise = found["errors"]["pointNoiseMm"].as_f64().expect("a number");
    assert!((noise / 0.02 - 1.0).abs() < 0.02, "{noise}");
    assert_eq!(found["ballResults"]["lengths"].as_array().map(Vec::len), Some(3));
    let told = scene.scantling().args(balls).assert().success();
    let told = said(&told.get_output().stdout);
    assert!(told.contains("K3") && told.contains("noise of a point") && told.contains("980."), "{told}");

    // Two of three balls are missing, a key is misspelt, nothing is named.
    scene.file("half.xyz", text.lines().take(1500).map(|l| format!("{l}\n")).collect::<String>());
    let half = ["instrument", "balls", "half.xyz", "--unit", "mm", "--artefact", "balls.toml"];
    scene.scantling().args(half).assert().code(3);
    scene.file("slip.toml", template.replacen("diameter_mm", "diametre_mm", 1));
    let slip = ["instrument", "balls", "balls.xyz", "--unit", "mm", "--artefact", "slip.toml"];
    scene.scantling().args(slip).assert().code(4);
    scene.scantling().args(["instrument", "balls", "balls.xyz", "--unit", "mm"]).assert().code(2);
    scene.scantling().args(["instrument", "balls"]).assert().code(2);
}
