//! Surfaces that the tests of the rules make.

use super::{Found, Rule, RuleError, Surface};
use crate::geometry::{Direction, Motion, PartFrame, Point, Vector, math, random::Random};
use crate::plan::Situation;
use crate::run::quiet;
use std::f64::consts::TAU;

/// The answer to one surface.
pub(super) fn ask(rule: &impl Rule, points: &[Point]) -> Result<Found, RuleError> {
    rule.measure(&quiet(), &[surface(points)])
}

/// A surface that tells no normals.
pub(super) fn surface(points: &[Point]) -> Surface {
    Surface { points: points.to_vec(), ..Surface::default() }
}

/// Rows of points about z from -`height`/2 to `height`/2, evenly round, at a radius that the turn and the height say.
pub(super) fn wall(rows: u32, round: u32, height: f64, radius: impl Fn(f64, f64) -> f64) -> Vec<Point> {
    let mut out = Vec::new();
    for row in 0..rows {
        let z = height * (f64::from(row) / f64::from((rows - 1).max(1)) - 0.5);
        for k in 0..round {
            let t = TAU * f64::from(k) / f64::from(round);
            let r = radius(t, z);
            out.push(Point::new(r * math::cos(t), r * math::sin(t), z));
        }
    }
    out
}

/// The same at random places.
pub(super) fn strewn(
    random: &mut Random,
    points: usize,
    height: f64,
    radius: impl Fn(f64, f64) -> f64,
) -> Vec<Point> {
    (0..points)
        .map(|_| {
            let (t, z) = (random.range(0.0, TAU), random.range(-0.5 * height, 0.5 * height));
            let r = radius(t, z);
            Point::new(r * math::cos(t), r * math::sin(t), z)
        })
        .collect()
}

pub(super) fn bore(diameter_mm: f64) -> Situation {
    Situation::Cylinder { at: Point::origin(), axis: Direction::Z, diameter_mm, hollow: true }
}

pub(super) fn pin(diameter_mm: f64) -> Situation {
    Situation::Cylinder { at: Point::origin(), axis: Direction::Z, diameter_mm, hollow: false }
}

pub(super) fn shuffled<T: Clone>(items: &[T], random: &mut Random) -> Vec<T> {
    let mut out = items.to_vec();
    for i in (1..out.len()).rev() {
        out.swap(i, random.below(i + 1));
    }
    out
}

/// Any turn, and a shift of up to some metres.
pub(super) fn elsewhere(random: &mut Random) -> Motion<PartFrame, PartFrame> {
    let shift = Vector::new(random.range(-1.0, 1.0), random.range(-1.0, 1.0), random.range(-1.0, 1.0));
    Motion::from_turn_and_shift(random.turn(), shift * 3000.0)
}

/// A nominal that is taken along.
pub(super) fn taken(motion: &Motion<PartFrame, PartFrame>, situation: Situation) -> Situation {
    let (p, d) = (|at: Point| motion.point(&at), |way: Direction| motion.direction(way));
    match situation {
        Situation::Plane { at, normal } => Situation::Plane { at: p(at), normal: d(normal) },
        Situation::Hole { at, axis, diameter_mm } => {
            Situation::Hole { at: p(at), axis: d(axis), diameter_mm }
        }
        Situation::Cylinder { at, axis, diameter_mm, hollow } => {
            Situation::Cylinder { at: p(at), axis: d(axis), diameter_mm, hollow }
        }
        Situation::Cone { at, axis, half_angle_rad, radius_mm, hollow } => {
            Situation::Cone { at: p(at), axis: d(axis), half_angle_rad, radius_mm, hollow }
        }
        Situation::Width { at, across, width_mm, hollow } => {
            Situation::Width { at: p(at), across: d(across), width_mm, hollow }
        }
        other => other,
    }
}

/// A surface that is taken along, with the normals of its nominal.
pub(super) fn carried(motion: &Motion<PartFrame, PartFrame>, surface: &Surface) -> Surface {
    Surface {
        points: surface.points.iter().map(|p| motion.point(p)).collect(),
        normals: surface.normals.iter().map(|n| motion.direction(*n)).collect(),
        deviations_mm: surface.deviations_mm.clone(),
        ..Surface::default()
    }
}

/// Two flanks square to x, some 30 mm along y and 12 mm along z, at heights over their nominal places that (y, z) says:
/// those of a groove (`hollow`) or a tongue of a nominal width.
pub(super) fn two_flanks(
    random: &mut Random,
    points: usize,
    width: f64,
    hollow: bool,
    off: impl Fn(bool, f64, f64) -> f64,
) -> Surface {
    let mut out = Surface::default();
    for i in 0..points {
        let upper = i % 2 == 0;
        let (y, z) = (random.range(-15.0, 15.0), random.range(-6.0, 6.0));
        let side = if upper { 1.0 } else { -1.0 };
        out.points.push(Point::new(side * 0.5 * width + off(upper, y, z), y, z));
        let out_of_material = if hollow { -side } else { side };
        out.normals.push(if out_of_material > 0.0 { Direction::X } else { Direction::X.reversed() });
    }
    out
}

pub(super) fn across_x(width_mm: f64, hollow: bool) -> Situation {
    Situation::Width { at: Point::origin(), across: Direction::X, width_mm, hollow }
}
