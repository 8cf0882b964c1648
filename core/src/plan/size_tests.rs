use crate::plan::Requirement;
use crate::plan::check_toml;

fn plan(diameter: &str) -> String {
    format!(
        "schema_version = 1\npart = \"p\"\ndrawing_revision = \"A\"\nplan_version = 1\nlength_unit = \"mm\"\n\
         object = \"part\"\nstandard = {{ system = \"iso\", edition = \"ISO 1101:2017\" }}\ndecision = {{ proven = {{}} }}\n\
         [nominal]\nfile = \"p.stl\"\n[[feature]]\nid = \"H1\"\nkind = \"hole\"\npick = {{ near_mm = [0, 0, 0] }}\n\
         [[characteristic]]\nnumber = \"1\"\nfeature = \"H1\"\n\
         diameter = {{ size = \"least_squares\", nominal_mm = {diameter} }}\n"
    )
}

/// Lower and upper deviation, mm.
fn limits(diameter: &str) -> (f64, f64) {
    let (_, plan) = check_toml(&plan(diameter)).unwrap_or_else(|faults| panic!("{diameter}: {faults:?}"));
    let Requirement::Diameter { upper_deviation_mm, lower_deviation_mm, .. } =
        plan.characteristics[0].requirement
    else {
        panic!("{:?}", plan.characteristics[0].requirement)
    };
    (lower_deviation_mm, upper_deviation_mm)
}

/// The one fault: the rest of its place, and its words.
fn fault(diameter: &str) -> (String, String) {
    let faults = check_toml(&plan(diameter)).unwrap_err();
    let [fault] = faults.as_slice() else { panic!("{diameter}: {faults:?}") };
    let place = fault.place.strip_prefix("characteristic[0].diameter").unwrap_or(&fault.place);
    (place.to_owned(), fault.problem.clone())
}

#[test]
fn limits_are_numbers_a_tolerance_class_or_a_general_tolerance() {
    assert_eq!(limits("8, upper_deviation_mm = 0.1, lower_deviation_mm = -0.2"), (-0.2, 0.1));
    assert_eq!(limits("8, tolerance_class = \"H8\""), (0.0, 0.022));
    assert_eq!(limits("40, tolerance_class = \"G7\""), (0.009, 0.034));
    assert_eq!(limits("8, general_tolerance = \"medium\""), (-0.2, 0.2));
    assert_eq!(limits("6, general_tolerance = \"very_coarse\""), (-0.5, 0.5));
}

#[test]
fn each_fault_is_told_once_and_at_its_place() {
    let told = [
        ("8", "", "has no limits; write `upper_deviation_mm`"),
        ("8, tolerance_class = \"H8\", general_tolerance = \"fine\"", "", "in more than one way"),
        ("8, tolerance_class = \"H8\", lower_deviation_mm = 0", "", "in more than one way"),
        ("8, upper_deviation_mm = 0.1", ".lower_deviation_mm", "is missing"),
        ("8, lower_deviation_mm = 0.1", ".upper_deviation_mm", "is missing"),
        (
            "8, upper_deviation_mm = 0.1, lower_deviation_mm = 0.1",
            ".upper_deviation_mm",
            "not above the lower",
        ),
        (
            "8, upper_deviation_mm = nan, lower_deviation_mm = 0.1",
            ".upper_deviation_mm",
            "write a number in mm",
        ),
        (
            "8, upper_deviation_mm = 0.1, lower_deviation_mm = -8",
            ".lower_deviation_mm",
            "that a size can have",
        ),
        ("8, tolerance_class = \"h8\"", ".tolerance_class", "is that of a shaft"),
        ("8, tolerance_class = \"U7\"", ".tolerance_class", "deviation \"U\" is not known here"),
        ("8, tolerance_class = \"\"", ".tolerance_class", "is no tolerance class"),
        ("8, tolerance_class = 8", ".tolerance_class", "is the number 8; write text in quotes"),
        ("800, tolerance_class = \"H8\"", ".tolerance_class", "end at 500 mm"),
        ("8, general_tolerance = \"m\"", ".general_tolerance", "\"fine\" or \"medium\""),
        (
            "1, general_tolerance = \"very_coarse\"",
            ".general_tolerance",
            "has no general tolerance of this class",
        ),
        ("-8, tolerance_class = \"H8\"", ".nominal_mm", "write a number above 0"),
    ];
    for (diameter, place, words) in told {
        let (at, problem) = fault(diameter);
        assert!(at == place && problem.contains(words), "{diameter}: {at}: {problem}");
    }
}
