//! Faces of a nominal, and what became of them.

use super::{Look, number, printable, table, whole, words, wrap};
use crate::command::faces::{ChangeTold, DiffTold, FaceTold, FacesTold, MissingTold, PartTold};

/// The table of faces, with what is missing and noted below.
pub(crate) fn faces(told: &FacesTold, look: &Look) -> String {
    let [x, y, z] = told.size_mm;
    let kind = if told.closed { "closed" } else { "open" };
    let mut text = format!(
        "{}: {} faces, {kind}, {x:.3} x {y:.3} x {z:.3} mm\n\n",
        printable(&told.file),
        told.faces.len()
    );
    let named = told.faces.iter().any(|f| !f.name_in_file.is_empty());
    let several = told.parts.len() > 1;
    if several {
        let rows = told.parts.iter().map(part).collect();
        text.push_str(&table(&["part", "occurrence", "faces"], rows, look));
        text.push('\n');
    }
    let rows = told.faces.iter().map(|f| row(f, named, several)).collect();
    let mut heads =
        vec!["face", "surface", "size", "area mm2", "centroid x mm", "y mm", "z mm", "distances", "beside"];
    if named {
        heads.push("name in the file");
    }
    if several {
        heads.extend(["part", "occurrence"]);
    }
    text.push_str(&table(&heads, rows, look));
    missing_and_noted(&mut text, "", &told.missing, &told.notes, look);
    text
}

fn missing_and_noted(text: &mut String, of: &str, missing: &[MissingTold], notes: &[String], look: &Look) {
    for missing in missing {
        lines(text, &format!("missing{of}: {} {}", missing.face, printable(&missing.why)), look);
    }
    for note in notes {
        lines(text, &format!("note{of}: {}", printable(note)), look);
    }
}

fn part(told: &PartTold) -> Vec<super::Entry> {
    vec![words(&told.part), words(occurrence(&told.occurrence)), number(told.faces.to_string())]
}

fn occurrence(path: &[String]) -> String {
    if path.is_empty() { "-".to_owned() } else { path.join(" / ") }
}

/// Each face as a plan names it: what is copied into a feature. What is missing stands below as comments.
pub(crate) fn as_plan(told: &FacesTold, _: &Look) -> String {
    let mut text = String::new();
    for f in &told.faces {
        if let Some(pick) = &f.pick {
            // Faces that were found on a mesh have no names that a plan takes; a place on them has.
            let triple = |of: [f64; 3], decimals| of.map(|c| fixed(c, decimals)).join(", ");
            text.push_str(&format!("# face {}: {} of {:.2} mm2\n", f.face, f.surface, f.area_mm2));
            text.push_str(&format!("pick = {{ near_mm = [{}]", triple(pick.near_mm, 4)));
            if let Some(facing) = pick.facing {
                text.push_str(&format!(", facing = [{}]", triple(facing, 7)));
            }
            text.push_str(" }\n");
            continue;
        }
        if !f.face.starts_with('#') {
            text.push_str(&format!("# face {}: without area, so no plan can pick it\n", f.face));
            continue;
        }
        let [x, y, z] = f.centroid_mm.map(|c| fixed(c, 4));
        text.push_str(&format!(
            "face = \"{}\"\nfingerprint = [ {{ surface = \"{}\", area_mm2 = {:.3}, centroid_mm = [{x}, {y}, {z}]",
            f.face, f.surface, f.area_mm2
        ));
        if let Some(d) = f.diameter_mm {
            text.push_str(&format!(", diameter_mm = {d:.4}"));
        }
        if let Some(a) = f.angle_deg {
            text.push_str(&format!(", angle_deg = {a:.5}"));
        }
        if let Some(d) = f.direction {
            let [x, y, z] = d.map(|c| fixed(c, 7));
            text.push_str(&format!(", direction = [{x}, {y}, {z}]"));
        }
        text.push_str(" } ]\n");
    }
    for m in &told.missing {
        // One line: what a file calls things may hold anything.
        text.push_str(&format!("# missing: {} {}\n", m.face, printable(&m.why).replace(['\n', '\r'], " ")));
    }
    text
}

fn lines(text: &mut String, words: &str, look: &Look) {
    for line in wrap(words, look.width) {
        text.push_str(&line);
        text.push('\n');
    }
}

fn row(f: &FaceTold, named: bool, several: bool) -> Vec<super::Entry> {
    let mut row = vec![
        whole(&f.face),
        words(f.surface),
        number(size(f)),
        number(format!("{:.2}", f.area_mm2)),
        number(hundredths(f.centroid_mm[0])),
        number(hundredths(f.centroid_mm[1])),
        number(hundredths(f.centroid_mm[2])),
        words(f.distances),
        words(few(&f.neighbours)),
    ];
    if named {
        row.push(words(&f.name_in_file));
    }
    if several {
        row.push(words(f.part.as_deref().unwrap_or("-")));
        row.push(words(occurrence(&f.occurrence)));
    }
    row
}

/// So many decimals, and no minus before a zero.
fn fixed(x: f64, decimals: usize) -> String {
    let text = format!("{x:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| matches!(b, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

fn hundredths(x: f64) -> String {
    fixed(x, 2)
}

/// The first few of some faces, and how many more there are.
fn few(faces: &[String]) -> String {
    const TOLD: usize = 6;
    let mut text = faces.iter().take(TOLD).map(String::as_str).collect::<Vec<_>>().join(" ");
    if faces.len() > TOLD {
        text.push_str(&format!(" and {} more", faces.len() - TOLD));
    }
    text
}

fn size(f: &FaceTold) -> String {
    match (f.diameter_mm, f.angle_deg) {
        (Some(d), _) => format!("diameter {d:.3}"),
        (None, Some(a)) => format!("{a:.3} degrees"),
        (None, None) => "-".to_owned(),
    }
}

/// What became of the faces, and of a plan's features.
pub(crate) fn diff(told: &DiffTold, look: &Look) -> String {
    let mut text = format!(
        "{} faces are the same, within {} mm of place and 0.5 % of area\n",
        told.same, told.same_within_mm
    );
    let renamed: Vec<String> = told
        .names
        .iter()
        .filter(|n| n.before != n.after)
        .map(|n| format!("{} is now {}", n.before, n.after))
        .collect();
    if !renamed.is_empty() {
        const TOLD: usize = 12;
        let more = match renamed.len() - renamed.len().min(TOLD) {
            0 => String::new(),
            n => format!(" and {n} more (--output json lists them)"),
        };
        lines(
            &mut text,
            &format!("of other numbers: {}{more}", renamed[..renamed.len().min(TOLD)].join(", ")),
            look,
        );
    }
    if !told.faces.is_empty() {
        let rows = told.faces.iter().map(change).collect();
        text.push('\n');
        text.push_str(&table(&["", "before", "after", "surface", "by mm", "area mm2", "size"], rows, look));
    }
    for side in [&told.before, &told.after] {
        if side.missing.is_empty() && side.notes.is_empty() {
            continue;
        }
        text.push('\n');
        let of = format!(" in {}", printable(&side.file));
        missing_and_noted(&mut text, &of, &side.missing, &side.notes, look);
    }
    if !told.after.missing.is_empty() && told.faces.iter().any(|c| c.after.is_none()) {
        lines(
            &mut text,
            "a face that is not found may be one of the missing ones, and need not be gone",
            look,
        );
    }
    if let Some(features) = &told.features {
        text.push_str(if features.is_empty() {
            "\nall features of the plan lie as before\n"
        } else {
            "\nfeatures of the plan\n"
        });
        for feature in features {
            lines(&mut text, &printable(feature), look);
        }
    }
    text
}

fn change(c: &ChangeTold) -> Vec<super::Entry> {
    let name = |f: &Option<FaceTold>| f.as_ref().map_or("-".to_owned(), |f| f.face.clone());
    let both = |of: &dyn Fn(&FaceTold) -> String| match (&c.before, &c.after) {
        (Some(a), Some(b)) if of(a) == of(b) => of(a),
        (Some(a), Some(b)) => format!("{} -> {}", of(a), of(b)),
        (Some(one), None) | (None, Some(one)) => of(one),
        (None, None) => "-".to_owned(),
    };
    vec![
        words(c.what),
        whole(name(&c.before)),
        whole(name(&c.after)),
        words(both(&|f| f.surface.to_owned())),
        number(c.moved_mm.map_or("-".to_owned(), |d| format!("{d:.3}"))),
        number(both(&|f| format!("{:.2}", f.area_mm2))),
        number(both(&size)),
    ]
}
