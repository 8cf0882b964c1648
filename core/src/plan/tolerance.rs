//! From the tolerances that a file writes to checked ones: sizes, form, orientation, location, profile, run-out.

use super::check::{Names, in_range};
use super::domain::{Condition, OrientationKind, StandardSystem, StraightnessOf, Zone};
use super::fault::Faults;
use super::file::{self, FeatureKind, PlanFile};
use super::iso2768::length_deviation_mm;
use super::nearest::list;
use super::place::{direction, length, triple};
use super::required::{AtHeight, LineSection, Requirement};
use super::thickness::FACES;
use super::tree::short;
use crate::geometry::{Direction, Point};

/// A zone's diameter or width.
fn zone_size(faults: &Faults, place: &str, key: &str, value: f64, zero: bool) {
    let of = if key == "zone_diameter_mm" { "diameter" } else { "width" };
    let least = if zero { "0 or more" } else { "above 0" };
    let inside = |z: f64| z > 0.0 || zero && z == 0.0;
    in_range(faults, &format!("{place}.{key}"), value, inside, &format!("{least}, the zone's {of} in mm"));
}

/// One of the two zones that a tolerance may have; of size `zero` only where a material condition gives it room.
fn zone(
    faults: &Faults,
    place: &str,
    [diameter, width]: [Option<f64>; 2],
    across: &[f64],
    zero: bool,
) -> Option<Zone> {
    let place_of_across = format!("{place}.across");
    match (diameter, width) {
        (Some(diameter_mm), None) => {
            zone_size(faults, place, "zone_diameter_mm", diameter_mm, zero);
            if !across.is_empty() {
                faults.add(place_of_across, "is for a zone between two planes; leave it out");
            }
            Some(Zone::Round { diameter_mm })
        }
        (None, Some(width_mm)) => {
            zone_size(faults, place, "zone_width_mm", width_mm, zero);
            let across = match across {
                [] => None,
                given => Some(direction(faults, &place_of_across, given, "write a vector across the zone")?),
            };
            Some(Zone::Slab { width_mm, across })
        }
        (None, None) => {
            if ["zone_diameter_mm", "zone_width_mm"].iter().all(|k| faults.sound(&format!("{place}.{k}"))) {
                faults.add(place, "has no zone; write `zone_diameter_mm` or `zone_width_mm`");
            }
            None
        }
        (Some(_), Some(_)) => {
            faults.add(place, "has two zones; leave one of `zone_diameter_mm` and `zone_width_mm`");
            None
        }
    }
}

/// The material condition and the characteristic that limits the size. What that is must be is checked with the feature.
fn condition(
    faults: &Faults,
    names: &Names<'_>,
    place: &str,
    condition: Option<Condition>,
    size: Option<&str>,
) -> Option<(Condition, Option<usize>)> {
    let condition = condition.unwrap_or(Condition::Regardless);
    let place_of_size = format!("{place}.size_characteristic");
    match (condition, size) {
        (Condition::Regardless, None) => Some((condition, None)),
        (Condition::Regardless, Some(_)) => {
            faults.add(place_of_size, "is for a material condition; leave it out, or write `condition`");
            None
        }
        (_, None) => {
            if faults.sound(&place_of_size) {
                faults.add(
                    place_of_size,
                    "is missing; write the number of the characteristic that limits the feature's size",
                );
            }
            None
        }
        (_, Some(number)) => Some((condition, Some(names.characteristic(faults, &place_of_size, number)?))),
    }
}

/// Upper and lower deviation in some unit.
pub(super) fn deviations(faults: &Faults, place: &str, unit: &str, upper: f64, lower: f64) -> bool {
    let [u, l] = ["upper", "lower"].map(|side| format!("{place}.{side}_deviation_{unit}"));
    let finite = in_range(faults, &u, upper, |_| true, &format!("in {unit}"))
        & in_range(faults, &l, lower, |_| true, &format!("in {unit}"));
    let sound = faults.sound(&u) && faults.sound(&l);
    if finite && sound && upper <= lower {
        let problem =
            format!("is {upper}, not above the lower deviation {lower}; write the larger one here, signed");
        faults.add(u, problem);
        return false;
    }
    finite && sound
}

/// A length above zero with its limits: a radius, a depth.
pub(super) fn one_length(faults: &Faults, place: &str, length: file::Length, word: &str) {
    let wanted = format!("above 0, the {word} in mm");
    in_range(faults, &format!("{place}.nominal_mm"), length.nominal_mm, |n| n > 0.0, &wanted);
    if deviations(faults, place, "mm", length.upper_deviation_mm, length.lower_deviation_mm)
        && length.nominal_mm + length.lower_deviation_mm <= 0.0
    {
        let words = format!("leaves no {word}; write limits that one can have");
        faults.add(format!("{place}.lower_deviation_mm"), words);
    }
}

pub(super) fn radius(faults: &Faults, place: &str, r: file::Length) -> Requirement {
    one_length(faults, place, r, "radius");
    Requirement::Radius {
        nominal_mm: r.nominal_mm,
        upper_deviation_mm: r.upper_deviation_mm,
        lower_deviation_mm: r.lower_deviation_mm,
    }
}

pub(super) fn distance(
    faults: &Faults,
    names: &Names<'_>,
    place: &str,
    d: &file::Distance,
) -> Option<Requirement> {
    let to = names.feature(faults, &format!("{place}.to"), &d.to);
    let nominal = format!("{place}.nominal_mm");
    let nominal_ok = in_range(faults, &nominal, d.nominal_mm, |n| n >= 0.0, "0 or more, the distance in mm")
        && faults.sound(&nominal);
    let along = match d.along.as_slice() {
        [] => None,
        given => {
            Some(direction(faults, &format!("{place}.along"), given, "write a vector, or leave it out")?)
        }
    };
    let general = format!("{place}.general_tolerance");
    let (upper, lower) = match (d.upper_deviation_mm, d.lower_deviation_mm, d.general_tolerance) {
        (Some(upper), Some(lower), None) => {
            deviations(faults, place, "mm", upper, lower);
            (upper, lower)
        }
        (None, None, Some(class)) if nominal_ok && faults.sound(&general) => {
            let both = length_deviation_mm(d.nominal_mm, class)
                .map_err(|e| faults.add(&general, e.to_string()))
                .ok()?;
            (both, -both)
        }
        (None, None, Some(_)) => return None,
        _ => {
            let keys = ["upper_deviation_mm", "lower_deviation_mm", "general_tolerance"];
            if keys.iter().all(|k| faults.sound(&format!("{place}.{k}"))) {
                faults.add(
                    place,
                    "needs its limits in one way: write `upper_deviation_mm` and `lower_deviation_mm`, or \
                     `general_tolerance = \"medium\"` (ISO 2768-1)",
                );
            }
            return None;
        }
    };
    Some(Requirement::Distance {
        to: to?,
        nominal_mm: d.nominal_mm,
        upper_deviation_mm: upper,
        lower_deviation_mm: lower,
        along,
    })
}

pub(super) fn angle(faults: &Faults, names: &Names<'_>, place: &str, a: &file::Angle) -> Option<Requirement> {
    let to = match &a.to {
        None => None,
        Some(id) => Some(names.feature(faults, &format!("{place}.to"), id)?),
    };
    let range = |n: f64| (0.0..=180.0).contains(&n);
    in_range(faults, &format!("{place}.nominal_deg"), a.nominal_deg, range, "from 0 to 180, in degrees");
    deviations(faults, place, "deg", a.upper_deviation_deg, a.lower_deviation_deg);
    Some(Requirement::Angle {
        to,
        nominal_rad: a.nominal_deg.to_radians(),
        upper_deviation_rad: a.upper_deviation_deg.to_radians(),
        lower_deviation_rad: a.lower_deviation_deg.to_radians(),
    })
}

pub(super) fn straightness(faults: &Faults, place: &str, s: file::Straightness) -> Option<Requirement> {
    association(faults, place, s.association);
    let zone = zone(faults, place, [s.zone_diameter_mm, s.zone_width_mm], &[], false)?;
    if s.of == StraightnessOf::Lines && matches!(zone, Zone::Round { .. }) {
        faults.add(
            format!("{place}.zone_diameter_mm"),
            "is for an axis; the zone of a line of a surface is `zone_width_mm`",
        );
    }
    if s.of == StraightnessOf::Axis && matches!(zone, Zone::Slab { .. }) {
        faults.add(
            format!("{place}.zone_width_mm"),
            "is for the lines of a surface; the zone of an axis is `zone_diameter_mm`",
        );
    }
    Some(Requirement::Straightness { zone, of: s.of, association: s.association })
}

/// Width and reference of a form tolerance.
pub(super) fn form(faults: &Faults, place: &str, f: file::Form) -> (f64, file::Association) {
    zone_size(faults, place, "zone_width_mm", f.zone_width_mm, false);
    association(faults, place, f.association);
    (f.zone_width_mm, f.association)
}

/// Form is told from the least-squares feature or from the minimum zone (ISO 1101:2017, G and C).
fn association(faults: &Faults, place: &str, given: file::Association) {
    use file::Association::{LeastSquares, MinimumZone};
    let place = format!("{place}.association");
    if !matches!(given, LeastSquares | MinimumZone) && faults.sound(&place) {
        faults.add(place, "is none for a form; write \"minimum_zone\" or \"least_squares\"");
    }
}

pub(super) fn orientation(
    faults: &Faults,
    names: &Names<'_>,
    place: &str,
    kind: OrientationKind,
    o: &file::Orientation,
) -> Option<Requirement> {
    let zero = o.condition.is_some_and(|c| c != Condition::Regardless);
    let zone = zone(faults, place, [o.zone_diameter_mm, o.zone_width_mm], &o.across, zero);
    let condition = condition(faults, names, place, o.condition, o.size_characteristic.as_deref());
    let (condition, size) = condition?;
    let tangent_plane = o.tangent_plane.unwrap_or(false);
    Some(Requirement::Orientation { kind, zone: zone?, condition, size, tangent_plane })
}

pub(super) fn position(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    p: &file::Position,
    own: Option<&str>,
) -> Option<Requirement> {
    let zero = p.condition.is_some_and(|c| c != Condition::Regardless);
    let zone = zone(faults, place, [p.zone_diameter_mm, p.zone_width_mm], &p.across, zero);
    length(faults, &format!("{place}.projected_length_mm"), p.projected_length_mm);
    let at_height = match &p.at_height {
        Some(h) => Some(at_height(faults, names, file, place, (p, h), own)?),
        None => None,
    };
    let condition = condition(faults, names, place, p.condition, p.size_characteristic.as_deref());
    let (condition, size) = condition?;
    Some(Requirement::Position {
        zone: zone?,
        condition,
        size,
        projected_length_mm: p.projected_length_mm,
        at_height,
        orientation_only: p.orientation_only.unwrap_or(false),
    })
}

/// The height at which an axis is asked, over the skin about it or over the first datum plane.
fn at_height(
    faults: &Faults,
    names: &Names<'_>,
    file: &PlanFile,
    place: &str,
    (p, h): (&file::Position, &file::AtHeight),
    own: Option<&str>,
) -> Option<AtHeight> {
    let at = |key: &str| format!("{place}.at_height{key}");
    in_range(faults, &at(".height_mm"), h.height_mm, |_| true, "in mm, negative within the material");
    if p.projected_length_mm.is_some() {
        faults.add(at(""), "is one height and `projected_length_mm` a length; leave one of them out");
    } else if p.condition.is_some_and(|c| c != Condition::Regardless) {
        faults.add(at(""), "is served regardless of size only; leave it or `condition` out");
    }
    let Some(id) = &h.above else { return Some(AtHeight { height_mm: h.height_mm, above: None }) };
    let above = names.feature(faults, &at(".above"), id)?;
    let kind = file.feature[above].kind;
    if own == Some(id.as_str()) {
        faults.add(at(".above"), format!("\"{}\" is the feature itself; name the skin about it", short(id)));
    } else if !FACES.contains(&kind) && faults.sound(&format!("feature[{above}].kind")) {
        let words = FACES.map(FeatureKind::word);
        let problem = format!("\"{}\" is a {}; name one of {}", short(id), kind.word(), list(&words));
        faults.add(at(".above"), problem);
    }
    Some(AtHeight { height_mm: h.height_mm, above: Some(above) })
}

pub(super) fn coaxiality(faults: &Faults, place: &str, c: file::Coaxiality) -> Requirement {
    zone_size(faults, place, "zone_diameter_mm", c.zone_diameter_mm, false);
    Requirement::Coaxiality { zone_diameter_mm: c.zone_diameter_mm }
}

pub(super) fn symmetry(faults: &Faults, place: &str, s: file::Symmetry) -> Requirement {
    zone_size(faults, place, "zone_width_mm", s.zone_width_mm, false);
    Requirement::Symmetry { zone_width_mm: s.zone_width_mm }
}

pub(super) fn runout(faults: &Faults, place: &str, total: bool, r: file::Runout) -> Requirement {
    zone_size(faults, place, "zone_width_mm", r.zone_width_mm, false);
    Requirement::Runout { total, zone_width_mm: r.zone_width_mm, direction: r.direction }
}

const PROFILE_WAYS: &str = "write `limit_outside_mm` and `limit_inside_mm`, or `zone_width_mm`";

/// The limits of a profile, from the limits or from the width as the drawing writes it: with UZ (ISO 1101:2017, offset of
/// the zone's middle, positive out of the material) or U (ASME Y14.5, how much of the width lies outside; from memory).
pub(super) fn surface_profile(
    faults: &Faults,
    place: &str,
    s: file::SurfaceProfile,
    system: Option<StandardSystem>,
) -> Option<Requirement> {
    let of = |limit_outside_mm, limit_inside_mm, drawn| {
        Some(Requirement::SurfaceProfile {
            limit_outside_mm,
            limit_inside_mm,
            offset_zone: s.offset_zone.unwrap_or(false),
            orientation_only: s.orientation_only.unwrap_or(false),
            drawn,
        })
    };
    let keys = ["limit_outside_mm", "limit_inside_mm", "zone_width_mm", "zone_offset_mm", "zone_outside_mm"];
    let sound = keys.iter().all(|k| faults.sound(&format!("{place}.{k}")));
    match (s.limit_outside_mm, s.limit_inside_mm, s.zone_width_mm) {
        (Some(outside), Some(inside), None) => {
            for (key, given) in [("zone_offset_mm", s.zone_offset_mm), ("zone_outside_mm", s.zone_outside_mm)]
            {
                if given.is_some() {
                    faults.add(format!("{place}.{key}"), "goes with `zone_width_mm`; leave it out");
                }
            }
            limits(faults, place, outside, inside);
            of(outside, inside, None)
        }
        (None, None, Some(width)) => {
            zone_size(faults, place, "zone_width_mm", width, false);
            let (offset, outside) = (format!("{place}.zone_offset_mm"), format!("{place}.zone_outside_mm"));
            match (s.zone_offset_mm, s.zone_outside_mm) {
                (None, None) => of(0.5 * width, 0.5 * width, Some(format!("{width}"))),
                (Some(middle), None) => {
                    in_range(faults, &offset, middle, |_| true, "in mm");
                    if system == Some(StandardSystem::Asme) {
                        faults.add(
                            offset,
                            "is UZ of ISO 1101, but the standard is ASME; write `zone_outside_mm`",
                        );
                        return None;
                    }
                    let drawn = Some(format!("{width} UZ{middle:+}"));
                    of(middle + 0.5 * width, 0.5 * width - middle, drawn)
                }
                (None, Some(out)) => {
                    let inside = |o: f64| o >= 0.0 && o <= width;
                    in_range(faults, &outside, out, inside, "from 0 to the width of the zone, in mm");
                    if system == Some(StandardSystem::Iso) {
                        faults.add(
                            outside,
                            "is U of ASME Y14.5, but the standard is ISO; write `zone_offset_mm`",
                        );
                        return None;
                    }
                    of(out, width - out, Some(format!("{width} U {out}")))
                }
                (Some(_), Some(_)) => {
                    faults.add(outside, "stands beside `zone_offset_mm`; leave one of the two");
                    None
                }
            }
        }
        (None, None, None) => {
            if sound {
                faults.add(place, format!("has no limits; {PROFILE_WAYS}"));
            }
            None
        }
        (_, _, Some(_)) => {
            faults.add(place, format!("has its limits in two ways; {PROFILE_WAYS}"));
            None
        }
        (outside, _, None) => {
            let key = if outside.is_none() { keys[0] } else { keys[1] };
            let place = format!("{place}.{key}");
            if faults.sound(&place) {
                faults.add(place, "is missing; write a number in mm, 0 or more");
            }
            None
        }
    }
}

/// Two limits of a deviation.
fn limits(faults: &Faults, place: &str, outside: f64, inside: f64) {
    let (o, i) = (format!("{place}.limit_outside_mm"), format!("{place}.limit_inside_mm"));
    let ok = in_range(faults, &o, outside, |l| l >= 0.0, "0 or more, the limit in mm")
        & in_range(faults, &i, inside, |l| l >= 0.0, "0 or more, the limit in mm as a positive number");
    if ok && faults.sound(&o) && faults.sound(&i) && outside + inside <= 0.0 {
        faults.add(place, "leaves no room; write a limit above 0 on one side at least");
    }
}

pub(super) fn line_profile(
    faults: &Faults,
    place: &str,
    l: &file::LineProfile,
    kind: Option<FeatureKind>,
) -> Option<Requirement> {
    limits(faults, place, l.limit_outside_mm, l.limit_inside_mm);
    let of_edge = kind == Some(FeatureKind::Edge);
    let section = match &l.section {
        Some(_) if of_edge => {
            faults.add(format!("{place}.section"), "a trimmed edge is its own line; leave it out");
            None
        }
        Some(section) => Some(line_section(faults, place, section, &l.between)?),
        None if of_edge => {
            if !l.between.is_empty() {
                let problem = "a part of a trimmed edge is a feature of its own; write `along` there";
                faults.add(format!("{place}.between"), problem);
            }
            None
        }
        // Of a feature that is not known there may be none to write.
        None if kind.is_none() => None,
        None => {
            if faults.sound(&format!("{place}.section")) {
                let problem =
                    "is missing; write the plane that cuts, `{ at_mm = [x, y, z], normal = [x, y, z] }`";
                faults.add(format!("{place}.section"), problem);
            }
            return None;
        }
    };
    Some(Requirement::LineProfile {
        limit_outside_mm: l.limit_outside_mm,
        limit_inside_mm: l.limit_inside_mm,
        section,
        orientation_only: l.orientation_only.unwrap_or(false),
    })
}

fn line_section(
    faults: &Faults,
    place: &str,
    section: &file::Section,
    between: &[file::PlaceOnLine],
) -> Option<LineSection> {
    let at = triple(faults, &format!("{place}.section.at_mm"), &section.at_mm);
    let normal: Option<Direction> =
        direction(faults, &format!("{place}.section.normal"), &section.normal, "write a vector square to it");
    let between = match between {
        [] => None,
        [a, b] => {
            let end = |k: usize, p: &file::PlaceOnLine| {
                triple(faults, &format!("{place}.between[{k}].at_mm"), &p.at_mm).map(Point::from)
            };
            let (a, b) = (end(0, a), end(1, b));
            Some([a?, b?])
        }
        other => {
            let problem = format!("has {} places; write the two ends of the line, or none", other.len());
            faults.add(format!("{place}.between"), problem);
            None
        }
    };
    Some(LineSection { at: Point::from(at?), normal: normal?, between })
}
