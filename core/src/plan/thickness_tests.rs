use super::*;
use crate::plan::{Plan, check_toml};

const HEAD: &str = r#"
schema_version = 1
part = "bracket"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
nominal = { file = "bracket.stl" }
feature = [
  { id = "SKIN", kind = "surface", pick = { near_mm = [0, 0, 0] } },
  { id = "BACK", kind = "surface", pick = { near_mm = [0, 0, -3] } },
  { id = "CORE", kind = "surface", pick = { near_mm = [50, 0, 0] } },
  { id = "H1", kind = "hole", pick = { near_mm = [5, 0, 0] } },
]
"#;

fn read(thickness: &str, more: &str) -> Result<Plan, Vec<String>> {
    let text = format!(
        "{HEAD}\n[[characteristic]]\nnumber = \"1\"\nfeature = \"SKIN\"\n{more}\nthickness = {{ {thickness} }}\n"
    );
    check_toml(&text).map(|(_, plan)| plan).map_err(|f| f.iter().map(ToString::to_string).collect())
}

fn required(thickness: &str) -> Thickness {
    let plan = read(thickness, "").unwrap_or_else(|f| panic!("{f:#?}"));
    match &plan.characteristics[0].requirement {
        Requirement::Thickness(found) => (**found).clone(),
        other => panic!("{other:?}"),
    }
}

#[track_caller]
fn one_fault(thickness: &str, place: &str, word: &str) {
    let found = read(thickness, "").expect_err("this plan has a fault");
    assert_eq!(found.len(), 1, "{found:#?}");
    assert!(found[0].starts_with(&format!("characteristic[0]{place}: ")), "{found:#?} should be at {place}");
    assert!(found[0].contains(word), "{found:#?} should say {word}");
}

#[test]
fn a_ply_is_as_thick_as_its_fibres_need() {
    // 196 g/m2 of fibres of 1.78 g/cm3 at 60 %: 0.183521 mm a ply, 1.468165 mm for eight (relation of ASTM D3171,
    // procedure II). By another way: in SI units the fibres of a square metre are a volume, and that over their
    // fraction is the height.
    let fibres_m3 = 196e-3 / 1780.0;
    let by_volume_mm = fibres_m3 / 0.60 * 1e3;
    let ply = ply_mm(196.0, 1.78, 0.60);
    assert!((ply - 0.183_521).abs() < 5e-7 && (ply - by_volume_mm).abs() < 1e-15, "{ply}");
    assert!((8.0 * ply - 1.468_165).abs() < 5e-7);
    // And back: the fraction that a measured thickness shows, as the procedure tells it.
    assert!((8.0_f64 * 196.0 / (1000.0 * 1.78 * 1.468_165) - 0.60).abs() < 1e-6);
}

#[test]
fn a_laminate_is_the_sum_of_its_layers() {
    let t = required(
        "patch_radius_mm = 3, upper_deviation_mm = 0.3, lower_deviation_mm = -0.2, laminate = [ \
         { plies = 8, areal_weight_g_m2 = 196, fibre_density_g_cm3 = 1.78, fibre_fraction = 0.6 }, \
         { plies = 1, thickness_mm = 0.5 } ]",
    );
    let ThicknessNominal::Laminate(mm) = t.target.nominal else { panic!("{t:?}") };
    assert!((mm - 1.968_165).abs() < 5e-7, "{mm}");
    let (lower, upper) = t.limits_mm();
    assert!((lower.unwrap() - 1.768_165).abs() < 5e-7 && (upper.unwrap() - 2.268_165).abs() < 5e-7);
    assert_eq!(t.definition, ThicknessDefinition::AlongNormal);
    assert!((t.largest_nominal_mm - 2.0 * mm).abs() < 1e-12);
    let drawn = required("patch_radius_mm = 3, lower_deviation_mm = -0.2");
    assert_eq!(drawn.largest_nominal_mm, 25.0);
}

#[test]
fn zones_take_the_limits_of_the_whole_where_they_have_none() {
    let t = required(
        "patch_radius_mm = 3, nominal_mm = 3, lower_deviation_mm = -0.3, opposite = \"BACK\", definition = \
         \"inscribed_ball\", zone = [ { feature = \"CORE\", nominal_mm = 18 }, \
         { at_mm = [9, 9, 0], radius_mm = 5, upper_deviation_mm = 0.1, lower_deviation_mm = -0.1 } ]",
    );
    assert_eq!(t.opposite, Some(1));
    assert_eq!(t.definition, ThicknessDefinition::InscribedBall);
    assert_eq!(t.zones[0].area, ZoneArea::Feature(2));
    assert_eq!(t.zones[0].target.lower_deviation_mm, Some(-0.3));
    assert_eq!(t.zones[0].target.upper_deviation_mm, None);
    assert_eq!(t.zones[1].target.nominal, ThicknessNominal::Mesh);
    assert_eq!(t.zones[1].target.limits_mm(), (None, None));
    assert_eq!(t.limits_mm(), (None, None), "they differ from place to place");
    assert_eq!(t.largest_nominal_mm, 36.0);
    assert_eq!(t.furthest_mm(), 0.3);
}

#[test]
fn each_fault_is_told_at_its_place() {
    let limits = "lower_deviation_mm = -0.2, upper_deviation_mm = 0.2";
    let sound = format!("patch_radius_mm = 3, {limits}");
    one_fault(limits, ".thickness.patch_radius_mm", "missing");
    one_fault(&format!("patch_radius_mm = 0, {limits}"), ".thickness.patch_radius_mm", "above 0");
    one_fault("patch_radius_mm = 3, nominal_mm = 3", ".thickness", "no limit");
    one_fault(
        "patch_radius_mm = 3, lower_deviation_mm = 0.2, upper_deviation_mm = 0.1",
        ".thickness.upper_deviation_mm",
        "not above",
    );
    one_fault(
        "patch_radius_mm = 3, nominal_mm = 1, lower_deviation_mm = -1",
        ".thickness.lower_deviation_mm",
        "no thickness",
    );
    one_fault(
        &format!("{sound}, nominal_mm = 3, laminate = [{{ plies = 1, thickness_mm = 3 }}]"),
        ".thickness.laminate",
        "beside",
    );
    one_fault(
        &format!("{sound}, laminate = [{{ plies = 0, thickness_mm = 3 }}]"),
        ".thickness.laminate[0].plies",
        "1 to",
    );
    one_fault(&format!("{sound}, laminate = [{{ plies = 2 }}]"), ".thickness.laminate[0]", "no thickness");
    one_fault(
        &format!("{sound}, laminate = [{{ plies = 2, areal_weight_g_m2 = 200, fibre_density_g_cm3 = 1.8 }}]"),
        ".thickness.laminate[0].fibre_fraction",
        "missing",
    );
    one_fault(
        &format!(
            "{sound}, laminate = [{{ plies = 2, areal_weight_g_m2 = 200, fibre_density_g_cm3 = 1.8, fibre_fraction = 55 }}]"
        ),
        ".thickness.laminate[0].fibre_fraction",
        "at most 1",
    );
    one_fault(&format!("{sound}, opposite = \"SKIN\""), ".thickness.opposite", "itself");
    one_fault(&format!("{sound}, opposite = \"H1\""), ".thickness.opposite", "is a hole");
    one_fault(&format!("{sound}, opposite = \"NONE\""), ".thickness.opposite", "no `[[feature]]`");
    one_fault(&format!("{sound}, zone = [{{ nominal_mm = 3 }}]"), ".thickness.zone[0]", "no place");
    one_fault(
        &format!("{sound}, zone = [{{ at_mm = [0, 0, 0] }}]"),
        ".thickness.zone[0].radius_mm",
        "missing",
    );
    one_fault(
        &format!("{sound}, zone = [{{ feature = \"CORE\", radius_mm = 3 }}]"),
        ".thickness.zone[0]",
        "two ways",
    );
    one_fault(
        &format!("{sound}, nominal_mm = 30, largest_nominal_mm = 20"),
        ".thickness.largest_nominal_mm",
        "less",
    );
    one_fault(&format!("{sound}, definition = \"nearest\""), ".thickness.definition", "inscribed_ball");
}

#[test]
fn it_is_required_of_faces_and_refers_to_no_datums() {
    let sound = "patch_radius_mm = 3, lower_deviation_mm = -0.2, upper_deviation_mm = 0.2";
    let text =
        format!("{HEAD}\n[[characteristic]]\nnumber = \"1\"\nfeature = \"H1\"\nthickness = {{ {sound} }}\n");
    let found = check_toml(&text).expect_err("a hole has no thickness");
    assert!(found[0].problem.contains("is a hole"), "{found:?}");
    let text = format!(
        "{HEAD}\n[[characteristic]]\nnumber = \"1\"\nfeature = \"SKIN\"\ndatum_system = \"A\"\nthickness = {{ {sound} }}\n"
    );
    let found = check_toml(&text).expect_err("it needs no datums");
    assert!(found.iter().any(|f| f.problem.contains("datum")), "{found:?}");
}
