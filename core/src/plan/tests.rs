//! A plan that is right, plans that are wrong in every way, and that each fault is said once.

use super::*;

/// One sample per schema version is kept and read for ever.
const GOOD: &str = include_str!("samples/plan_1.toml");
const GOOD_SHA256: &str = "ce1f2686a3616828a9cfea8ce6099911792b2f6736a83b728008743ae7218146";

fn faults(text: &str) -> Vec<String> {
    check_toml(text).map(|_| ()).expect_err("this plan has faults").iter().map(ToString::to_string).collect()
}

/// The good plan with one text replaced by another; both faults and places are then looked at.
fn changed(from: &str, to: &str) -> Vec<String> {
    assert!(GOOD.contains(from), "{from}");
    faults(&GOOD.replacen(from, to, 1))
}

#[track_caller]
fn one_fault(from: &str, to: &str, place: &str, word: &str) {
    let found = changed(from, to);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert!(found[0].starts_with(&format!("{place}: ")), "{found:#?} should be at {place}");
    assert!(found[0].contains(word), "{found:#?} should say {word}");
}

#[test]
fn a_good_plan_is_resolved() {
    let (file, plan) = check_toml(GOOD).unwrap();
    assert_eq!(plan.decision, Decision::Proven);
    let Place::Pick { near, .. } = plan.features[0].place else { panic!() };
    assert_eq!(near, crate::geometry::Point::new(12.0, 40.0, 0.0));
    assert_eq!(plan.datum_systems[0].features().collect::<Vec<_>>(), [0, 1, 2]);
    let [skin, diameter, position, flatness] = plan.characteristics.as_slice() else { panic!() };
    assert_eq!((skin.datum_system, skin.required, skin.needs.coverage), (Some(0), true, 0.95));
    assert_eq!((diameter.datum_system, diameter.needs.coverage), (None, 0.75));
    assert_eq!(
        diameter.requirement,
        Requirement::Diameter {
            nominal_mm: 8.0,
            upper_deviation_mm: 0.1,
            lower_deviation_mm: 0.0,
            size: SizeOperator::LeastSquares
        }
    );
    assert!(!position.required);
    assert_eq!(skin.filter, Some(Filter { nesting_index_mm: 2.5 }));
    assert_eq!(flatness.filter, Some(Filter { nesting_index_mm: 8.0 }));
    assert_eq!(file.check().unwrap(), plan);
}

#[test]
fn layout_and_notation_do_not_change_the_digest_and_a_limit_does() {
    let (file, plan) = check_toml(GOOD).unwrap();
    assert_eq!(plan.sha256(), GOOD_SHA256, "plans of version 1 keep their digest for ever");
    let json = serde_json::to_string_pretty(&file).unwrap();
    let (from_json, same) = check_json(&json).unwrap();
    assert_eq!((&from_json, same.sha256()), (&file, plan.sha256()));
    let turned = GOOD.replace("[nominal]\n", "# a comment\n[nominal]\n").replace("[12, ", "[12.0, ");
    assert_eq!(check_toml(&turned).unwrap().1.sha256(), plan.sha256());
    let wider = GOOD.replace("limit_outside_mm = 0.4", "limit_outside_mm = 0.5");
    assert_ne!(check_toml(&wider).unwrap().1.sha256(), plan.sha256());
    assert_eq!(check_value(serde_json::to_value(&file).unwrap()).unwrap().1, plan);
}

#[test]
fn the_reader_agrees_with_the_strict_deserializer() {
    let (file, _) = check_toml(GOOD).unwrap();
    assert_eq!(toml::from_str::<PlanFile>(GOOD).unwrap(), file);
}

#[test]
fn an_unknown_key_a_wrong_type_a_repeated_number_an_unknown_feature_and_missing_limits_are_said_at_once() {
    let text = GOOD
        .replacen("class = \"key\"", "clas = \"key\"", 1)
        .replacen("plan_version = 4", "plan_version = \"four\"", 1)
        .replacen("number = \"2\"", "number = \"1\"", 1)
        .replacen("feature = \"H1\"\nposition", "feature = \"H7\"\nposition", 1)
        .replacen("limit_outside_mm = 0.4, ", "", 1)
        .replacen(", lower_deviation_mm = 0", "", 1);
    let found = faults(&text);
    for (place, word) in [
        ("plan_version: ", "is the text \"four\"; write a whole number"),
        ("characteristic[0].clas: ", "did you mean `class`?"),
        ("characteristic[0].surface_profile.limit_outside_mm: ", "is missing"),
        ("characteristic[1].diameter.lower_deviation_mm: ", "is missing"),
        ("characteristic[1].number: ", "characteristic[0]"),
        ("characteristic[2].feature: ", "characteristic 3: is \"H7\""),
    ] {
        assert!(found.iter().any(|f| f.starts_with(place) && f.contains(word)), "{place} {word}\n{found:#?}");
    }
    assert_eq!(found.len(), 6, "{found:#?}");
}

#[test]
fn syntax_has_line_and_column() {
    let found = faults("schema_version = 1\npart = = 3\n");
    assert_eq!(found.len(), 1);
    assert!(found[0].starts_with("line 2, column 8: this is not valid TOML"), "{found:#?}");
    let found = check_json("{\n \"part\": }").unwrap_err();
    assert_eq!((found.len(), found[0].place.as_str()), (1, "line 2, column 10"));
    let twice = check_json("{\"part\": \"a\", \"part\": \"b\"}").unwrap_err();
    assert!(twice[0].problem.contains("`part` stands twice"), "{twice:?}");
    let deep = "[".repeat(100_000);
    assert_eq!(check_json(&deep).unwrap_err().len(), 1);
    assert_eq!(check_toml(&format!("a = {deep}")).unwrap_err().len(), 1);
}

#[test]
fn an_empty_plan_names_everything_that_is_missing() {
    for found in [check_toml("").unwrap_err(), check_json("{}").unwrap_err()] {
        let places: Vec<&str> = found.iter().map(|f| f.place.as_str()).collect();
        assert_eq!(
            places,
            [
                "schema_version",
                "part",
                "drawing_revision",
                "plan_version",
                "length_unit",
                "object",
                "standard",
                "decision",
                "characteristic"
            ]
        );
    }
    assert_eq!(check_json("3").unwrap_err().len(), 1, "no table at all");
}

#[test]
fn each_fault_of_form_is_said_once_at_its_place() {
    one_fault("title = \"Window surround\"", "title = 3", "title", "text in quotes");
    one_fault("title = \"Window surround\"", "title = 2024-05-01", "title", "a date");
    one_fault("[nominal]\nfile = \"ws-214.stl\"\n", "nominal = 3\n", "nominal", "a table with `file`");
    one_fault("kind = \"plane\"", "kind = \"plain\"", "feature[0].kind", "\"plane\" or \"hole\"");
    one_fault(
        "near_mm = [12, 40.0, 0.0]",
        "near_mm = [12, \"a\", 0.0]",
        "feature[0].pick.near_mm[1]",
        "a number",
    );
    one_fault("near_mm = [12, 40.0, 0.0]", "near_mm = 12", "feature[0].pick.near_mm", "a list");
    one_fault("id = \"H1\"", "id = 1", "feature[1].id", "text in quotes");
    one_fault("{ proven = {} }", "{ proven = { at = 1 } }", "decision.proven.at", "has none");
    one_fault("plan_version = 4", "plan_version = 4.5", "plan_version", "a whole number");
    one_fault("plan_version = 4", "plan_version = 4000000000", "plan_version", "a whole number");
    one_fault("size = \"least_squares\"", "", "characteristic[1].diameter.size", "is missing");
    one_fault("group = [\"skin\"]", "group = [\"skin\", 3]", "characteristic[0].group[1]", "text");
    let found = changed("position = {", "positon = {");
    assert!(
        found[0].starts_with("characteristic[2].positon: ") && found[0].contains("did you mean `position`?")
    );
    assert!(found[1].starts_with("characteristic[2]: ") && found[1].contains("requires nothing"));
    assert_eq!(found.len(), 2, "{found:#?}");
}

#[test]
fn each_fault_of_meaning_is_said_once_at_its_place() {
    for (from, to, place, word) in [
        ("schema_version = 1", "schema_version = 2", "schema_version", "write 1"),
        ("plan_version = 4", "plan_version = 0", "plan_version", "1 or more"),
        ("part = \"ws-214\"", "part = \" \"", "part", "is empty"),
        ("edition = \"ISO 1101:2017\"", "edition = \"\"", "standard.edition", "is empty"),
        ("{ proven = {} }", "{}", "decision", "names no rule"),
        ("{ proven = {} }", "{ proven = {}, simple = { ratio = 0.1 } }", "decision", "more than one"),
        ("{ proven = {} }", "{ simple = { ratio = 0 } }", "decision.simple.ratio", "above 0"),
        ("{ proven = {} }", "{ simple = { ratio = nan } }", "decision.simple.ratio", "NaN"),
        ("{ proven = {} }", "{ probability = { conforms = 0.5 } }", "decision.probability.conforms", "0.5"),
        ("{ proven = {} }", "{ guarded = { factor = 0 } }", "decision.guarded.factor", "above 0"),
        ("{ proven = {} }", "{ guarded = { factor = 6 } }", "decision.guarded.factor", "6"),
        ("{ proven = {} }", "{ proven = {}, guarded = { factor = 1 } }", "decision", "more than one"),
        ("nesting_index_mm = 2.5", "nesting_index_mm = inf", "filter.gaussian.nesting_index_mm", "inf"),
        ("{ gaussian = { nesting_index_mm = 2.5 } }", "{}", "filter", "gaussian"),
        ("near_mm = [12, 40.0, 0.0]", "near_mm = [12, 40.0]", "feature[0].pick.near_mm", "2 numbers"),
        ("near_mm = [12, 40.0, 0.0]", "near_mm = [12, nan, 0]", "feature[0].pick.near_mm", "finite"),
        ("facing = [0.0, 0.0, -1.0]", "facing = [0, 0, 0]", "feature[0].pick.facing", "no length"),
        (
            "grow_to_angle_deg = 12.0",
            "grow_to_angle_deg = 90",
            "feature[3].pick.grow_to_angle_deg",
            "below 90",
        ),
        (
            "facing = [0.0, 0.0, -1.0]",
            "grow_to_angle_deg = 9",
            "feature[0].pick.grow_to_angle_deg",
            "surface",
        ),
        (
            "[[datum_system]]",
            "[[feature]]\nid = \"H1\"\nkind = \"hole\"\npick = { near_mm = [1, 2, 3] }\n[[datum_system]]",
            "feature[4].id",
            "feature[1]",
        ),
        ("letter = \"B\"", "letter = \"b\"", "datum_system[0].datum[1].letter", "capital"),
        ("letter = \"B\"", "letter = \"A\"", "datum_system[0].datum[1].letter", "twice"),
        (
            "\"C\", feature = \"H2\"",
            "\"C\", feature = \"H1\"",
            "datum_system[0].datum[2].feature",
            "datum 2 too",
        ),
        (
            "\"B\", feature = \"H1\"",
            "\"B\", feature = \"SKIN\"",
            "datum_system[0].datum[1].feature",
            "but a datum is a",
        ),
        ("number = \"2\"", "number = \"\"", "characteristic[1].number", "is empty"),
        ("feature = \"H1\"\ndiameter", "feature = \"SKIN\"\ndiameter", "characteristic[1].feature", "hole"),
        (
            "feature = \"FLANGE\"\nflatness",
            "feature = \"SKIN\"\nflatness",
            "characteristic[3].feature",
            "plane",
        ),
        ("\"ABC\"\nclass", "\"ABD\"\nclass", "characteristic[0].datum_system", "did you mean \"ABC\"?"),
        ("datum_system = \"ABC\"\nwhen", "when", "characteristic[2].datum_system", "is missing"),
        (
            "number = \"2\"",
            "number = \"2\"\ndatum_system = \"ABC\"",
            "characteristic[1].datum_system",
            "no datums",
        ),
        (
            "upper_deviation_mm = 0.1",
            "upper_deviation_mm = 0",
            "characteristic[1].diameter.upper_deviation_mm",
            "above",
        ),
        (
            "lower_deviation_mm = 0",
            "lower_deviation_mm = -8",
            "characteristic[1].diameter.lower_deviation_mm",
            "size",
        ),
        ("nominal_mm = 8.0", "nominal_mm = -8.0", "characteristic[1].diameter.nominal_mm", "above 0"),
        (
            "zone_diameter_mm = 0.4",
            "zone_diameter_mm = 0",
            "characteristic[2].position.zone_diameter_mm",
            "above 0",
        ),
        ("zone_width_mm = 0.3", "zone_width_mm = nan", "characteristic[3].flatness.zone_width_mm", "NaN"),
        ("coverage = 0.95", "coverage = 1.1", "characteristic[0].needs.coverage", "at most 1"),
        ("disc_mm = 25.0", "disc_mm = 0.0", "characteristic[0].needs.largest_unseen_disc_mm", "above 0"),
        ("group = [\"skin\"]", "group = [\"a\", \"a\"]", "characteristic[0].group[1]", "twice"),
        (
            "limit_outside_mm = 0.4, limit_inside_mm = 0.4",
            "limit_outside_mm = 0, limit_inside_mm = 0",
            "characteristic[0].surface_profile",
            "leaves no room",
        ),
        (
            "position = { zone_diameter_mm = 0.4 }",
            "position = { zone_diameter_mm = 0.4 }\nflatness = { zone_width_mm = 1, association = \"minimum_zone\" }",
            "characteristic[2]",
            "leave one",
        ),
        (
            "filter = { gaussian = { nesting_index_mm = 2.5 } }\n",
            "",
            "characteristic[0].filter",
            "is missing",
        ),
        (
            "feature = \"H1\", association = \"least_squares\"",
            "feature = \"H1\"",
            "datum_system[0].datum[1].association",
            "is missing",
        ),
        (
            "feature = \"H1\", association = \"least_squares\"",
            "targets = [{ id = \"H2\", at_mm = [1, 2, 3], direction = [0, 0, 1] }]",
            "datum_system[0].datum[1].targets[0].id",
            "each id stands once",
        ),
        (
            "feature = \"H1\", association = \"least_squares\"",
            "targets = [{ id = \"B1\", at_mm = [1, 2, 3], direction = [0, 0, 0] }]",
            "datum_system[0].datum[1].targets[0].direction",
            "no length",
        ),
        (
            "feature = \"H1\", association = \"least_squares\"",
            "feature = \"H1\", association = \"least_squares\", targets = [{ id = \"B1\", at_mm = [1, 2, 3], direction = [0, 0, 1] }]",
            "datum_system[0].datum[1].targets",
            "leave one",
        ),
        (
            "kind = \"plane\"\n",
            "kind = \"plane\"\nplane = { at_mm = [1, 2, 3], normal = [0, 0, 1] }\n",
            "feature[0].plane",
            "leave one",
        ),
        (
            "position = { zone_diameter_mm = 0.4 }\ndatum_system = \"ABC\"",
            "reading = { quantity = \"mass\", unit = \"kg\" }",
            "characteristic[2].reading",
            "no limit",
        ),
        (
            "position = { zone_diameter_mm = 0.4 }\ndatum_system = \"ABC\"",
            "reading = { quantity = \"mass\", unit = \"kg\", lower_limit = 2, upper_limit = 1 }",
            "characteristic[2].reading.upper_limit",
            "larger one",
        ),
        ("needs = {", "needs = { points = 0,", "characteristic[0].needs.points", "1 or more"),
    ] {
        one_fault(from, to, place, word);
    }
}

#[test]
fn a_plan_that_requires_nothing_is_refused() {
    let none = GOOD.split("[[characteristic]]").next().unwrap();
    assert!(faults(none)[0].contains("no characteristic is required"));
    let reported =
        GOOD.replace("when = \"report_only\"\n", "").replace("number =", "when = \"report_only\"\nnumber =");
    assert!(faults(&reported)[0].contains("no characteristic is required"));
}

#[test]
fn one_letter_is_one_datum_on_the_whole_drawing() {
    let second = r#"[[datum_system]]
id = "ABD"
datum = [
  { letter = "A", feature = "FLANGE", association = "least_squares" },
  { letter = "B", feature = "H2", association = "least_squares" },
  { letter = "D", feature = "H1", association = "least_squares" },
]
[[characteristic]]"#;
    one_fault("[[characteristic]]", second, "datum_system[1].datum[1].letter", "datum_system[0]");
}

#[test]
fn hostile_plans_end_with_few_faults() {
    let many = format!("[{}]", vec!["3"; 200_000].join(","));
    let found = check_json(&format!("{{\"characteristic\": {many}, \"feature\": {many}}}")).unwrap_err();
    assert_eq!(found.len(), 1001);
    let long = "x".repeat(1_000_000);
    let found = check_json(&format!("{{\"{long}\": 1, \"part\": [\"{long}\"]}}")).unwrap_err();
    assert!(found.iter().all(|f| f.to_string().len() < 400));
}
