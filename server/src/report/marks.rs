//! Worst places on the picture, and labels that keep out of each other's way.

use super::raster::{Canvas, Hit};
use scantling_core::geometry::{Point, TriangleMesh};

/// A marked place this share of the part's diagonal behind the surface shown is hidden in the view.
const HIDDEN_SHARE: f64 = 0.01;

/// A place to be marked.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Mark {
    /// Number of the characteristic.
    pub(super) number: String,
    /// The place on the part, mm.
    pub(super) at: Point,
}

/// A marked place in one view, pixels.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PlacedMark {
    /// Number of the characteristic.
    pub(super) number: String,
    /// The place itself.
    pub(super) x: f64,
    /// The place itself, from the top.
    pub(super) y: f64,
    /// The middle of the label.
    pub(super) label_x: f64,
    /// The middle of the label, from the top.
    pub(super) label_y: f64,
    /// Half the label's width.
    pub(super) half_width: f64,
    /// Whether other surface lies before it in this view.
    pub(super) hidden: bool,
}

/// Labels keep out of each other's way by moving down, and stay on the picture.
pub(super) fn place_marks(
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
