//! What a plan may say of neighbours and joints, and what it is told.

use super::{Fault, Plan, Requirement, check_toml};

const HEAD: &str = "schema_version = 1\npart = \"p\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
    object = \"part\"\nstandard = { system = \"iso\", edition = \"ISO 1101:2017\" }\ndecision = { proven = {} }\n\
    filter = { gaussian = { nesting_index_mm = 2.5 } }\n";

const REST: &str = "[nominal]\nfile = \"p.stl\"\n[[feature]]\nid = \"SKIN\"\nkind = \"surface\"\npick = { near_mm = [0, 0, 0] }\n\
    [[feature]]\nid = \"TRIM\"\nkind = \"edge\"\nedge = { of = \"SKIN\", loop = \"outer\", at = \"visible_arris\" }\n\
    [[datum_system]]\nid = \"FIT\"\nbest_fit = { feature = [\"SKIN\"], criterion = \"least_squares\" }\n";

const PANE: &str =
    "[[neighbour]]\nid = \"PANE\"\nfile = \"pane.stl\"\npick = { near_mm = [0, 0, 0], facing = [0, 0, 1] }\n";

fn asked(requirement: &str, rest: &str) -> String {
    format!("[[characteristic]]\nnumber = \"1\"\nfeature = \"TRIM\"\n{requirement}\n{rest}\n")
}

const GAP: &str =
    "gap = { to = \"PANE\", nominal_mm = 4, upper_deviation_mm = 1, lower_deviation_mm = -0.5 }";

fn checked(neighbour: &str, asked: &str) -> Result<Plan, Vec<Fault>> {
    check_toml(&format!("{HEAD}{REST}{neighbour}{asked}")).map(|(_, plan)| plan)
}

fn places(found: Result<Plan, Vec<Fault>>) -> Vec<String> {
    let mut places: Vec<String> = found.err().unwrap_or_default().into_iter().map(|f| f.place).collect();
    places.sort();
    places
}

#[test]
fn a_gap_and_a_step_have_two_limits_about_a_nominal_value() {
    let plan = checked(PANE, &asked(GAP, "datum_system = \"FIT\"")).unwrap_or_else(|f| panic!("{f:#?}"));
    assert_eq!(plan.neighbours[0].id, "PANE");
    let gap = &plan.characteristics[0].requirement;
    assert_eq!(gap.limits_mm(), (Some(3.5), Some(5.0)));
    assert_eq!((gap.word(), gap.furthest_mm(), gap.is_zone()), ("gap", 1.0, false));
    let step = GAP.replacen("gap", "step", 1).replacen("nominal_mm = 4", "nominal_mm = -0.2", 1);
    let plan = checked(PANE, &asked(&step, "datum_system = \"FIT\"")).unwrap_or_else(|f| panic!("{f:#?}"));
    assert!(matches!(plan.characteristics[0].requirement, Requirement::Step { to: 0, nominal_mm: -0.2, .. }));
}

#[test]
fn all_faults_of_neighbours_and_joints_come_at_once() {
    let plan = "[[neighbour]]\nid = \"SKIN\"\nfile = \"\"\npick = { near_mm = [0, 0] }\nface = \"#12\"\n\
        [[neighbour]]\nid = \"PANE\"\nfile = \"pane.step\"\npart = \" \"\nface = \"12\"\n\
        [[neighbour]]\nid = \"PANE\"\nfile = \"pane.step\"\n";
    let asked = asked(
        "gap = { to = \"PAIN\", nominal_mm = nan, upper_deviation_mm = -1, lower_deviation_mm = 1 }",
        "filter = { gaussian = { nesting_index_mm = 0 } }",
    );
    assert_eq!(
        places(checked(plan, &asked)),
        [
            "characteristic[0].datum_system",
            "characteristic[0].filter.gaussian.nesting_index_mm",
            "characteristic[0].gap.nominal_mm",
            "characteristic[0].gap.to",
            "characteristic[0].gap.upper_deviation_mm",
            "neighbour[0].face",
            "neighbour[0].file",
            "neighbour[0].id",
            "neighbour[1].face",
            "neighbour[1].part",
            "neighbour[2]",
            "neighbour[2].id",
        ]
    );
}

#[test]
fn a_joint_is_that_of_a_visible_arris_on_a_nominal_with_datums() {
    let other = asked(GAP, "datum_system = \"FIT\"").replacen("\"TRIM\"", "\"SKIN\"", 1);
    assert_eq!(places(checked(PANE, &other)), ["characteristic[0].feature"]);
    assert_eq!(places(checked(PANE, &asked(GAP, ""))), ["characteristic[0].datum_system"]);
    let middle = REST.replacen("visible_arris", "wall_middle", 1);
    let text = format!("{HEAD}{middle}{PANE}{}", asked(GAP, "datum_system = \"FIT\""));
    let faults = check_toml(&text).unwrap_err();
    assert!(faults.len() == 1 && faults[0].problem.contains("visible_arris"), "{faults:?}");
    // The nearest name is told.
    let faults = checked(PANE, &asked(&GAP.replace("PANE", "PANEL"), "datum_system = \"FIT\"")).unwrap_err();
    assert!(faults.len() == 1 && faults[0].problem.contains("did you mean \"PANE\""), "{faults:?}");
    // Beside no nominal nothing stands.
    let text = format!(
        "{HEAD}{PANE}[[feature]]\nid = \"P\"\nkind = \"plane\"\nplane = {{ at_mm = [0, 0, 0], normal = [0, 0, 1] }}\n\
         [[characteristic]]\nnumber = \"1\"\nfeature = \"P\"\nflatness = {{ zone_width_mm = 0.2, association = \"minimum_zone\" }}\n"
    );
    let faults = check_toml(&text).unwrap_err();
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_eq!(faults[0].place, "neighbour[0]");
}
