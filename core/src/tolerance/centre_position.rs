//! Position of holes, pins, slots and balls by their centres, as an arm or a measuring machine takes them.

use super::axis::{self, Of, Round, straight_axis};
use super::centre_plane::centre_plane;
use super::location::{instances, largest, leeway_words, movement_words, no_across, of_largest, of_places};
use super::movement::{Gauge, Own, Residual, Settled, settle};
use super::{Found, Held, Leeway, Rule, RuleError, Surface, Zoned};
use crate::associate::{circle, slot};
use crate::geometry::{Direction, Point};
use crate::plan::{Situation, Zone};
use crate::run::Run;
use std::ops::Range;

/// Twice the largest distance of the centres of features from their true places (ISO 1101:2017, 17.13, of walls that are short, and
/// ISO 5458:2018 for several that are moved together within what the datums leave; from memory). A surface of one point is the
/// centre as it was told; of more, the centre of the least-squares circle as it is seen along the nominal axis, of the least-squares
/// slot, or of the sphere. A member that shows its mating envelope, for which ASME Y14.5-2018 asks (from memory), has the centre of
/// that, both ends of its axis, or its centre plane.
#[derive(Clone, Debug)]
pub struct CentrePosition {
    /// The features, one surface each.
    pub members: Vec<CentreMember>,
    /// Which zone; its size is not looked at.
    pub zone: Zone,
    /// What the datums leave.
    pub leeway: Leeway,
}

/// A feature whose position is that of its centre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CentreMember {
    /// The nominal feature.
    pub situation: Situation,
    /// Whether its points are enough to show its actual mating envelope, which then tells where it is.
    pub envelope: bool,
    /// Of an envelope: its axis where the points do not tell it.
    pub axis: Option<Direction>,
}

impl CentreMember {
    /// A feature whose centre is told, or fitted by least squares.
    pub fn new(situation: Situation) -> Self {
        Self { situation, envelope: false, axis: None }
    }
}

/// Where a member is.
struct Centre {
    /// All of these are held in the zone, mm.
    places: Vec<Point>,
    middle: Point,
    how: String,
}

/// The members in the form in which they are moved.
struct HeldCentres<'a> {
    rule: &'a CentrePosition,
    residuals: Vec<Residual>,
    /// The residuals of each member.
    parts: Vec<Range<usize>>,
    centres: Vec<Centre>,
}

impl Held for HeldCentres<'_> {
    fn residuals(&self) -> &[Residual] {
        &self.residuals
    }

    fn limit_mm(&self) -> f64 {
        self.rule.zone.size_mm()
    }

    fn tell(&self, _: &Run, settled: &Settled) -> Result<Found, RuleError> {
        let CentrePosition { members, leeway, .. } = self.rule;
        let mut found = of_largest(&self.residuals, largest(settled, &self.residuals));
        if members.len() > 1 {
            let none = vec![0.0; self.parts.len()];
            found.instances = instances(settled, &self.residuals, &self.parts, &none);
        } else {
            let situation = &members[0].situation;
            let middle = settled.motion.point(&self.centres[0].middle) + settled.zone_shift();
            let off = middle - place(situation)?.0;
            found.off = Some(match self.rule.gauge(situation)? {
                Gauge::Plane { normal, .. } | Gauge::Offset { normal, .. } => normal * normal.dot(&off),
                Gauge::Axis { axis, .. } => off - axis * axis.dot(&off),
                Gauge::Centre { .. } => off,
            });
        }
        let mut words: Vec<&str> = Vec::new();
        for centre in &self.centres {
            if !words.contains(&centre.how.as_str()) {
                words.push(&centre.how);
            }
        }
        found.operators = vec![("association", words.join("; ")), ("leeway", leeway_words(leeway))];
        if !leeway.is_none() {
            found.operators.push(("movement", movement_words(settled, leeway)));
        }
        Ok(found)
    }
}

impl Zoned for CentrePosition {
    fn hold<'a>(&'a self, run: &Run, surfaces: &'a [Surface]) -> Result<Box<dyn Held + 'a>, RuleError> {
        Ok(Box::new(self.held(run, surfaces)?))
    }
}

impl Rule for CentrePosition {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let held = self.held(run, surfaces)?;
        held.tell(run, &settle(run, &self.leeway, surfaces, &held.residuals, Own::NONE)?)
    }

    fn zoned(&self) -> Option<&dyn Zoned> {
        Some(self)
    }
}

impl CentrePosition {
    fn held(&self, run: &Run, surfaces: &[Surface]) -> Result<HeldCentres<'_>, RuleError> {
        if self.members.is_empty() {
            return Err(RuleError::Missing("a position of no feature".into()));
        }
        let (mut residuals, mut parts, mut centres) = (Vec::new(), Vec::new(), Vec::new());
        for (i, member) in self.members.iter().enumerate() {
            let centre = self.centre(run, axis::surface(surfaces, i, 1)?, member)?;
            let own = of_places(&centre.places, self.gauge(&member.situation)?, 0.0);
            parts.push(residuals.len()..residuals.len() + own.len());
            residuals.extend(own);
            centres.push(centre);
        }
        Ok(HeldCentres { rule: self, residuals, parts, centres })
    }

    fn centre(&self, run: &Run, surface: &Surface, member: &CentreMember) -> Result<Centre, RuleError> {
        let points = surface.points.as_slice();
        let one = |middle: Point, how: &str| Centre { places: vec![middle], middle, how: how.into() };
        if let [told] = points {
            return Ok(one(*told, "centres as they were told"));
        }
        let across = matches!(self.zone, Zone::Slab { .. });
        match member.situation {
            Situation::Slot { axis, along, .. } => {
                let side = axis.vector().cross(&along.vector());
                let over = match self.gauge(&member.situation)? {
                    Gauge::Plane { normal, .. } => normal.dot(&side).abs() >= 0.7,
                    _ => false,
                };
                // Its two ends are no two planes: along its length, and in a round zone, a slot has no mating envelope.
                if member.envelope && across && over {
                    let found = centre_plane(run, surface, &member.situation, member.axis)?;
                    return Ok(Centre { places: found.places, middle: found.middle, how: found.how });
                }
                Ok(one(slot(points, axis)?.centre, "least-squares slot of the points taken"))
            }
            Situation::Sphere { hollow, .. } => {
                let of = if member.envelope { Of::MatingEnvelope } else { Of::LeastSquares };
                let (centre, _, how) = axis::centre(run, points, hollow, of)?;
                Ok(one(centre, &format!("{how} sphere of the points taken")))
            }
            situation if member.envelope => {
                let none = || RuleError::Missing("the feature has no centre of its own".into());
                let round = Round::of(&situation).ok_or_else(none)?;
                let found = straight_axis(run, surface, &round, member.axis, Of::MatingEnvelope)?;
                Ok(Centre { places: found.ends.to_vec(), middle: found.middle(), how: found.how })
            }
            situation => match place(&situation)?.1 {
                Some(axis) => {
                    Ok(one(circle(points, axis)?.centre, "least-squares circle of the points taken"))
                }
                None => Err(RuleError::Missing("the feature has no centre of its own".into())),
            },
        }
    }

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
        let members = members.into_iter().map(CentreMember::new).collect();
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

    /// A bore of 8 that leans by 0.01 and has a bump of 0.1 at one place of every ring: the mating envelope, which gives way to the
    /// bump, has its axis aside of the least-squares one; its ends count, and from a given axis its centre.
    #[test]
    fn by_its_mating_envelope_a_bore_gives_way_to_what_stands_into_it() {
        let at = Point::new(30.0, 15.0, 0.0);
        let bumped = |slope: f64| {
            let mut wall = bore(at, Vector::new(slope, 0.0, 1.0), 8.0, [0.0, 6.0]);
            for ring in 0..9 {
                wall.points[72 * ring].x -= 0.1;
            }
            wall
        };
        let member = |axis| CentreMember { situation: hole_situation(at), envelope: true, axis };
        let of = |member: CentreMember, surface: Surface| {
            let rule = CentrePosition { members: vec![member], zone: ROUND, leeway: Leeway::none() };
            rule.measure(&quiet(), &[surface]).unwrap()
        };
        // The largest circle that a point at 3.9 in x leaves in one of 4 goes 0.05 aside and has a radius of 3.95; between points 5
        // degrees apart it finds 4 (1 / cos 2.5 degrees - 1) = 0.004 more.
        for axis in [None, Some(Direction::Z)] {
            let found = of(member(axis), bumped(0.0));
            assert!((found.numbers[0].value - 0.1).abs() < 0.02, "{found:?}");
            assert!(found.operators[0].1.starts_with("maximum inscribed"), "{found:?}");
        }
        let plain = of(CentreMember::new(hole_situation(at)), bumped(0.0));
        assert!(plain.numbers[0].value < 0.01, "{plain:?}");
        // Leaning by 0.01 over 6 mm, the far end is 0.06 aside.
        let found = of(member(None), bore(at, Vector::new(0.01, 0.0, 1.0), 8.0, [0.0, 6.0]));
        assert!((found.numbers[0].value - 0.12).abs() < 1e-6, "{found:?}");
    }
}
