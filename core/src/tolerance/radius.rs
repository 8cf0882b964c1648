//! The radius of a cylinder, a sphere or the tube of a torus.

use super::subject::{Subject, surface};
use super::{Against, Found, Number, Rule, RuleError, Surface};
use crate::associate::{circle, cylinder, sphere, torus};
use crate::plan::Situation;
use crate::run::Run;

/// The radius, mm, of the least-squares cylinder, sphere or torus (of its tube); a part of a turn will do, as far as
/// the points tell it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Radius {
    /// Of what.
    pub of: Subject,
}

impl Rule for Radius {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let points = &surface(surfaces, 0)?.points;
        let (value, shape) = match (self.of.situation, self.of.axis) {
            (Situation::Hole { .. } | Situation::Cylinder { .. }, Some(axis)) => {
                (circle(points, axis)?.radius_mm, "circle along the given axis")
            }
            (Situation::Hole { .. } | Situation::Cylinder { .. }, None) => {
                (cylinder(points)?.radius_mm, "cylinder")
            }
            (Situation::Sphere { .. }, _) => (sphere(points)?.radius_mm, "sphere"),
            (Situation::Torus { .. }, _) => (torus(points)?.minor_radius_mm, "torus"),
            _ => return Err(self.of.has_none("radius")),
        };
        Ok(Found {
            numbers: vec![Number { value, against: Against::Both, at: None }],
            operators: vec![("radius", format!("least squares {shape}"))],
            ..Found::default()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Direction, Point, math};
    use crate::run::quiet;

    fn measured(situation: Situation, points: Vec<Point>) -> Result<f64, RuleError> {
        let surface = Surface { points, ..Surface::default() };
        Ok(Radius { of: Subject::new(situation) }.measure(&quiet(), &[surface])?.numbers[0].value)
    }

    /// Places over a quarter turn and from 0 to 1.
    fn grid() -> impl Iterator<Item = (f64, f64)> {
        (0..400).map(|i| (f64::from(i % 20) / 19.0 * 1.57, f64::from(i / 20) / 19.0))
    }

    #[test]
    fn a_quarter_of_a_cylinder_or_a_torus_and_a_cap_tell_their_radius() {
        let at = Point::origin();
        let fillet = grid().map(|(t, z)| Point::new(3.0 * math::cos(t), 3.0 * math::sin(t), 20.0 * z));
        let cylinder = Situation::Cylinder { at, axis: Direction::Z, diameter_mm: 6.0, hollow: true };
        assert!((measured(cylinder, fillet.collect()).unwrap() - 3.0).abs() < 1e-9);
        let cap = grid().map(|(t, z)| {
            let (s, c) = (math::sin(z), math::cos(z));
            Point::new(8.0 * s * math::cos(4.0 * t), 8.0 * s * math::sin(4.0 * t), 8.0 * c)
        });
        let sphere = Situation::Sphere { at, diameter_mm: 16.0, hollow: false };
        assert!((measured(sphere, cap.collect()).unwrap() - 8.0).abs() < 1e-9);
        let bend = grid().map(|(t, z)| {
            let r = 30.0 + 4.0 * math::cos(t);
            Point::new(r * math::cos(2.0 * z), r * math::sin(2.0 * z), 4.0 * math::sin(t))
        });
        let (axis, radius_mm) = (Direction::Z, 30.0);
        let torus = Situation::Torus { at, axis, radius_mm, tube_radius_mm: 4.0, hollow: false };
        assert!((measured(torus, bend.collect()).unwrap() - 4.0).abs() < 1e-8);
    }

    #[test]
    fn a_caller_who_left_is_not_answered() {
        let stop = std::sync::atomic::AtomicBool::new(true);
        let left = Run { stop: &stop, ..quiet() };
        let situation = Situation::Sphere { at: Point::origin(), diameter_mm: 2.0, hollow: false };
        let ways = [Direction::X, Direction::Y, Direction::Z];
        let points = ways.iter().flat_map(|d| [d.vector(), -d.vector()]).map(Point::from).collect();
        let surface = [Surface { points, ..Surface::default() }];
        let rule = Radius { of: Subject::new(situation) };
        assert!(rule.measure(&quiet(), &surface).is_ok());
        assert!(matches!(rule.measure(&left, &surface), Err(RuleError::Stopped(_))));
        let operator = crate::plan::SizeOperator::LeastSquares;
        let size = crate::tolerance::Size { of: Subject::new(situation), operator, section_mm: 1.0 };
        assert!(size.measure(&quiet(), &surface).is_ok());
        assert!(matches!(size.measure(&left, &surface), Err(RuleError::Stopped(_))));
    }

    #[test]
    fn what_tells_no_radius_is_refused() {
        let at = Point::origin();
        let sphere = Situation::Sphere { at, diameter_mm: 16.0, hollow: false };
        assert!(matches!(measured(sphere, vec![]), Err(RuleError::Missing(_))));
        assert!(matches!(measured(sphere, vec![at; 3]), Err(RuleError::Fit(_))));
        assert!(matches!(measured(sphere, vec![Point::new(f64::NAN, 0.0, 0.0); 9]), Err(RuleError::Fit(_))));
        let flat: Vec<Point> = grid().map(|(x, y)| Point::new(x, y, 0.0)).collect();
        let cylinder = Situation::Cylinder { at, axis: Direction::Z, diameter_mm: 6.0, hollow: true };
        assert!(matches!(measured(cylinder, flat.clone()), Err(RuleError::Fit(_))));
        let plane = Situation::Plane { at, normal: Direction::Z };
        assert!(matches!(measured(plane, flat), Err(RuleError::Missing(_))));
    }
}
