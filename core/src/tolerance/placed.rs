//! A measured feature as distances and angles see it: a plane, an axis or a centre.

use super::RuleError;
use super::Surface;
use super::flanks::flanks;
use super::parallel_planes::Flanks;
use super::roundness::axis_of_cone;
use super::subject::{Axis, Subject};
use crate::associate::{plane, slot, sphere, torus};
use crate::geometry::{Direction, Point};
use crate::plan::Situation;

/// What of it counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Plane,
    Axis,
    Centre,
}

/// Where a feature is and how it lies: of the nominal or of its least-squares association.
#[derive(Clone, Copy, Debug)]
pub(super) struct Placed {
    pub(super) kind: Kind,
    /// A place of it, mm. Of a measured plane the centroid of its points; on a measured axis at the height of the
    /// nominal's middle.
    pub(super) at: Point,
    /// Normal or axis, within a right angle of the nominal's; of a centre none.
    pub(super) direction: Option<Direction>,
    /// What it is, in words.
    pub(super) word: &'static str,
}

/// What is asked of the feature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Asked {
    Distance,
    Angle,
}

impl Placed {
    /// As the nominal has it. Of a slot an angle asks for its length, a distance for its axis.
    pub(super) fn nominal(subject: &Subject, asked: Asked) -> Result<Self, RuleError> {
        let new = |kind, at, direction, word| Ok(Self { kind, at, direction: Some(direction), word });
        match subject.situation {
            Situation::Plane { at, normal } => new(Kind::Plane, at, normal, "plane"),
            Situation::Width { at, across, .. } => new(Kind::Plane, at, across, "middle plane"),
            Situation::Slot { at, along, .. } if asked == Asked::Angle => {
                new(Kind::Axis, at, along, "length of the slot")
            }
            Situation::Hole { at, axis, .. }
            | Situation::Slot { at, axis, .. }
            | Situation::Cylinder { at, axis, .. }
            | Situation::Cone { at, axis, .. } => new(Kind::Axis, at, axis, "axis"),
            Situation::Torus { at, axis, .. } if asked == Asked::Angle => new(Kind::Axis, at, axis, "axis"),
            Situation::Torus { at, .. } | Situation::Sphere { at, .. } if asked == Asked::Distance => {
                Ok(Self { kind: Kind::Centre, at, direction: None, word: "centre" })
            }
            _ => Err(subject.has_none(if asked == Asked::Angle { "angle" } else { "distance" })),
        }
    }

    /// As its points have it, by least squares.
    pub(super) fn measured(subject: &Subject, surface: &Surface, asked: Asked) -> Result<Self, RuleError> {
        let nominal = Self::nominal(subject, asked)?;
        let points = &surface.points;
        let towards = |d: Direction| match nominal.direction {
            Some(n) if d.dot(n) < 0.0 => d.reversed(),
            _ => d,
        };
        let placed =
            |at, direction: Option<Direction>| Self { at, direction: direction.map(towards), ..nominal };
        // The axis at the height of the nominal's middle: coverage and noise at the ends do not move it.
        let on_axis = |axis: &Axis| {
            let d = axis.direction.vector();
            let nominal_axis = nominal.direction.map_or(d, Direction::vector);
            let slope = d.dot(&nominal_axis);
            let far = (nominal.at - axis.point).dot(&nominal_axis) / slope;
            placed(if far.is_finite() { axis.at(far) } else { axis.point }, Some(axis.direction))
        };
        let not_told = || {
            RuleError::Missing(
                "the wall is too short to tell its axis, which was given instead; ask the angle of another feature"
                    .into(),
            )
        };
        Ok(match subject.situation {
            Situation::Plane { .. } => {
                let fit = plane(points)?;
                placed(fit.centroid, Some(fit.normal))
            }
            Situation::Width { .. } => {
                let two = flanks(subject, surface)?;
                let both = Flanks::new(&two.upper, &two.lower, subject.axis)?.least_squares(two.across)?;
                placed(both.middle(), Some(both.normal))
            }
            Situation::Slot { axis, .. } => {
                let along = subject.axis.unwrap_or(axis);
                let fit = slot(points, along)?;
                if asked == Asked::Angle {
                    placed(fit.centre, Some(fit.along))
                } else {
                    on_axis(&Axis::new(fit.centre, along, axis, 0.5 * fit.width_mm))
                }
            }
            Situation::Hole { axis, .. } | Situation::Cylinder { axis, .. } => {
                if asked == Asked::Angle && subject.axis.is_some() {
                    return Err(not_told());
                }
                on_axis(&Axis::of(points, subject, axis)?)
            }
            Situation::Cone { axis, .. } => on_axis(&axis_of_cone(points, axis)?),
            Situation::Torus { .. } => {
                let fit = torus(points)?;
                placed(fit.centre, nominal.direction.map(|_| fit.axis))
            }
            Situation::Sphere { .. } => placed(sphere(points)?.centre, None),
            Situation::Point { .. } | Situation::Group | Situation::Surface | Situation::Edge => {
                return Err(subject.has_none("place of its own"));
            }
        })
    }
}
