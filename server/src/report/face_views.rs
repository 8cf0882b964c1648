//! Views of a nominal in which each face has its own tint and its number.

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};

use base64::Engine as _;
use scantling_core::geometry::{CornerNormals, Direction, Vector};
use scantling_core::nominal::{Face, Nominal};

use super::ReportError;
use super::labels::{Ask, LETTER_WIDTH, Label, MOST, Rect, Sheet};
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
const WIDEST: usize = 1240;
const TALLEST: usize = 960;
/// Round the part, for numbers that stand beside it.
const MARGIN: usize = 104;
/// What is left of the margin where no number stands.
const BORDER: i32 = 20;

/// With so many pixels round its middle a face is seen well enough.
const ENOUGH: i32 = 30;

/// A view with more numbers than this is shown as wide as the page, with smaller ones.
const MANY: usize = 16;
/// Height of the numbers, pixels: shown at half its size, and as it is.
const LETTERS: usize = 24;
const LETTERS_OF_MANY: usize = 14;

/// The first of the views that are looked at only where a face is seen in none before.
const FURTHER: usize = 10;

/// Views: straight from the six sides and from four corners; steeper and from the other corners.
const VIEWS: [(&str, [f64; 3]); 18] = [
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
    ("above, a third corner", [0.7, 0.8, 0.6]),
    ("above, the fourth corner", [-0.8, -0.7, 0.6]),
    ("below, a third corner", [-0.7, 0.8, -0.6]),
    ("below, the fourth corner", [0.8, -0.7, -0.6]),
    ("far above, a corner", [0.25, -0.2, 1.0]),
    ("far above, the opposite corner", [-0.2, 0.25, 1.0]),
    ("far below, a corner", [0.2, 0.25, -1.0]),
    ("far below, the opposite corner", [-0.25, -0.2, -1.0]),
];

/// A face's number in a view, pixels.
pub(super) struct Number {
    pub(super) text: String,
    /// Of the anchor.
    pub(super) face: usize,
    pub(super) rect: Rect,
    pub(super) wide: i32,
    pub(super) tall: i32,
    pub(super) x: i32,
    pub(super) y: i32,
    /// As wide as it is set.
    pub(super) length: String,
    pub(super) beside: bool,
}

/// From a number to the face that it belongs to, pixels.
pub(super) struct Line {
    pub(super) from: [i32; 2],
    pub(super) to: [i32; 2],
}

pub(super) struct Shown {
    pub(super) title: String,
    /// Of the picture.
    pub(super) width: usize,
    pub(super) height: usize,
    /// What of it is shown: left, top, width, height.
    pub(super) window: [i32; 4],
    pub(super) many: bool,
    /// Of the numbers, pixels.
    pub(super) letters: usize,
    /// Widest that it is shown, pixels.
    pub(super) widest: i32,
    pub(super) png_base64: String,
    pub(super) lines: Vec<Line>,
    pub(super) numbers: Vec<Number>,
}

/// What a face is called: its number in the file, or its place in the list of those found on a mesh, from 1.
pub fn face_name(index: usize, face: &Face) -> String {
    face.key.map_or_else(|| (index + 1).to_string(), |k| k.to_string())
}

/// A view with its pixels, and what it is called.
pub(super) type Look = (Canvas, View, &'static str);

/// All views that may be shown.
pub(super) fn looks(nominal: &Nominal) -> Vec<Look> {
    let of = |(name, from): (&'static str, [f64; 3])| {
        let from = Vector::from(from);
        let up = if from.x == 0.0 && from.y == 0.0 { Direction::Y } else { Direction::Z };
        let view = View::new(Direction::new(from)?, up)?;
        Some((Canvas::fit(nominal.mesh(), view, WIDEST, TALLEST, MARGIN), view, name))
    };
    VIEWS.into_iter().filter_map(of).collect()
}

/// How well a face is seen in a view: pixels round its middle, the view, the middle.
pub(super) type Sight = (i32, usize, [usize; 2]);

/// Where each face is seen, the best first: the first view in which it has room enough, then where it has the most.
pub(super) fn sights(nominal: &Nominal, looks: &[Look]) -> BTreeMap<usize, Vec<Sight>> {
    let mut seen: BTreeMap<usize, Vec<Sight>> = BTreeMap::new();
    for (v, (canvas, ..)) in looks.iter().enumerate() {
        if v >= FURTHER && seen.len() == nominal.faces().len() {
            break;
        }
        let hits = rasterise(nominal.mesh(), canvas);
        for (face, room, at) in roomiest(&shown(nominal, &hits), canvas.width) {
            seen.entry(face).or_default().push((room, v, at));
        }
    }
    for sights in seen.values_mut() {
        // More than enough is no reason for another view; equal ones stay in their order.
        sights.sort_by_key(|(room, ..)| -(*room).min(ENOUGH));
    }
    seen
}

/// The views with their numbers, and in which of them, from 1, each face has its own.
pub(super) fn views(
    nominal: &Nominal,
    looks: &[Look],
    sights: &BTreeMap<usize, Vec<Sight>>,
) -> Result<(Vec<Shown>, BTreeMap<usize, usize>), ReportError> {
    struct Drawn {
        png_base64: String,
        letters: usize,
        labels: Vec<Label>,
    }
    let normals = CornerNormals::new(nominal.mesh(), FORM_COSINE);
    let tints = tints(nominal);
    let mut drawn: BTreeMap<usize, Drawn> = BTreeMap::new();
    // Each face asks in its best view, and where that has no room for it in the next. Views are drawn anew instead of kept: all
    // are hundreds of megabytes.
    let mut open: Vec<(usize, usize)> = sights.keys().map(|&face| (face, 0)).collect();
    while !open.is_empty() {
        let mut asks: BTreeMap<usize, Vec<Ask>> = BTreeMap::new();
        for (face, turn) in &open {
            let Some((_, v, [x, y])) = sights[face].get(*turn) else { continue };
            let text = face_name(*face, &nominal.faces()[*face]);
            asks.entry(*v).or_default().push(Ask { face: *face, text, at: [*x as i32, *y as i32] });
        }
        let mut back = BTreeSet::new();
        for (v, asks) in asks {
            if drawn.get(&v).is_some_and(|d| d.labels.len() >= MOST) {
                back.extend(asks.into_iter().map(|ask| ask.face));
                continue;
            }
            let (canvas, view, _) = &looks[v];
            let hits = rasterise(nominal.mesh(), canvas);
            let faces = shown(nominal, &hits);
            let of = match drawn.entry(v) {
                Entry::Occupied(held) => held.into_mut(),
                Entry::Vacant(free) => {
                    let pixels = paint(&normals, &tints, &hits, &faces, canvas, view);
                    free.insert(Drawn {
                        png_base64: base64::engine::general_purpose::STANDARD.encode(png(canvas, &pixels)?),
                        letters: if asks.len() > MANY { LETTERS_OF_MANY } else { LETTERS },
                        labels: Vec::new(),
                    })
                }
            };
            let without = Sheet::new(&faces, canvas.width).place(of.letters, asks, &mut of.labels);
            back.extend(without.into_iter().map(|ask| ask.face));
        }
        open.retain(|(face, _)| back.contains(face));
        for (_, turn) in &mut open {
            *turn += 1;
        }
    }
    let mut views = Vec::new();
    let mut shown_as = BTreeMap::new();
    for (v, Drawn { png_base64, letters, labels }) in drawn {
        if labels.is_empty() {
            continue;
        }
        let (canvas, _, name) = &looks[v];
        let number = views.len() + 1;
        shown_as.extend(labels.iter().map(|l| (l.ask.face, number)));
        let window = window(canvas, &labels);
        let many = letters == LETTERS_OF_MANY;
        views.push(Shown {
            title: format!("View {number}, from {name}"),
            width: canvas.width,
            height: canvas.height,
            window,
            many,
            letters,
            widest: if many { window[2] } else { window[2] / 2 },
            png_base64,
            lines: labels
                .iter()
                .filter(|l| l.beside)
                .map(|l| Line { from: l.centre(), to: l.ask.at })
                .collect(),
            numbers: labels.into_iter().map(|l| of_label(l, letters)).collect(),
        });
    }
    Ok((views, shown_as))
}

/// What of a picture is shown: the part with a border, and every number.
fn window(canvas: &Canvas, labels: &[Label]) -> [i32; 4] {
    let inset = MARGIN as i32 - BORDER;
    let (mut left, mut top) = (inset, inset);
    let (mut right, mut bottom) = (canvas.width as i32 - inset, canvas.height as i32 - inset);
    for Label { rect, .. } in labels {
        (left, top) = (left.min(rect.left - 2), top.min(rect.top - 2));
        (right, bottom) = (right.max(rect.right + 2), bottom.max(rect.bottom + 2));
    }
    [left, top, right - left, bottom - top]
}

fn of_label(label: Label, letters: usize) -> Number {
    let [x, y] = label.centre();
    let length = label.ask.text.chars().count() as f64 * LETTER_WIDTH * letters as f64;
    let Label { ask, rect, beside } = label;
    let (wide, tall) = (rect.right - rect.left, rect.bottom - rect.top);
    Number { text: ask.text, face: ask.face, rect, wide, tall, x, y, length: format!("{length:.1}"), beside }
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

/// The face that each pixel shows.
fn shown(nominal: &Nominal, hits: &[Option<Hit>]) -> Vec<Option<usize>> {
    let of = |hit: &Hit| nominal.face_of_triangle()[hit.triangle as usize] as usize;
    hits.iter().map(|hit| hit.as_ref().map(of)).collect()
}

fn paint(
    normals: &CornerNormals,
    tints: &[Linear],
    hits: &[Option<Hit>],
    faces: &[Option<usize>],
    canvas: &Canvas,
    view: &View,
) -> Vec<u8> {
    let light = Direction::new(view.toward() + view.up() * 0.45 - view.right() * 0.35)
        .map_or(view.toward(), Direction::vector)
        .into();
    let toward = view.toward().into();
    let mut pixels = Vec::with_capacity(hits.len() * 3);
    for (i, hit) in hits.iter().enumerate() {
        let (Some(face), Some(hit)) = (faces[i], hit) else {
            pixels.extend(palette::srgb(palette::PAPER, 1.0));
            continue;
        };
        let column = i % canvas.width;
        let next = [(column + 1 < canvas.width).then_some(i + 1), Some(i + canvas.width)];
        let border =
            next.into_iter().flatten().any(|j| faces.get(j).is_none_or(|other| *other != Some(face)));
        let colour = if border { palette::FORM_LINE } else { tints[face] };
        let lit = if border { 1.0 } else { shade(normals, hit, light, toward) };
        pixels.extend(palette::srgb(colour, lit));
    }
    pixels
}

/// For each face in a view the pixel furthest from its border, and how far, in pixels along rows and columns (Rosenfeld
/// and Pfaltz, "Sequential operations in digital picture processing", J. ACM 13(4), 1966: two sweeps).
fn roomiest(face: &[Option<usize>], width: usize) -> Vec<(usize, i32, [usize; 2])> {
    let height = face.len() / width.max(1);
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
pub(super) mod tests {
    use super::*;
    use scantling_core::geometry::Point;
    use scantling_core::nominal::NominalFile;
    use scantling_core::run::quiet;

    /// A block, 40 x 30 x 20 mm, by its eight corners, for the page's tests too.
    pub(in crate::report) fn block() -> Nominal {
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
        let found = roomiest(&shown(&block, &hits), canvas.width);
        let [(face, room, [_, y])] = found.as_slice() else { panic!("one face is seen from above") };
        assert!((block.faces()[*face].centroid.z - 20.0).abs() < 1e-9);
        // 30 mm of 40 fill the height; half of it to either side.
        let half = 0.5 * 30.0 * canvas.scale;
        assert!(
            (f64::from(*room) - half).abs() <= 1.0 && (*y as f64 - 0.5 * canvas.height as f64).abs() <= 1.0
        );
    }
}
