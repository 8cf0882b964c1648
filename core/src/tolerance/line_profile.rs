//! Profile of a line: ISO 1101:2017, 17.6 and 17.7 (from memory), and ISO 1660:2017.

use super::axis;
use super::profile::{Limits, deviations};
use super::{Found, Leeway, Rule, RuleError, Surface};
use crate::geometry::{Direction, Point};
use crate::run::{CHECK_EVERY, Run};

/// Smallest and largest deviation of a surface along the line in which a plane cuts it: of its points within a strip about
/// that plane. Between two places only those count whose foot on the straight line between them lies between.
#[derive(Clone, Debug)]
pub struct LineProfile {
    /// A place on the plane that cuts, mm.
    pub at: Point,
    /// Square to it.
    pub normal: Direction,
    /// Half the width of the strip, mm: one or two spacings of the points.
    pub half_width_mm: f64,
    /// The ends of the line, mm.
    pub between: Option<[Point; 2]>,
    /// Largest deviation out of the material, mm.
    pub upper_mm: f64,
    /// Smallest deviation, mm.
    pub lower_mm: f64,
    /// What the datums leave.
    pub leeway: Leeway,
}

impl Rule for LineProfile {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let surface = axis::surface(surfaces, 0, 1)?;
        if !(self.half_width_mm.is_finite() && self.half_width_mm > 0.0) {
            return Err(RuleError::Missing("the strip about a section needs a width above 0".into()));
        }
        let chord = self.between.map(|[a, b]| (a, b - a));
        if chord.is_some_and(|c| !(c.1.norm_squared() > 0.0)) {
            return Err(RuleError::Missing("the two ends of the line are one place".into()));
        }
        let normal = self.normal.vector();
        let mut chosen = Vec::new();
        for (k, p) in surface.points.iter().enumerate() {
            if k % CHECK_EVERY == 0 {
                run.check()?;
            }
            let near = normal.dot(&(p - self.at)).abs() <= self.half_width_mm;
            let within = chord.is_none_or(|(a, to)| {
                let share = to.dot(&(p - a)) / to.norm_squared();
                (0.0..=1.0).contains(&share)
            });
            if near && within {
                chosen.push((0, k));
            }
        }
        if chosen.is_empty() {
            return Err(RuleError::Missing(format!(
                "no point lies within {} mm of the section; measure there, or take a wider strip",
                self.half_width_mm
            )));
        }
        let limits = Limits { upper_mm: self.upper_mm, lower_mm: self.lower_mm };
        let mut found = deviations(run, surfaces, &chosen, limits, false, &self.leeway)?;
        found.instances.clear();
        found.operators.push(("points", chosen.len().to_string()));
        Ok(found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Twist;
    use crate::run::quiet;
    use crate::tolerance::location_samples::face;

    fn rule() -> LineProfile {
        LineProfile {
            at: Point::new(0.0, 30.0, 0.0),
            normal: Direction::Y,
            half_width_mm: 1.0,
            between: None,
            upper_mm: 0.2,
            lower_mm: -0.2,
            leeway: Leeway::none(),
        }
    }

    #[test]
    fn only_what_lies_in_the_section_counts() {
        // A ridge along y = 30 that rises with x; the rest lies far off.
        let surface = face(|x, y| if y == 30.0 { 0.001 * x - 0.04 } else { 3.0 });
        let found = rule().measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
        let values = |f: &Found| [f.numbers[0].value, f.numbers[1].value];
        assert_eq!(values(&found), [-0.04, 0.1 - 0.04]);
        let between = Some([Point::new(20.0, 30.0, 0.0), Point::new(60.0, 30.0, 0.0)]);
        let part =
            LineProfile { between, ..rule() }.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
        let [low, high] = values(&part);
        assert!((low + 0.02).abs() < 1e-15 && (high - 0.02).abs() < 1e-15);
        // Free to move the line is straight.
        let leeway =
            Leeway { centre: Point::new(50.0, 30.0, 0.0), free: Twist::all(50.0), bounds: Vec::new() };
        let free =
            LineProfile { leeway, ..rule() }.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
        assert!(values(&free).iter().all(|v| v.abs() < 1e-7), "{free:?}");
    }

    #[test]
    fn a_section_beside_the_points_is_missing() {
        let surface = face(|_, _| 0.0);
        let beside = LineProfile { at: Point::new(0.0, 32.5, 0.0), ..rule() };
        let point = Some([Point::origin(); 2]);
        let no_line = LineProfile { between: point, ..rule() };
        let no_strip = LineProfile { half_width_mm: f64::NAN, ..rule() };
        for rule in [beside, no_line, no_strip] {
            let refused = rule.measure(&quiet(), std::slice::from_ref(&surface));
            assert!(matches!(refused, Err(RuleError::Missing(_))), "{refused:?}");
        }
        assert!(rule().measure(&quiet(), &[]).is_err());
    }
}
