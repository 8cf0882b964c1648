//! What a characteristic requires, in one line.

use scantling_proto::v1::{
    Characteristic, Condition, Form, GeneralTolerance, Orientation, Position, Size, SizeOperator,
    SurfaceProfile, Thickness, ThicknessDefinition,
};

/// What it requires; lengths in mm, angles in degrees.
pub(crate) fn requirement(c: &Characteristic) -> String {
    let form = |word: &str, f: &Form| format!("{word} {}", shown(f.zone_width_mm));
    let of_size = [("diameter", &c.diameter), ("width", &c.width)];
    if let Some((word, Some(size))) = of_size.into_iter().find(|(_, s)| s.is_some()) {
        return sized(word, size);
    }
    let of_form = [("flatness", &c.flatness), ("roundness", &c.roundness), ("cylindricity", &c.cylindricity)];
    if let Some((word, Some(f))) = of_form.into_iter().find(|(_, f)| f.is_some()) {
        return form(word, f);
    }
    let of_orientation = [
        ("parallelism", &c.parallelism),
        ("perpendicularity", &c.perpendicularity),
        ("angularity", &c.angularity),
    ];
    if let Some((word, Some(o))) = of_orientation.into_iter().find(|(_, o)| o.is_some()) {
        return orientation(word, o);
    }
    if let Some(r) = &c.surface_profile {
        return surface_profile(r);
    }
    if let Some(r) = &c.line_profile {
        let [outside, inside] = [r.limit_outside_mm, r.limit_inside_mm].map(shown);
        let only = if r.orientation_only() { ", orientation only" } else { "" };
        return format!("line profile, {outside} outside, {inside} inside{only}");
    }
    if let Some(r) = &c.radius {
        let limits = deviations(r.upper_deviation_mm, r.lower_deviation_mm);
        return format!("radius {} {limits}", shown(r.nominal_mm));
    }
    if let Some(r) = &c.distance {
        let limits = general(r.general_tolerance())
            .unwrap_or_else(|| deviations(r.upper_deviation_mm, r.lower_deviation_mm));
        return format!("distance to {}, {} {limits}", r.to, shown(r.nominal_mm));
    }
    if let Some(r) = &c.angle {
        let limits = deviations(r.upper_deviation_deg, r.lower_deviation_deg);
        let to = r.to.as_ref().map_or(" of the cone".to_owned(), |to| format!(" to {to}"));
        return format!("angle{to}, {} {limits} degrees", shown(r.nominal_deg));
    }
    if let Some(r) = &c.straightness {
        return format!("straightness, {}", zone(r.zone_diameter_mm, r.zone_width_mm));
    }
    if let Some(r) = &c.position {
        return position(r);
    }
    if let Some(r) = &c.coaxiality {
        return format!("coaxiality, zone diameter {}", shown(r.zone_diameter_mm));
    }
    if let Some(r) = &c.symmetry {
        return format!("symmetry, zone width {}", shown(r.zone_width_mm));
    }
    if let Some(r) = &c.circular_runout {
        return format!("circular run-out {}", shown(r.zone_width_mm));
    }
    if let Some(r) = &c.total_runout {
        return format!("total run-out {}", shown(r.zone_width_mm));
    }
    if let Some(t) = &c.thickness {
        return thickness(t);
    }
    for (word, joint) in [("gap", &c.gap), ("step", &c.step)] {
        if let Some(j) = joint {
            let limits = deviations(j.upper_deviation_mm, j.lower_deviation_mm);
            return format!("{word} to {}, {} {limits}", j.to, shown(j.nominal_mm));
        }
    }
    if let Some(r) = &c.protrusion {
        let limits = deviations(r.upper_deviation_mm, r.lower_deviation_mm);
        return format!("protrusion above {}, {} {limits}", r.above, shown(r.nominal_mm));
    }
    if let Some(r) = &c.depth {
        return format!(
            "depth {} {}",
            shown(r.nominal_mm),
            deviations(r.upper_deviation_mm, r.lower_deviation_mm)
        );
    }
    if let Some(r) = &c.reading {
        let limit = |word: &str, v: Option<f64>| v.map(|v| format!(" {word} {v}")).unwrap_or_default();
        let (least, most) = (limit("at least", r.lower_limit), limit("at most", r.upper_limit));
        return format!("{}{least}{most} {}", r.quantity, r.unit);
    }
    if let Some(g) = &c.gauge {
        return format!("passes {}", g.procedure);
    }
    "unknown to this program".to_owned()
}

fn shown(value: Option<f64>) -> String {
    value.map_or("?".to_owned(), |v| v.to_string())
}

fn deviations(upper: Option<f64>, lower: Option<f64>) -> String {
    let signed = |v: Option<f64>| match v {
        Some(v) if v > 0.0 => format!("+{v}"),
        v => shown(v),
    };
    format!("{} {}", signed(upper), signed(lower))
}

fn general(class: GeneralTolerance) -> Option<String> {
    let letter = match class {
        GeneralTolerance::Unspecified => return None,
        GeneralTolerance::Fine => "f",
        GeneralTolerance::Medium => "m",
        GeneralTolerance::Coarse => "c",
        GeneralTolerance::VeryCoarse => "v",
    };
    Some(format!("ISO 2768-{letter}"))
}

fn sized(word: &str, s: &Size) -> String {
    let limits = match &s.tolerance_class {
        Some(class) => class.clone(),
        None => general(s.general_tolerance())
            .unwrap_or_else(|| deviations(s.upper_deviation_mm, s.lower_deviation_mm)),
    };
    // The modifiers of ISO 14405-1; least squares is what most are.
    let operator = match s.size() {
        SizeOperator::Unspecified | SizeOperator::LeastSquares => "",
        SizeOperator::MinimumZone => " (GC)",
        SizeOperator::MaximumInscribed => " (GX)",
        SizeOperator::MinimumCircumscribed => " (GN)",
        SizeOperator::TwoPoint => " (LP)",
        SizeOperator::Envelope => " (E)",
    };
    format!("{word} {} {limits}{operator}", shown(s.nominal_mm))
}

fn zone(diameter: Option<f64>, width: Option<f64>) -> String {
    match diameter {
        Some(_) => format!("zone diameter {}", shown(diameter)),
        None => format!("zone width {}", shown(width)),
    }
}

fn condition(condition: Condition) -> &'static str {
    match condition {
        Condition::Unspecified | Condition::Regardless => "",
        Condition::MaximumMaterial => " at maximum material",
        Condition::LeastMaterial => " at least material",
    }
}

fn orientation(word: &str, o: &Orientation) -> String {
    let tangent = if o.tangent_plane() { ", tangent plane" } else { "" };
    format!("{word}, {}{}{tangent}", zone(o.zone_diameter_mm, o.zone_width_mm), condition(o.condition()))
}

fn position(p: &Position) -> String {
    let projected = p.projected_length_mm.map_or(String::new(), |l| format!(", projected {l}"));
    let height = p.at_height.as_ref().map_or(String::new(), |h| {
        let over = h.above.as_deref().unwrap_or("the first datum plane");
        format!(", at {} mm over {over}", shown(h.height_mm))
    });
    let only = if p.orientation_only() { ", orientation only" } else { "" };
    format!(
        "position, {}{}{projected}{height}{only}",
        zone(p.zone_diameter_mm, p.zone_width_mm),
        condition(p.condition())
    )
}

fn surface_profile(r: &SurfaceProfile) -> String {
    let zone = match r.zone_width_mm {
        None => format!("{} outside, {} inside", shown(r.limit_outside_mm), shown(r.limit_inside_mm)),
        width => {
            let shift = match (r.zone_offset_mm, r.zone_outside_mm) {
                (Some(u), _) => format!(" UZ{u:+}"),
                (None, Some(u)) => format!(" U {u}"),
                (None, None) => String::new(),
            };
            format!("zone width {}{shift}", shown(width))
        }
    };
    let offset = if r.offset_zone() { ", offset zone" } else { "" };
    let only = if r.orientation_only() { ", orientation only" } else { "" };
    format!("surface profile, {zone}{offset}{only}")
}

fn thickness(t: &Thickness) -> String {
    let nominal = match (t.nominal_mm, t.laminate.as_slice()) {
        (Some(mm), _) => format!("{mm} "),
        (None, []) => "as drawn ".to_owned(),
        (None, layers) => {
            let plies: i64 = layers.iter().map(|l| i64::from(l.plies)).sum();
            format!("of a laminate of {plies} layers ")
        }
    };
    let limits = match (t.upper_deviation_mm, t.lower_deviation_mm) {
        (Some(_), Some(_)) => deviations(t.upper_deviation_mm, t.lower_deviation_mm),
        (Some(upper), None) => format!("at most {upper:+}"),
        (None, Some(lower)) => format!("at least {lower:+}"),
        (None, None) => "?".to_owned(),
    };
    let ball = if t.definition() == ThicknessDefinition::InscribedBall { ", inscribed ball" } else { "" };
    let opposite = t.opposite.as_ref().map_or(String::new(), |o| format!(" to {o}"));
    let zones = match t.zone.len() {
        0 => String::new(),
        1 => ", 1 zone".to_owned(),
        n => format!(", {n} zones"),
    };
    format!("thickness{opposite} {nominal}{limits}{ball}{zones}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use scantling_proto::v1::{AtHeight, Length, Protrusion};

    #[test]
    fn a_size_shows_its_limits_as_they_were_written() {
        let shown = |d: Size| {
            requirement(&Characteristic {
                diameter: Some(Size { nominal_mm: Some(10.0), size: 1, ..d }),
                ..Characteristic::default()
            })
        };
        let deviations =
            Size { upper_deviation_mm: Some(0.1), lower_deviation_mm: Some(-0.05), ..Size::default() };
        assert_eq!(shown(deviations), "diameter 10 +0.1 -0.05");
        let class = Size { tolerance_class: Some("H8".into()), ..Size::default() };
        assert_eq!(shown(class), "diameter 10 H8");
        let general = Size { general_tolerance: Some(GeneralTolerance::Medium.into()), ..Size::default() };
        assert_eq!(shown(general), "diameter 10 ISO 2768-m");
    }

    #[test]
    fn zones_and_modifiers_are_told() {
        let position = Position {
            zone_diameter_mm: Some(0.3),
            condition: Some(Condition::MaximumMaterial.into()),
            projected_length_mm: Some(20.0),
            ..Position::default()
        };
        let c = Characteristic { position: Some(position), ..Characteristic::default() };
        assert_eq!(requirement(&c), "position, zone diameter 0.3 at maximum material, projected 20");
        let at_height = AtHeight { height_mm: Some(12.0), above: Some("SKIN".into()) };
        let position =
            Position { zone_diameter_mm: Some(0.3), at_height: Some(at_height), ..Position::default() };
        let c = Characteristic { position: Some(position), ..Characteristic::default() };
        assert_eq!(requirement(&c), "position, zone diameter 0.3, at 12 mm over SKIN");
        let profile = SurfaceProfile {
            zone_width_mm: Some(0.6),
            zone_offset_mm: Some(-0.3),
            orientation_only: Some(true),
            ..SurfaceProfile::default()
        };
        let c = Characteristic { surface_profile: Some(profile), ..Characteristic::default() };
        assert_eq!(requirement(&c), "surface profile, zone width 0.6 UZ-0.3, orientation only");
        let flatness = Form { zone_width_mm: Some(0.2), ..Form::default() };
        let c = Characteristic { flatness: Some(flatness), ..Characteristic::default() };
        assert_eq!(requirement(&c), "flatness 0.2");
        assert_eq!(requirement(&Characteristic::default()), "unknown to this program");
        let wall = Thickness {
            nominal_mm: Some(3.0),
            lower_deviation_mm: Some(-0.2),
            opposite: Some("BACK".into()),
            ..Thickness::default()
        };
        let c = Characteristic { thickness: Some(wall), ..Characteristic::default() };
        assert_eq!(requirement(&c), "thickness to BACK 3 at least -0.2");
        let step = Protrusion {
            above: "SKIN".into(),
            nominal_mm: Some(0.0),
            upper_deviation_mm: Some(0.1),
            lower_deviation_mm: Some(-0.2),
            ..Protrusion::default()
        };
        let c = Characteristic { protrusion: Some(step), ..Characteristic::default() };
        assert_eq!(requirement(&c), "protrusion above SKIN, 0 +0.1 -0.2");
        let depth =
            Length { nominal_mm: Some(1.5), upper_deviation_mm: Some(0.2), lower_deviation_mm: Some(0.0) };
        let c = Characteristic { depth: Some(depth), ..Characteristic::default() };
        assert_eq!(requirement(&c), "depth 1.5 +0.2 0");
    }
}
