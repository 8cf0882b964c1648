//! Roundness of every section (ISO 1101:2017, 17.4; ISO 12181; from memory).

use super::form::{Reference, Worst, peak_to_valley};
use super::sections::{Section, cut, enough, round};
use super::subject::{Axis, Subject, surface};
use super::{Found, Rule, RuleError, Surface};
use crate::associate::{Criterion, circle_by, cone, sphere};
use crate::geometry::{Direction, Point, Vector, math};
use crate::plan::Situation;
use crate::run::{CHECK_EVERY, Run};

/// The largest distance, mm, of the two concentric circles that hold a section: of a hole or cylinder square to its
/// axis; of a cone too, told square to the surface (as ISO 1101:2017 has it where nothing else is drawn; from memory);
/// of a sphere in great circles through its centre in nine planes of the part's axes.
///
/// Sections that are not seen all round do not count; where more than half of them do not, there is no answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Roundness {
    /// Of what.
    pub of: Subject,
    /// The reference circle.
    pub reference: Reference,
    /// Thickness of a section, mm: one to two point spacings, or the nesting index of the filter.
    pub section_mm: f64,
}

impl Rule for Roundness {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let points = &surface(surfaces, 0)?.points;
        // A section's own place, for its name.
        type Places = Box<dyn Fn(&Section) -> Point>;
        let (sections, share, place): (Vec<Section>, f64, Places) = match self.of.situation {
            Situation::Hole { axis, .. } | Situation::Cylinder { axis, .. } => {
                let axis = Axis::of(points, &self.of, axis)?;
                let sections = cut(run, points, &axis, self.section_mm)?;
                (sections, 1.0, Box::new(move |s| axis.at(s.height_mm)))
            }
            Situation::Cone { axis, .. } => {
                let axis = axis_of_cone(points, axis)?;
                let sections = cut(run, points, &axis, self.section_mm)?;
                let cos = 1.0 / (1.0 + axis.taper * axis.taper).sqrt();
                (sections, cos, Box::new(move |s| axis.at(s.height_mm)))
            }
            Situation::Sphere { .. } => {
                let centre = sphere(points)?.centre;
                (great_circles(run, points, centre, self.section_mm)?, 1.0, Box::new(move |_| centre))
            }
            Situation::Plane { .. }
            | Situation::Slot { .. }
            | Situation::Point { .. }
            | Situation::Torus { .. }
            | Situation::Width { .. }
            | Situation::Group
            | Situation::Surface
            | Situation::Edge => return Err(self.of.has_none("roundness")),
        };
        let mut worst = Worst::new();
        for section in &sections {
            run.check()?;
            let Some(fit) = round(section) else { continue };
            let (low, high) = match self.reference {
                Reference::LeastSquares => (fit.low, fit.high),
                Reference::MinimumZone => {
                    let zone = circle_by(run, Criterion::MinimumZone, &section.flat, Direction::Z)?;
                    (zone.low, zone.high)
                }
            };
            let (value, at) = peak_to_valley(low, high);
            let name = format!("section {}", section.number);
            worst.add(name, share * value, place(section), points[section.members[at]]);
        }
        let counted = enough(worst.count(), sections.len(), self.section_mm, "points all round")?;
        Ok(worst.found(vec![("reference", format!("{} circle", self.reference.word())), counted]))
    }
}

/// The least-squares cone's axis, to its open end or away from it as the nominal's goes.
pub(super) fn axis_of_cone(points: &[Point], nominal: Direction) -> Result<Axis, RuleError> {
    let fit = cone(points)?;
    let axis = Axis::new(fit.point, fit.axis, nominal, fit.radius_mm);
    let taper = math::tan(fit.half_angle_rad) * axis.direction.dot(fit.axis).signum();
    Ok(Axis { taper, ..axis })
}

/// Points near nine planes through a centre, square to the part's axes and to the halves between them, each at its own
/// distance from the centre in the direction in which it is seen in the plane.
fn great_circles(
    run: &Run,
    points: &[Point],
    centre: Point,
    section_mm: f64,
) -> Result<Vec<Section>, RuleError> {
    super::sections::thick_enough(section_mm)?;
    let ways = [
        [0.0, 0.0, 1.0],
        [0.0, 1.0, 0.0],
        [1.0, 0.0, 0.0],
        [0.0, 1.0, 1.0],
        [0.0, 1.0, -1.0],
        [1.0, 0.0, 1.0],
        [1.0, 0.0, -1.0],
        [1.0, 1.0, 0.0],
        [1.0, -1.0, 0.0],
    ];
    let mut out = Vec::new();
    for (number, way) in (1..).zip(ways) {
        let Some(normal) = Direction::new(Vector::from(way)) else { continue };
        let (a, b) = normal.frame();
        let mut section = Section { number, height_mm: 0.0, members: Vec::new(), flat: Vec::new() };
        for (i, p) in points.iter().enumerate() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            let d = p - centre;
            if d.dot(&normal.vector()).abs() > 0.5 * section_mm {
                continue;
            }
            let (x, y) = (d.dot(&a), d.dot(&b));
            let across = (x * x + y * y).sqrt();
            if across > 0.0 {
                let scale = d.norm() / across;
                section.members.push(i);
                section.flat.push(Point::new(x * scale, y * scale, 0.0));
            }
        }
        out.push(section);
    }
    Ok(out)
}

#[cfg(test)]
#[path = "roundness_tests.rs"]
mod tests;
