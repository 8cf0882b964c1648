//! Circles and spheres by criteria other than least squares.

use super::by_criterion::{Extremal, Wanted};
use super::circle::{Round, circle_within};
use super::extremal::Outline;
use super::sphere::{Ball, sphere_within};
use super::{Criterion, FitError, Shape, centred};
use crate::geometry::{Direction, Point, Vector, math};
use crate::run::Run;
use std::f64::consts::PI;

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

/// The circle of at least three points, mm, seen along `axis`, by any criterion but least squares without constraint.
///
/// Searched from the least-squares circle and places about it; how: [`super::Proof`]. The circumscribed circle is a
/// convex
/// problem and so the smallest of all. Zone and inscribed circle are the best of the local optima found; a zone rests
/// on two points above and two below in turn (Ventura and Yeralan, "The minimax center estimation problem",
/// European J. Operational Research 41(1), 1989, 64-72; from memory), an inscribed circle on three. Least squares
/// outside the material goes from the least-squares circle alone.
///
/// # Errors
/// Those of the least-squares [`super::circle()`]; [`super::Freedom::HalfOpen`] for an inscribed circle of points that
/// leave more than half a turn open, and for a circumscribed one of an arc of less than that; [`FitError::NoMeaning`]
/// for another criterion and for material behind a plane.
pub fn circle_by(
    run: &Run,
    criterion: Criterion,
    points: &[Point],
    axis: Direction,
) -> Result<Extremal<Circle>, FitError> {
    let wanted = Wanted::of(Shape::Circle, criterion)?;
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
    let one_sided = wanted.refuse_half_open(rays);
    if criterion != Criterion::MinimumCircumscribed {
        one_sided.clone()?;
    }
    let found = wanted.found::<_, _, 3, 2>(run, &cloud, &flat, &start, |round| Circle {
        centre: cloud.centre + (a * round.centre[0] + b * round.centre[1]) * scale,
        axis,
        radius_mm: round.radius * scale,
    });
    let Err(refused) = one_sided else { return found };
    // Points that fill their circle may all lie to one side of the least-squares centre and yet be held by the
    // circumscribed circle; those of an arc lie to one side of its diameter.
    match &found {
        Err(FitError::Stopped(_)) => found,
        Ok(around) => {
            let off = (around.shape.centre - cloud.centre) / scale;
            let centre = [off.dot(&a), off.dot(&b)];
            let gap = largest_gap(flat.iter().map(|q| [q[0] - centre[0], q[1] - centre[1]]));
            if gap < PI - SAME_TURN_RAD { found } else { Err(refused) }
        }
        // An arc's circumscribed circle lies so far from its points that no search ends there.
        Err(_) => Err(refused),
    }
}

/// A gap this near to half a turn is one, rad: on which side of it an arc of half a turn lies is the noise of its ends.
/// Ten degrees; our own choice.
const SAME_TURN_RAD: f64 = PI / 18.0;

/// The largest angle between neighbouring directions, rad.
fn largest_gap(rays: impl Iterator<Item = [f64; 2]>) -> f64 {
    let mut turns: Vec<f64> = rays.map(|[x, y]| math::atan2(y, x)).collect();
    turns.sort_unstable_by(f64::total_cmp);
    let (Some(first), Some(last)) = (turns.first(), turns.last()) else { return 2.0 * PI };
    let round = 2.0 * PI + first - last;
    turns.windows(2).fold(round, |most, pair| most.max(pair[1] - pair[0]))
}

/// The sphere of at least four points, mm, by any criterion but least squares without constraint; as [`circle_by`]
/// with one coordinate more.
///
/// # Errors
/// Those of the least-squares [`super::sphere`]; [`super::Freedom::HalfOpen`] for an inscribed or circumscribed
/// sphere of
/// points that leave more than half of all directions open; [`FitError::NoMeaning`] for another criterion.
pub fn sphere_by(run: &Run, criterion: Criterion, points: &[Point]) -> Result<Extremal<Sphere>, FitError> {
    let wanted = Wanted::of(Shape::Sphere, criterion)?;
    let fit = sphere_within(run, points)?;
    let cloud = centred(Shape::Sphere, 4, points)?;
    let scale = cloud.reach_mm;
    let all: Vec<Vector> = cloud.offsets.iter().map(|o| o / scale).collect();
    let start = Ball { centre: (fit.centre - cloud.centre) / scale, radius: fit.radius_mm / scale };
    let rays = all.iter().filter_map(|q| (q - start.centre).try_normalize(0.0)).map(<[f64; 3]>::from);
    wanted.refuse_half_open(rays)?;
    wanted.found::<_, _, 4, 3>(run, &cloud, &all, &start, |ball| Sphere {
        centre: cloud.centre + ball.centre * scale,
        radius_mm: ball.radius * scale,
    })
}
