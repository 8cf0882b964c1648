//! What a scan file holds.

use scantling_core::scan::{NormalsFrom, ScanInfo};

use super::{Look, facts};

/// A number in so many digits that its eighth does not matter to anybody.
fn short(value: f64) -> String {
    // The exponent of ten, as the number is written.
    let digits: i32 = format!("{value:e}").split('e').nth(1).and_then(|e| e.parse().ok()).unwrap_or(0);
    if (-4..9).contains(&digits) {
        let text = format!("{value:.*}", usize::try_from(6 - digits).unwrap_or(0));
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
    } else {
        format!("{value:.6e}")
    }
}

fn three(values: [f64; 3], between: &str) -> String {
    values.map(short).join(between)
}

/// One fact a line, then what is wrong.
pub(crate) fn info(told: &ScanInfo, look: &Look) -> String {
    let unless_zero = |n: u64, what: &str| if n == 0 { String::new() } else { format!("{n} {what}") };
    let format = match told.packing {
        Some(packing) => format!("{} in {}", told.format.word(), packing.word()),
        None => told.format.word().to_owned(),
    };
    let points = [
        format!("{}", told.points),
        unless_zero(told.repeated_points, "of them repeated"),
        unless_zero(told.points_without_normal, "without a normal"),
        unless_zero(told.invalid_points, "more marked as not measured"),
        unless_zero(if told.scans > 1 { told.scans } else { 0 }, "scans"),
    ];
    let triangles = [
        unless_zero(told.triangles, "").trim().to_owned(),
        unless_zero(told.triangles_without_area, "without area"),
        unless_zero(told.boundary_edges, "open edges"),
        unless_zero(told.crowded_edges, "edges with three or more"),
    ];
    let list = |words: &[String]| {
        words.iter().filter(|w| !w.is_empty()).map(String::as_str).collect::<Vec<_>>().join(", ")
    };
    let unit = told.unit_in_file.or(told.unit_stated).map_or("the file's unit".to_owned(), |u| u.to_string());
    let in_mm = |text: Option<String>| text.map_or(String::new(), |t| format!(" ({t} mm)"));
    let mut lines = vec![
        ("format", format),
        ("bytes", told.bytes.to_string()),
        ("points", list(&points)),
        ("triangles", list(&triangles)),
        (
            "normals",
            match told.normals {
                NormalsFrom::Triangles => "from the triangles".to_owned(),
                NormalsFrom::File => "in the file".to_owned(),
                NormalsFrom::None => "none".to_owned(),
            },
        ),
        ("lengths in", unit),
        ("unit", told.unit_reason.clone()),
        ("from", three(told.box_low, ", ")),
        ("to", three(told.box_high, ", ")),
        ("size", three(told.box_size, " x ") + &in_mm(told.box_size_mm.map(|s| three(s, " x ")))),
        (
            "spacing",
            told.spacing.map_or("none".to_owned(), |s| short(s) + &in_mm(told.spacing_mm.map(short))),
        ),
        ("intensity", told.intensity.map_or(String::new(), |[a, b]| format!("{} to {}", short(a), short(b)))),
    ];
    if let Some(text) = &told.text {
        let comma = if text.decimal_comma { ", decimal comma" } else { "" };
        lines.push(("columns", format!("{} (by {}{comma})", text.columns.join(" "), text.delimiter)));
        lines.push((
            "before them",
            match text.skipped_lines {
                1 => "1 line".to_owned(),
                n => unless_zero(n, "lines"),
            },
        ));
    }
    lines.extend(told.notes.iter().map(|n| ("note", n.clone())));
    lines.extend(told.problems.iter().map(|p| ("problem", p.clone())));
    facts(&lines, look)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::PLAIN;
    use scantling_core::read::{LengthUnit, TextLayout};
    use scantling_core::run::quiet;

    #[test]
    fn a_small_file_is_told_whole() {
        let text = "x,y,z,label\n0,0,0,1\n0,0.25,0,2\n40,0,1,3\n40,0,1,4\n";
        let unit = Some(LengthUnit::Inch);
        let told = scantling_core::scan::info(text.as_bytes(), &TextLayout::default(), unit, &quiet());
        let expected = "\
format       points as text
bytes        49
points       4, 1 of them repeated
normals      none
lengths in   inches
unit         size suggests nothing: a longest side of 40.000000 may be in several units
from         0, 0, 0
to           40, 0.25, 1
size         40 x 0.25 x 1 (1016 x 6.35 x 25.4 mm)
spacing      0.25 (6.35 mm)
columns      x y z - (by comma)
before them  1 line
problem      neither normals nor triangles: which side of a thin part was seen cannot be told;
             export normals or a mesh
problem      1 points (25.0 %) repeat earlier ones and are left out when measuring: if they are
             many, check the export
";
        assert_eq!(told.map(|t| info(&t, &PLAIN)).as_deref(), Ok(expected));
    }

    #[test]
    fn numbers_are_short() {
        assert_eq!(
            [0.0, 12.5, -0.000_123_456_789, 1e12, 3e-9].map(short),
            ["0", "12.5", "-0.0001234568", "1.000000e12", "3.000000e-9"]
        );
    }
}
