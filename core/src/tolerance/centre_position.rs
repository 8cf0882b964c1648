//! Position of holes, pins, slots and balls by their centres, as an arm or a measuring machine takes them.

use super::axis;
use super::location::{instances, largest, leeway_words, movement_words, no_across, of_largest, of_places};
use super::movement::{Gauge, Own, settle};
use super::{Found, Leeway, Rule, RuleError, Surface};
use crate::associate::{circle, slot, sphere};
use crate::geometry::{Direction, Point};
use crate::plan::{Situation, Zone};
use crate::run::Run;

/// Twice the largest distance of the centres of features from their true places (ISO 1101:2017, 17.13, of walls that are short, and
/// ISO 5458:2018 for several that are moved together within what the datums leave; from memory). A surface of one point is the
/// centre as it was told; of more, the centre of the least-squares circle as it is seen along the nominal axis, of the least-squares
/// slot, or of the sphere.
#[derive(Clone, Debug)]
pub struct CentrePosition {
    /// The nominal features, one surface each.
    pub members: Vec<Situation>,
    /// Which zone; its size is not looked at.
    pub zone: Zone,
    /// What the datums leave.
    pub leeway: Leeway,
}

impl Rule for CentrePosition {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        if self.members.is_empty() {
            return Err(RuleError::Missing("a position of no feature".into()));
        }
        let (mut residuals, mut parts, mut centres) = (Vec::new(), Vec::new(), Vec::new());
        for (i, situation) in self.members.iter().enumerate() {
            let points = &axis::surface(surfaces, i, 1)?.points;
            let centre = centre(points, situation)?;
            let own = of_places(&[centre], self.gauge(situation)?, 0.0);
            parts.push(residuals.len()..residuals.len() + own.len());
            residuals.extend(own);
            centres.push(centre);
        }
        let settled = settle(run, &self.leeway, surfaces, &residuals, Own::NONE)?;
        let mut found = of_largest(&residuals, largest(&settled, &residuals));
        if self.members.len() > 1 {
            found.instances = instances(&settled, &residuals, &parts, &vec![0.0; parts.len()]);
        } else {
            let off = settled.motion.point(&centres[0]) - place(&self.members[0])?.0;
            found.off = Some(match self.gauge(&self.members[0])? {
                Gauge::Plane { normal, .. } => normal * normal.dot(&off),
                Gauge::Axis { axis, .. } => off - axis * axis.dot(&off),
                Gauge::Centre { .. } => off,
            });
        }
        let how = if surfaces.iter().all(|s| s.points.len() == 1) {
            "centres as they were told"
        } else {
            "least-squares centres of the points taken, or centres as they were told"
        };
        found.operators = vec![("association", how.into()), ("leeway", leeway_words(&self.leeway))];
        if !self.leeway.is_none() {
            found.operators.push(("movement", movement_words(&settled, &self.leeway)));
        }
        Ok(found)
    }
}

impl CentrePosition {
    /// From what a centre is held.
    fn gauge(&self, situation: &Situation) -> Result<Gauge, RuleError> {
        let (at, axis) = place(situation)?;
        Ok(match (self.zone, axis) {
            (Zone::Round { .. }, Some(axis)) => Gauge::Axis { at, axis: axis.vector() },
            (Zone::Round { .. }, None) => Gauge::Centre { at },
            (Zone::Slab { across: Some(across), .. }, _) => Gauge::Plane { at, normal: across.vector() },
            (Zone::Slab { across: None, .. }, _) => match *situation {
                Situation::Slot { axis, along, .. } => {
                    Gauge::Plane { at, normal: axis.vector().cross(&along.vector()) }
                }
                _ => return Err(no_across()),
            },
        })
    }
}

/// Where a feature should be, and its axis if it has one.
fn place(situation: &Situation) -> Result<(Point, Option<Direction>), RuleError> {
    match *situation {
        Situation::Hole { at, axis, .. }
        | Situation::Slot { at, axis, .. }
        | Situation::Cylinder { at, axis, .. } => Ok((at, Some(axis))),
        Situation::Sphere { at, .. } => Ok((at, None)),
        _ => Err(RuleError::Missing("the feature has no centre of its own".into())),
    }
}

fn centre(points: &[Point], situation: &Situation) -> Result<Point, RuleError> {
    if let [one] = points {
        return Ok(*one);
    }
    Ok(match *situation {
        Situation::Slot { axis, .. } => slot(points, axis)?.centre,
        Situation::Sphere { .. } => sphere(points)?.centre,
        _ => match place(situation)?.1 {
            Some(axis) => circle(points, axis)?.centre,
            None => return Err(RuleError::Missing("the feature has no centre of its own".into())),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Twist, Vector, math};
    use crate::run::quiet;
    use crate::tolerance::location_samples::{bore, hole_situation};

    fn told(at: Point) -> Surface {
        Surface {
            points: vec![at],
            normals: vec![Direction::Z],
            deviations_mm: vec![0.0],
            ..Surface::default()
        }
    }

    fn rule(members: Vec<Situation>, zone: Zone) -> CentrePosition {
        CentrePosition { members, zone, leeway: Leeway::none() }
    }

    const ROUND: Zone = Zone::Round { diameter_mm: 0.2 };

    /// CHECKS f.2, ASME Y14.5: dx = dy = 0.1 is 2 sqrt(0.02); what lies along the axis counts nothing.
    #[test]
    fn told_and_fitted_centres_are_twice_as_far_off() {
        let at = Point::new(30.0, 15.0, 0.0);
        let there = at + Vector::new(0.1, 0.1, 0.7);
        let rule_of = |zone| rule(vec![hole_situation(at)], zone);
        for surface in [told(there), bore(there, Vector::z(), 8.0, [0.0, 3.0])] {
            let found = rule_of(ROUND).measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
            assert!((found.numbers[0].value - 0.282_842_712_474_619).abs() < 1e-8, "{found:?}");
            assert!((found.off.unwrap() - Vector::new(0.1, 0.1, 0.0)).norm() < 1e-8);
            let slab = Zone::Slab { width_mm: 0.2, across: Some(Direction::X) };
            let found = rule_of(slab).measure(&quiet(), &[surface]).unwrap();
            assert!((found.numbers[0].value - 0.2).abs() < 1e-8);
        }
        let none = Zone::Slab { width_mm: 0.2, across: None };
        assert!(rule_of(none).measure(&quiet(), &[told(there)]).is_err());
        let ball = Situation::Sphere { at, diameter_mm: 10.0, hollow: false };
        let found = rule(vec![ball], ROUND).measure(&quiet(), &[told(there)]).unwrap();
        assert!((found.numbers[0].value - 2.0 * 0.51f64.sqrt()).abs() < 1e-12);
    }

    /// A slot of 20 by 8 turned by 90 degrees, its flanks and ends in closed form, 0.03 off across.
    #[test]
    fn a_slot_has_its_centre_and_its_own_direction_across() {
        let slot = Situation::Slot {
            at: Point::new(5.0, 0.0, 0.0),
            axis: Direction::Z,
            along: Direction::Y,
            length_mm: Some(20.0),
            width_mm: Some(8.0),
        };
        let mut points = Vec::new();
        for i in 0..7 {
            for side in [4.0, -4.0] {
                points.push(Point::new(5.03 + side, -6.0 + 2.0 * f64::from(i), 0.1 * side));
            }
        }
        for i in 1..8 {
            let a = std::f64::consts::PI * f64::from(i) / 8.0;
            for end in [1.0, -1.0] {
                points.push(Point::new(5.03 + 4.0 * math::cos(a), end * (6.0 + 4.0 * math::sin(a)), 0.0));
            }
        }
        let normals = vec![Direction::Z; points.len()];
        let deviations_mm = vec![0.0; points.len()];
        let surface = Surface { points, normals, deviations_mm, ..Surface::default() };
        let across = Zone::Slab { width_mm: 0.2, across: None };
        for zone in [ROUND, across] {
            let found = rule(vec![slot], zone).measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
            assert!((found.numbers[0].value - 0.06).abs() < 1e-7, "{found:?}");
        }
    }

    /// Four holes off by one shift: held twice that, only oriented nothing.
    #[test]
    fn several_are_moved_together() {
        let places = [[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]].map(|[x, y]| Point::new(x, y, 0.0));
        let surfaces: Vec<Surface> = places.iter().map(|p| told(p + Vector::new(0.3, -0.4, 0.0))).collect();
        let mut four = rule(places.iter().map(|&p| hole_situation(p)).collect(), ROUND);
        let found = four.measure(&quiet(), &surfaces).unwrap();
        assert!((found.numbers[0].value - 1.0).abs() < 1e-12 && found.instances.len() == 4);
        four.leeway.free = Twist::all(100.0)[..3].to_vec();
        assert!(four.measure(&quiet(), &surfaces).unwrap().numbers[0].value < 1e-8);
        assert!(four.measure(&quiet(), &surfaces[..3]).is_err());
        assert!(rule(Vec::new(), ROUND).measure(&quiet(), &[]).is_err());
        let plane = Situation::Plane { at: Point::origin(), normal: Direction::Z };
        assert!(rule(vec![plane], ROUND).measure(&quiet(), &surfaces[..1]).is_err());
    }
}
