//! Tori and slots by criteria other than least squares.

use super::by_criterion::{Extremal, Wanted};
use super::slot::{Obround, slot_within};
use super::torus::{Ring, torus_within};
use super::{Criterion, FitError, Shape, centred, signed, unit};
use crate::geometry::{Direction, Point, Vector};
use crate::run::Run;

/// A torus.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Torus {
    /// Centre of the circle along which the tube runs, mm.
    pub centre: Point,
    /// Axis of that circle; its largest component is positive (the first of equal ones).
    pub axis: Direction,
    /// Radius of that circle, mm.
    pub major_radius_mm: f64,
    /// Radius of the tube, mm.
    pub minor_radius_mm: f64,
}

/// A slot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slot {
    /// Centre, mm, at the mean height of the points along the axis.
    pub centre: Point,
    /// Axis as given.
    pub axis: Direction,
    /// Direction of the long side; its largest component is positive (the first of equal ones).
    pub along: Direction,
    /// Length over the round ends, mm.
    pub length_mm: f64,
    /// Width between the straight sides, mm.
    pub width_mm: f64,
}

/// The torus of at least eight points, mm, by [`Criterion::MinimumZone`] (between two tori along one circle) or
/// [`Criterion::LeastSquaresOutside`]; searched as [`super::cylinder_by`] does.
///
/// # Errors
/// Those of the least-squares [`super::torus()`]; [`FitError::NoMeaning`] for another criterion.
pub fn torus_by(run: &Run, criterion: Criterion, points: &[Point]) -> Result<Extremal<Torus>, FitError> {
    let wanted = Wanted::of(Shape::Torus, criterion)?;
    let fit = torus_within(run, points)?;
    let cloud = centred(Shape::Torus, 8, points)?;
    let scale = cloud.reach_mm;
    let all: Vec<Vector> = cloud.offsets.iter().map(|o| o / scale).collect();
    let start = Ring {
        axis: fit.axis.vector(),
        centre: (fit.centre - cloud.centre) / scale,
        major: fit.major_radius_mm / scale,
        minor: fit.minor_radius_mm / scale,
    };
    wanted.found::<_, _, 7, 6>(run, &cloud, &all, &start, |ring| Torus {
        centre: cloud.centre + ring.centre * scale,
        axis: unit(signed(ring.axis)),
        major_radius_mm: ring.major * scale,
        minor_radius_mm: ring.minor * scale,
    })
}

/// The slot of at least six points, mm, seen along `axis`, by [`Criterion::MinimumZone`] (between two slots about one
/// segment) or [`Criterion::LeastSquaresOutside`]; searched as [`super::circle_by`] does. A slot has two sizes, so
/// none is the largest inscribed or the smallest circumscribed one.
///
/// # Errors
/// Those of the least-squares [`super::slot()`]; [`FitError::NoMeaning`] for another criterion.
pub fn slot_by(
    run: &Run,
    criterion: Criterion,
    points: &[Point],
    axis: Direction,
) -> Result<Extremal<Slot>, FitError> {
    let wanted = Wanted::of(Shape::Slot, criterion)?;
    let fit = slot_within(run, points, axis)?;
    let cloud = centred(Shape::Slot, 6, points)?;
    let scale = cloud.reach_mm;
    let (a, b) = axis.frame();
    let in_plane = |v: Vector| [v.dot(&a), v.dot(&b)];
    let flat: Vec<[f64; 2]> = cloud.offsets.iter().map(|o| in_plane(o / scale)).collect();
    let start = Obround {
        centre: in_plane((fit.centre - cloud.centre) / scale),
        along: in_plane(fit.along.vector()),
        half: 0.5 * fit.between_centres_mm() / scale,
        radius: 0.5 * fit.width_mm / scale,
    };
    wanted.found::<_, _, 5, 4>(run, &cloud, &flat, &start, |outline| Slot {
        centre: cloud.centre + (a * outline.centre[0] + b * outline.centre[1]) * scale,
        axis,
        along: unit(signed(a * outline.along[0] + b * outline.along[1])),
        length_mm: 2.0 * (outline.half + outline.radius) * scale,
        width_mm: 2.0 * outline.radius * scale,
    })
}
