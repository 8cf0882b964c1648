//! Faces of a nominal and what became of them, of files and of registered revisions.
//!
//! The STEP file is core's block of 40 x 30 x 20 mm with a hole of radius 5 mm along z through (15, 12): the bottom is #1100,
//! the top #1101, the sides #1102 to #1105, the wall of the hole #1106.

use scantling_core::geometry::math;

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

/// The hole by its number, and the sides at x 0 (#1104) and y 0 (#1102) beside it.
fn plan_of_faces() -> String {
    let sides = "
[[feature]]
id = \"C\"
kind = \"plane\"
face = \"#1104\"
[[feature]]
id = \"B\"
kind = \"plane\"
face = \"#1102\"

[[characteristic]]";
    let print = "face = \"#1106\"\nfingerprint = [ { surface = \"cylinder\", area_mm2 = 628.11, centroid_mm = [15.0, 12.0, 10.0], \
                 diameter_mm = 10.0 } ]";
    PLAN.replace("pick = { near_mm = [15.0, 12.0, 20.0] }", print).replacen("\n[[characteristic]]", sides, 1)
}

/// The sides at x 0 and x 40 have each other's number.
fn swapped(text: &str) -> String {
    text.replace("#1104", "#0000").replace("#1105", "#1104").replace("#0000", "#1105")
}

/// A mesh of the block without the hole.
fn block_stl() -> String {
    let corner = |i: usize| {
        let at = |bit: usize, size: u32| if i & bit == 0 { 0 } else { size };
        format!("vertex {} {} {}", at(1, 40), at(2, 30), at(4, 20))
    };
    let mut text = "solid block\n".to_owned();
    for [a, b, c, d] in [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]] {
        for triangle in [[a, b, c], [a, c, d]] {
            let corners = triangle.map(corner).join("\n");
            text += &format!("facet normal 0 0 0\nouter loop\n{corners}\nendloop\nendfacet\n");
        }
    }
    text + "endsolid block\n"
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

/// What became of the faces, by their numbers before.
fn became(told: &serde_json::Value) -> Vec<String> {
    let of = |f: &serde_json::Value| {
        let name = |side: &str| f[side]["face"].as_str().unwrap_or("-").to_owned();
        format!("{} {} {}", f["what"].as_str().expect("a word"), name("before"), name("after"))
    };
    told["faces"].as_array().expect("faces").iter().map(of).collect()
}

fn features(told: &serde_json::Value) -> Vec<&str> {
    told["features"].as_array().expect("features").iter().map(|f| f.as_str().expect("text")).collect()
}

#[test]
fn what_else_lies_otherwise_is_told_beside_a_feature_that_is_not_found() {
    let scene = scene();
    scene.file("faces.toml", plan_of_faces());
    scene.file("swapped.step", swapped(&shifted()));
    let told = json(&scene, &["part", "diff", "drilled.step", "swapped.step", "--plan", "faces.toml"]);
    let features = features(&told);
    assert!(features.iter().any(|f| f.contains("H") && f.contains("no face of the nominal is a cylinder")));
    // Side C lies on the opposite side now, and B where it was.
    assert!(features.contains(&"C moved by 40.00 mm"), "{features:?}");
    assert_eq!(features.len(), 2, "{features:?}");
}

#[test]
fn a_face_that_could_not_be_read_is_told_and_not_called_gone() {
    let scene = scene();
    scene.file(
        "bad.step",
        BLOCK.replace("CYLINDRICAL_SURFACE('',#2080,5.0)", "OFFSET_SURFACE('',#2080,5.0,.F.)"),
    );
    let told = json(&scene, &["part", "diff", "drilled.step", "bad.step"]);
    assert_eq!(became(&told), ["not found #1106 -"]);
    assert_eq!(told["before"]["missing"], serde_json::json!([]));
    assert_eq!(told["after"]["missing"][0]["face"], "#1106");
    let back = json(&scene, &["part", "diff", "bad.step", "drilled.step"]);
    assert_eq!(became(&back), ["not found before - #1106"]);
    let table = scene.scantling().args(["part", "diff", "drilled.step", "bad.step"]).assert().success();
    let text = said(&table.get_output().stdout);
    assert!(text.contains("missing in bad.step: #1106 ") && !text.contains("gone  "), "{text}");
    // As comments that a plan may hold.
    let printed = scene.scantling().args(["part", "faces", "bad.step", "--as-plan"]).assert().success();
    let text = said(&printed.get_output().stdout);
    assert!(text.contains("\n# missing: #1106 ") && !text.contains("-0.0000"), "{text}");
}

/// Faces and features have moved from the same distance on, and a plane has not where only its outline did.
#[test]
fn faces_and_the_features_on_them_have_moved_by_one_measure() {
    let scene = scene();
    let shifted = |x: f64| {
        let to = |at: f64| format!("({:?},12.0,", at + x);
        BLOCK.replace("(15.0,12.0,", &to(15.0)).replace("(20.0,12.0,", &to(20.0))
    };
    let told = |x: f64| {
        scene.file("moved.step", shifted(x));
        json(&scene, &["part", "diff", "drilled.step", "moved.step", "--plan", "drilled.toml"])
    };
    let little = told(0.01);
    assert!(became(&little).is_empty() && features(&little).is_empty(), "{little}");
    let more = told(0.04);
    assert_eq!(became(&more), ["moved #1106 #1106"]);
    assert_eq!(features(&more), ["H moved by 0.04 mm"]);
    let much = told(3.0);
    assert_eq!(became(&much), ["altered #1100 #1100", "altered #1101 #1101", "moved #1106 #1106"]);
}

#[test]
fn a_step_file_is_compared_with_a_mesh_whose_unit_is_told() {
    let scene = scene();
    scene.file("block.stl", block_stl());
    let told = json(&scene, &["part", "diff", "drilled.step", "block.stl", "--unit", "mm"]);
    assert_eq!(told["same"], 4);
    assert_eq!(became(&told).iter().filter(|b| b.starts_with("altered")).count(), 2, "{told}");
    assert!(became(&told).contains(&"gone #1106 -".to_owned()), "{told}");
    let back = json(&scene, &["part", "diff", "block.stl", "drilled/a", "--unit", "mm"]);
    assert_eq!(back["same"], 4);
    for (args, says) in [
        (vec!["drilled.step", "later.step", "--unit", "mm"], "leave --unit out"),
        (vec!["drilled.step", "drilled/a", "--unit", "mm"], "leave --unit out"),
        (vec!["drilled.step", "block.stl"], "add --unit"),
        (vec!["block.stl", "block.stl", "--unit", "mm", "--part", "lid"], "leave --part out"),
    ] {
        let output = scene.scantling().args(["part", "diff"]).args(&args).output().expect("runs");
        let text = said(&output.stderr);
        assert!(output.status.code() == Some(4) && text.contains(says), "{args:?}: {text}");
    }
}

/// Two blocks in an assembly, the second turned and 100 mm along x.
fn assembly() -> String {
    let (ours, end) = BLOCK.split_at(BLOCK.rfind("ENDSEC;").expect("an end"));
    let placed = |first: u32, name: &str, x: u32, along: &str| {
        let n = |k: u32| first + k;
        format!(
            "#{}=AXIS2_PLACEMENT_3D('',#{},#{},#{});\n#{}=CARTESIAN_POINT('',({x}.,0.,0.));\n#{}=DIRECTION('',(0.,0.,1.));\n\
             #{}=DIRECTION('',({along}));\n#{}=ITEM_DEFINED_TRANSFORMATION('','',#1010,#{});\n\
             #{}=(REPRESENTATION_RELATIONSHIP('','',#1002,#5000)REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION(#{})\
             SHAPE_REPRESENTATION_RELATIONSHIP());\n#{}=CONTEXT_DEPENDENT_SHAPE_REPRESENTATION(#{},#{});\n\
             #{}=PRODUCT_DEFINITION_SHAPE('','',#{});\n#{}=NEXT_ASSEMBLY_USAGE_OCCURRENCE('{x}','{name}','',#5004,#1022,$);\n",
            n(0),
            n(1),
            n(2),
            n(3),
            n(1),
            n(2),
            n(3),
            n(4),
            n(0),
            n(5),
            n(4),
            n(6),
            n(5),
            n(7),
            n(7),
            n(8),
            n(8)
        )
    };
    let top = "#5000=SHAPE_REPRESENTATION('top',(#5001,#5100,#5140),#1003);\n#5001=AXIS2_PLACEMENT_3D('',#1011,$,$);\n\
               #5002=SHAPE_DEFINITION_REPRESENTATION(#5003,#5000);\n#5003=PRODUCT_DEFINITION_SHAPE('','',#5004);\n\
               #5004=PRODUCT_DEFINITION('','',#5005,$);\n#5005=PRODUCT_DEFINITION_FORMATION('','',#5006);\n\
               #5006=PRODUCT('top-1','top','',());\n";
    let (left, right) = (placed(5100, "left", 0, "1.,0.,0."), placed(5140, "right", 100, "0.,1.,0."));
    format!("{ours}{top}{left}{right}{end}")
}

#[test]
fn the_parts_of_a_file_are_told_with_the_faces_that_they_have() {
    let scene = scene();
    scene.file("both.step", assembly());
    let told = json(&scene, &["part", "faces", "both.step", "--html", "both.html"]);
    let part =
        |occurrence: &str| serde_json::json!({ "part": "block", "occurrence": [occurrence], "faces": 7 });
    assert_eq!(told["parts"], serde_json::json!([part("left"), part("right")]));
    for face in told["faces"].as_array().expect("faces") {
        let second = face["face"].as_str().expect("a name").ends_with("/1");
        assert_eq!(
            (&face["part"], &face["occurrence"][0]),
            (&"block".into(), &["left", "right"][usize::from(second)].into())
        );
    }
    let table = scene.scantling().args(["part", "faces", "both.step"]).assert().success();
    let text = said(&table.get_output().stdout);
    let row = text.lines().find(|l| l.starts_with("#1106/1 ")).expect("a row");
    assert!(row.contains("block") && row.trim_end().ends_with("right"), "{text}");
    let page = std::fs::read_to_string(scene.path().join("both.html")).expect("a page");
    assert!(page.contains("<td>block (right)</td>"));
    // One part needs no such column.
    let alone = json(&scene, &["part", "faces", "drilled.step"]);
    assert_eq!(alone["parts"].as_array().expect("parts").len(), 1);
    let table = scene.scantling().args(["part", "faces", "drilled.step"]).assert().success();
    assert!(!said(&table.get_output().stdout).contains("occurrence"));
}

/// What is printed for a plan of a mesh, which has no numbers of faces, is what a plan takes.
#[test]
fn faces_of_a_mesh_are_printed_by_a_place_on_them() {
    let scene = scene();
    scene.file("block.stl", block_stl());
    let args = ["part", "faces", "block.stl", "--unit", "mm", "--as-plan"];
    let printed = scene.scantling().args(args).assert().success();
    let text = said(&printed.get_output().stdout);
    let picks: Vec<&str> = text.lines().filter(|l| l.starts_with("pick = ")).collect();
    assert!(picks.len() == 6 && !text.contains("face = ") && !text.contains("-0.0000"), "{text}");
    let flat = "flatness = { zone_width_mm = 0.2, association = \"minimum_zone\" }";
    for (i, pick) in picks.into_iter().enumerate() {
        let plan = PLAN
            .replace("pick = { near_mm = [15.0, 12.0, 20.0] }", pick)
            .replace("kind = \"hole\"", "kind = \"plane\"")
            .replace("drilled.step", "block.stl");
        let begin = plan.find("diameter = ").expect("a diameter");
        let end = begin + plan[begin..].find('\n').expect("its end");
        scene.file("picked.toml", format!("{}{flat}{}", &plan[..begin], &plan[end..]));
        let check = ["plan", "check", "picked.toml", "--nominal", "block.stl", "--unit", "mm"];
        let output = scene.scantling().args(check).output().expect("runs");
        assert_eq!(output.status.code(), Some(0), "{i} {pick}: {}", said(&output.stderr));
    }
}

/// A ring of 64 facets with a bore: its walls are picked by a place on the bore's axis, and on the outer wall.
#[test]
fn a_hole_of_a_mesh_is_printed_by_a_place_on_its_axis() {
    let scene = scene();
    let corner = |i: u32, radius: f64, z: f64| {
        let angle = f64::from(i) * std::f64::consts::TAU / 64.0;
        let (x, y) = (math::cos(angle), math::sin(angle));
        format!("vertex {} {} {z}", 50.0 + radius * x, 20.0 + radius * y)
    };
    let mut text = "solid ring\n".to_owned();
    let mut quad = |q: [String; 4]| {
        for t in [[0, 1, 2], [0, 2, 3]] {
            let corners = t.map(|k| q[k].as_str()).join("\n");
            text += &format!("facet normal 0 0 0\nouter loop\n{corners}\nendloop\nendfacet\n");
        }
    };
    for i in 0..64 {
        let p = |k: u32, radius: f64, z: f64| corner((i + k) % 64, radius, z);
        quad([p(0, 20.0, 0.0), p(1, 20.0, 0.0), p(1, 20.0, 10.0), p(0, 20.0, 10.0)]);
        quad([p(0, 8.0, 0.0), p(0, 8.0, 10.0), p(1, 8.0, 10.0), p(1, 8.0, 0.0)]);
        quad([p(0, 8.0, 10.0), p(0, 20.0, 10.0), p(1, 20.0, 10.0), p(1, 8.0, 10.0)]);
        quad([p(0, 8.0, 0.0), p(1, 8.0, 0.0), p(1, 20.0, 0.0), p(0, 20.0, 0.0)]);
    }
    scene.file("ring.stl", text + "endsolid ring\n");
    let told = json(&scene, &["part", "faces", "ring.stl", "--unit", "mm"]);
    let args = ["part", "faces", "ring.stl", "--unit", "mm", "--as-plan"];
    let printed = scene.scantling().args(args).assert().success();
    let text = said(&printed.get_output().stdout);
    let picks: Vec<&str> = text.lines().filter(|l| l.starts_with("pick = ")).collect();
    assert_eq!(picks.len(), 4, "{text}");
    let mut walls = 0;
    for (face, pick) in told["faces"].as_array().expect("faces").iter().zip(picks) {
        let Some(diameter) = face["diameter_mm"].as_f64() else { continue };
        walls += 1;
        let bore = diameter < 20.0;
        assert_eq!(pick == "pick = { near_mm = [50.0000, 20.0000, 5.0000] }", bore, "{pick}");
        let plan = PLAN
            .replace("pick = { near_mm = [15.0, 12.0, 20.0] }", pick)
            .replace("kind = \"hole\"", if bore { "kind = \"hole\"" } else { "kind = \"cylinder\"" })
            .replace("nominal_mm = 10.0", if bore { "nominal_mm = 16.0" } else { "nominal_mm = 40.0" })
            .replace("drilled.step", "ring.stl");
        scene.file("picked.toml", plan);
        let check = ["plan", "check", "picked.toml", "--nominal", "ring.stl", "--unit", "mm"];
        let output = scene.scantling().args(check).output().expect("runs");
        assert_eq!(output.status.code(), Some(0), "{pick}: {}", said(&output.stderr));
    }
    assert_eq!(walls, 2, "{told}");
}

#[test]
fn an_open_sheet_is_asked_for_its_side_in_the_words_of_the_command_line() {
    let scene = scene();
    let open = BLOCK
        .replace("CLOSED_SHELL('',(#1100,", "OPEN_SHELL('',(")
        .replace("MANIFOLD_SOLID_BREP('body',#1000)", "SHELL_BASED_SURFACE_MODEL('body',(#1000))");
    scene.file("open.step", open);
    let output = scene.scantling().args(["part", "faces", "open.step"]).output().expect("runs");
    let text = said(&output.stderr);
    assert_eq!(output.status.code(), Some(4), "{text}");
    assert!(text.contains("--side") && !text.contains("side_of_material"), "{text}");
    scene.scantling().args(["part", "faces", "open.step", "--side", "behind-normal"]).assert().success();
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
