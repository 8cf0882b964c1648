//! The centre plane of a groove, tongue or slot as ASME means it: that of its actual mating envelope.

use super::axis::extent;
use super::flanks::flanks;
use super::parallel_planes::Flanks;
use super::subject::Subject;
use super::{RuleError, Surface};
use crate::associate::{Criterion, flat_hull};
use crate::geometry::{Direction, Point};
use crate::plan::Situation;
use crate::run::Run;

/// A centre plane as far as the feature reaches.
#[derive(Clone, Debug)]
pub(super) struct CentrePlane {
    /// Places on it that hold the whole of it between them, mm: what is furthest off in any way is one of them.
    pub(super) places: Vec<Point>,
    /// One in its middle.
    pub(super) middle: Point,
    /// By what, for the record.
    pub(super) how: String,
}

/// The centre plane of the unrelated actual mating envelope: midway between the two parallel planes that are furthest apart
/// among all that no point of a groove lies between, or nearest among all that hold a tongue between them (ASME Y14.5-2018,
/// actual mating envelope and 10, regardless of feature size; ASME Y14.5.1-2019, 5, by resolved geometry; from memory). Unrelated:
/// no datum holds it, so that it leans as the flanks do. With an `axis` (a wall too short to tell its own) the planes run along it.
///
/// It reaches as far as the flanks were seen; that of a slot whose sizes are known from one end of its straight flanks to the
/// other, over the depth of the wall. Flanks that lie so that an envelope would turn away from them have a least-squares pair
/// instead, as a round feature has ([`super::axis`]), and the words say so.
///
/// # Errors
/// [`RuleError::Missing`] where a flank was not seen, or the flanks do not tell their direction.
pub(super) fn centre_plane(
    run: &Run,
    surface: &Surface,
    situation: &Situation,
    axis: Option<Direction>,
) -> Result<CentrePlane, RuleError> {
    let subject = axis.map_or_else(|| Subject::new(*situation), |axis| Subject::along(*situation, axis));
    let two = flanks(&subject, surface)?;
    let both = Flanks::new(&two.upper, &two.lower, axis)?;
    let (criterion, envelope) = if subject.is_hollow() {
        (Criterion::MaximumInscribed, both.inscribed(run, two.across))
    } else {
        (Criterion::MinimumCircumscribed, both.circumscribed(run, two.across))
    };
    let along = if axis.is_some() { ", along a given axis" } else { "" };
    let (planes, how) = match envelope {
        Ok(planes) => (planes, format!("{criterion}{along}")),
        Err(RuleError::Missing(_) | RuleError::NotSettled { .. }) => {
            let words = format!("least squares ({criterion} is left open by the points){along}");
            (both.least_squares(two.across)?, words)
        }
        Err(other) => return Err(other),
    };
    let (normal, middle) = (planes.normal.vector(), planes.middle());
    let onto = |p: &Point| p - normal * normal.dot(&(p - middle));
    let places = match corners(run, surface, situation, &two.upper, &two.lower)? {
        Some(corners) => {
            // Along the nominal direction across: the corners stay where the nominal has its ends.
            let across = two.across.vector();
            let down = |p: &Point| p + across * (normal.dot(&(middle - p)) / normal.dot(&across));
            corners.iter().map(down).collect()
        }
        None => {
            let seen: Vec<Point> = two.upper.iter().chain(&two.lower).map(onto).collect();
            outermost(&seen, planes.normal, middle)
        }
    };
    Ok(CentrePlane { places, middle, how: format!("centre plane between two parallel planes: {how}") })
}

/// The corners of the nominal middle of a slot whose sizes are known: the ends of its straight flanks, over the depth of its wall.
fn corners(
    run: &Run,
    surface: &Surface,
    situation: &Situation,
    upper: &[Point],
    lower: &[Point],
) -> Result<Option<[Point; 4]>, RuleError> {
    let Situation::Slot { at, axis, along, length_mm: Some(length), width_mm: Some(width) } = *situation
    else {
        return Ok(None);
    };
    if !(length > width) {
        return Ok(None);
    }
    let heights = match surface.wall_mm {
        Some(wall) => wall,
        None => {
            let [a, b] = [extent(run, upper, at, axis.vector())?, extent(run, lower, at, axis.vector())?];
            [a[0].min(b[0]), a[1].max(b[1])]
        }
    };
    let half = along.vector() * (0.5 * (length - width));
    let corner = |sign: f64, height: f64| at + half * sign + axis.vector() * height;
    let [low, high] = heights;
    Ok(Some([corner(-1.0, low), corner(1.0, low), corner(1.0, high), corner(-1.0, high)]))
}

/// Of places on a plane those at the corners of their convex hull.
fn outermost(places: &[Point], normal: Direction, about: Point) -> Vec<Point> {
    let (a, b) = normal.frame();
    let flat: Vec<[f64; 2]> = places.iter().map(|p| [a.dot(&(p - about)), b.dot(&(p - about))]).collect();
    let corners = flat_hull(&flat);
    // A single place has no hull.
    if corners.is_empty() { places.to_vec() } else { corners.into_iter().map(|i| places[i]).collect() }
}

#[cfg(test)]
#[path = "centre_plane_tests.rs"]
mod tests;
