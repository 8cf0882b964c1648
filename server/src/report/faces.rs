//! The page of a nominal's faces: views in which each has its number, and the table that goes with them.

use askama::Template;
use scantling_core::nominal::{Exactness, Face, Fingerprint, Nominal, NominalPart};

use super::ReportError;
use super::face_views::{Shown, face_name, looks, sights, views};

/// So many faces are named where they have no number; the table has all.
const MOST_TOLD: usize = 40;

/// A row of the table.
struct Row {
    face: usize,
    number: String,
    label: String,
    surface: &'static str,
    size: String,
    area: String,
    centroid: [String; 3],
    exact: &'static str,
    /// Its part, where there are several.
    part: String,
    /// Where its number stands; empty where no view has room for it.
    seen: String,
}

#[derive(Template)]
#[template(path = "faces.html")]
struct Page<'a> {
    title: &'a str,
    facts: Vec<(String, String)>,
    views: Vec<Shown>,
    /// Faces without a number, in words.
    without: Vec<String>,
    rows: Vec<Row>,
    /// Whether there are several parts.
    several: bool,
    missing: &'a [(u64, String)],
    notes: &'a [String],
}

/// The diameter or angle of a face in words; empty where it has none.
fn face_size(print: &Fingerprint) -> String {
    match (print.kind, print.size) {
        (_, None) => String::new(),
        (scantling_core::nominal::SurfaceKind::Cone, Some(angle)) => {
            format!("{:.3}\u{b0}", angle.to_degrees())
        }
        (_, Some(size)) => format!("\u{2300} {size:.3} mm"),
    }
}

/// How distances from a face are known, in one word.
pub fn face_exactness(face: &Face) -> &'static str {
    match face.exact.as_ref().map(scantling_core::nominal::Exact::exactness) {
        Some(Exactness::Analytic) => "exact",
        Some(Exactness::Freeform) => "by descent",
        None => "triangles",
    }
}

/// What a part of a file is called in one of its places: its own name, and those of the occurrences on the way to it.
pub fn part_name(part: &NominalPart) -> String {
    if part.occurrence.is_empty() {
        part.name.clone()
    } else {
        format!("{} ({})", part.name, part.occurrence.join(" / "))
    }
}

/// The page of a nominal's faces. `parts` are those that its file tells, `title` is what it is called, such as its file's
/// name.
///
/// # Errors
/// Only what writing a picture could give.
pub fn faces_page(nominal: &Nominal, parts: &[NominalPart], title: &str) -> Result<String, ReportError> {
    let looks = looks(nominal);
    let sights = sights(nominal, &looks);
    let (views, shown_as) = views(nominal, &looks, &sights)?;
    let name = |i: usize| face_name(i, &nominal.faces()[i]);
    let (mut unseen, mut crowded) = (Vec::new(), Vec::new());
    for i in (0..nominal.faces().len()).filter(|i| !shown_as.contains_key(i)) {
        if sights.contains_key(&i) { crowded.push(name(i)) } else { unseen.push(name(i)) }
    }
    let without = [
        ("Seen in none of the views, and so without a number", unseen),
        ("Seen, and without room for a number", crowded),
    ];
    let without = without.into_iter().filter_map(|(what, faces)| told_without(what, &faces)).collect();
    let several = parts.len() > 1;
    let of = |i: usize| row(nominal, i, if several { parts } else { &[] }, shown_as.get(&i).copied());
    let rows = (0..nominal.faces().len()).map(of).collect();
    let (missing, notes) = (nominal.missing(), nominal.notes());
    Ok(Page { title, facts: facts(nominal), views, without, rows, several, missing, notes }.render()?)
}

/// Some faces after what is said of them; nothing of none.
fn told_without(what: &str, faces: &[String]) -> Option<String> {
    let told = faces[..faces.len().min(MOST_TOLD)].join(" ");
    let more = match faces.len() - faces.len().min(MOST_TOLD) {
        0 => String::new(),
        n => format!(" and {n} more, which have no view in the table"),
    };
    (!faces.is_empty()).then(|| format!("{what}: {told}{more}"))
}

fn facts(nominal: &Nominal) -> Vec<(String, String)> {
    let size = nominal.mesh().bounds().size();
    let area: f64 = nominal.faces().iter().map(|f| f.area_mm2).sum();
    [
        ("Faces", nominal.faces().len().to_string()),
        ("Triangles", nominal.mesh().triangles().len().to_string()),
        ("Size", format!("{:.3} x {:.3} x {:.3} mm", size.x, size.y, size.z)),
        ("Area", format!("{area:.1} mm2")),
        ("Surface", if nominal.closed() { "closed" } else { "open" }.to_owned()),
    ]
    .map(|(name, value)| (name.to_owned(), value))
    .into()
}

fn row(nominal: &Nominal, index: usize, parts: &[NominalPart], view: Option<usize>) -> Row {
    let face = &nominal.faces()[index];
    let part = face.key.and_then(|key| parts.iter().find(|p| p.holds(key)));
    let print = Fingerprint::of(nominal, index as u32);
    Row {
        face: index,
        number: face_name(index, face),
        label: face.label.clone(),
        surface: print.kind.word(),
        size: face_size(&print),
        area: format!("{:.2}", print.area_mm2),
        centroid: [print.centroid.x, print.centroid.y, print.centroid.z].map(hundredths),
        exact: face_exactness(face),
        part: part.map_or_else(String::new, part_name),
        seen: view.map_or_else(String::new, |v| v.to_string()),
    }
}

/// Hundredths of a millimetre, and no minus before a zero.
fn hundredths(x: f64) -> String {
    let text = format!("{x:.2}");
    if text == "-0.00" { "0.00".to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::super::face_views::tests::block;
    use super::*;
    use scantling_core::nominal::NominalFile;
    use scantling_core::run::quiet;

    #[test]
    fn every_face_of_a_block_is_numbered_once_and_listed() {
        let page = faces_page(&block(), &[], "<block>").unwrap();
        assert!(page.contains("&#60;block&#62;") && !page.contains("<block>"));
        for face in 0..6 {
            assert_eq!(page.matches(&format!("id=\"face-{face}\"")).count(), 1, "{face}");
            assert_eq!(page.matches(&format!("href=\"#face-{face}\"")).count(), 1, "{face}");
        }
        assert!(page.contains("1200.00") && page.contains("40.000 x 30.000 x 20.000 mm"));
        assert!(!page.contains("http://") && !page.contains("<script"));
        assert_eq!(page, faces_page(&block(), &[], "<block>").unwrap());
    }

    /// A plate of 200 x 120 x 2 mm, as STEP files of sheet parts are like: 40 square holes of 2 mm through it.
    fn plate() -> Nominal {
        let (nx, ny) = (10, 4);
        // Lines of a grid: each hole between two of them.
        let lines = |n: usize, size: f64| -> Vec<f64> {
            let middle = |i: usize| size * (i as f64 + 0.5) / n as f64;
            let holes = (0..n).flat_map(|i| [middle(i) - 1.0, middle(i) + 1.0]);
            std::iter::once(0.0).chain(holes).chain([size]).collect()
        };
        let (xs, ys) = (lines(nx, 200.0), lines(ny, 120.0));
        let mut obj = String::new();
        for z in [0.0, 2.0] {
            for y in &ys {
                for x in &xs {
                    obj.push_str(&format!("v {x} {y} {z}\n"));
                }
            }
        }
        let at = |i: usize, j: usize, k: usize| (k * ys.len() + j) * xs.len() + i + 1;
        let mut quad = |q: [usize; 4]| obj.push_str(&format!("f {} {} {} {}\n", q[0], q[1], q[2], q[3]));
        let (cx, cy) = (xs.len() - 1, ys.len() - 1);
        let full = |i: isize, j: isize| {
            let inside = (0..cx as isize).contains(&i) && (0..cy as isize).contains(&j);
            inside && !(i % 2 == 1 && j % 2 == 1)
        };
        for j in 0..cy {
            for i in 0..cx {
                let (a, b) = (i as isize, j as isize);
                if !full(a, b) {
                    continue;
                }
                quad([at(i, j, 1), at(i + 1, j, 1), at(i + 1, j + 1, 1), at(i, j + 1, 1)]);
                quad([at(i, j, 0), at(i, j + 1, 0), at(i + 1, j + 1, 0), at(i + 1, j, 0)]);
                if !full(a - 1, b) {
                    quad([at(i, j, 0), at(i, j, 1), at(i, j + 1, 1), at(i, j + 1, 0)]);
                }
                if !full(a + 1, b) {
                    quad([at(i + 1, j, 0), at(i + 1, j + 1, 0), at(i + 1, j + 1, 1), at(i + 1, j, 1)]);
                }
                if !full(a, b - 1) {
                    quad([at(i, j, 0), at(i + 1, j, 0), at(i + 1, j, 1), at(i, j, 1)]);
                }
                if !full(a, b + 1) {
                    quad([at(i, j + 1, 0), at(i, j + 1, 1), at(i + 1, j + 1, 1), at(i + 1, j + 1, 0)]);
                }
            }
        }
        let unit = Some(scantling_core::scan::LengthUnit::Millimetre);
        scantling_core::nominal::read(
            obj.as_bytes(),
            &NominalFile { unit, ..NominalFile::default() },
            &quiet(),
        )
        .unwrap()
    }

    /// The numbers of attributes of one kind in a piece of the page.
    fn numbers(piece: &str, name: &str) -> Vec<f64> {
        let key = format!(" {name}=\"");
        piece.split(&key).skip(1).map(|rest| rest.split('"').next().unwrap().parse().unwrap()).collect()
    }

    #[test]
    fn every_face_of_a_plate_with_many_small_holes_has_its_number_in_a_picture_and_none_on_another() {
        let plate = plate();
        assert!(plate.closed());
        let faces = plate.faces().len();
        assert_eq!(faces, 6 + 40 * 4);
        let page = faces_page(&plate, &[], "plate").unwrap();
        let mut told: Vec<String> = Vec::new();
        for picture in page.split("<svg").skip(1).map(|p| p.split("</svg>").next().unwrap()) {
            let texts: Vec<&str> = picture.split("</text>").filter_map(|t| t.rsplit('>').next()).collect();
            told.extend(texts[..texts.len() - 1].iter().map(|t| (*t).to_owned()));
            let rects: Vec<[f64; 4]> = picture
                .split("<rect")
                .skip(1)
                .map(|r| {
                    let r = r.split("/>").next().unwrap();
                    ["x", "y", "width", "height"].map(|name| numbers(r, name)[0])
                })
                .collect();
            assert_eq!(rects.len(), texts.len() - 1);
            let window: Vec<f64> = picture
                .split("viewBox=\"")
                .nth(1)
                .and_then(|w| w.split('"').next())
                .unwrap()
                .split(' ')
                .map(|n| n.parse().unwrap())
                .collect();
            for (i, a) in rects.iter().enumerate() {
                let inside = |k: usize| a[k] >= window[k] && a[k] + a[k + 2] <= window[k] + window[k + 2];
                assert!(inside(0) && inside(1), "{a:?} of {window:?}");
                for b in &rects[..i] {
                    let apart = |k: usize| a[k] + a[k + 2] < b[k] || b[k] + b[k + 2] < a[k];
                    assert!(apart(0) || apart(1), "{a:?} {b:?}");
                }
            }
        }
        told.sort_by_key(|t| t.parse::<usize>().unwrap());
        assert_eq!(told, (1..=faces).map(|n| n.to_string()).collect::<Vec<_>>());
        assert!(!page.contains("without a number") && !page.contains("without room"));
    }

    #[test]
    fn faces_that_no_view_shows_are_told_in_words() {
        // A block within a block's cavity: nothing of it, nor of the cavity, is seen.
        let cube = |low: f64, high: f64, first: usize, inward: bool| {
            let at = |i: usize, bit: usize| if i & bit == 0 { low } else { high };
            let mut obj: String =
                (0..8).map(|i| format!("v {} {} {}\n", at(i, 1), at(i, 2), at(i, 4))).collect();
            for mut f in [[1, 3, 4, 2], [5, 6, 8, 7], [1, 2, 6, 5], [3, 7, 8, 4], [1, 5, 7, 3], [2, 4, 8, 6]]
            {
                if inward {
                    f.reverse();
                }
                let f = f.map(|v| v + first);
                obj.push_str(&format!("f {} {} {} {}\n", f[0], f[1], f[2], f[3]));
            }
            obj
        };
        let obj = cube(0.0, 40.0, 0, false) + &cube(10.0, 30.0, 8, true);
        let unit = Some(scantling_core::scan::LengthUnit::Millimetre);
        let how = NominalFile { unit, ..NominalFile::default() };
        let hollow = scantling_core::nominal::read(obj.as_bytes(), &how, &quiet()).unwrap();
        assert_eq!(hollow.faces().len(), 12);
        let page = faces_page(&hollow, &[], "hollow").unwrap();
        let line = page.lines().find(|l| l.contains("Seen in none of the views")).expect("said");
        let named = line.split(": ").nth(1).unwrap().trim_end_matches(".</p>").split(' ').count();
        assert_eq!((named, page.matches("</text>").count()), (6, 6), "{line}");
    }
}
