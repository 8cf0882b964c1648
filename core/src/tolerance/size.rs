//! Sizes of ISO 14405-1:2016 (from memory): of a hole or cylinder, a sphere, and between two parallel planes.

use super::flanks::{TwoFlanks, flanks};
use super::parallel_planes::{Flanks, ParallelPlanes};
use super::subject::{Axis, Subject, surface};
use super::two_point::{Sizes, of_flanks, of_round, of_sphere};
use super::{Against, Found, Number, Rule, RuleError, Surface};
use crate::associate::{Criterion, circle, circle_by, cylinder, cylinder_by, sphere, sphere_by};
use crate::geometry::{Direction, Point};
use crate::plan::{Situation, SizeOperator};
use crate::run::Run;

/// An axis that turns further than this from a slot's own is not that of the slot as it lies: cosine of 20 degrees.
const LEAST_COS: f64 = 0.94;

/// The size of a hole, cylinder, sphere, slot or width: its diameter or width, mm.
///
/// One number by least squares (GG), minimum zone (GC), maximum inscribed (GX) and minimum circumscribed (GN); the
/// smallest and the largest of all two-point sizes (LP); by the envelope requirement (E) the mating size (GX of what is
/// hollow, GN of what is solid) against the limit of most material and the furthest two-point size against the other:
/// always the number for the lower limit first.
///
/// A slot's size is the width between its flanks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Size {
    /// Of what.
    pub of: Subject,
    /// Which size.
    pub operator: SizeOperator,
    /// Thickness of a section and size of the neighbourhood in which an opposite point is interpolated, mm: one to
    /// two point spacings, or the nesting index of the filter.
    pub section_mm: f64,
}

impl Rule for Size {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let surface = surface(surfaces, 0)?;
        match self.of.situation {
            Situation::Hole { axis, .. } | Situation::Cylinder { axis, .. } => {
                self.answer(&Round { of: &self.of, nominal: axis, points: &surface.points }, run)
            }
            Situation::Sphere { .. } => self.answer(&Ball { points: &surface.points }, run),
            Situation::Slot { axis, .. } => {
                // Only a slot's own axis can be looked along, as it lies; a width runs where it runs.
                let axis = self.of.axis.map(|given| if given.dot(axis) > LEAST_COS { given } else { axis });
                self.answer(&Between::new(flanks(&self.of, surface)?, axis)?, run)
            }
            Situation::Width { .. } => {
                self.answer(&Between::new(flanks(&self.of, surface)?, self.of.axis)?, run)
            }
            Situation::Plane { .. }
            | Situation::Point { .. }
            | Situation::Cone { .. }
            | Situation::Torus { .. }
            | Situation::Group
            | Situation::Surface
            | Situation::Edge => Err(self.of.has_none("size")),
        }
    }
}

/// What has sizes, mm.
trait HasSizes {
    /// What is associated, in words.
    fn shape(&self) -> &'static str;
    /// The size by one association.
    fn associated(&self, run: &Run, criterion: Criterion) -> Result<f64, RuleError>;
    /// The two-point sizes.
    fn two_point(&self, run: &Run, section_mm: f64) -> Result<Sizes, RuleError>;
}

impl Size {
    fn answer(&self, feature: &impl HasSizes, run: &Run) -> Result<Found, RuleError> {
        let one = |criterion: Criterion| -> Result<Found, RuleError> {
            let value = feature.associated(run, criterion)?;
            Ok(Found {
                numbers: vec![Number { value, against: Against::Both, at: None }],
                operators: vec![("size", format!("{criterion} {}", feature.shape()))],
                ..Found::default()
            })
        };
        match self.operator {
            SizeOperator::LeastSquares => one(Criterion::LeastSquares),
            SizeOperator::MinimumZone => one(Criterion::MinimumZone),
            SizeOperator::MaximumInscribed => one(Criterion::MaximumInscribed),
            SizeOperator::MinimumCircumscribed => one(Criterion::MinimumCircumscribed),
            SizeOperator::TwoPoint => {
                let sizes = feature.two_point(run, self.section_mm)?;
                let [least, most] = sizes.ends()?;
                let number = |value, against, at| Number { value, against, at: Some(at) };
                let mut operators = vec![("size", "two-point sizes".to_string())];
                operators.extend(sizes.operators);
                Ok(Found {
                    numbers: vec![
                        number(least.size_mm, Against::Lower, least.at),
                        number(most.size_mm, Against::Upper, most.at),
                    ],
                    instances: sizes.instances,
                    operators,
                    ..Found::default()
                })
            }
            SizeOperator::Envelope => self.envelope(feature, run),
        }
    }

    /// ISO 14405-1:2016, envelope requirement: a maximum-inscribed size for an internal feature or a
    /// minimum-circumscribed one for an external feature at the limit of most material, the two-point size at the
    /// limit of least material (from memory).
    fn envelope(&self, feature: &impl HasSizes, run: &Run) -> Result<Found, RuleError> {
        let hollow = self.of.is_hollow();
        let criterion = if hollow { Criterion::MaximumInscribed } else { Criterion::MinimumCircumscribed };
        let mating = feature.associated(run, criterion)?;
        let sizes = feature.two_point(run, self.section_mm)?;
        let [least, most] = sizes.ends()?;
        let numbers = if hollow {
            vec![
                Number { value: mating, against: Against::Lower, at: None },
                Number { value: most.size_mm, against: Against::Upper, at: Some(most.at) },
            ]
        } else {
            vec![
                Number { value: least.size_mm, against: Against::Lower, at: Some(least.at) },
                Number { value: mating, against: Against::Upper, at: None },
            ]
        };
        let mut operators = vec![
            ("size", "envelope requirement".to_string()),
            ("mating size", format!("{criterion} {}", feature.shape())),
        ];
        operators.extend(sizes.operators);
        Ok(Found { numbers, instances: sizes.instances, operators, ..Found::default() })
    }
}

struct Round<'a> {
    of: &'a Subject,
    nominal: Direction,
    points: &'a [Point],
}

impl HasSizes for Round<'_> {
    fn shape(&self) -> &'static str {
        if self.of.axis.is_some() { "circle along the given axis" } else { "cylinder" }
    }

    fn associated(&self, run: &Run, criterion: Criterion) -> Result<f64, RuleError> {
        let radius = match (self.of.axis, criterion) {
            (Some(axis), Criterion::LeastSquares) => circle(self.points, axis)?.radius_mm,
            (Some(axis), _) => circle_by(run, criterion, self.points, axis)?.shape.radius_mm,
            (None, Criterion::LeastSquares) => cylinder(self.points)?.radius_mm,
            (None, _) => cylinder_by(run, criterion, self.points)?.shape.radius_mm,
        };
        Ok(2.0 * radius)
    }

    fn two_point(&self, run: &Run, section_mm: f64) -> Result<Sizes, RuleError> {
        of_round(run, self.points, &Axis::of(self.points, self.of, self.nominal)?, section_mm)
    }
}

struct Ball<'a> {
    points: &'a [Point],
}

impl HasSizes for Ball<'_> {
    fn shape(&self) -> &'static str {
        "sphere"
    }

    fn associated(&self, run: &Run, criterion: Criterion) -> Result<f64, RuleError> {
        Ok(2.0
            * match criterion {
                Criterion::LeastSquares => sphere(self.points)?.radius_mm,
                _ => sphere_by(run, criterion, self.points)?.shape.radius_mm,
            })
    }

    fn two_point(&self, run: &Run, section_mm: f64) -> Result<Sizes, RuleError> {
        of_sphere(run, self.points, &sphere(self.points)?, section_mm)
    }
}

struct Between {
    points: TwoFlanks,
    flanks: Flanks,
    given: bool,
}

impl Between {
    fn new(points: TwoFlanks, axis: Option<Direction>) -> Result<Self, RuleError> {
        let flanks = Flanks::new(&points.upper, &points.lower, axis)?;
        Ok(Self { points, flanks, given: axis.is_some() })
    }

    fn planes(&self, run: &Run, criterion: Criterion) -> Result<ParallelPlanes, RuleError> {
        let across = self.points.across;
        match criterion {
            Criterion::MinimumZone => self.flanks.minimum_zone(run, across),
            Criterion::MaximumInscribed => self.flanks.inscribed(run, across),
            Criterion::MinimumCircumscribed => self.flanks.circumscribed(run, across),
            Criterion::LeastSquares | Criterion::LeastSquaresOutside(_) => self.flanks.least_squares(across),
        }
    }
}

impl HasSizes for Between {
    fn shape(&self) -> &'static str {
        if self.given { "parallel planes along the given axis" } else { "parallel planes" }
    }

    fn associated(&self, run: &Run, criterion: Criterion) -> Result<f64, RuleError> {
        Ok(self.planes(run, criterion)?.width_mm())
    }

    fn two_point(&self, run: &Run, section_mm: f64) -> Result<Sizes, RuleError> {
        let planes = self.planes(run, Criterion::LeastSquares)?;
        of_flanks(run, [&self.points.upper, &self.points.lower], &planes, section_mm)
    }
}

#[cfg(test)]
#[path = "size_tests.rs"]
mod tests;
