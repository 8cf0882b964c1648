//! Parts that come as points of an arm and as readings by hand, without a scan and without a nominal.

use sha2::{Digest, Sha256};

use crate::scene::{Scene, said};

/// A bracket whose features all say their own place, taken up on six targets.
const PLAN: &str = r#"
schema_version = 1
part = "br-7"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }

[[feature]]
id = "P1"
kind = "point"
point = { at_mm = [50.0, 20.0, 5.0], direction = [0.0, 0.0, 1.0] }

[[datum_system]]
id = "ABC"
datum = [
  { letter = "A", targets = [
    { id = "A1", at_mm = [0.0, 0.0, 0.0], direction = [0.0, 0.0, -1.0] },
    { id = "A2", at_mm = [100.0, 0.0, 0.0], direction = [0.0, 0.0, -1.0] },
    { id = "A3", at_mm = [0.0, 60.0, 0.0], direction = [0.0, 0.0, -1.0] },
  ] },
  { letter = "B", targets = [
    { id = "B1", at_mm = [10.0, 0.0, 2.0], direction = [0.0, -1.0, 0.0] },
    { id = "B2", at_mm = [90.0, 0.0, 2.0], direction = [0.0, -1.0, 0.0] },
  ] },
  { letter = "C", targets = [{ id = "C1", at_mm = [0.0, 30.0, 2.0], direction = [-1.0, 0.0, 0.0] }] },
]

[[characteristic]]
number = "1"
feature = "P1"
surface_profile = { limit_outside_mm = 0.5, limit_inside_mm = 0.5 }
datum_system = "ABC"

[[characteristic]]
number = "2"
reading = { quantity = "mass", unit = "kg", lower_limit = 1.1, upper_limit = 1.3 }
group = ["hand"]

[[characteristic]]
number = "3"
gauge = { procedure = "thread plug gauge M6-6H, go and no-go" }
group = ["hand"]
"#;

pub(crate) fn with_bracket() -> Scene {
    let scene = Scene::new();
    scene.file("br-7.toml", PLAN);
    scene
        .scantling()
        .args(["part", "register", "--part-id", "br-7", "--plan", "br-7.toml", "--revision", "a"])
        .assert()
        .success();
    scene.scantling().args(["part", "release", "br-7/a"]).assert().success();
    // Targets as drawn; the check point 0.1 and 0.7 mm above.
    let targets = "name,x,y,z\nA1,0,0,0\nA2,100,0,0\nA3,0,60,0\nB1,10,0,2\nB2,90,0,2\nC1,0,30,2\n";
    scene.file("good.csv", format!("{targets}P1,50,20,5.1\n"));
    scene.file("bad.csv", format!("{targets}P1,50,20,5.7\n"));
    scene
}

const MASS: &str = "2=1.2 kg +-0.01, scale 3";
const GAUGE: &str = "3=pass, plug gauge 9";

#[test]
fn points_and_readings_judge_a_part_together() {
    let scene = with_bracket();
    let points = |file: &str| {
        ["--points", file, "--unit", "mm", "--coordinates", "instrument", "--point-uncertainty", "0.01"]
            .map(str::to_owned)
    };
    let both = [MASS, GAUGE].map(|r| ["--reading".to_owned(), r.to_owned()]).concat();
    let failed = ["--reading", MASS, "--reading", "3=fail, plug gauge 9"].map(str::to_owned);
    let mass_only = ["--reading", MASS].map(str::to_owned);
    for (serial, words, exit) in [
        ("good", [&points("good.csv")[..], &both].concat(), 0),
        ("off", [&points("bad.csv")[..], &both].concat(), 1),
        ("thread", [&points("good.csv")[..], &failed].concat(), 1),
        // A required characteristic that nobody measured.
        ("no gauge", [&points("good.csv")[..], &mass_only].concat(), 3),
        ("points only", points("good.csv").to_vec(), 3),
        ("readings only", both.clone(), 3),
        ("readings of their group", [&both[..], &["--group".into(), "hand".into()]].concat(), 0),
    ] {
        let output = scene
            .scantling()
            .args(["measure", "--part", "br-7", "--serial", serial])
            .args(&words)
            .output()
            .expect("runs");
        let text = said(&output.stdout);
        assert_eq!(output.status.code(), Some(exit), "{serial}: {text}{}", said(&output.stderr));
        if exit == 3 {
            assert!(text.contains("NOT MEASURED"), "{serial}: {text}");
        }
    }
    let list = scene.scantling().args(["record", "list"]).assert().success();
    let text = said(&list.get_output().stdout);
    assert!(text.contains("CONFORMS (hand only)"), "{text}");
}

#[test]
fn values_are_told_without_a_record() {
    let scene = with_bracket();
    let output = scene
        .scantling()
        .args(["evaluate", "--part", "br-7", "--points", "bad.csv", "--unit", "mm"])
        .args(["--coordinates", "instrument", "--point-uncertainty", "0.01", "--reading", MASS])
        .output()
        .expect("runs");
    let text = said(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{text}{}", said(&output.stderr));
    assert!(
        text.contains("DOES NOT CONFORM") && text.contains("1.20 kg") && text.contains("none:"),
        "{text}"
    );
    let list = scene.scantling().args(["--output", "json", "record", "list"]).assert().success();
    assert_eq!(said(&list.get_output().stdout).trim(), "{}");
}

#[test]
fn shapes_are_fitted_to_points_of_a_file_and_of_stdin() {
    let scene = Scene::new();
    // A plane z = 2 with one point 0.3 above it: by hand, the mean rises by 0.06 where the tilt stays.
    let points = "x,y,z\n0,0,2\n10,0,2\n0,10,2\n10,10,2\n5,5,2.3\n";
    scene.file("flange.csv", points);
    for words in [["associate", "plane", "flange.csv"], ["associate", "plane", "-"]] {
        let output = scene
            .scantling()
            .args(["--output", "json"])
            .args(words)
            .args(["--unit", "mm"])
            .write_stdin(points)
            .output()
            .expect("runs");
        assert_eq!(output.status.code(), Some(0), "{}", said(&output.stderr));
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("json");
        let form = json["formErrorMm"].as_f64().expect("a number");
        assert!((form - 0.3).abs() < 1e-12, "{json}");
        assert_eq!(json["points"], "5");
    }
    // Outside the material it rests on the one that stands out, and the zone has four contacts or fewer.
    let outside = ["--criterion", "least-squares-outside", "--outward", "0,0,1"];
    let output = scene
        .scantling()
        .args(["associate", "plane", "flange.csv", "--unit", "mm"])
        .args(outside)
        .assert()
        .success();
    let text = said(&output.get_output().stdout);
    assert!(text.contains("outside the material") && text.contains("2.300"), "{text}");
    let output = scene
        .scantling()
        .args(["associate", "plane", "flange.csv", "--unit", "mm", "--criterion", "maximum-inscribed"])
        .output()
        .expect("runs");
    assert_eq!(output.status.code(), Some(4), "{}", said(&output.stderr));
    assert!(said(&output.stderr).contains("choose another criterion"), "{}", said(&output.stderr));
    // Three points of a line hold no plane.
    scene.file("line.csv", "x,y,z\n0,0,0\n1,0,0\n2,0,0\n3,0,0\n");
    let output =
        scene.scantling().args(["associate", "plane", "line.csv", "--unit", "mm"]).output().expect("runs");
    assert_eq!(output.status.code(), Some(3), "{}", said(&output.stderr));
}

/// The report holds no time: two services have one digest, and the JSON is what the digest is of.
#[test]
fn the_program_checks_itself_against_published_values() {
    let output = Scene::new().scantling().args(["self-check", "--all"]).assert().success();
    let text = said(&output.get_output().stdout);
    // Whatever the width of the lines.
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for wanted in ["least-squares fits", "cyl7", "part 3 P13", "checks passed", "not published: computed"] {
        assert!(words.contains(wanted), "{wanted} is not in:\n{text}");
    }
    let output = Scene::new().scantling().args(["--output", "json", "self-check"]).assert().success();
    let json: serde_json::Value = serde_json::from_slice(&output.get_output().stdout).expect("json");
    let digest = json["reportSha256"].as_str().expect("a digest");
    assert!(text.contains(digest), "{digest} is not in:\n{text}");
    let report = json["reportJson"].as_str().expect("a report");
    let hashed: String = Sha256::digest(report).iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(digest, hashed);
    assert_eq!(json["passed"], true);
    assert_eq!(json["programVersion"], env!("CARGO_PKG_VERSION"));
}
