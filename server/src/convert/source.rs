//! Which part of a scan is meant: regions and placements; and readings.

use scantling_core::readings::Reading;
use scantling_core::scan::FURTHEST_MM;
use scantling_proto::v1;

use super::fields::Fields;
use crate::measuring::Rows;

/// A rotation matrix is orthonormal within this, or it is a slip.
const ORTHONORMAL: f64 = 1e-6;

/// A scan and a part, turned about, each at the furthest that either may lie, mm.
const MOST_SHIFT_MM: f64 = 4.0 * FURTHEST_MM;

fn triple(fields: &mut Fields, field: &str, values: &[f64]) -> Option<[f64; 3]> {
    let three: Option<[f64; 3]> =
        values.try_into().ok().filter(|t: &[f64; 3]| t.iter().all(|v| v.is_finite()));
    if three.is_none() {
        fields.wrong(field, format!("must be three finite numbers, x, y, z; it has {}", values.len()));
    }
    three
}

/// Smallest and largest corner of a box.
pub(crate) fn region(fields: &mut Fields, field: &str, sent: &v1::Region) -> Option<[[f64; 3]; 2]> {
    let low = triple(fields, &format!("{field}.minimum_mm"), &sent.minimum_mm);
    let high = triple(fields, &format!("{field}.maximum_mm"), &sent.maximum_mm);
    let (low, high) = (low?, high?);
    if (0..3).any(|i| low[i] >= high[i]) {
        fields.wrong(field, "must have every minimum below its maximum");
        return None;
    }
    Some([low, high])
}

/// A rigid motion.
pub(crate) fn placement(fields: &mut Fields, field: &str, sent: &v1::Placement) -> Option<Rows> {
    let place = format!("{field}.translation_mm");
    let shift = triple(fields, &place, &sent.translation_mm);
    if shift.is_some_and(|s| s.iter().any(|v| v.abs() > MOST_SHIFT_MM)) {
        fields.wrong(
            &place,
            format!("must be at most {MOST_SHIFT_MM} mm along each axis: no scan lies further"),
        );
        return None;
    }
    let nine: Option<[f64; 9]> =
        sent.rotation.as_slice().try_into().ok().filter(|n: &[f64; 9]| n.iter().all(|v| v.is_finite()));
    let place = format!("{field}.rotation");
    let Some(nine) = nine else {
        let has = sent.rotation.len();
        fields.wrong(&place, format!("must be nine finite numbers, row by row; it has {has}"));
        return None;
    };
    let rows: [[f64; 3]; 3] = std::array::from_fn(|i| std::array::from_fn(|j| nine[3 * i + j]));
    let dot = |a: &[f64; 3], b: &[f64; 3]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let square = (0..3).all(|i| {
        (0..3).all(|j| (dot(&rows[i], &rows[j]) - if i == j { 1.0 } else { 0.0 }).abs() <= ORTHONORMAL)
    });
    let [a, b, c] = rows;
    let cross = [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
    if !square || dot(&cross, &c) < 0.0 {
        fields.wrong(&place, "must be a rotation: rows of length 1, square to each other, right-handed");
        return None;
    }
    Some((rows, shift?))
}

pub(crate) fn of_region([low, high]: [[f64; 3]; 2]) -> v1::Region {
    v1::Region { minimum_mm: low.to_vec(), maximum_mm: high.to_vec() }
}

pub(crate) fn of_placement((rotation, translation_mm): Rows) -> v1::Placement {
    v1::Placement { rotation: rotation.concat(), translation_mm: translation_mm.to_vec() }
}

/// Readings as they are sent; whether they fit the plan is asked with the plan.
pub(crate) fn readings(fields: &mut Fields, field: &str, sent: Vec<v1::Reading>) -> Vec<Reading> {
    sent.into_iter()
        .enumerate()
        .map(|(n, r)| {
            let mut text = |name: &str, value| fields.text(&format!("{field}[{n}].{name}"), value);
            Reading {
                characteristic: text("characteristic", r.characteristic),
                unit: text("unit", r.unit),
                instrument: text("instrument", r.instrument),
                operator: text("operator", r.operator),
                value: r.value,
                passed: r.passed,
                expanded_uncertainty: r.expanded_uncertainty,
            }
        })
        .collect()
}

pub(crate) fn of_reading(reading: Reading) -> v1::Reading {
    v1::Reading {
        characteristic: reading.characteristic,
        value: reading.value,
        passed: reading.passed,
        unit: reading.unit,
        expanded_uncertainty: reading.expanded_uncertainty,
        instrument: reading.instrument,
        operator: reading.operator,
    }
}
