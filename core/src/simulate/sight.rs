//! Which places of a surface the views see, and in what order a scanner writes them.

use super::depth::Depth;
use crate::geometry::{Direction, Point, TriangleMesh, math};
use crate::run::{Run, Stopped};
use rayon::prelude::*;

/// A surface is seen up to this angle between its normal and the view: beyond it optical scanners drop out.
/// Common practice, no source.
const GRAZING_DEG: f64 = 70.0;
/// Pixels of the depth buffers, mm: shadows of a rim in a hole of 6 mm are true to a tenth.
const PIXEL_MM: f64 = 0.4;
/// Most pixels of one depth buffer: 64 MB.
const MOST_PIXELS: usize = 16_000_000;

/// A place that is seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sight {
    /// Index of the place.
    pub(super) place: u32,
    /// Index of the view that looks at it most squarely.
    pub(super) view: u32,
}

/// The places that are seen, each in the view that looks at it most squarely, by stripes to and fro. All
/// `meshes` hide what lies behind them, in one depth buffer a view.
pub(super) fn sights(
    run: &Run,
    views: &[Direction],
    spacing_mm: f64,
    meshes: &[TriangleMesh],
    surface: &[(Point, Direction)],
) -> Result<Vec<Sight>, Stopped> {
    let grazing = math::cos(GRAZING_DEG.to_radians());
    let mut best: Vec<(f32, u32)> = vec![(0.0, u32::MAX); surface.len()];
    let mut axes = Vec::new();
    for (v, &view) in views.iter().enumerate() {
        run.check()?;
        let depth = Depth::new(meshes, view, PIXEL_MM, MOST_PIXELS);
        best.par_iter_mut().zip(surface).for_each(|(best, (p, normal))| {
            let facing = normal.dot(view);
            if facing >= grazing && facing as f32 > best.0 && depth.sees(p) {
                *best = (facing as f32, v as u32);
            }
        });
        axes.push((depth.right, depth.up));
    }
    let mut keys: Vec<(u32, i64, f64, u32)> = Vec::new();
    for (i, ((p, _), &(_, view))) in surface.iter().zip(&best).enumerate() {
        if let Some((right, up)) = axes.get(view as usize) {
            let stripe = (p.coords.dot(up) / spacing_mm).floor() as i64;
            let along = p.coords.dot(right);
            keys.push((view, stripe, if stripe % 2 == 0 { along } else { -along }, i as u32));
        }
    }
    run.check()?;
    keys.par_sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2)).then(a.3.cmp(&b.3)));
    run.check()?;
    Ok(keys.into_iter().map(|k| Sight { place: k.3, view: k.0 }).collect())
}
