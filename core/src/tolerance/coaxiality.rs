//! Coaxiality and concentricity of ISO 1101:2017, 17.14; ASME Y14.5-2018 has neither (from memory).

use super::axis::{self, Of, Round, straight_axis};
use super::location::{Along, found_of_zone, leeway_words, of_places};
use super::movement::{Gauge, Own, settle};
use super::{Found, Leeway, Rule, RuleError, Surface};
use crate::geometry::{Direction, Point};
use crate::plan::Situation;
use crate::run::Run;

/// Twice the largest distance of a feature's axis over its measured depth, or of its centre, from the datum axis.
#[derive(Clone, Debug)]
pub struct Coaxiality {
    /// The nominal feature: hole, cylinder, cone or sphere.
    pub situation: Situation,
    /// Direction of the axis where a wall shorter than its diameter does not tell it: then it is the centre seen along it.
    pub axis: Option<Direction>,
    /// A place on the datum axis, mm.
    pub at: Point,
    /// Along the datum axis.
    pub datum_axis: Direction,
    /// What the datums leave.
    pub leeway: Leeway,
}

impl Rule for Coaxiality {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let surface = axis::surface(surfaces, 0, 3)?;
        let of = Of::LeastSquares;
        let (places, middle, how) = if let Situation::Sphere { hollow, .. } = self.situation {
            let (centre, _, how) = axis::centre(run, &surface.points, hollow, of)?;
            (vec![centre], centre, how)
        } else {
            let missing = || RuleError::Missing("the feature has no axis of its own".into());
            let round = Round::of(&self.situation).ok_or_else(missing)?;
            let found = straight_axis(run, surface, &round, self.axis, of)?;
            (found.ends.to_vec(), found.middle(), found.how)
        };
        let residuals = of_places(&places, Gauge::Axis { at: self.at, axis: self.datum_axis.vector() }, 0.0);
        let settled = settle(run, &self.leeway, surfaces, &residuals, Own::NONE)?;
        let mut found = found_of_zone(&settled, &residuals);
        found.off = Some(Along::Across(self.datum_axis).of(settled.motion.point(&middle) - self.at));
        found.operators = vec![("association", how), ("leeway", leeway_words(&self.leeway))];
        Ok(found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Motion, PartFrame, Vector};
    use crate::run::quiet;
    use crate::tolerance::location_samples::{hole_situation, shaft, shaft_situation};

    fn rule(situation: Situation) -> Coaxiality {
        Coaxiality {
            situation,
            axis: None,
            at: Point::new(5.0, 5.0, 0.0),
            datum_axis: Direction::Z,
            leeway: Leeway::none(),
        }
    }

    #[test]
    fn the_end_that_is_further_from_the_datum_axis_counts() {
        let at = Point::new(5.03, 5.04, 0.0);
        let slope = Vector::new(0.003, 0.004, 1.0);
        let surface = shaft(at, slope, 12.0, [0.0, 20.0]);
        let situation = Situation::Cylinder {
            at: Point::new(5.0, 5.0, 10.0),
            axis: Direction::Z,
            diameter_mm: 12.0,
            hollow: false,
        };
        let rule = rule(situation);
        // 0.05 at the foot, 0.1 more at the top.
        let found = rule.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
        assert!((found.numbers[0].value - 0.3).abs() < 1e-7, "{found:?}");
        assert!((found.off.unwrap() - Vector::new(0.06, 0.08, 0.0)).norm() < 1e-7);

        let motion: Motion<PartFrame, PartFrame> =
            Motion::from_turn_and_shift(Vector::new(1.0, -0.4, 0.2), Vector::new(700.0, 80.0, -900.0));
        let moved = Coaxiality {
            situation: Situation::Cylinder {
                at: motion.point(&Point::new(5.0, 5.0, 10.0)),
                axis: motion.direction(Direction::Z),
                diameter_mm: 12.0,
                hollow: false,
            },
            at: motion.point(&rule.at),
            datum_axis: motion.direction(rule.datum_axis),
            ..rule
        };
        let there = moved.measure(&quiet(), &[surface.moved(&motion)]).unwrap();
        assert!((there.numbers[0].value - 0.3).abs() < 1e-7, "{there:?}");
    }

    #[test]
    fn a_short_wall_is_seen_along_the_datum_axis() {
        let surface = shaft(Point::new(5.03, 5.04, 0.0), Vector::z(), 12.0, [0.0, 1.0]);
        let mut short = rule(hole_situation(Point::new(5.0, 5.0, 0.0)));
        short.axis = Some(Direction::Z);
        let found = short.measure(&quiet(), &[surface]).unwrap();
        assert!((found.numbers[0].value - 0.1).abs() < 1e-9, "{found:?}");
    }

    #[test]
    fn what_has_no_axis_is_refused() {
        let line: Vec<Point> = (0..20).map(|i| Point::new(f64::from(i), 0.0, 0.0)).collect();
        let straight = Surface {
            normals: vec![Direction::Z; 20],
            deviations_mm: vec![0.0; 20],
            points: line,
            ..Surface::default()
        };
        let shaft = rule(shaft_situation(Point::origin()));
        assert!(matches!(shaft.measure(&quiet(), std::slice::from_ref(&straight)), Err(RuleError::Fit(_))));
        assert!(matches!(shaft.measure(&quiet(), &[]), Err(RuleError::Missing(_))));
        assert!(matches!(shaft.measure(&quiet(), &[Surface::default()]), Err(RuleError::Missing(_))));
        let plane = Situation::Plane { at: Point::origin(), normal: Direction::Z };
        assert!(matches!(rule(plane).measure(&quiet(), &[straight]), Err(RuleError::Missing(_))));
    }
}
