//! Circles and spheres by minimum zone, maximum inscribed and minimum circumscribed.

use super::circle::{Round, circle_within};
use super::extremal::{Aim, Found, Outline, best_of_starts, leaves_half_open};
use super::sphere::{Ball, sphere_within};
use super::{Centred, Contact, Criterion, FitError, Freedom, Proof, Reach, Residuals, Shape, centred};
use crate::geometry::{Direction, Point, Vector};
use crate::run::Run;

/// A shape associated by its extreme points.
#[derive(Clone, Debug, PartialEq)]
pub struct Extremal<S> {
    /// The shape: for a minimum zone that in the middle of the zone.
    pub shape: S,
    /// By what it was associated.
    pub criterion: Criterion,
    /// Number of points.
    pub points: usize,
    /// Root mean square residual, mm (divisor: number of points).
    pub rms_mm: f64,
    /// Smallest residual (negative: inside), mm, and the index of its point.
    pub low: (f64, usize),
    /// Largest residual (positive: outside), mm, and the index of its point.
    pub high: (f64, usize),
    /// The points that hold it, in ascending order.
    pub contacts: Vec<Contact>,
    /// What is proven.
    pub proof: Proof,
}

impl<S> Extremal<S> {
    /// Largest less smallest residual, mm; of a minimum zone its width.
    pub fn width_mm(&self) -> f64 {
        self.high.0 - self.low.0
    }
}

/// A circle in space.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Circle {
    /// Centre, mm, at the mean height of the points along the axis.
    pub centre: Point,
    /// Axis as given.
    pub axis: Direction,
    /// Radius, mm.
    pub radius_mm: f64,
}

/// A sphere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sphere {
    /// Centre, mm.
    pub centre: Point,
    /// Radius, mm.
    pub radius_mm: f64,
}

impl Outline<3> for Round {
    const GROWTH: [f64; 3] = [-1.0, 0.0, 1.0];

    fn size(&self) -> f64 {
        self.radius
    }
}

impl Outline<4> for Ball {
    const GROWTH: [f64; 4] = [-1.0, 0.0, 0.0, 1.0];

    fn size(&self) -> f64 {
        self.radius
    }
}

/// The circle of at least three points, mm, seen along `axis`, by [`Criterion::MinimumZone`],
/// [`Criterion::MaximumInscribed`] or [`Criterion::MinimumCircumscribed`].
///
/// Searched from the least-squares circle and places about it; how: [`Proof`]. The circumscribed circle is a convex
/// problem and so the smallest of all. Zone and inscribed circle are the best of the local optima found; a zone rests
/// on two points above and two below in turn (Ventura and Yeralan, "The minimax center estimation problem",
/// European J. Operational Research 41(1), 1989, 64-72; from memory), an inscribed circle on three.
///
/// # Errors
/// Those of the least-squares [`super::circle()`]; [`Freedom::HalfOpen`] for an inscribed or circumscribed circle of
/// points that leave more than half a turn open; [`FitError::NoMeaning`] for another criterion.
pub fn circle_by(
    run: &Run,
    criterion: Criterion,
    points: &[Point],
    axis: Direction,
) -> Result<Extremal<Circle>, FitError> {
    let aim = aim_of(Shape::Circle, criterion)?;
    let fit = circle_within(run, points, axis)?;
    let cloud = centred(Shape::Circle, 3, points)?;
    let scale = cloud.reach_mm;
    let (a, b) = axis.frame();
    let flat: Vec<[f64; 2]> = cloud.offsets.iter().map(|o| [o.dot(&a) / scale, o.dot(&b) / scale]).collect();
    let off = (fit.centre - cloud.centre) / scale;
    let start = Round { centre: [off.dot(&a), off.dot(&b)], radius: fit.radius_mm / scale };
    let rays = flat.iter().filter_map(|q| {
        let ray = [q[0] - start.centre[0], q[1] - start.centre[1]];
        let length = (ray[0] * ray[0] + ray[1] * ray[1]).sqrt();
        (length > 0.0).then(|| ray.map(|v| v / length))
    });
    refuse_half_open(Shape::Circle, aim, rays)?;
    let ended = best_of_starts::<Round, 3, 2>(run, &start, &flat, aim)?;
    told(Shape::Circle, criterion, &cloud, &flat, ended, |round| Circle {
        centre: cloud.centre + (a * round.centre[0] + b * round.centre[1]) * scale,
        axis,
        radius_mm: round.radius * scale,
    })
}

/// The sphere of at least four points, mm, by [`Criterion::MinimumZone`], [`Criterion::MaximumInscribed`] or
/// [`Criterion::MinimumCircumscribed`]; as [`circle_by`] with one coordinate more.
///
/// # Errors
/// Those of the least-squares [`super::sphere`]; [`Freedom::HalfOpen`] for an inscribed or circumscribed sphere of
/// points that leave more than half of all directions open; [`FitError::NoMeaning`] for another criterion.
pub fn sphere_by(run: &Run, criterion: Criterion, points: &[Point]) -> Result<Extremal<Sphere>, FitError> {
    let aim = aim_of(Shape::Sphere, criterion)?;
    let fit = sphere_within(run, points)?;
    let cloud = centred(Shape::Sphere, 4, points)?;
    let scale = cloud.reach_mm;
    let all: Vec<Vector> = cloud.offsets.iter().map(|o| o / scale).collect();
    let start = Ball { centre: (fit.centre - cloud.centre) / scale, radius: fit.radius_mm / scale };
    let rays = all.iter().filter_map(|q| (q - start.centre).try_normalize(0.0)).map(<[f64; 3]>::from);
    refuse_half_open(Shape::Sphere, aim, rays)?;
    let ended = best_of_starts::<Ball, 4, 3>(run, &start, &all, aim)?;
    told(Shape::Sphere, criterion, &cloud, &all, ended, |ball| Sphere {
        centre: cloud.centre + ball.centre * scale,
        radius_mm: ball.radius * scale,
    })
}

/// What a criterion asks of the extreme points of a round shape.
pub(super) fn aim_of(shape: Shape, criterion: Criterion) -> Result<Aim, FitError> {
    match criterion {
        Criterion::MinimumZone => Ok(Aim::Zone),
        Criterion::MaximumInscribed => Ok(Aim::Inscribed),
        Criterion::MinimumCircumscribed => Ok(Aim::Circumscribed),
        _ => Err(FitError::NoMeaning { shape, criterion }),
    }
}

pub(super) fn refuse_half_open<const M: usize>(
    shape: Shape,
    aim: Aim,
    rays: impl Iterator<Item = [f64; M]>,
) -> Result<(), FitError> {
    if aim == Aim::Zone || leaves_half_open(rays) == Some(false) {
        return Ok(());
    }
    Err(FitError::Undetermined { shape, freedom: Freedom::HalfOpen })
}

/// The answer in mm from what was found at size one.
pub(super) fn told<T: Outline<N>, S, const N: usize>(
    shape: Shape,
    criterion: Criterion,
    cloud: &Centred,
    items: &[T::Item],
    (found, starts, arrived): (Found<T>, u64, u64),
    placed: impl FnOnce(&T) -> S,
) -> Result<Extremal<S>, FitError> {
    if !found.settled && criterion == Criterion::MaximumInscribed {
        return Err(FitError::Undetermined { shape, freedom: Freedom::HalfOpen });
    }
    if !found.settled {
        return Err(FitError::NotSettled { shape, steps: found.steps });
    }
    let scale = cloud.reach_mm;
    let seen = Residuals::of(items, |q| found.model.row(q).0);
    let residual = |index: usize| found.model.row(&items[index]).0 * scale;
    let mut contacts: Vec<Contact> = found
        .contacts
        .iter()
        .map(|&(index, weight)| Contact { index: index as u64, residual_mm: residual(index), weight })
        .collect();
    contacts.sort_by_key(|c| c.index);
    // Points that are met to rounding leave nothing to gain.
    let spread = if shape == Shape::Line { seen.high.0 } else { seen.high.0 - seen.low.0 };
    let met = spread <= 64.0 * f64::EPSILON * (1.0 + found.model.size());
    let convex = criterion == Criterion::MinimumCircumscribed && matches!(shape, Shape::Circle | Shape::Sphere);
    let reach = if convex || met { Reach::Everywhere } else { Reach::BestOfStarts };
    let gain = if met { 0.0 } else { found.gain };
    Ok(Extremal {
        shape: placed(&found.model),
        criterion,
        points: items.len(),
        rms_mm: seen.rms(items.len()) * scale,
        low: (seen.low.0 * scale, seen.low.1),
        high: (seen.high.0 * scale, seen.high.1),
        contacts,
        proof: Proof { gain, held: found.held, starts, arrived, reach },
    })
}
