//! What a rule is told of the feature it looks at.

use super::{RuleError, Surface};
use crate::associate::{circle, cylinder};
use crate::geometry::{Direction, Point, Vector};
use crate::plan::Situation;

/// A feature as the nominal has it, and whether its points tell its axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Subject {
    /// Where the nominal has it, with its sizes, mm, in the part's axes.
    pub situation: Situation,
    /// The axis to take where a wall is shorter than its diameter (or, of a slot, than its width) and so does not tell
    /// its own: the points are then looked at along it.
    pub axis: Option<Direction>,
}

impl Subject {
    /// A feature that tells its own axis.
    pub fn new(situation: Situation) -> Self {
        Self { situation, axis: None }
    }

    /// A feature that is looked at along a given axis.
    pub fn along(situation: Situation, axis: Direction) -> Self {
        Self { situation, axis: Some(axis) }
    }

    /// The feature in one or two plain words.
    pub(super) fn word(&self) -> &'static str {
        match self.situation {
            Situation::Plane { .. } => "plane",
            Situation::Hole { .. } => "hole",
            Situation::Slot { .. } => "slot",
            Situation::Point { .. } => "check point",
            Situation::Cylinder { .. } => "cylinder",
            Situation::Cone { .. } => "cone",
            Situation::Sphere { .. } => "sphere",
            Situation::Torus { .. } => "torus",
            Situation::Width { .. } => "width",
            Situation::Group => "group",
            Situation::Surface => "surface",
            Situation::Edge => "trimmed edge",
        }
    }

    /// Whether the material is around it.
    pub(super) fn is_hollow(&self) -> bool {
        match self.situation {
            Situation::Hole { .. } | Situation::Slot { .. } => true,
            Situation::Cylinder { hollow, .. }
            | Situation::Cone { hollow, .. }
            | Situation::Sphere { hollow, .. }
            | Situation::Torus { hollow, .. }
            | Situation::Width { hollow, .. } => hollow,
            Situation::Plane { .. }
            | Situation::Point { .. }
            | Situation::Group
            | Situation::Surface
            | Situation::Edge => false,
        }
    }

    /// What is asked of a feature that has no such thing.
    pub(super) fn has_none(&self, what: &str) -> RuleError {
        RuleError::Missing(format!("a {} has no {what}; ask it of another feature", self.word()))
    }
}

/// The surface of one feature, which has points.
pub(super) fn surface(surfaces: &[Surface], index: usize) -> Result<&Surface, RuleError> {
    surfaces.get(index).filter(|s| !s.points.is_empty()).ok_or_else(|| {
        RuleError::Missing("no point of the surface was seen; measure it, or part of it".to_string())
    })
}

/// A measured axis with directions across it that follow the nominal, so that sections and sectors of the same part
/// lie at the same places whatever its noise.
#[derive(Clone, Copy, Debug)]
pub(super) struct Axis {
    /// A place on it, mm.
    pub(super) point: Point,
    /// Within a right angle of the nominal axis.
    pub(super) direction: Direction,
    /// Two vectors that make a right-handed triple with it.
    pub(super) across: [Vector; 2],
    /// Radius of the surface about it at `point`, mm.
    pub(super) radius_mm: f64,
    /// By how much the radius grows along it, mm for each mm: the tangent of a cone's half angle.
    pub(super) taper: f64,
}

impl Axis {
    pub(super) fn new(point: Point, direction: Direction, nominal: Direction, radius_mm: f64) -> Self {
        let direction = if direction.dot(nominal) < 0.0 { direction.reversed() } else { direction };
        let d = direction.vector();
        let (a, b) = nominal.frame();
        // Where the measured axis lies along one of the two, the other is square to it.
        let side = [a, b].map(|v| v - d * d.dot(&v));
        let longer = if side[0].norm() >= 0.5 { side[0] } else { side[1] };
        let first = Direction::new(longer).map_or(direction.frame().0, Direction::vector);
        Self { point, direction, across: [first, d.cross(&first)], radius_mm, taper: 0.0 }
    }

    /// The least-squares axis of a round wall, or the circle's centre along a given one.
    pub(super) fn of(points: &[Point], subject: &Subject, nominal: Direction) -> Result<Self, RuleError> {
        Ok(match subject.axis {
            Some(axis) => {
                let fit = circle(points, axis)?;
                Self::new(fit.centre, axis, nominal, fit.radius_mm)
            }
            None => {
                let fit = cylinder(points)?;
                Self::new(fit.point, fit.axis, nominal, fit.radius_mm)
            }
        })
    }

    /// Places across and height along, mm, from the axis's own place.
    pub(super) fn seen(&self, p: &Point) -> [f64; 3] {
        let d = p - self.point;
        [d.dot(&self.across[0]), d.dot(&self.across[1]), d.dot(&self.direction.vector())]
    }

    /// The place on it at a height.
    pub(super) fn at(&self, height_mm: f64) -> Point {
        self.point + self.direction.vector() * height_mm
    }
}
