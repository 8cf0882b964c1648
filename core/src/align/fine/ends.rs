//! Where faces end, and which points lie beyond.

use crate::geometry::{Foot, Point, Vector};
use crate::nominal::Nominal;

/// The cosine of 30 degrees: edges across which the surface turns by more end a face, and so do open borders.
const SHARP_COS: f64 = 0.866_025_403_784_438_6;

/// So far beyond an edge a point is not of its face: more than noise and rounding of the edge, mm.
const BEYOND_MM: f64 = 0.1;

/// What is so far off a face at its very end is of the thing beyond, mm: as the table under the edge of a flange, of
/// which the last points lie within [`BEYOND_MM`]. Further than noise and any rounding; and where a part itself
/// stands off so far, the width of a tenth of a millimetre along its edges hardly counts.
const STANDS_OFF_MM: f64 = 1.0;

/// A foot is on an edge or corner within this, mm.
const ON_MM: f64 = 1e-6;

/// More triangles than any sound mesh has about a vertex.
const MOST_ABOUT: usize = 1000;

/// Whether the nearest place of `p` lies on the end of a face and the point beyond it: it shows what comes after the
/// edge, such as the table that the part lies on, and not the face. `normal` is that of the foot's triangle.
pub(super) fn beyond(nominal: &Nominal, foot: &Foot, p: &Point, normal: &Vector) -> bool {
    let off = p - foot.point;
    let along = off.dot(normal);
    let aside = (off - normal * along).norm();
    let on_mm = if aside > BEYOND_MM {
        ON_MM
    } else if along.abs() > STANDS_OFF_MM {
        BEYOND_MM
    } else {
        return false;
    };
    let corners = nominal.mesh().corners(foot.triangle);
    let on = |k: usize| {
        let (a, b) = (corners[k], corners[(k + 1) % 3]);
        let along = b - a;
        (foot.point - a).cross(&along).norm() / along.norm().max(1e-12) < on_mm
    };
    let at = |k: usize| (foot.point - corners[k]).norm() < on_mm;
    (0..3).any(|k| on(k) && onward(nominal, foot.triangle, k).is_none())
        || (0..3).any(|k| at(k) && ends_at(nominal, foot.triangle, k))
}

/// The triangle across edge `k` where the surface goes on smoothly.
fn onward(nominal: &Nominal, triangle: u32, k: usize) -> Option<u32> {
    let next = nominal.across()[triangle as usize][k]?;
    let mesh = nominal.mesh();
    (mesh.normal(next)?.dot(mesh.normal(triangle)?) >= SHARP_COS).then_some(next)
}

/// Whether an edge that ends a face meets corner `k` of a triangle: goes round the corner both ways.
fn ends_at(nominal: &Nominal, triangle: u32, k: usize) -> bool {
    let triangles = nominal.mesh().triangles();
    let vertex = triangles[triangle as usize][k];
    for first in [k, (k + 2) % 3] {
        let (mut at, mut edge) = (triangle, first);
        for _ in 0..MOST_ABOUT {
            let Some(next) = onward(nominal, at, edge) else { return true };
            if next == triangle {
                return false;
            }
            // Out by the edge at the vertex that it was not entered by.
            let Some(corner) = triangles[next as usize].iter().position(|&v| v == vertex) else {
                return false;
            };
            let edges = [corner, (corner + 2) % 3];
            let entered = edges.iter().position(|&e| nominal.across()[next as usize][e] == Some(at));
            edge = edges[1 - entered.unwrap_or(0)];
            at = next;
        }
    }
    false
}
