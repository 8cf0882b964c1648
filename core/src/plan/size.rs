//! Checks the size that is required of a feature: a nominal value, and its limits written in one of three ways.

use super::check::in_range;
use super::fault::Faults;
use super::file::{self, FeatureKind, SizeOperator};
use super::iso286::{LimitDeviations, limit_deviations};
use super::iso2768::length_deviation_mm;

const WAYS: &str = "write `upper_deviation_mm` and `lower_deviation_mm`, or `tolerance_class = \"H8\"` (ISO 286-1), \
                    or `general_tolerance = \"medium\"` (ISO 2768-1)";

/// A checked size with its limits.
pub(super) struct Sized {
    pub(super) nominal_mm: f64,
    pub(super) upper_deviation_mm: f64,
    pub(super) lower_deviation_mm: f64,
    pub(super) size: SizeOperator,
}

/// A size with limits; where they have a fault the limits handed over are those of no tolerance.
pub(super) fn size(faults: &Faults, place: &str, d: &file::Size, kind: Option<FeatureKind>) -> Sized {
    let nominal = format!("{place}.nominal_mm");
    let nominal_ok = in_range(faults, &nominal, d.nominal_mm, |n| n > 0.0, "above 0, the size in mm")
        && faults.sound(&nominal);
    // Which of the two a cylinder or a width is shows on the nominal.
    let hole = matches!(kind, Some(FeatureKind::Hole | FeatureKind::Slot));
    let limits = limits(faults, place, d, nominal_ok, hole)
        .unwrap_or(LimitDeviations { upper_mm: 0.0, lower_mm: 0.0 });
    Sized {
        nominal_mm: d.nominal_mm,
        upper_deviation_mm: limits.upper_mm,
        lower_deviation_mm: limits.lower_mm,
        size: d.size,
    }
}

fn limits(
    faults: &Faults,
    place: &str,
    d: &file::Size,
    nominal_ok: bool,
    hole: bool,
) -> Option<LimitDeviations> {
    let keys = ["upper_deviation_mm", "lower_deviation_mm", "tolerance_class", "general_tolerance"];
    let [upper, lower, class, general] = keys.map(|key| format!("{place}.{key}"));
    let written = d.upper_deviation_mm.is_some() || d.lower_deviation_mm.is_some();
    // What could not be read was meant all the same.
    let sound = [&upper, &lower, &class, &general].into_iter().all(|p| faults.sound(p));
    match (written, d.tolerance_class.as_deref(), d.general_tolerance) {
        (false, None, None) => {
            if sound {
                faults.add(place, format!("has no limits; {WAYS}"));
            }
            None
        }
        (true, None, None) => {
            for (at, value) in [(&upper, d.upper_deviation_mm), (&lower, d.lower_deviation_mm)] {
                if value.is_none() && faults.sound(at) {
                    faults.add(at, "is missing; write a number in mm, signed");
                }
            }
            deviations(faults, d, [&upper, &lower], nominal_ok)
        }
        (false, Some(name), None) => {
            if !nominal_ok || !faults.sound(&class) {
                return None;
            }
            if hole && name.starts_with(|c: char| c.is_ascii_lowercase()) {
                faults
                    .add(&class, "is that of a shaft; a hole's begins with a capital letter, such as \"H8\"");
                return None;
            }
            let limits = limit_deviations(d.nominal_mm, name);
            let limits = limits.map_err(|e| faults.add(&class, e.to_string())).ok()?;
            above_nothing(faults, d, &class, limits)
        }
        (false, None, Some(of)) => {
            if !nominal_ok || !faults.sound(&general) {
                return None;
            }
            let both = length_deviation_mm(d.nominal_mm, of)
                .map_err(|e| faults.add(&general, e.to_string()))
                .ok()?;
            above_nothing(faults, d, &general, LimitDeviations { upper_mm: both, lower_mm: -both })
        }
        _ => {
            if sound {
                faults.add(place, format!("has its limits in more than one way; leave one: {WAYS}"));
            }
            None
        }
    }
}

/// Deviations written as numbers.
fn deviations(
    faults: &Faults,
    d: &file::Size,
    [upper, lower]: [&String; 2],
    nominal_ok: bool,
) -> Option<LimitDeviations> {
    let finite =
        |place: &str, value: Option<f64>| value.is_none_or(|v| in_range(faults, place, v, |_| true, "in mm"));
    let ok = finite(upper, d.upper_deviation_mm) & finite(lower, d.lower_deviation_mm);
    let limits = LimitDeviations { upper_mm: d.upper_deviation_mm?, lower_mm: d.lower_deviation_mm? };
    if !ok || !faults.sound(upper) || !faults.sound(lower) {
        return None;
    }
    if limits.upper_mm <= limits.lower_mm {
        faults.add(
            upper,
            format!(
                "is {}, not above the lower deviation {}; write the larger one here, signed",
                limits.upper_mm, limits.lower_mm
            ),
        );
        return None;
    }
    if nominal_ok { above_nothing(faults, d, lower, limits) } else { Some(limits) }
}

/// The limits, unless the smallest size is none.
fn above_nothing(
    faults: &Faults,
    d: &file::Size,
    place: &str,
    limits: LimitDeviations,
) -> Option<LimitDeviations> {
    if d.nominal_mm + limits.lower_mm > 0.0 {
        return Some(limits);
    }
    faults.add(
        place,
        format!(
            "makes the lower deviation {}, so the smallest size is not above 0; write limits that a size can have",
            limits.lower_mm
        ),
    );
    None
}

#[cfg(test)]
#[path = "size_tests.rs"]
mod tests;
