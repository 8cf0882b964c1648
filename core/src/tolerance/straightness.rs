//! Straightness of the lines of a round surface, and of its axis (ISO 1101:2017, 17.2; from memory).

use super::form::{Reference, Worst, peak_to_valley};
use super::roundness::axis_of_cone;
use super::sections::{cut, enough, round, thick_enough};
use super::subject::{Axis, Subject, surface};
use super::{Found, Rule, RuleError, Surface};
use crate::associate::{Criterion, line, line_by, minimum_zone_line_in_plane};
use crate::geometry::{Direction, Point, math};
use crate::plan::{Situation, StraightnessOf};
use crate::run::{CHECK_EVERY, Run};
use std::f64::consts::TAU;

/// Straightness, mm: the largest distance of the two parallel lines that hold a line of a cylinder or cone in the half
/// plane of its axis; or the diameter of the cylinder that holds a hole's or cylinder's axis, which is the line
/// through the centres of its sections (extracted median line, ISO 17450-3 and ISO 14660-2; from memory).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Straightness {
    /// Of what.
    pub subject: Subject,
    /// Whether of its lines or of its axis.
    pub of: StraightnessOf,
    /// The reference line.
    pub reference: Reference,
    /// Thickness of a section, or width of the strip that stands for a line, mm: one to two point spacings, or the
    /// nesting index of the filter.
    pub section_mm: f64,
}

impl Rule for Straightness {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let points = &surface(surfaces, 0)?.points;
        match (self.of, self.subject.situation) {
            (_, Situation::Hole { axis, .. } | Situation::Cylinder { axis, .. }) => {
                let axis = Axis::of(points, &self.subject, axis)?;
                match self.of {
                    StraightnessOf::Axis => self.of_axis(run, points, &axis),
                    StraightnessOf::Lines => self.of_lines(run, points, &axis),
                }
            }
            (StraightnessOf::Lines, Situation::Cone { axis, .. }) => {
                self.of_lines(run, points, &axis_of_cone(points, axis)?)
            }
            _ => Err(self.subject.has_none("straightness of this kind")),
        }
    }
}

/// Fewest points of a line, the part of the surface's length that it must cover, and the largest part of it that may
/// lie open between neighbours: a line told at two places has no bend. Our own choice.
const LEAST_POINTS: usize = 5;
const LEAST_PART: f64 = 0.5;
const LARGEST_GAP: f64 = 1.0 / 3.0;
/// Fewest centres that tell more than a line through two.
const LEAST_CENTRES: usize = 3;
/// Most lines about a surface: beyond it neighbours tell the same.
const MOST_LINES: f64 = 720.0;

impl Straightness {
    fn of_axis(&self, run: &Run, points: &[Point], axis: &Axis) -> Result<Found, RuleError> {
        let sections = cut(run, points, axis, self.section_mm)?;
        let mut centres = Vec::new();
        let mut numbers = Vec::new();
        for section in &sections {
            run.check()?;
            if let Some(fit) = round(section) {
                let off = axis.across[0] * fit.centre.x + axis.across[1] * fit.centre.y;
                centres.push(axis.at(section.height_mm) + off);
                numbers.push(section.number);
            }
        }
        let counted = enough(centres.len(), sections.len(), self.section_mm, "points all round")?;
        if centres.len() < LEAST_CENTRES {
            return Err(RuleError::Missing(format!(
                "{} sections of {} mm tell no bend of an axis; measure along more of it, or give thinner sections",
                centres.len(),
                self.section_mm
            )));
        }
        let (through, direction) = match self.reference {
            Reference::MinimumZone => {
                let fit = line_by(run, Criterion::MinimumZone, &centres)?;
                (fit.shape.point, fit.shape.direction)
            }
            Reference::LeastSquares => {
                let fit = line(&centres)?;
                (fit.centroid, fit.direction)
            }
        };
        let mut worst = Worst::new();
        for (centre, number) in centres.iter().zip(numbers) {
            let off = (centre - through).cross(&direction.vector()).norm();
            worst.add(format!("section {number}"), 2.0 * off, *centre, *centre);
        }
        Ok(worst.found(vec![
            ("reference", format!("{} line", self.reference.word())),
            ("median line", "centres of the sections' least-squares circles".into()),
            counted,
        ]))
    }

    fn of_lines(&self, run: &Run, points: &[Point], axis: &Axis) -> Result<Found, RuleError> {
        thick_enough(self.section_mm)?;
        let cos = 1.0 / (1.0 + axis.taper * axis.taper).sqrt();
        let sin = cos * axis.taper;
        let lines = (TAU * axis.radius_mm.abs() / self.section_mm).round().clamp(8.0, MOST_LINES);
        // Sector, place along the line, distance from it.
        let mut seen: Vec<(u64, usize, Point)> = Vec::with_capacity(points.len());
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (i, p) in points.iter().enumerate() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            let [x, y, z] = axis.seen(p);
            let turn = math::atan2(y, x) / TAU + 0.5;
            let radius = (x * x + y * y).sqrt() - axis.radius_mm;
            let along = z * cos + radius * sin;
            (low, high) = (low.min(along), high.max(along));
            let sector = ((turn * lines) as u64).min(lines as u64 - 1);
            seen.push((sector, i, Point::new(along, radius * cos - z * sin, 0.0)));
        }
        seen.sort_unstable_by_key(|s| (s.0, s.1));
        let mut worst = Worst::new();
        let mut strips = 0;
        for strip in seen.chunk_by(|a, b| a.0 == b.0) {
            run.check()?;
            strips += 1;
            let flat: Vec<Point> = strip.iter().map(|s| s.2).collect();
            if flat.len() < LEAST_POINTS || !is_along(&flat, high - low) {
                continue;
            }
            let [low, high] = self.residuals(&flat)?;
            let (value, at) = peak_to_valley(low, high);
            let turn = (strip[0].0 as f64 + 0.5) / lines * TAU - 0.5 * TAU;
            let out = axis.across[0] * math::cos(turn) + axis.across[1] * math::sin(turn);
            let name = format!("line {}", strip[0].0 + 1);
            worst.add(name, value, axis.point + out * axis.radius_mm, points[strip[at].1]);
        }
        if worst.count() == 0 || 2 * worst.count() < strips {
            return Err(RuleError::Missing(format!(
                "{} of {strips} lines of {} mm width hold points along half of their length; measure more of the \
                 surface, or closer, or give wider lines",
                worst.count(),
                self.section_mm
            )));
        }
        let counted = format!("{} of {strips}, {} mm wide", worst.count(), self.section_mm);
        Ok(worst.found(vec![("reference", format!("{} line", self.reference.word())), ("lines", counted)]))
    }

    /// Lowest and highest point about the reference line of points in the plane of x and y.
    fn residuals(&self, flat: &[Point]) -> Result<[(f64, usize); 2], RuleError> {
        if self.reference == Reference::MinimumZone {
            let zone = minimum_zone_line_in_plane(flat, Direction::Z)?;
            return Ok([zone.low, zone.high]);
        }
        let fit = line(flat)?;
        let d = fit.direction.vector();
        let mut ends = [(f64::INFINITY, 0), (f64::NEG_INFINITY, 0)];
        for (i, p) in flat.iter().enumerate() {
            let off = p - fit.centroid;
            let height = d.x * off.y - d.y * off.x;
            if height < ends[0].0 {
                ends[0] = (height, i);
            }
            if height > ends[1].0 {
                ends[1] = (height, i);
            }
        }
        Ok(ends)
    }
}

/// Whether points lie along a line of that length, mm, without too large a gap.
fn is_along(flat: &[Point], length_mm: f64) -> bool {
    let mut places: Vec<f64> = flat.iter().map(|p| p.x).collect();
    places.sort_unstable_by(f64::total_cmp);
    let gap = places.windows(2).fold(0.0, |most: f64, pair| most.max(pair[1] - pair[0]));
    let covered = places.last().zip(places.first()).map_or(0.0, |(to, from)| to - from);
    covered >= LEAST_PART * length_mm && gap <= LARGEST_GAP * length_mm
}

#[cfg(test)]
#[path = "straightness_tests.rs"]
mod tests;
