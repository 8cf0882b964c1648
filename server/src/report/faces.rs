//! The numbered faces of a nominal: one HTML page with views in which each face has its own tint and its number, and the
//! table that goes with them.

use std::collections::BTreeMap;

use askama::Template;
use base64::Engine as _;
use scantling_core::geometry::{CornerNormals, Direction, Vector};
use scantling_core::nominal::{Exactness, Face, Fingerprint, Nominal};

use super::ReportError;
use super::paint::{FORM_COSINE, shade};
use super::palette::{self, Linear};
use super::picture::png;
use super::raster::{Canvas, Hit, View, rasterise};

/// Tints that differ in lightness as well, so that they are told apart in grey print; faces that touch get different
/// ones as far as there are. None is a colour of the deviation scale's ends.
const TINTS: [[f64; 3]; 6] = [
    [0.93, 0.00, 0.02],
    [0.80, -0.05, 0.03],
    [0.87, 0.03, 0.05],
    [0.74, 0.00, 0.00],
    [0.83, -0.01, -0.03],
    [0.69, 0.02, 0.03],
];

/// Pixels of a view.
const WIDEST: usize = 1100;
const TALLEST: usize = 820;
const MARGIN: usize = 24;

/// A number needs so many pixels of its face on every side, half of its own height; in smaller ones it stands beside none.
const ROOM: i32 = 7;

/// With so many pixels round its number a face is seen well enough.
const ENOUGH: i32 = 30;

/// Views: straight from the six sides and from four corners.
const VIEWS: [(&str, [f64; 3]); 10] = [
    ("+z", [0.0, 0.0, 1.0]),
    ("\u{2212}z", [0.0, 0.0, -1.0]),
    ("above, a corner", [0.6, -0.8, 0.7]),
    ("above, the opposite corner", [-0.7, 0.6, 0.7]),
    ("below, a corner", [0.7, 0.6, -0.8]),
    ("below, the opposite corner", [-0.6, -0.8, -0.7]),
    ("+x", [1.0, 0.0, 0.0]),
    ("\u{2212}x", [-1.0, 0.0, 0.0]),
    ("+y", [0.0, 1.0, 0.0]),
    ("\u{2212}y", [0.0, -1.0, 0.0]),
];

/// A face's number in a view.
struct Number {
    text: String,
    /// Of the anchor.
    face: usize,
    x: f64,
    y: f64,
}

struct Shown {
    title: String,
    width: usize,
    height: usize,
    /// Of the numbers, pixels: of one size in views that are shown equally wide.
    letters: usize,
    png_base64: String,
    numbers: Vec<Number>,
}

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
    /// Where its number stands; empty where no view has room for it.
    seen: String,
}

#[derive(Template)]
#[template(path = "faces.html")]
struct Page<'a> {
    title: &'a str,
    facts: Vec<(String, String)>,
    views: Vec<Shown>,
    rows: Vec<Row>,
    missing: &'a [(u64, String)],
    notes: &'a [String],
}

/// What a face is called: its number in the file, or its place in the list of those found on a mesh, from 1.
pub fn face_name(index: usize, face: &Face) -> String {
    face.key.map_or_else(|| (index + 1).to_string(), |k| k.to_string())
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

/// The page of a nominal's faces. `title` is what it is called, such as its file's name.
///
/// # Errors
/// Only what writing a picture could give.
pub fn faces_page(nominal: &Nominal, title: &str) -> Result<String, ReportError> {
    let mesh = nominal.mesh();
    let normals = CornerNormals::new(mesh, FORM_COSINE);
    let tints = tints(nominal);
    let looks: Vec<(Canvas, View, &str)> = VIEWS
        .into_iter()
        .filter_map(|(name, from)| {
            let from = Vector::from(from);
            let up = if from.x == 0.0 && from.y == 0.0 { Direction::Y } else { Direction::Z };
            let view = View::new(Direction::new(from)?, up)?;
            Some((Canvas::fit(mesh, view, WIDEST, TALLEST, MARGIN), view, name))
        })
        .collect();
    // Each face is numbered once: in the first view in which it has room enough, or where it has the most. Views are drawn
    // twice instead of kept: ten of them are hundreds of megabytes.
    let mut best: BTreeMap<usize, (i32, usize, [usize; 2])> = BTreeMap::new();
    for (v, (canvas, ..)) in looks.iter().enumerate() {
        for (face, room, at) in roomiest(nominal, &rasterise(mesh, canvas), canvas) {
            let held = best.entry(face).or_insert((0, v, at));
            // More than enough is no reason for another view.
            if room.min(ENOUGH) > held.0.min(ENOUGH) {
                *held = (room, v, at);
            }
        }
    }
    best.retain(|_, (room, ..)| *room >= ROOM);
    let mut views = Vec::new();
    let mut shown_as = BTreeMap::new();
    for (v, (canvas, view, name)) in looks.iter().enumerate() {
        let numbers: Vec<Number> = best
            .iter()
            .filter(|(_, (_, of, _))| *of == v)
            .map(|(&face, (_, _, [x, y]))| Number {
                text: face_name(face, &nominal.faces()[face]),
                face,
                x: *x as f64 + 0.5,
                y: *y as f64 + 0.5,
            })
            .collect();
        if numbers.is_empty() {
            continue;
        }
        for number in &numbers {
            shown_as.insert(number.face, views.len() + 1);
        }
        let pixels = paint(nominal, &normals, &tints, &rasterise(mesh, canvas), canvas, view);
        views.push(Shown {
            title: format!("View {}, from {name}", views.len() + 1),
            width: canvas.width,
            height: canvas.height,
            letters: (canvas.width / 40).max(8),
            png_base64: base64::engine::general_purpose::STANDARD.encode(png(canvas, &pixels)?),
            numbers,
        });
    }
    let rows = (0..nominal.faces().len()).map(|i| row(nominal, i, shown_as.get(&i).copied())).collect();
    Ok(Page { title, facts: facts(nominal), views, rows, missing: nominal.missing(), notes: nominal.notes() }
        .render()?)
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

fn row(nominal: &Nominal, index: usize, view: Option<usize>) -> Row {
    let face = &nominal.faces()[index];
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
        seen: view.map_or_else(String::new, |v| v.to_string()),
    }
}

/// Hundredths of a millimetre, and no minus before a zero.
fn hundredths(x: f64) -> String {
    let text = format!("{x:.2}");
    if text == "-0.00" { "0.00".to_owned() } else { text }
}

/// A tint for each face, other than those of its neighbours before it as far as there are enough: the first that is free,
/// in turn. Welsh and Powell, "An upper bound for the chromatic number of a graph", The Computer Journal 10(1), 1967, in
/// the order of the faces.
fn tints(nominal: &Nominal) -> Vec<Linear> {
    let mut chosen: Vec<usize> = Vec::with_capacity(nominal.faces().len());
    for (i, face) in nominal.faces().iter().enumerate() {
        let taken = |t: usize| face.neighbours.iter().any(|&n| (n as usize) < i && chosen[n as usize] == t);
        let free = (0..TINTS.len()).map(|k| (i + k) % TINTS.len()).find(|&t| !taken(t));
        chosen.push(free.unwrap_or(i % TINTS.len()));
    }
    chosen.into_iter().map(|t| palette::linear_from_lab(TINTS[t])).collect()
}

fn face_at(nominal: &Nominal, hit: Option<&Hit>) -> Option<usize> {
    Some(nominal.face_of_triangle()[hit?.triangle as usize] as usize)
}

fn paint(
    nominal: &Nominal,
    normals: &CornerNormals,
    tints: &[Linear],
    hits: &[Option<Hit>],
    canvas: &Canvas,
    view: &View,
) -> Vec<u8> {
    let light = Direction::new(view.toward() + view.up() * 0.45 - view.right() * 0.35)
        .map_or(view.toward(), Direction::vector)
        .into();
    let toward = view.toward().into();
    let mut pixels = Vec::with_capacity(hits.len() * 3);
    for (i, hit) in hits.iter().enumerate() {
        let Some(face) = face_at(nominal, hit.as_ref()) else {
            pixels.extend(palette::srgb(palette::PAPER, 1.0));
            continue;
        };
        let column = i % canvas.width;
        let next = [(column + 1 < canvas.width).then_some(i + 1), Some(i + canvas.width)];
        let border = next
            .into_iter()
            .flatten()
            .any(|j| hits.get(j).is_none_or(|other| face_at(nominal, other.as_ref()) != Some(face)));
        let hit = hit.as_ref().expect("a pixel with a face is hit");
        let colour = if border { palette::FORM_LINE } else { tints[face] };
        let lit = if border { 1.0 } else { shade(normals, hit, light, toward) };
        pixels.extend(palette::srgb(colour, lit));
    }
    pixels
}

/// For each face in a view the pixel furthest from its border, and how far, in pixels along rows and columns (Rosenfeld
/// and Pfaltz, "Sequential operations in digital picture processing", J. ACM 13(4), 1966: two sweeps).
fn roomiest(nominal: &Nominal, hits: &[Option<Hit>], canvas: &Canvas) -> Vec<(usize, i32, [usize; 2])> {
    let (width, height) = (canvas.width, canvas.height);
    let face: Vec<Option<usize>> = hits.iter().map(|h| face_at(nominal, h.as_ref())).collect();
    let mut room = vec![0i32; face.len()];
    let same = |i: usize, j: usize| face[i].is_some() && face[i] == face[j];
    for i in 0..face.len() {
        let (row, column) = (i / width, i % width);
        let of = |there: bool, j: usize, room: &[i32]| if there && same(i, j) { room[j] } else { 0 };
        let left = of(column > 0, i.wrapping_sub(1), &room);
        let above = of(row > 0, i.wrapping_sub(width), &room);
        room[i] = if face[i].is_some() { left.min(above) + 1 } else { 0 };
    }
    for i in (0..face.len()).rev() {
        let (row, column) = (i / width, i % width);
        let of = |there: bool, j: usize, room: &[i32]| if there && same(i, j) { room[j] } else { 0 };
        let right = of(column + 1 < width, i + 1, &room);
        let below = of(row + 1 < height, i + width, &room);
        room[i] = room[i].min(right.min(below) + 1);
    }
    let mut best: BTreeMap<usize, (i32, [usize; 2])> = BTreeMap::new();
    for (i, face) in face.iter().enumerate() {
        let Some(face) = face else { continue };
        let held = best.entry(*face).or_insert((0, [0, 0]));
        if room[i] > held.0 {
            *held = (room[i], [i % width, i / width]);
        }
    }
    best.into_iter().map(|(face, (room, at))| (face, room, at)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use scantling_core::geometry::Point;
    use scantling_core::nominal::NominalFile;
    use scantling_core::run::quiet;

    /// A block, 40 x 30 x 20 mm, by its eight corners.
    fn block() -> Nominal {
        let mut obj = String::new();
        for i in 0..8 {
            let p =
                Point::new(f64::from(i & 1) * 40.0, f64::from(i >> 1 & 1) * 30.0, f64::from(i >> 2) * 20.0);
            obj.push_str(&format!("v {} {} {}\n", p.x, p.y, p.z));
        }
        for f in [[1, 3, 4, 2], [5, 6, 8, 7], [1, 2, 6, 5], [3, 7, 8, 4], [1, 5, 7, 3], [2, 4, 8, 6]] {
            obj.push_str(&format!("f {} {} {} {}\n", f[0], f[1], f[2], f[3]));
        }
        let unit = Some(scantling_core::scan::LengthUnit::Millimetre);
        scantling_core::nominal::read(
            obj.as_bytes(),
            &NominalFile { unit, ..NominalFile::default() },
            &quiet(),
        )
        .unwrap()
    }

    #[test]
    fn every_face_of_a_block_is_numbered_once_and_listed() {
        let page = faces_page(&block(), "<block>").unwrap();
        assert!(page.contains("&#60;block&#62;") && !page.contains("<block>"));
        for face in 0..6 {
            assert_eq!(page.matches(&format!("id=\"face-{face}\"")).count(), 1, "{face}");
            assert_eq!(page.matches(&format!("href=\"#face-{face}\"")).count(), 1, "{face}");
        }
        assert!(page.contains("1200.00") && page.contains("40.000 x 30.000 x 20.000 mm"));
        assert!(!page.contains("http://") && !page.contains("<script"));
        assert_eq!(page, faces_page(&block(), "<block>").unwrap());
    }

    #[test]
    fn neighbours_have_other_tints() {
        let block = block();
        let tints = tints(&block);
        for (i, face) in block.faces().iter().enumerate() {
            assert!(face.neighbours.iter().all(|&n| tints[n as usize] != tints[i]));
        }
    }

    #[test]
    fn a_number_stands_in_the_middle_of_its_face() {
        let block = block();
        let view = View::new(Direction::Z, Direction::Y).unwrap();
        let canvas = Canvas::fit(block.mesh(), view, 120, 100, 10);
        let hits = rasterise(block.mesh(), &canvas);
        let found = roomiest(&block, &hits, &canvas);
        let [(face, room, [_, y])] = found.as_slice() else { panic!("one face is seen from above") };
        assert!((block.faces()[*face].centroid.z - 20.0).abs() < 1e-9);
        // 30 mm of 40 fill the height; half of it to either side.
        let half = 0.5 * 30.0 * canvas.scale;
        assert!(
            (f64::from(*room) - half).abs() <= 1.0 && (*y as f64 - 0.5 * canvas.height as f64).abs() <= 1.0
        );
    }
}
