//! From what each pixel shows to its colour: deviation, shade, limits as lines, the part's own form.

use super::palette::{self, Linear};
use super::raster::{Canvas, Hit, View};
use super::scale::Scale;
use scantling_core::geometry::{CornerNormals, Direction, TriangleMesh};

/// A part is shaded from this light up to full; less would turn the pale middle of the palette grey.
const LEAST_LIGHT: f64 = 0.72;
/// Where two neighbouring pixels' normals turn by more than about 30 degrees the part's own form shows a line.
pub(super) const FORM_COSINE: f64 = 0.87;
/// A step in depth of more than this share of the picture's width is a silhouette.
const STEP_SHARE: f64 = 0.006;
/// Width of a stripe of the hatch in pixels.
const STRIPE: usize = 5;

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

/// What is drawn.
pub(super) struct Shown<'a> {
    pub(super) mesh: &'a TriangleMesh,
    /// Of the mesh, with the form line's angle as crease.
    pub(super) normals: &'a CornerNormals,
    /// One value per vertex, mm.
    pub(super) deviation: &'a [Option<f32>],
}

/// The pixels as 8-bit red, green and blue, row by row from the top.
pub(super) fn paint(
    shown: &Shown,
    scale: &Scale,
    view: &View,
    canvas: &Canvas,
    hits: &[Option<Hit>],
) -> Vec<u8> {
    let Shown { mesh, normals, deviation } = shown;
    let triangles = mesh.triangles();
    let values: Vec<Option<f64>> = hits
        .iter()
        .map(|hit| hit.and_then(|h| deviation_at(triangles[h.triangle as usize], h.corners(), deviation)))
        .collect();
    let step_mm = STEP_SHARE * canvas.width as f64 / canvas.scale;
    // Light from the upper left before the part, so that slopes to both sides differ.
    let light = Direction::new(view.toward() + view.up() * 0.45 - view.right() * 0.35)
        .map_or(view.toward(), Direction::vector)
        .into();
    let toward = view.toward().into();
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
        let mut light_here = shade(normals, hit, light, toward);
        let crosses = |limit: f64| {
            next.into_iter().flatten().any(|j| {
                let same_surface = hits[j].is_some_and(|h| (h.near_mm - hit.near_mm).abs() < step_mm);
                same_surface
                    && matches!((values[i], values[j]), (Some(a), Some(b)) if (a > limit) != (b > limit))
            })
        };
        if scale.lines().iter().any(|&limit| crosses(limit)) {
            (colour, light_here) = (palette::LIMIT_LINE, 1.0);
        } else if next.into_iter().flatten().any(|j| form_line(normals, hit, hits[j].as_ref(), step_mm)) {
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

pub(super) fn shade(normals: &CornerNormals, hit: &Hit, light: [f64; 3], toward: [f64; 3]) -> f64 {
    let Some(n) = normals.at(hit.triangle, hit.corners()) else { return LEAST_LIGHT };
    let along = |d: [f64; 3]| n[0] * d[0] + n[1] * d[1] + n[2] * d[2];
    // The reverse of an open sheet is lit as its front would be.
    let lit = if along(toward) < 0.0 { -along(light) } else { along(light) };
    LEAST_LIGHT + (1.0 - LEAST_LIGHT) * lit.clamp(0.0, 1.0)
}

fn form_line(normals: &CornerNormals, here: &Hit, there: Option<&Hit>, step_mm: f64) -> bool {
    let Some(there) = there else { return true };
    if here.triangle == there.triangle {
        return false;
    }
    normals.cosine_between(here.triangle, there.triangle) < FORM_COSINE
        || (here.near_mm - there.near_mm).abs() > step_mm
}
