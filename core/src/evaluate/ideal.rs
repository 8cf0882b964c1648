//! The ideal surface of a nominal feature under measured points.

use crate::geometry::{Direction, Point, Vector};
use crate::plan::Situation;

/// A place of an ideal surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct OnIdeal {
    /// The place nearest to the point, mm.
    pub(super) foot: Point,
    /// Normal there, out of the material.
    pub(super) normal: Direction,
    /// Signed distance of the point, mm, positive outside the material.
    pub(super) deviation_mm: f64,
}

/// Where the ideal surface of `situation` lies under `p`, whose facet of the nominal has the normal `facet`; `None`
/// where the feature has no exact surface, or the point lies where none is nearest (on an axis).
pub(super) fn under(situation: &Situation, p: &Point, facet: Direction) -> Option<OnIdeal> {
    let flat = |at: Point, normal: Direction| {
        let deviation_mm = (p - at).dot(&normal.vector());
        Some(OnIdeal { foot: p - normal.vector() * deviation_mm, normal, deviation_mm })
    };
    let round = |out: Vector, radius: f64, hollow: bool| {
        let away = Direction::new(out)?;
        let over = out.norm() - radius;
        let (normal, deviation_mm) = if hollow { (away.reversed(), -over) } else { (away, over) };
        Some(OnIdeal { foot: p - away.vector() * over, normal, deviation_mm })
    };
    match *situation {
        Situation::Plane { at, normal } => flat(at, normal),
        Situation::Hole { at, axis, diameter_mm: Some(d) } => round(square_to(p - at, axis), 0.5 * d, true),
        Situation::Cylinder { at, axis, diameter_mm, hollow } => {
            round(square_to(p - at, axis), 0.5 * diameter_mm, hollow)
        }
        Situation::Sphere { at, diameter_mm, hollow } => round(p - at, 0.5 * diameter_mm, hollow),
        Situation::Torus { at, axis, radius_mm, tube_radius_mm, hollow } => {
            let ring = at + Direction::new(square_to(p - at, axis))?.vector() * radius_mm;
            round(p - ring, tube_radius_mm, hollow)
        }
        Situation::Cone { at, axis, half_angle_rad, radius_mm, hollow } => {
            let away = Direction::new(square_to(p - at, axis))?;
            let (s, c) =
                (crate::geometry::math::sin(half_angle_rad), crate::geometry::math::cos(half_angle_rad));
            let height = (p - at).dot(&axis.vector());
            let out = Direction::new(away.vector() * c - axis.vector() * s)?;
            let over = (square_to(p - at, axis).norm() - radius_mm) * c - height * s;
            let (normal, deviation_mm) = if hollow { (out.reversed(), -over) } else { (out, over) };
            Some(OnIdeal { foot: p - out.vector() * over, normal, deviation_mm })
        }
        // The flank that the facet faces.
        Situation::Width { at, across, width_mm, hollow } => {
            let cosine = across.dot(facet);
            if cosine.abs() < FLANK_COSINE {
                return None;
            }
            let normal = if cosine > 0.0 { across } else { across.reversed() };
            let out = if hollow { -0.5 } else { 0.5 } * width_mm;
            flat(at + normal.vector() * out, normal)
        }
        Situation::Slot { at, axis, along, width_mm: Some(width), length_mm } => {
            let side = Direction::new(axis.vector().cross(&along.vector()))?;
            let straight = length_mm.map_or(f64::INFINITY, |l| 0.5 * (l - width).max(0.0));
            let reach = (p - at).dot(&along.vector());
            if side.dot(facet).abs() >= FLANK_COSINE && reach.abs() <= straight {
                let normal = if side.dot(facet) > 0.0 { side } else { side.reversed() };
                return flat(at - normal.vector() * (0.5 * width), normal);
            }
            if !straight.is_finite() {
                return None;
            }
            let end = at + along.vector() * (straight * reach.signum());
            round(square_to(p - end, axis), 0.5 * width, true)
        }
        Situation::Hole { .. }
        | Situation::Slot { .. }
        | Situation::Point { .. }
        | Situation::Group
        | Situation::Surface
        | Situation::Edge => None,
    }
}

/// A facet belongs to a flank when its normal lies within 30 degrees of across.
const FLANK_COSINE: f64 = 0.866;

fn square_to(d: Vector, axis: Direction) -> Vector {
    d - axis.vector() * d.dot(&axis.vector())
}
