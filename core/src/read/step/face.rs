//! One face: its loops laid out, filled and refined, over the vertices that it shares and some of its own.

use super::chart::{Chart, sphere_axes};
use super::fault::FaceFault;
use super::lines::{EDGE_SHARE, FACE_SHARE, LARGEST_OFF_MM, Lines, allowed};
use super::loops::{Corner, Layout, LayoutFault, lay_out};
use super::surfaces::Surface;
use super::topology::{Face, only_seams, reverse};
use super::triangulate::{Limits, fill};
use super::whole::whole;
use crate::geometry::{Direction, Point};
use crate::run::Run;

/// What one face has of its own: vertices inside, triangles over boundary vertices and those.
#[derive(Clone)]
pub(super) struct Own {
    /// Vertices of the part, in their order.
    pub boundary: Vec<u32>,
    /// How far each of those lies off the surface, mm.
    pub gaps_mm: Vec<f64>,
    /// The surface's own normal at each of those; `None` where it has none.
    pub normals: Vec<Option<Direction>>,
    pub inner: Vec<Point>,
    pub triangles: Vec<[u32; 3]>,
}

impl Own {
    pub(super) fn gap_mm(&self) -> f64 {
        self.gaps_mm.iter().copied().fold(0.0, f64::max)
    }
}

/// Makes the triangles of a face, with no more than `corners` corners.
pub(super) fn make(
    lines: &Lines,
    face: &Face,
    surface: &Surface,
    chord_mm: f64,
    corners: usize,
    run: &Run,
) -> Result<Own, FaceFault> {
    run.check().map_err(|s| FaceFault::Fill(s.into()))?;
    if face.loops.is_empty() || only_seams(&face.loops) && matches!(surface, Surface::Sphere { .. }) {
        let (inner, triangles) = whole(surface, chord_mm, corners)?;
        let (boundary, gaps_mm, normals) = (Vec::new(), Vec::new(), Vec::new());
        return Ok(Own { boundary, gaps_mm, normals, inner, triangles: sided(face, triangles) });
    }
    // From here on loops have the face to their left as seen from the surface's own normal.
    let mut loops = Vec::new();
    for l in &face.loops {
        let mut steps = l.clone();
        if !face.same_sense {
            reverse(&mut steps);
        }
        loops.push(lines.along(&steps)?);
    }
    // Boundary vertices get numbers of their own, so that a face knows nothing of the others.
    let mut boundary: Vec<u32> = loops.iter().flatten().copied().collect();
    boundary.sort_unstable();
    boundary.dedup();
    let mut vertices: Vec<Point> = boundary.iter().map(|v| lines.vertices[*v as usize]).collect();
    for l in &mut loops {
        for v in l {
            // Each was put in just above.
            *v = boundary.partition_point(|b| b < v) as u32;
        }
    }
    let (chart, layout) = match surface {
        Surface::Sphere { axes, radius } => on_sphere(axes.origin, *radius, &loops, &vertices)?,
        _ => lay_out(surface, &loops, &vertices, EDGE_SHARE * chord_mm, run)?,
    };
    let gap_mm = layout.gaps_mm.iter().copied().fold(0.0, f64::max);
    if !(gap_mm <= LARGEST_OFF_MM) {
        return Err(FaceFault::OffSurface { gap_mm });
    }
    let begin = vertices.len();
    vertices.extend(&layout.added);
    let limits = Limits {
        chord_mm: allowed(chord_mm, FACE_SHARE, smallest_radius(surface)),
        whole_mm: chord_mm,
        corners,
    };
    let seeds = seeds(&chart);
    let filling = fill(&chart, &layout.polygons, &vertices, &layout.gaps_mm, &seeds, limits, run)
        .map_err(FaceFault::Fill)?;
    let mut inner = vertices.split_off(begin);
    inner.extend(filling.inner);
    let (gaps_mm, normals) = (layout.gaps_mm, layout.normals);
    Ok(Own { boundary, gaps_mm, normals, inner, triangles: sided(face, filling.triangles) })
}

/// Triangles counter-clockwise from outside the material.
fn sided(face: &Face, mut triangles: Vec<[u32; 3]>) -> Vec<[u32; 3]> {
    if face.same_sense == face.turned {
        triangles.iter_mut().for_each(|t| t.swap(1, 2));
    }
    triangles
}

/// Of surfaces that are round with one; else infinite.
pub(super) fn smallest_radius(surface: &Surface) -> f64 {
    match surface {
        Surface::Cylinder { radius, .. } | Surface::Sphere { radius, .. } => *radius,
        Surface::Torus { minor, .. } => *minor,
        _ => f64::INFINITY,
    }
}

fn on_sphere<'s>(
    centre: Point,
    radius: f64,
    loops: &[Vec<u32>],
    vertices: &[Point],
) -> Result<(Chart<'s>, Layout), FaceFault> {
    let places: Vec<Vec<Point>> =
        loops.iter().map(|l| l.iter().map(|v| vertices[*v as usize]).collect()).collect();
    let axes = sphere_axes(centre, radius, &places).ok_or(LayoutFault::NoPlace)?;
    let mut layout = Layout {
        gaps_mm: vertices.iter().map(|p| ((p - centre).norm() - radius).abs()).collect(),
        normals: vertices.iter().map(|p| Direction::new(p - centre)).collect(),
        ..Layout::default()
    };
    for l in loops {
        let mut polygon = Vec::new();
        for v in l {
            let p = &vertices[*v as usize];
            let flat = Chart::on_sphere(&axes, radius, p).ok_or(LayoutFault::NoPlace)?;
            polygon.push(Corner { flat, vertex: *v });
        }
        layout.polygons.push(polygon);
    }
    Ok((Chart::Stereographic { axes, radius }, layout))
}

/// Corners inside a freeform face to begin with, so that no wave between them is missed.
fn seeds(chart: &Chart) -> Vec<[f64; 2]> {
    let Chart::Parameters { surface, scale } = chart else { return Vec::new() };
    let Surface::Spline(spline) = surface else { return Vec::new() };
    let periods = surface.periods();
    let grid = |knots: &super::bspline::Knots, period: Option<f64>| {
        let breaks = knots.breaks();
        // Two in each piece of a curved direction, 60 at most.
        let each = if knots.degree < 2 { 1 } else { 2 };
        let pieces = (breaks.len() - 1) * each;
        let step = pieces.div_ceil(60);
        let mut at = Vec::new();
        for (i, w) in breaks.windows(2).enumerate() {
            for k in 0..each {
                if (i * each + k).is_multiple_of(step) {
                    at.push(w[0] + (w[1] - w[0]) * ((k as f64 + 0.5) / each as f64));
                }
            }
        }
        let turns = if period.is_some() { -1..=1 } else { 0..=0 };
        let period = period.unwrap_or(0.0);
        turns.flat_map(|t| at.iter().map(move |x| x + f64::from(t) * period)).collect::<Vec<f64>>()
    };
    let (us, vs) = (grid(&spline.surface.u, periods[0]), grid(&spline.surface.v, periods[1]));
    if us.len() * vs.len() <= 4 {
        return Vec::new();
    }
    us.iter().flat_map(|u| vs.iter().map(move |v| [u * scale[0], v * scale[1]])).collect()
}
