//! What is odd about a plan on its nominal, though nothing in it is wrong; and the limits that a name stands for.

use scantling_core::datum::served;
use scantling_core::plan::{Plan, Requirement, ThicknessNominal};

use crate::store::Bound;

/// A drawing's nominal may be rounded, and a carrier on a triangulated hole is as coarse as its triangles;
/// further apart, one of the two is of another hole or another issue. Our own choice, no source.
const DIAMETER_MM: f64 = 0.1;

/// Remarks in the order of the plan's characteristics; the one about the part comes first.
pub(crate) fn of(plan: &Plan, bound: &[Bound], part: Option<&str>) -> Vec<String> {
    let mut remarks = Vec::new();
    if let Some(id) = part
        && letters(&plan.part) != letters(id)
    {
        remarks.push(format!(
            "the plan is of part `{}`, and it was registered with part `{id}`: is it the right plan?",
            plan.part
        ));
    }
    for system in plan.datum_systems.iter().filter(|s| !served(plan, s)) {
        remarks.push(format!(
            "datum system {}: this version reads it and does not establish it; what refers to it will be NOT_MEASURED",
            system.id
        ));
    }
    for characteristic in &plan.characteristics {
        if let Some(limits) = characteristic.limits_from() {
            remarks.push(format!("characteristic {}: {limits}", characteristic.number));
        }
        if let Requirement::Thickness(wall) = &characteristic.requirement {
            let targets = std::iter::once(&wall.target).chain(wall.zones.iter().map(|z| &z.target));
            for target in targets {
                if let ThicknessNominal::Laminate(mm) = target.nominal {
                    remarks.push(format!(
                        "characteristic {}: the laminate comes to {mm:.3} mm",
                        characteristic.number
                    ));
                }
            }
        }
        let Requirement::Diameter { nominal_mm, .. } = characteristic.requirement else { continue };
        let Some(feature) = characteristic.feature.map(|f| &plan.features[f].id) else { continue };
        let found = bound.iter().find(|b| b.feature == *feature).and_then(|b| b.diameter_mm);
        if let Some(found) = found
            && (found - nominal_mm).abs() > DIAMETER_MM
        {
            remarks.push(format!(
                "characteristic {}: the nominal diameter is {nominal_mm} mm, and feature `{feature}` of the nominal's \
                 file has {found:.3} mm: is it the right one, and are plan and file of one issue?",
                characteristic.number
            ));
        }
    }
    remarks
}

/// A part number and an id name the same thing when they have the same letters and digits.
fn letters(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use scantling_core::plan::check_toml;
    use scantling_core::simulate::WindowSurround;

    fn bound(feature: &str, diameter_mm: Option<f64>) -> Bound {
        Bound {
            feature: feature.to_owned(),
            kind: "hole".to_owned(),
            area_mm2: 10.0,
            centroid_mm: [0.0; 3],
            diameter_mm,
            spread: None,
            faces: Vec::new(),
        }
    }

    #[test]
    fn another_part_and_another_diameter_are_remarked_and_nothing_else() {
        let (_, plan) = check_toml(&WindowSurround::default().plan_toml()).unwrap();
        let found = plan.characteristics.iter().find_map(|c| match c.requirement {
            Requirement::Diameter { nominal_mm, .. } => Some((c, nominal_mm)),
            _ => None,
        });
        let (characteristic, nominal_mm) = found.expect("the demo plan has a diameter");
        let hole = &plan.features[characteristic.feature.unwrap()].id;
        let at = |diameter_mm| of(&plan, &[bound(hole, diameter_mm)], Some("ws-214"));
        for fine in [None, Some(nominal_mm), Some(nominal_mm + 0.09), Some(nominal_mm - 0.09)] {
            assert_eq!(at(fine), Vec::<String>::new(), "{fine:?}");
        }
        for odd in [nominal_mm + 0.11, nominal_mm - 0.11] {
            let said = at(Some(odd));
            assert_eq!(said.len(), 1, "{said:?}");
            assert!(said[0].contains(hole) && said[0].contains(&format!("{odd:.3}")), "{said:?}");
        }
        assert_eq!(of(&plan, &[], Some("WS 214")), Vec::<String>::new());
        // What is read and not served is told before anything is measured.
        let other = WindowSurround::default().plan_toml().replacen(
            "association = \"least_squares\"",
            "association = \"minimum_circumscribed\"",
            1,
        );
        let said = of(&check_toml(&other).unwrap().1, &[], None);
        assert_eq!(said.len(), 1, "{said:?}");
        assert!(said[0].starts_with("datum system "), "{said:?}");
        assert_eq!(of(&plan, &[], None), Vec::<String>::new(), "a check names no part");
        assert!(of(&plan, &[], Some("ws-215"))[0].contains("ws-215"));
    }
}
