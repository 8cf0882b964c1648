//! The part shaded by deviation: two views, worst places marked, limits as lines.
//!
//! The raster holds no letters: markers and words are laid over it by the page, so that they print sharp
//! and can be read by programs.

use super::ReportError;
use super::marks::{Mark, PlacedMark, place_marks};
use super::paint::{FORM_COSINE, Shown, paint};
use super::raster::{Canvas, View, rasterise};
use super::scale::Scale;
use base64::Engine as _;
use scantling_core::geometry::{CornerNormals, Direction, TriangleMesh};

/// The most pixels of a picture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Size {
    /// Pixels across.
    pub(super) widest: usize,
    /// Pixels down.
    pub(super) tallest: usize,
}

/// Twice the size at which the page shows a picture, so that print stays sharp (about 200 per inch on A4).
pub(super) const PRINT: Size = Size { widest: 1480, tallest: 1100 };
const MARGIN: usize = 44;

/// One end of the little axes in the corner.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Axis {
    /// `x`, `y` or `z`.
    pub(super) name: &'static str,
    /// End, pixels from the triad's origin.
    pub(super) dx: f64,
    /// End, pixels down from the triad's origin.
    pub(super) dy: f64,
}

/// One view, ready for the page.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Picture {
    /// What it shows, in words.
    pub(super) title: String,
    /// Pixels across.
    pub(super) width: usize,
    /// Pixels down.
    pub(super) height: usize,
    /// Width in percent of the widest, so that words over all pictures have one size.
    pub(super) share: f64,
    /// The PNG as base64.
    pub png_base64: String,
    /// The marked places.
    pub(super) marks: Vec<PlacedMark>,
    /// The part's axes.
    pub(super) axes: Vec<Axis>,
}

/// The side with the most measured area, and the same from the corner. `deviation` has one value per vertex.
pub(super) fn pictures(
    mesh: &TriangleMesh,
    deviation: &[Option<f32>],
    scale: &Scale,
    marks: &[Mark],
    size: Size,
) -> Result<Vec<Picture>, ReportError> {
    let normals = CornerNormals::new(mesh, FORM_COSINE);
    let shown = Shown { mesh, normals: &normals, deviation };
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
        .map(|(title, view)| picture(&shown, scale, marks, size, title, view))
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
    shown: &Shown,
    scale: &Scale,
    marks: &[Mark],
    size: Size,
    title: String,
    view: View,
) -> Result<Picture, ReportError> {
    let canvas = Canvas::fit(shown.mesh, view, size.widest, size.tallest, MARGIN);
    let hits = rasterise(shown.mesh, &canvas);
    let pixels = paint(shown, scale, &view, &canvas, &hits);
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
        share: canvas.width as f64 * 100.0 / size.widest as f64,
        png_base64: base64::engine::general_purpose::STANDARD.encode(png(&canvas, &pixels)?),
        marks: place_marks(shown.mesh, marks, &canvas, &hits),
        axes,
    })
}

pub(super) fn png(canvas: &Canvas, pixels: &[u8]) -> Result<Vec<u8>, ReportError> {
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
    use scantling_core::geometry::Point;

    /// Enough to see the plate, quick without optimisation.
    const SMALL: Size = Size { widest: 480, tallest: 360 };

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
        let all = pictures(&mesh, &values, &scale(), &[], SMALL).unwrap();
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
        let a = pictures(&mesh, &values, &scale(), &[], SMALL).unwrap();
        assert_eq!(a, pictures(&mesh, &values, &scale(), &[], SMALL).unwrap());
        let (_, nan) = plate(|_, _| Some(f32::NAN));
        let (_, none) = plate(|_, _| None);
        let unseen = pictures(&mesh, &none, &scale(), &[], SMALL).unwrap();
        assert_eq!(pictures(&mesh, &nan, &scale(), &[], SMALL).unwrap()[0].png_base64, unseen[0].png_base64);
    }

    #[test]
    fn the_view_is_from_where_most_was_measured() {
        let (mesh, values) = plate(|_, _| Some(0.0));
        assert_eq!(
            pictures(&mesh.reversed(), &values, &scale(), &[], SMALL).unwrap()[0].title,
            "Seen from \u{2212}z"
        );
        let (_, none) = plate(|_, _| None);
        assert_eq!(pictures(&mesh, &none, &scale(), &[], SMALL).unwrap()[0].title, "Seen from +z");
    }

    #[test]
    fn a_limit_is_drawn_as_a_line_where_the_deviation_crosses_it() {
        let (mesh, values) = plate(|x, _| Some((x / 40.0) as f32));
        let p = &pictures(&mesh, &values, &scale(), &[], SMALL).unwrap()[0];
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
        let p = &pictures(&mesh, &values, &scale(), &marks, SMALL).unwrap()[0];
        assert_eq!(p.marks.len(), 2, "places that are no place or off the part are not drawn");
        assert!((p.marks[0].x - 44.0).abs() < 1.0 && (p.marks[0].y - 44.0).abs() < 1.0);
        assert!((p.marks[0].label_y - p.marks[1].label_y).abs() > 36.0);
        assert!(!p.marks[0].hidden);
    }

    #[test]
    fn a_place_behind_the_part_is_hidden() {
        let (mesh, values) = plate(|_, _| Some(0.0));
        let behind = Mark { number: "1".into(), at: Point::new(20.0, 10.0, -5.0) };
        assert!(pictures(&mesh, &values, &scale(), &[behind], SMALL).unwrap()[0].marks[0].hidden);
    }
}
