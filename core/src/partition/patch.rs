//! A small patch of the surface with the nominal's own shape taken out of it.
//!
//! A plane through the places themselves lies below the top of a curved face by a quarter of the patch's radius
//! squared over the radius of curvature: 0.2 mm for 5 mm on 30 mm. A plane through the deviations does not. The
//! mean of a disc of a parabola, by elementary integration; no source.

use crate::geometry::{Direction, Point};
use crate::nominal::Nominal;

use super::MeasuredPoint;

/// A patch as it would be on a flat nominal square to its direction.
#[derive(Clone, Debug, PartialEq)]
pub struct Flattened {
    /// The points, mm: moved along the direction by the height of the nominal over the target's own height.
    pub points: Vec<Point>,
    /// How much more than along the normal the points scatter along the direction: 1 where the surface is square
    /// to it, at most 2.
    pub steepness: f64,
    /// The nominal's normal at the target.
    pub normal: Direction,
}

/// Takes the nominal's shape out of a patch round `at`, told along `direction`. `points` lie on triangles that
/// face within 60 degrees of it. `None` when the line through `at` along the direction meets no such triangle
/// within `reach_mm`: then the nominal has no height there.
pub fn flattened(
    nominal: &Nominal,
    at: Point,
    direction: Direction,
    reach_mm: f64,
    points: &[MeasuredPoint],
) -> Option<Flattened> {
    let d = direction.vector();
    let mesh = nominal.mesh();
    let cosine = |t: u32| mesh.normal(t).map(|n| n.dot(direction)).filter(|c| *c > 0.5);
    let mut height: Option<(f64, Direction)> = None;
    for t in 0..mesh.triangles().len() as u32 {
        // Cheap first: most triangles are nowhere near.
        let corners = mesh.corners(t);
        let lateral = corners.map(|c| {
            let off = c - at;
            off - d * off.dot(&d)
        });
        let longest = (0..3).map(|k| (corners[(k + 1) % 3] - corners[k]).norm_squared()).fold(0.0, f64::max);
        if lateral[0].norm_squared() > longest * 1.000_001 {
            continue;
        }
        let Some(cosine) = cosine(t) else { continue };
        let turn = |k: usize| lateral[k].cross(&lateral[(k + 1) % 3]).dot(&d);
        let sides = [turn(0), turn(1), turn(2)];
        // On an edge or a corner both neighbours meet the line: either will do.
        let slack = 1e-9 * longest;
        if !(sides.iter().all(|s| *s >= -slack) || sides.iter().all(|s| *s <= slack)) {
            continue;
        }
        let n = mesh.normal(t)?;
        let h = (corners[0] - at).dot(&n.vector()) / cosine;
        if h.abs() <= reach_mm && height.is_none_or(|best| h.abs() < best.0.abs()) {
            height = Some((h, n));
        }
    }
    let (height, normal) = height?;
    let mut steepness: f64 = 1.0;
    let mut flat = Vec::with_capacity(points.len());
    for p in points {
        let cosine = cosine(p.triangle)?;
        steepness = steepness.max(1.0 / cosine);
        let off = p.point - at;
        flat.push(at + (off - d * off.dot(&d)) + d * (height + p.deviation_mm / cosine));
    }
    Some(Flattened { points: flat, steepness, normal })
}
