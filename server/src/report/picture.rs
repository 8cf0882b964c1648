//! The part shaded by deviation: two views, worst places marked, limits as lines.
//!
//! The raster holds no letters: markers and words are laid over it by the page, so that they print sharp
//! and can be read by programs.

use super::ReportError;
use super::palette::{self, Linear};
use super::raster::{Canvas, Hit, View, rasterise};
use super::scale::Scale;
use base64::Engine as _;
use scantling_core::geometry::{Direction, Point, TriangleMesh, Vector};

/// Twice the size at which the page shows a picture, so that print stays sharp (about 200 per inch on A4).
const WIDEST: usize = 1480;
const TALLEST: usize = 1100;
const MARGIN: usize = 44;
/// A part is shaded from this light up to full; less would turn the pale middle of the palette grey.
const LEAST_LIGHT: f64 = 0.72;
/// Where two neighbouring pixels' normals turn by more than about 30 degrees the part's own form shows a line.
const FORM_COSINE: f64 = 0.87;
/// A step in depth of more than this share of the picture's width is a silhouette.
const STEP_SHARE: f64 = 0.006;
/// Width of a stripe of the hatch in pixels.
const STRIPE: usize = 5;
/// A marked place this share of the part's diagonal behind the surface shown is hidden in the view.
const HIDDEN_SHARE: f64 = 0.01;

/// A place to be marked.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Number of the characteristic.
    pub number: String,
    /// The place on the part, mm.
    pub at: Point,
}

/// A marked place in one view, pixels.
#[derive(Clone, Debug, PartialEq)]
pub struct PlacedMark {
    /// Number of the characteristic.
    pub number: String,
    /// The place itself.
    pub x: f64,
    /// The place itself, from the top.
    pub y: f64,
    /// The middle of the label.
    pub label_x: f64,
    /// The middle of the label, from the top.
    pub label_y: f64,
    /// Half the label's width.
    pub half_width: f64,
    /// Whether other surface lies before it in this view.
    pub hidden: bool,
}

/// One end of the little axes in the corner.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// `x`, `y` or `z`.
    pub name: &'static str,
    /// End, pixels from the triad's origin.
    pub dx: f64,
    /// End, pixels down from the triad's origin.
    pub dy: f64,
}

/// One view, ready for the page.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// What it shows, in words.
    pub title: String,
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// The PNG as base64.
    pub png_base64: String,
    /// The marked places.
    pub marks: Vec<PlacedMark>,
    /// The part's axes.
    pub axes: Vec<Axis>,
}

/// The side with the most measured area, and the same from the corner. `deviation` has one value per vertex.
pub fn pictures(
    mesh: &TriangleMesh,
    deviation: &[Option<f32>],
    scale: &Scale,
    marks: &[Mark],
) -> Result<Vec<Picture>, ReportError> {
    let (name, from, up) = best_side(mesh, deviation);
    let right = up.vector().cross(&from.vector());
    // From the upper or lower right corner, about 40 degrees off the straight view: form shows, and the
    // measured side stays in sight. The lower one, since a part lies before its reader like that on a table.
    let oblique = from.vector() + right * 0.45 - up.vector() * 0.70;
    let straight = View::new(from, up);
    let tilted = Direction::new(oblique).and_then(|d| View::new(d, up));
    let titled = [(format!("Seen from {name}"), straight), (format!("Seen from {name}, obliquely"), tilted)];
    titled
        .into_iter()
        .filter_map(|(title, view)| view.map(|view| (title, view)))
        .map(|(title, view)| picture(mesh, deviation, scale, marks, title, view))
        .collect()
}

/// The side along an axis of the part from which most measured area is seen (front-facing area times its
/// measured share; overlaps are not taken off). With nothing measured, the side with most area.
fn best_side(mesh: &TriangleMesh, deviation: &[Option<f32>]) -> (&'static str, Direction, Direction) {
    let sides = [
        ("+z", Direction::Z, Direction::Y),
        ("\u{2212}z", Direction::Z.reversed(), Direction::Y),
        ("+x", Direction::X, Direction::Z),
        ("\u{2212}x", Direction::X.reversed(), Direction::Z),
        ("+y", Direction::Y, Direction::Z),
        ("\u{2212}y", Direction::Y.reversed(), Direction::Z),
    ];
    let mut measured = [0.0; 6];
    let mut all = [0.0; 6];
    for (index, corners) in mesh.triangles().iter().enumerate() {
        let area = mesh.area_vector(index as u32) * 0.5;
        let seen = corners.iter().filter(|&&v| deviation[v as usize].is_some()).count() as f64 / 3.0;
        for (side, (_, from, _)) in sides.iter().enumerate() {
            let facing = area.dot(&from.vector()).max(0.0);
            all[side] += facing;
            measured[side] += facing * seen;
        }
    }
    let areas = if measured.iter().any(|&a| a > 0.0) { measured } else { all };
    let mut best = 0;
    for side in 1..sides.len() {
        // A later side must be clearly larger: a plate is seen from +z and not from where rounding says.
        if areas[side] > areas[best] * 1.001 {
            best = side;
        }
    }
    sides[best]
}

fn picture(
    mesh: &TriangleMesh,
    deviation: &[Option<f32>],
    scale: &Scale,
    marks: &[Mark],
    title: String,
    view: View,
) -> Result<Picture, ReportError> {
    let canvas = Canvas::fit(mesh, view, WIDEST, TALLEST, MARGIN);
    let hits = rasterise(mesh, &canvas);
    let pixels = paint(mesh, deviation, scale, &view, &canvas, &hits);
    let axes = ["x", "y", "z"]
        .into_iter()
        .enumerate()
        .map(|(i, name)| (name, view.axis(i)))
        // An axis that points at the reader has no length to draw.
        .filter(|(_, a)| a[0] * a[0] + a[1] * a[1] > 0.02)
        .map(|(name, a)| Axis { name, dx: a[0] * 60.0, dy: -a[1] * 60.0 })
        .collect();
    Ok(Picture {
        title,
        width: canvas.width,
        height: canvas.height,
        png_base64: base64::engine::general_purpose::STANDARD.encode(png(&canvas, &pixels)?),
        marks: place_marks(mesh, marks, &canvas, &hits),
        axes,
    })
}

/// The deviation at a pixel, interpolated between the corners that were measured; `None` where the nearest
/// corner was not: unseen surface is never painted with a value from further away than half a triangle.
fn deviation_at(corners: [u32; 3], weights: [f64; 3], deviation: &[Option<f32>]) -> Option<f64> {
    let values = corners.map(|v| deviation[v as usize].filter(|d| d.is_finite()).map(f64::from));
    let mut nearest = 0;
    for i in 1..3 {
        if weights[i] > weights[nearest] {
            nearest = i;
        }
    }
    values[nearest]?;
    let (mut sum, mut weight) = (0.0, 0.0);
    for (value, w) in values.into_iter().zip(weights) {
        if let Some(value) = value {
            sum += value * w;
            weight += w;
        }
    }
    (weight > 0.0).then(|| sum / weight)
}

fn paint(
    mesh: &TriangleMesh,
    deviation: &[Option<f32>],
    scale: &Scale,
    view: &View,
    canvas: &Canvas,
    hits: &[Option<Hit>],
) -> Vec<u8> {
    let triangles = mesh.triangles();
    let values: Vec<Option<f64>> = hits
        .iter()
        .map(|hit| hit.and_then(|h| deviation_at(triangles[h.triangle as usize], h.corners(), deviation)))
        .collect();
    let normals = smooth_normals(mesh);
    let step_mm = STEP_SHARE * canvas.width as f64 / canvas.scale;
    // Light from the upper left before the part, so that slopes to both sides differ.
    let light = Direction::new(view.toward() + view.up() * 0.45 - view.right() * 0.35)
        .map_or(view.toward(), Direction::vector);
    let mut pixels = Vec::with_capacity(hits.len() * 3);
    for (i, hit) in hits.iter().enumerate() {
        let (row, column) = (i / canvas.width, i % canvas.width);
        let Some(hit) = hit else {
            pixels.extend(palette::srgb(palette::PAPER, 1.0));
            continue;
        };
        // The pixels to the right and below; lines are one pixel wide on each side.
        let next = [
            (column + 1 < canvas.width).then_some(i + 1),
            (row + 1 < canvas.height).then(|| i + canvas.width),
        ];
        let mut colour = match values[i] {
            Some(value) => palette::colour(scale.share(value)),
            None => None,
        }
        .unwrap_or(hatch(row, column));
        let mut light_here = shade(&normals[hit.triangle as usize], hit, &light, view);
        let crosses = |limit: f64| {
            next.into_iter().flatten().any(|j| {
                let same_surface = hits[j].is_some_and(|h| (h.near_mm - hit.near_mm).abs() < step_mm);
                same_surface
                    && matches!((values[i], values[j]), (Some(a), Some(b)) if (a > limit) != (b > limit))
            })
        };
        if scale.lines().iter().any(|&limit| crosses(limit)) {
            (colour, light_here) = (palette::LIMIT_LINE, 1.0);
        } else if next.into_iter().flatten().any(|j| form_line(mesh, hit, hits[j].as_ref(), step_mm)) {
            colour = mix(colour, palette::FORM_LINE, 0.75);
        }
        pixels.extend(palette::srgb(colour, light_here));
    }
    pixels
}

fn hatch(row: usize, column: usize) -> Linear {
    palette::HATCH[((row + column) / STRIPE) % palette::HATCH.len()]
}

fn mix(a: Linear, b: Linear, share: f64) -> Linear {
    std::array::from_fn(|i| a[i] + (b[i] - a[i]) * share)
}

fn shade(normals: &[Vector; 3], hit: &Hit, light: &Vector, view: &View) -> f64 {
    let w = hit.corners();
    let n = normals[0] * w[0] + normals[1] * w[1] + normals[2] * w[2];
    let Some(n) = Direction::new(n) else { return LEAST_LIGHT };
    // The reverse of an open sheet is lit as its front would be.
    let n = if n.vector().dot(&view.toward()) < 0.0 { -n.vector() } else { n.vector() };
    LEAST_LIGHT + (1.0 - LEAST_LIGHT) * n.dot(light).clamp(0.0, 1.0)
}

fn form_line(mesh: &TriangleMesh, here: &Hit, there: Option<&Hit>, step_mm: f64) -> bool {
    let Some(there) = there else { return true };
    if here.triangle == there.triangle {
        return false;
    }
    let (a, b) = (mesh.area_vector(here.triangle), mesh.area_vector(there.triangle));
    let turned = a.dot(&b) < FORM_COSINE * a.norm() * b.norm();
    turned || (here.near_mm - there.near_mm).abs() > step_mm
}

/// Per triangle and corner the mean of the area vectors round the corner that turn by less than the form
/// line's angle, so that curved skins shade smoothly and edges stay sharp. Common practice, no source.
fn smooth_normals(mesh: &TriangleMesh) -> Vec<[Vector; 3]> {
    let areas: Vec<Vector> = (0..mesh.triangles().len()).map(|t| mesh.area_vector(t as u32)).collect();
    let mut first = vec![0usize; mesh.vertices().len() + 1];
    for t in mesh.triangles() {
        for &v in t {
            first[v as usize + 1] += 1;
        }
    }
    for v in 1..first.len() {
        first[v] += first[v - 1];
    }
    let mut next = first.clone();
    let mut round = vec![0u32; 3 * areas.len()];
    for (index, t) in mesh.triangles().iter().enumerate() {
        for &v in t {
            round[next[v as usize]] = index as u32;
            next[v as usize] += 1;
        }
    }
    // A vertex of very many triangles (the middle of a fan) would cost their square: there this many do.
    const MOST: usize = 64;
    let mean = |own: &Vector, v: u32| {
        let around = &round[first[v as usize]..first[v as usize + 1]];
        let mut sum = Vector::zeros();
        for &other in around.iter().take(MOST) {
            let other = &areas[other as usize];
            if own.dot(other) > FORM_COSINE * own.norm() * other.norm() {
                sum += other;
            }
        }
        Direction::new(sum).or(Direction::new(*own)).map_or(Vector::zeros(), Direction::vector)
    };
    mesh.triangles().iter().zip(&areas).map(|(t, own)| t.map(|v| mean(own, v))).collect()
}

/// Labels keep out of each other's way by moving down, and stay on the picture.
fn place_marks(
    mesh: &TriangleMesh,
    marks: &[Mark],
    canvas: &Canvas,
    hits: &[Option<Hit>],
) -> Vec<PlacedMark> {
    let hidden_mm = HIDDEN_SHARE * mesh.bounds().diagonal();
    let (width, height) = (canvas.width as f64, canvas.height as f64);
    let mut placed: Vec<PlacedMark> = Vec::new();
    for mark in marks.iter().filter(|m| m.at.iter().all(|c| c.is_finite())) {
        let [x, y, near] = canvas.place(&mark.at);
        if !(x >= 0.0 && x < width && y >= 0.0 && y < height) {
            continue;
        }
        let hidden =
            hits[y as usize * canvas.width + x as usize].is_some_and(|h| h.near_mm > near + hidden_mm);
        let half_width = 9.0 + 8.5 * mark.number.chars().count().min(12) as f64;
        let right = if x < width * 0.5 { 1.0 } else { -1.0 };
        let label_x = (x + right * (34.0 + half_width))
            .clamp(half_width + 2.0, (width - half_width - 2.0).max(half_width));
        let wanted = (y - 34.0).clamp(20.0, (height - 20.0).max(20.0));
        let clear = |at: f64, placed: &[PlacedMark]| {
            placed.iter().all(|p| {
                (p.label_x - label_x).abs() > p.half_width + half_width + 4.0 || (p.label_y - at).abs() > 38.0
            })
        };
        // Nearest free place below or above in steps of half a label; where there is none they overlap.
        let label_y = (0..60)
            .flat_map(|k| [wanted + 20.0 * f64::from(k), wanted - 20.0 * f64::from(k)])
            .find(|&at| at >= 20.0 && at <= height - 20.0 && clear(at, &placed))
            .unwrap_or(wanted);
        placed.push(PlacedMark { number: mark.number.clone(), x, y, label_x, label_y, half_width, hidden });
    }
    placed
}

fn png(canvas: &Canvas, pixels: &[u8]) -> Result<Vec<u8>, ReportError> {
    let size = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, size(canvas.width), size(canvas.height));
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(pixels)?;
    writer.finish()?;
    Ok(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A plate of 40 x 20 mm, 1 mm cells, seen from above; the left half measured.
    fn plate(deviation: impl Fn(f64, f64) -> Option<f32>) -> (TriangleMesh, Vec<Option<f32>>) {
        let mut points = Vec::new();
        let mut values = Vec::new();
        for j in 0..=20 {
            for i in 0..=40 {
                points.push(Point::new(f64::from(i), f64::from(j), 0.0));
                values.push(deviation(f64::from(i), f64::from(j)));
            }
        }
        let mut triangles = Vec::new();
        for j in 0..20u32 {
            for i in 0..40u32 {
                let a = j * 41 + i;
                triangles.push([a, a + 1, a + 42]);
                triangles.push([a, a + 42, a + 41]);
            }
        }
        (TriangleMesh::new(points, triangles).unwrap(), values)
    }

    /// The picture's pixels, by column and row.
    fn pixels(picture: &Picture) -> impl Fn(f64, f64) -> [u8; 3] {
        let bytes = base64::engine::general_purpose::STANDARD.decode(&picture.png_base64).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut buffer = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut buffer).unwrap();
        let width = picture.width;
        move |x, y| {
            let i = 3 * (y as usize * width + x as usize);
            [buffer[i], buffer[i + 1], buffer[i + 2]]
        }
    }

    fn scale() -> Scale {
        Scale::new(-0.4, 0.4)
    }

    #[test]
    fn unseen_is_grey_inside_is_blue_outside_is_orange() {
        let (mesh, values) = plate(|x, _| match x {
            x if x < 10.0 => Some(-0.5),
            x if x < 20.0 => Some(0.5),
            x if x < 30.0 => Some(0.0),
            _ => None,
        });
        let all = pictures(&mesh, &values, &scale(), &[]).unwrap();
        assert_eq!(all.len(), 2);
        let p = &all[0];
        assert_eq!(p.title, "Seen from +z");
        let pixel = pixels(p);
        let at = |x: f64| pixel(44.0 + (p.width as f64 - 88.0) * x / 40.0, p.height as f64 / 2.0);
        let [r, _, b] = at(5.0);
        assert!(b > r + 60, "inside is blue: {:?}", at(5.0));
        let [r, _, b] = at(15.0);
        assert!(r > b + 60, "outside is orange: {:?}", at(15.0));
        let [r, g, b] = at(25.0);
        assert!(r > 200 && r.abs_diff(g) < 4 && r.abs_diff(b) < 4, "none is pale: {:?}", at(25.0));
        let [r, g, b] = at(35.0);
        assert!(r < 180 && r == g && g == b, "unseen is grey: {:?}", at(35.0));
    }

    #[test]
    fn the_same_input_gives_the_same_bytes_and_nan_counts_as_unseen() {
        let (mesh, values) = plate(|x, y| Some((x * 0.01 - y * 0.02) as f32));
        let a = pictures(&mesh, &values, &scale(), &[]).unwrap();
        assert_eq!(a, pictures(&mesh, &values, &scale(), &[]).unwrap());
        let (_, nan) = plate(|_, _| Some(f32::NAN));
        let (_, none) = plate(|_, _| None);
        let unseen = pictures(&mesh, &none, &scale(), &[]).unwrap();
        assert_eq!(pictures(&mesh, &nan, &scale(), &[]).unwrap()[0].png_base64, unseen[0].png_base64);
    }

    #[test]
    fn the_view_is_from_where_most_was_measured() {
        let (mesh, values) = plate(|_, _| Some(0.0));
        assert_eq!(
            pictures(&mesh.reversed(), &values, &scale(), &[]).unwrap()[0].title,
            "Seen from \u{2212}z"
        );
        let (_, none) = plate(|_, _| None);
        assert_eq!(pictures(&mesh, &none, &scale(), &[]).unwrap()[0].title, "Seen from +z");
    }

    #[test]
    fn a_limit_is_drawn_as_a_line_where_the_deviation_crosses_it() {
        let (mesh, values) = plate(|x, _| Some((x / 40.0) as f32));
        let p = &pictures(&mesh, &values, &scale(), &[]).unwrap()[0];
        let mm = (p.width as f64 - 88.0) / 40.0;
        let pixel = pixels(p);
        let dark = (0..p.width).filter(|&x| pixel(x as f64, p.height as f64 / 2.0) == [0, 0, 0]);
        let dark: Vec<f64> = dark.map(|x| (x as f64 - 44.0) / mm).collect();
        assert!(!dark.is_empty() && dark.iter().all(|x| (x - 16.0).abs() < 0.1), "{dark:?}");
    }

    #[test]
    fn marks_lie_where_the_place_is_and_labels_keep_apart() {
        let (mesh, values) = plate(|_, _| Some(0.0));
        let mark = |number: &str, x: f64, y: f64| Mark { number: number.into(), at: Point::new(x, y, 0.0) };
        let marks =
            [mark("1", 0.0, 20.0), mark("2.10", 0.5, 19.5), mark("3", f64::NAN, 0.0), mark("4", 900.0, 0.0)];
        let p = &pictures(&mesh, &values, &scale(), &marks).unwrap()[0];
        assert_eq!(p.marks.len(), 2, "places that are no place or off the part are not drawn");
        assert!((p.marks[0].x - 44.0).abs() < 1.0 && (p.marks[0].y - 44.0).abs() < 1.0);
        assert!((p.marks[0].label_y - p.marks[1].label_y).abs() > 36.0);
        assert!(!p.marks[0].hidden);
    }

    #[test]
    fn a_place_behind_the_part_is_hidden() {
        let (mesh, values) = plate(|_, _| Some(0.0));
        let behind = Mark { number: "1".into(), at: Point::new(20.0, 10.0, -5.0) };
        assert!(pictures(&mesh, &values, &scale(), &[behind]).unwrap()[0].marks[0].hidden);
    }
}
