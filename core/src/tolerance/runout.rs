//! Run-out of ISO 1101:2017, 17.16 and 17.17 (from memory).

use super::axis;
use super::{Against, Found, Instance, Number, Rule, RuleError, Surface};
use crate::geometry::{Direction, Point, Vector, math};
use crate::plan::{RunoutDirection, Situation};
use crate::run::{CHECK_EVERY, Run};
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// The largest arc of a section without a point: what a larger one hides may be any run-out. Our choice; common practice
/// asks for whole turns.
const LARGEST_GAP: f64 = PI / 2.0;

/// Run-out about a datum axis: what an indicator at rest would show while the part turns once about it.
///
/// Radial: largest less smallest distance from the axis; of a cone and a ball square to the nominal surface, as ISO
/// 1101:2017 has it where no direction is written (from memory), so that neither their slope within a section nor where on
/// it a point lies counts. Axial: of the places along it. Circular: within sections (rings of `section_mm` along the axis,
/// or in radius), the largest of all sections; total: over the whole surface. Sections and surfaces that leave more than a
/// quarter of a turn open do not count, and at least half of the sections must: over the nominal wall where it is known,
/// else over what was measured. A total run-out in axial direction asks for the whole turn alone.
#[derive(Clone, Copy, Debug)]
pub struct Runout {
    /// The nominal of the surface; the axis of a cone and the centre of a ball count as lying on the datum axis.
    pub situation: Situation,
    /// A place on the datum axis, mm.
    pub at: Point,
    /// Along the datum axis.
    pub datum_axis: Direction,
    /// Which way it is read.
    pub direction: RunoutDirection,
    /// Whether over the whole surface at once.
    pub total: bool,
    /// Height of a ring along the axis (radial), or its width in radius (axial), mm; for total run-out of the rings in
    /// which the surface must be seen.
    pub section_mm: f64,
}

/// A point as the axis sees it.
#[derive(Clone, Copy)]
struct Seen {
    read: f64,
    angle: f64,
    index: usize,
}

impl Runout {
    /// What is read at a height along the datum axis and a distance from it, mm, up to a constant.
    fn read_mm(&self, height: f64, radius: f64) -> f64 {
        let axis = self.datum_axis.vector();
        match (self.direction, self.situation) {
            (RunoutDirection::Axial, _) => height,
            // Square to the line of the nominal cone: (radius - its radius there) times the cosine.
            (RunoutDirection::Radial, Situation::Cone { at, axis: own, half_angle_rad, .. }) => {
                let above = height - axis.dot(&(at - self.at));
                let grows = if axis.dot(&own.vector()) < 0.0 { -half_angle_rad } else { half_angle_rad };
                radius * math::cos(grows) - above * math::sin(grows)
            }
            (RunoutDirection::Radial, Situation::Sphere { at, .. }) => {
                let above = height - axis.dot(&(at - self.at));
                (radius * radius + above * above).sqrt()
            }
            (RunoutDirection::Radial, _) => radius,
        }
    }
}

impl Rule for Runout {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let surface = axis::surface(surfaces, 0, 3)?;
        if !(self.section_mm.is_finite() && self.section_mm > 1e-6) {
            return Err(RuleError::Missing("sections of run-out need a height above 0".into()));
        }
        let axis = self.datum_axis.vector();
        let (a, b) = self.datum_axis.frame();
        let radial = self.direction == RunoutDirection::Radial;
        // The first section has the first end of the surface in its middle, so that sections go along with the part.
        let place = |p: &Point| {
            let d = p - self.at;
            let (height, across): (f64, Vector) = (axis.dot(&d), d - axis * axis.dot(&d));
            (height, across.norm(), math::atan2(b.dot(&d), a.dot(&d)))
        };
        let (mut first, mut last) = (f64::INFINITY, f64::NEG_INFINITY);
        for chunk in surface.points.chunks(CHECK_EVERY) {
            run.check()?;
            for p in chunk {
                let (height, radius, _) = place(p);
                let along = if radial { height } else { radius };
                (first, last) = (first.min(along), last.max(along));
            }
        }
        let mut sections: BTreeMap<i64, Vec<Seen>> = BTreeMap::new();
        for (index, p) in surface.points.iter().enumerate() {
            if index % CHECK_EVERY == 0 {
                run.check()?;
            }
            let (height, radius, angle) = place(p);
            let (read, along) = (self.read_mm(height, radius), if radial { height } else { radius });
            let section = ((along - first) / self.section_mm + 0.5).floor() as i64;
            sections.entry(section).or_default().push(Seen { read, angle, index });
        }
        let wall = surface.wall_mm.filter(|_| radial).map_or(0.0, |[low, high]| high - low);
        let steps = (last - first).max(wall) / self.section_mm;
        let mut worst: Option<(f64, usize)> = None;
        let mut instances = Vec::new();
        let mut whole = Vec::new();
        for (section, mut seen) in sections {
            run.check()?;
            let found = range(&mut seen);
            if self.total {
                whole.append(&mut seen);
            }
            let Some((value, index)) = found else { continue };
            let middle = first + section as f64 * self.section_mm;
            let word = if radial { "height" } else { "radius" };
            instances.push(Instance {
                name: format!("{word} {middle:.3} mm"),
                value_mm: value,
                at: Some(surface.points[index]),
            });
            if worst.is_none_or(|w| value > w.0) {
                worst = Some((value, index));
            }
        }
        let sections = format!("{} of {}, {} mm each", instances.len(), steps as u64 + 1, self.section_mm);
        let enough = 2.0 * instances.len() as f64 >= steps || self.total && !radial;
        if self.total {
            worst = range(&mut whole);
        }
        let Some((value, index)) = worst.filter(|_| enough) else {
            return Err(RuleError::Missing(format!(
                "too few sections of the surface were seen all round the axis, with gaps up to a quarter of a turn \
                 ({sections}; half of them must be); measure more of it, or take higher sections"
            )));
        };
        let mut operators = Vec::new();
        if self.total {
            instances.clear();
        } else {
            operators.push(("sections", sections));
            if matches!(self.situation, Situation::Cone { .. } | Situation::Sphere { .. }) {
                operators.push(("direction", "square to the nominal surface".into()));
            }
        }
        let at = Some(surface.points[index]);
        Ok(Found {
            numbers: vec![Number { value, against: Against::Both, at }],
            instances,
            operators,
            ..Found::default()
        })
    }
}

/// Largest less smallest reading and where it is largest; `None` where more than a quarter of a turn is open.
fn range(seen: &mut [Seen]) -> Option<(f64, usize)> {
    seen.sort_by(|s, t| s.angle.total_cmp(&t.angle));
    let (first, last) = (seen.first()?, seen.last()?);
    let mut gap = first.angle + 2.0 * PI - last.angle;
    for pair in seen.windows(2) {
        gap = gap.max(pair[1].angle - pair[0].angle);
    }
    // Rounding aside: four points a quarter apart are seen all round.
    if !(gap <= LARGEST_GAP + 1e-9) {
        return None;
    }
    let mut low = f64::INFINITY;
    let mut high = (f64::NEG_INFINITY, usize::MAX);
    for s in seen.iter() {
        low = low.min(s.read);
        if s.read > high.0 || s.read == high.0 && s.index < high.1 {
            high = (s.read, s.index);
        }
    }
    Some((high.0 - low, high.1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Motion, PartFrame};
    use crate::run::quiet;
    use crate::tolerance::location_samples::{shaft, shaft_situation};

    fn rule(direction: RunoutDirection, total: bool) -> Runout {
        let situation = match direction {
            RunoutDirection::Radial => shaft_situation(Point::new(0.0, 0.0, 8.0)),
            RunoutDirection::Axial => Situation::Plane { at: Point::origin(), normal: Direction::Z },
        };
        Runout { situation, at: Point::origin(), datum_axis: Direction::Z, direction, total, section_mm: 1.0 }
    }

    /// A surface of revolution about z through (radius, height), moved aside by `off` along x; rows 0.25 apart.
    fn turned(off: f64, [low, high]: [f64; 2], radius: impl Fn(f64) -> f64) -> Surface {
        let mut points = Vec::new();
        for row in 0..=((high - low) * 4.0) as u32 {
            let z = low + 0.25 * f64::from(row);
            for k in 0..72 {
                let f = 2.0 * PI * f64::from(k) / 72.0;
                points.push(Point::new(off + radius(z) * math::cos(f), radius(z) * math::sin(f), z));
            }
        }
        let n = points.len();
        Surface { points, normals: vec![Direction::X; n], deviations_mm: vec![0.0; n], ..Surface::default() }
    }

    #[test]
    fn the_slope_of_a_cone_and_a_ball_is_no_run_out() {
        let (half_angle_rad, at) = (0.3, Point::new(0.0, 0.0, 4.0));
        let straight = |z: f64| 9.0 + (z - 4.0) * math::tan(half_angle_rad);
        let cone = |axis| Situation::Cone { at, axis, half_angle_rad, radius_mm: 9.0, hollow: false };
        let ball = Situation::Sphere { at, diameter_mm: 20.0, hollow: false };
        let round = |z: f64| (100.0 - (z - 4.0) * (z - 4.0)).sqrt();
        for direction in [Direction::Z, Direction::Z.reversed()] {
            let on = |situation| Runout {
                situation,
                datum_axis: direction,
                ..rule(RunoutDirection::Radial, false)
            };
            // Within a section of 1 mm the cone grows by 0.3 mm, the ball by up to 0.4 mm.
            assert!(value(on(cone(Direction::Z)), &turned(0.0, [0.0, 10.0], straight)) < 1e-12);
            assert!(value(on(ball), &turned(0.0, [0.0, 8.0], round)) < 1e-12);
            // The other way round it counts twice.
            let wrong = value(on(cone(Direction::Z.reversed())), &turned(0.0, [0.0, 10.0], straight));
            assert!(wrong > 0.4, "{wrong}");
            // Off its axis it runs out by twice that, read square to its line.
            let off = value(on(cone(Direction::Z)), &turned(0.05, [0.0, 10.0], straight));
            assert!((off - 0.1 * math::cos(half_angle_rad)).abs() < 1e-3, "{off}");
            let off = value(on(ball), &turned(0.05, [0.0, 8.0], round));
            assert!((off - 0.1).abs() < 1e-3, "{off}");
        }
    }

    #[test]
    fn half_of_the_sections_must_be_seen_all_round() {
        let whole = turned(0.05, [0.0, 16.0], |_| 10.0);
        let kept = |keep: &dyn Fn(&Point) -> bool, wall_mm| {
            let points: Vec<Point> = whole.points.iter().filter(|p| keep(p)).copied().collect();
            let n = points.len();
            Surface { points, normals: vec![Direction::X; n], deviations_mm: vec![0.0; n], wall_mm }
        };
        for total in [false, true] {
            let measure =
                |surface: Surface| rule(RunoutDirection::Radial, total).measure(&quiet(), &[surface]);
            // All round below a height, half of it above.
            assert!(measure(kept(&|p| p.z < 9.0 || p.x > 0.0, None)).is_ok());
            let low = measure(kept(&|p| p.z < 5.0 || p.x > 0.0, None));
            assert!(matches!(low, Err(RuleError::Missing(_))), "{low:?}");
            // Nothing above, of a wall that goes on.
            assert!(measure(kept(&|p| p.z < 9.0, Some([-8.0, 8.0]))).is_ok());
            assert!(measure(kept(&|p| p.z < 5.0, None)).is_ok());
            let low = measure(kept(&|p| p.z < 5.0, Some([-8.0, 8.0])));
            assert!(matches!(low, Err(RuleError::Missing(_))), "{low:?}");
        }
    }

    fn value(rule: Runout, surface: &Surface) -> f64 {
        rule.measure(&quiet(), std::slice::from_ref(surface)).unwrap().numbers[0].value
    }

    /// A disc square to the z axis with heights over its polar places.
    fn disc(height: impl Fn(f64, f64) -> f64) -> Surface {
        let mut points = Vec::new();
        for ring in 1..=10 {
            for k in 0..72 {
                let (r, f) = (f64::from(ring) + 0.5, 2.0 * PI * f64::from(k) / 72.0);
                points.push(Point::new(r * math::cos(f), r * math::sin(f), height(r, f)));
            }
        }
        let n = points.len();
        Surface { points, normals: vec![Direction::Z; n], deviations_mm: vec![0.0; n], ..Surface::default() }
    }

    #[test]
    fn a_shaft_off_its_axis_runs_out_by_twice_that() {
        let at = Point::new(0.03, 0.04, 0.0);
        let even = shaft(at, Vector::z(), 20.0, [0.0, 16.0]);
        // Points 5 degrees apart: one lies within 2.5 degrees of the highest and the lowest.
        let short = 0.1 * (1.0 - math::cos(2.5f64.to_radians()));
        for total in [false, true] {
            let found = value(rule(RunoutDirection::Radial, total), &even);
            assert!((found - 0.1).abs() <= short + 1e-5, "{found}");
        }
        // A taper of 0.02 a side over the length is in the total alone, rings being flat.
        let mut taper = shaft(Point::origin(), Vector::z(), 20.0, [0.0, 16.0]);
        for p in &mut taper.points {
            let grow = 1.0 + 0.02 / 10.0 * p.z / 16.0;
            (p.x, p.y) = (p.x * grow, p.y * grow);
        }
        assert!(value(rule(RunoutDirection::Radial, false), &taper) < 1e-12);
        assert!((value(rule(RunoutDirection::Radial, true), &taper) - 0.02).abs() < 1e-12);
    }

    #[test]
    fn a_tilted_disc_runs_out_the_more_the_further_out() {
        let tilted = disc(|r, f| 0.004 * r * math::cos(f));
        let circular =
            rule(RunoutDirection::Axial, false).measure(&quiet(), std::slice::from_ref(&tilted)).unwrap();
        assert!((circular.numbers[0].value - 0.004 * 21.0).abs() < 1e-12, "{circular:?}");
        assert_eq!(circular.instances.len(), 10);
        assert!((circular.instances[0].value_mm - 0.004 * 3.0).abs() < 1e-12);
        // A dished disc: no ring runs out, the whole does.
        let dished = disc(|r, _| 0.001 * r * r);
        assert!(value(rule(RunoutDirection::Axial, false), &dished) < 1e-15);
        let total = value(rule(RunoutDirection::Axial, true), &dished);
        assert!((total - 0.001 * (10.5 * 10.5 - 1.5 * 1.5)).abs() < 1e-12, "{total}");
    }

    #[test]
    fn it_goes_along_with_the_part_and_its_axis() {
        let surface = shaft(Point::new(0.05, -0.02, 0.0), Vector::new(0.003, 0.001, 1.0), 20.0, [0.0, 16.0]);
        let motion: Motion<PartFrame, PartFrame> =
            Motion::from_turn_and_shift(Vector::new(0.3, 1.0, -2.0), Vector::new(300.0, 1000.0, 50.0));
        let there = surface.moved(&motion);
        // Sections end between the rings, so that rounding moves no point to another.
        for total in [false, true] {
            let still = Runout { section_mm: 1.7, ..rule(RunoutDirection::Radial, total) };
            let moved = Runout {
                at: motion.point(&still.at),
                datum_axis: motion.direction(still.datum_axis),
                ..still
            };
            assert!((value(still, &surface) - value(moved, &there)).abs() < 1e-11);
            let mut reversed = surface.clone();
            reversed.points.reverse();
            assert_eq!(value(still, &surface), value(still, &reversed));
        }
    }

    #[test]
    fn half_a_ring_says_nothing() {
        let mut half = shaft(Point::origin(), Vector::z(), 20.0, [0.0, 16.0]);
        half.points.retain(|p| p.x > 0.0);
        half.normals.truncate(half.points.len());
        half.deviations_mm.truncate(half.points.len());
        for total in [false, true] {
            let refused = rule(RunoutDirection::Radial, total).measure(&quiet(), std::slice::from_ref(&half));
            assert!(matches!(refused, Err(RuleError::Missing(_))), "{refused:?}");
        }
        let mut bad = rule(RunoutDirection::Radial, false);
        bad.section_mm = f64::NAN;
        assert!(bad.measure(&quiet(), &[half]).is_err());
        assert!(rule(RunoutDirection::Axial, true).measure(&quiet(), &[Surface::default()]).is_err());
    }
}
