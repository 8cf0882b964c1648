//! The length and angle units of a representation context (ISO 10303-41, from memory).

use super::graph::{EntityFault, Graph};
use super::part21::Value;

/// What one unit of a context is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Units {
    /// One length unit, mm.
    pub length_mm: f64,
    /// One plane angle unit, rad.
    pub angle_rad: f64,
}

/// Units built on units built on units: a chain longer than this is a circle.
const DEEPEST: usize = 8;

/// The units of a representation's context. A context without a length unit is a fault: lengths of unknown
/// unit are no lengths. Without an angle unit angles are radians, the unit of ISO 10303-41.
pub(super) fn of_context(graph: &Graph, context: u64) -> Result<Units, EntityFault> {
    let (mut length, mut angle) = (None, None);
    if let Some(units) = graph.part(context, "GLOBAL_UNIT_ASSIGNED_CONTEXT")? {
        for id in units.instances(0)? {
            if graph.part(id, "LENGTH_UNIT")?.is_some() {
                length = Some(size(graph, id, 0)? * 1000.0);
            } else if graph.part(id, "PLANE_ANGLE_UNIT")?.is_some() {
                angle = Some(size(graph, id, 0)?);
            }
        }
    }
    let senseless = |problem| EntityFault::Senseless { id: context, problem };
    let length_mm = length.ok_or(senseless("the representation context has no length unit"))?;
    let angle_rad = angle.unwrap_or(1.0);
    // From a nanometre to a kilometre; angles from a second of arc to a turn.
    if !(1e-6..=1e6).contains(&length_mm) {
        return Err(senseless("the length unit is below a nanometre or above a kilometre"));
    }
    if !(1e-6..=7.0).contains(&angle_rad) {
        return Err(senseless("the angle unit is below a second of arc or above a turn"));
    }
    Ok(Units { length_mm, angle_rad })
}

/// One unit in metres or radians.
fn size(graph: &Graph, id: u64, depth: usize) -> Result<f64, EntityFault> {
    if depth > DEEPEST {
        return Err(EntityFault::Senseless { id, problem: "a unit is defined by itself" });
    }
    if let Some(si) = graph.part(id, "SI_UNIT")? {
        // SI_UNIT(prefix, name) in a complex instance; (dimensions, prefix, name) in a simple one.
        let first = si.length().saturating_sub(2);
        return match si.value(first) {
            Some(Value::Missing) => Some(1.0),
            Some(Value::Enumeration(prefix)) => prefix_value(prefix),
            // A number or a text there may be a prefix that was meant: no unit is guessed.
            _ => None,
        }
        .ok_or_else(|| si.senseless("the prefix of the unit is unknown"));
    }
    let unit = graph.must(id, "CONVERSION_BASED_UNIT")?;
    // (name, factor), or (dimensions, name, factor) in a simple instance.
    let measure = unit.instance(unit.length().saturating_sub(1))?;
    let factor = match graph.instance(measure)?.records.iter().find(|r| r.name.ends_with("MEASURE_WITH_UNIT"))
    {
        // A complex instance may hold MEASURE_WITH_UNIT beside LENGTH_MEASURE_WITH_UNIT() without parameters.
        Some(record) if !record.values.is_empty() => record.name,
        _ => "MEASURE_WITH_UNIT",
    };
    let Some(factor) = graph.part(measure, factor)? else {
        return Err(graph.other_kind(measure, "MEASURE_WITH_UNIT"));
    };
    Ok(factor.positive(0)? * size(graph, factor.instance(1)?, depth + 1)?)
}

fn prefix_value(prefix: &str) -> Option<f64> {
    Some(match prefix {
        "NANO" => 1e-9,
        "MICRO" => 1e-6,
        "MILLI" => 1e-3,
        "CENTI" => 1e-2,
        "DECI" => 1e-1,
        "DECA" => 1e1,
        "HECTO" => 1e2,
        "KILO" => 1e3,
        "MEGA" => 1e6,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::step::part21::{FileLimits, parse};
    use crate::run::quiet;

    fn units(data: &str) -> Result<Units, EntityFault> {
        let text = format!("ISO-10303-21;HEADER;ENDSEC;DATA;{data}ENDSEC;END-ISO-10303-21;");
        let exchange = parse(text.as_bytes(), &FileLimits::default(), &quiet()).unwrap();
        of_context(&Graph { exchange: &exchange }, 1)
    }

    const METRE: &str = "#3=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT($,.METRE.));";
    const RADIAN: &str = "#4=(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.));";

    #[test]
    fn millimetres_inches_and_degrees_are_read() {
        let mm = units(&format!(
            "#1=(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNIT_ASSIGNED_CONTEXT((#2,#4))REPRESENTATION_CONTEXT('',''));\
             #2=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));{RADIAN}"
        ));
        assert_eq!(mm, Ok(Units { length_mm: 1.0, angle_rad: 1.0 }));
        let inch = units(&format!(
            "#1=(GLOBAL_UNIT_ASSIGNED_CONTEXT((#2,#5)));{METRE}{RADIAN}\
             #2=(CONVERSION_BASED_UNIT('INCH',#7)LENGTH_UNIT()NAMED_UNIT(#8));\
             #7=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.0254),#3);\
             #5=(CONVERSION_BASED_UNIT('DEGREE',#6)NAMED_UNIT(#8)PLANE_ANGLE_UNIT());\
             #6=PLANE_ANGLE_MEASURE_WITH_UNIT(PLANE_ANGLE_MEASURE(0.0174532925),#4);"
        ))
        .unwrap();
        assert!((inch.length_mm - 25.4).abs() < 1e-12);
        assert_eq!(inch.angle_rad, 0.0174532925);
    }

    #[test]
    fn only_a_dollar_means_no_prefix() {
        let with = |prefix: &str| {
            units(&format!(
                "#1=(GLOBAL_UNIT_ASSIGNED_CONTEXT((#2)));#2=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT({prefix}.METRE.));"
            ))
        };
        assert_eq!(with("$,").unwrap().length_mm, 1000.0);
        assert_eq!(with(".CENTI.,").unwrap().length_mm, 10.0);
        for prefix in ["'MILLI',", "*,", "1.E-3,", ".MILI.,", "#3,", ""] {
            assert!(matches!(with(prefix), Err(EntityFault::Senseless { id: 2, .. })), "{prefix}");
        }
    }

    #[test]
    fn no_unit_a_circle_and_nonsense_are_faults() {
        assert!(units("#1=(GLOBAL_UNIT_ASSIGNED_CONTEXT(()));").is_err());
        let circle = "#1=(GLOBAL_UNIT_ASSIGNED_CONTEXT((#2)));#2=(CONVERSION_BASED_UNIT('A',#3)LENGTH_UNIT());\
                      #3=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(2.),#2);";
        assert!(matches!(units(circle), Err(EntityFault::Senseless { id: 2, .. })));
        let huge = format!(
            "#1=(GLOBAL_UNIT_ASSIGNED_CONTEXT((#2)));#2=(CONVERSION_BASED_UNIT('A',#7)LENGTH_UNIT());\
             #7=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E9),#3);{METRE}"
        );
        assert!(matches!(units(&huge), Err(EntityFault::Senseless { id: 1, .. })));
    }
}
