//! Plans that write every tolerance, and each fault of a tolerance at its place.

use super::*;
use crate::plan::{Condition, OrientationKind, SizeOperator, StandardSystem, Zone};

const HEAD: &str = r#"
schema_version = 1
part = "bracket"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
filter = { gaussian = { nesting_index_mm = 2.5 } }
nominal = { file = "bracket.stl" }
datum_system = [
  { id = "A", datum = [{ letter = "A", feature = "P1", association = "minimax_outside" }] },
  { id = "AB", datum = [
    { letter = "A", feature = "P1", association = "minimax_outside" },
    { letter = "B", features = ["H1", "H2"], association = "maximum_inscribed", condition = "maximum_material", boundary_mm = 7.8, locks = ["x", "y", "rz"] },
  ] },
  { id = "BEST", datum = [], best_fit = { feature = ["SKIN"], criterion = "minimax" } },
]
feature = [
  { id = "P1", kind = "plane", pick = { near_mm = [0, 0, 0] } },
  { id = "P2", kind = "plane", pick = { near_mm = [0, 0, 9] } },
  { id = "H1", kind = "hole", pick = { near_mm = [5, 0, 0] } },
  { id = "H2", kind = "hole", pick = { near_mm = [50, 0, 0] } },
  { id = "H3", kind = "hole", pick = { near_mm = [80, 0, 0] } },
  { id = "PIN", kind = "cylinder", pick = { near_mm = [9, 0, 0] } },
  { id = "TAPER", kind = "cone", pick = { near_mm = [9, 9, 0] } },
  { id = "BALL", kind = "sphere", pick = { near_mm = [9, 9, 9] } },
  { id = "RING", kind = "torus", pick = { near_mm = [1, 9, 9] } },
  { id = "SKIN", kind = "surface", pick = { near_mm = [20, 0, 0] } },
  { id = "SLOT", kind = "slot", pick = { near_mm = [30, 0, 0] } },
  { id = "TONGUE", kind = "width", width = { of = ["P1", "P2"] } },
  { id = "P07", kind = "point", point = { at_mm = [1, 2, 3], direction = [0, 0, 1] } },
  { id = "HOLES", kind = "group", group = { of = ["H3", "PIN"] } },
  { id = "ALL", kind = "group", group = { of = ["SKIN", "P2"] } },
]
"#;

/// Each line a characteristic of its own, numbered from 1.
fn plan(lines: &[&str]) -> String {
    let rows: Vec<String> =
        lines.iter().enumerate().map(|(i, l)| format!("  {{ number = \"{}\", {l} }},", i + 1)).collect();
    format!("characteristic = [\n{}\n]\n{HEAD}", rows.join("\n"))
}

const EVERY: [&str; 28] = [
    r#"feature = "H3", diameter = { nominal_mm = 8, tolerance_class = "H8", size = "maximum_inscribed" }"#,
    r#"feature = "PIN", diameter = { nominal_mm = 8, tolerance_class = "h8", size = "envelope" }"#,
    r#"feature = "TONGUE", width = { nominal_mm = 9, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1, size = "two_point" }"#,
    r#"feature = "RING", radius = { nominal_mm = 9, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1 }"#,
    r#"feature = "H1", distance = { to = "H2", nominal_mm = 45, general_tolerance = "medium", along = [1, 0, 0] }"#,
    r#"feature = "TAPER", angle = { nominal_deg = 30, upper_deviation_deg = 0.5, lower_deviation_deg = -0.5 }"#,
    r#"feature = "P1", angle = { to = "P2", nominal_deg = 0, upper_deviation_deg = 0.5, lower_deviation_deg = -0.5 }"#,
    r#"feature = "PIN", straightness = { zone_diameter_mm = 0.1, of = "axis", association = "minimum_zone" }"#,
    r#"feature = "PIN", straightness = { zone_width_mm = 0.1, of = "lines", association = "minimum_zone" }"#,
    r#"feature = "P1", flatness = { zone_width_mm = 0.1, association = "minimum_zone" }"#,
    r#"feature = "BALL", roundness = { zone_width_mm = 0.1, association = "least_squares" }"#,
    r#"feature = "PIN", cylindricity = { zone_width_mm = 0.1, association = "minimum_zone" }"#,
    r#"feature = "P2", datum_system = "A", parallelism = { zone_width_mm = 0.1, tangent_plane = true }"#,
    r#"feature = "PIN", datum_system = "A", perpendicularity = { zone_diameter_mm = 0.1, condition = "maximum_material", size_characteristic = "2" }"#,
    r#"feature = "PIN", datum_system = "A", angularity = { zone_width_mm = 0.1, across = [0, 1, 0] }"#,
    r#"feature = "H3", datum_system = "AB", position = { zone_diameter_mm = 0, condition = "maximum_material", size_characteristic = "1" }"#,
    r#"feature = "HOLES", position = { zone_diameter_mm = 0.2 }"#,
    r#"feature = "HOLES", datum_system = "AB", position = { zone_diameter_mm = 0.2, projected_length_mm = 20, orientation_only = true }"#,
    r#"feature = "TONGUE", datum_system = "AB", position = { zone_width_mm = 0.2 }"#,
    r#"feature = "PIN", datum_system = "AB", coaxiality = { zone_diameter_mm = 0.2 }"#,
    r#"feature = "SLOT", datum_system = "AB", symmetry = { zone_width_mm = 0.2 }"#,
    r#"feature = "PIN", datum_system = "AB", circular_runout = { zone_width_mm = 0.2, direction = "radial" }"#,
    r#"feature = "P2", datum_system = "AB", total_runout = { zone_width_mm = 0.2, direction = "axial" }"#,
    r#"feature = "SKIN", datum_system = "BEST", surface_profile = { zone_width_mm = 0.6, zone_offset_mm = -0.3, offset_zone = true }"#,
    r#"feature = "ALL", surface_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.1 }"#,
    r#"feature = "SKIN", datum_system = "A", standard = { system = "asme", edition = "ASME Y14.5-2018" }, surface_profile = { zone_width_mm = 1, zone_outside_mm = 0.8, orientation_only = true }"#,
    r#"feature = "SKIN", line_profile = { limit_outside_mm = 0.2, limit_inside_mm = 0.1, section = { at_mm = [0, 5, 0], normal = [0, 1, 0] }, between = [{ at_mm = [0, 5, 0] }, { at_mm = [9, 5, 0] }] }"#,
    r#"feature = "HOLES", datum_system = "AB", position = { zone_diameter_mm = 0.2, at_height = { height_mm = 12, above = "SKIN" } }"#,
];

#[test]
fn every_tolerance_can_be_written() {
    // Zero at maximum material is written as a zone of 0.
    let text = plan(&EVERY);
    let (file, plan) = check_toml(&text).unwrap_or_else(|faults| panic!("{faults:#?}"));
    assert_eq!(plan.characteristics.len(), EVERY.len());
    let of = |n: usize| &plan.characteristics[n - 1].requirement;
    assert!(matches!(of(1), Requirement::Diameter { size: SizeOperator::MaximumInscribed, .. }));
    // ISO 286-1: 8 H8 is +22/0 um, 8 h8 0/-22 um.
    let Requirement::Diameter { upper_deviation_mm, lower_deviation_mm, .. } = of(2) else { panic!() };
    assert!((upper_deviation_mm, lower_deviation_mm + 0.022) == (&0.0, 0.0));
    let Requirement::Orientation { kind, condition, size, .. } = of(14) else { panic!() };
    assert_eq!(
        (*kind, *condition, *size),
        (OrientationKind::Perpendicularity, Condition::MaximumMaterial, Some(1))
    );
    let Requirement::Orientation { zone: Zone::Slab { across: Some(_), .. }, .. } = of(15) else { panic!() };
    // ISO 1101: 0.6 UZ -0.3 allows +0 outside and 0.6 inside; ASME: 1 U 0.8 allows 0.8 and 0.2.
    let limits = |n: usize| of(n).limits_mm();
    let near = |a: (Option<f64>, Option<f64>), low: f64, high: f64| {
        a.0.is_some_and(|v| (v - low).abs() < 1e-12) && a.1.is_some_and(|v| (v - high).abs() < 1e-12)
    };
    assert!(near(limits(26), -0.2, 0.8), "{:?}", limits(26));
    let Requirement::SurfaceProfile { limit_outside_mm, limit_inside_mm, .. } = of(24) else { panic!() };
    assert!(near((Some(-limit_inside_mm), Some(*limit_outside_mm)), -0.6, 0.0), "{:?}", of(24));
    // A zone that may be offset limits its width alone.
    assert_eq!(limits(24), (None, Some(0.6)));
    let Requirement::Position { at_height: Some(at), .. } = of(EVERY.len()) else { panic!() };
    assert_eq!((at.height_mm, plan.features[at.above.unwrap()].id.as_str()), (12.0, "SKIN"));
    assert_eq!(plan.characteristics[25].standard.system, StandardSystem::Asme);
    assert_eq!(plan.characteristics[0].standard, plan.standard);
    assert_eq!(plan.features[13].place, Place::Of(vec![4, 5]));
    let DatumSource::Datums(datums) = &plan.datum_systems[1].source else { panic!() };
    assert_eq!(datums[1].locks.len(), 3);
    assert!(plan.datum_systems[2].best_fit.is_some());
    // Through JSON and back it is the same plan.
    let json = serde_json::to_string(&file).unwrap();
    assert_eq!(check_json(&json).unwrap().1, plan);
}

#[track_caller]
fn one_fault(line: &str, place: &str, word: &str) {
    let text = plan(&[EVERY[0], line]);
    let found = check_toml(&text).expect_err("this plan has a fault");
    let shown: Vec<String> = found.iter().map(ToString::to_string).collect();
    assert_eq!(found.len(), 1, "{shown:#?}");
    assert_eq!(found[0].place, format!("characteristic[1]{place}"), "{shown:#?}");
    assert!(found[0].problem.contains(word), "{shown:#?} should say {word}");
}

#[test]
fn each_fault_is_told_once_and_at_its_place() {
    one_fault(r#"feature = "H3", position = { zone_diameter_mm = 0.2 }"#, ".datum_system", "is missing");
    one_fault(
        r#"feature = "H3", datum_system = "A", position = { zone_diameter_mm = 0.2, zone_width_mm = 0.2 }"#,
        ".position",
        "two zones",
    );
    one_fault(r#"feature = "H3", datum_system = "A", position = { }"#, ".position", "has no zone");
    one_fault(
        r#"feature = "H3", datum_system = "A", position = { zone_width_mm = 0.2 }"#,
        ".position.across",
        "across the zone",
    );
    one_fault(
        r#"feature = "P2", datum_system = "A", parallelism = { zone_diameter_mm = 0.2 }"#,
        ".parallelism.zone_diameter_mm",
        "zone_width_mm",
    );
    one_fault(
        r#"feature = "H3", datum_system = "A", position = { zone_diameter_mm = 0.2, condition = "maximum_material" }"#,
        ".position.size_characteristic",
        "is missing",
    );
    one_fault(
        r#"feature = "PIN", datum_system = "A", position = { zone_diameter_mm = 0.2, condition = "maximum_material", size_characteristic = "1" }"#,
        ".position.size_characteristic",
        "no diameter or width of this feature",
    );
    one_fault(
        r#"feature = "P2", datum_system = "A", parallelism = { zone_width_mm = 0.2, condition = "maximum_material", size_characteristic = "1" }"#,
        ".parallelism.condition",
        "feature of size",
    );
    one_fault(
        r#"feature = "H3", datum_system = "A", position = { zone_diameter_mm = 0 }"#,
        ".position.zone_diameter_mm",
        "above 0",
    );
    one_fault(
        r#"feature = "SKIN", surface_profile = { zone_width_mm = 0.6, limit_outside_mm = 1 }"#,
        ".surface_profile",
        "two ways",
    );
    one_fault(
        r#"feature = "SKIN", surface_profile = { zone_width_mm = 0.6, zone_outside_mm = 0.1 }"#,
        ".surface_profile.zone_outside_mm",
        "the standard is ISO",
    );
    let asme = r#"standard = { system = "asme", edition = "ASME Y14.5-2018" }"#;
    one_fault(
        &format!(
            r#"feature = "PIN", datum_system = "AB", {asme}, coaxiality = {{ zone_diameter_mm = 0.2 }}"#
        ),
        ".coaxiality",
        "write `position`",
    );
    one_fault(
        &format!(r#"feature = "SLOT", datum_system = "AB", {asme}, symmetry = {{ zone_width_mm = 0.2 }}"#),
        ".symmetry",
        "write `position`",
    );
    one_fault(
        &format!(
            r#"feature = "SKIN", datum_system = "A", {asme}, surface_profile = {{ zone_width_mm = 0.6, offset_zone = true }}"#
        ),
        ".surface_profile.offset_zone",
        "the standard is ASME",
    );
    one_fault(
        r#"feature = "SKIN", surface_profile = { zone_width_mm = 0.6, orientation_only = true }"#,
        ".surface_profile.orientation_only",
        "there is none",
    );
    one_fault(
        r#"feature = "P07", datum_system = "A", surface_profile = { zone_width_mm = 0.6, orientation_only = true }"#,
        ".surface_profile.orientation_only",
        "single check point",
    );
    one_fault(
        r#"feature = "P1", flatness = { zone_width_mm = 0.6, association = "maximum_inscribed" }"#,
        ".flatness.association",
        "minimum_zone",
    );
    one_fault(
        r#"feature = "PIN", straightness = { zone_width_mm = 0.6, of = "axis", association = "minimum_zone" }"#,
        ".straightness.zone_width_mm",
        "zone_diameter_mm",
    );
    one_fault(
        r#"feature = "H1", distance = { to = "H9", nominal_mm = 45, general_tolerance = "fine" }"#,
        ".distance.to",
        "H9",
    );
    one_fault(
        r#"feature = "H1", distance = { to = "H2", nominal_mm = 45, upper_deviation_mm = 1 }"#,
        ".distance",
        "one way",
    );
    one_fault(
        r#"feature = "P1", cylindricity = { zone_width_mm = 0.6, association = "minimum_zone" }"#,
        ".feature",
        "cylinder",
    );
    one_fault(
        r#"feature = "H2", diameter = { nominal_mm = 8, tolerance_class = "h8", size = "least_squares" }"#,
        ".diameter.tolerance_class",
        "shaft",
    );
}

#[track_caller]
fn one_fault_of(from: &str, to: &str, place: &str, word: &str) {
    let good = plan(&EVERY[..1]);
    assert!(good.contains(from), "{from}");
    let found = check_toml(&good.replacen(from, to, 1)).expect_err("this plan has a fault");
    let shown: Vec<String> = found.iter().map(ToString::to_string).collect();
    assert_eq!(found.len(), 1, "{shown:#?}");
    assert_eq!(found[0].place, place, "{shown:#?}");
    assert!(found[0].problem.contains(word), "{shown:#?} should say {word}");
}

#[test]
fn each_fault_of_a_datum_or_a_group_is_told_once_and_at_its_place() {
    let b = "datum_system[1].datum[1]";
    one_fault_of(", boundary_mm = 7.8", "", &format!("{b}.boundary_mm"), "is missing");
    one_fault_of("condition = \"maximum_material\", ", "", &format!("{b}.boundary_mm"), "is for a material");
    one_fault_of("\"x\", \"y\", \"rz\"", "\"x\", \"x\"", &format!("{b}.locks[1]"), "twice");
    one_fault_of("[\"H1\", \"H2\"]", "[\"H1\"]", &format!("{b}.features"), "one feature");
    one_fault_of("[\"H1\", \"H2\"]", "[\"H1\", \"SKIN\"]", &format!("{b}.features[1]"), "surface");
    one_fault_of("feature = [\"SKIN\"]", "feature = []", "datum_system[2].best_fit.feature", "no feature");
    let weighted = "feature = [\"SKIN\"], weight = [1, 2]";
    one_fault_of("feature = [\"SKIN\"]", weighted, "datum_system[2].best_fit.weight", "2 numbers");
    one_fault_of("of = [\"P1\", \"P2\"]", "of = [\"P1\"]", "feature[11].width.of", "two planes");
    one_fault_of("of = [\"P1\", \"P2\"]", "of = [\"P1\", \"H1\"]", "feature[11].width.of[1]", "plane");
    one_fault_of("of = [\"SKIN\", \"P2\"]", "of = [\"SKIN\", \"SKIN\"]", "feature[14].group.of[1]", "twice");
    one_fault_of("of = [\"SKIN\", \"P2\"]", "of = [\"SKIN\", \"HOLES\"]", "feature[14].group.of[1]", "group");
}
