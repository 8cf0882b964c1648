//! Profile of a line: ISO 1101:2017, 17.6 and 17.7 (from memory), and ISO 1660:2017.

use super::axis;
use super::profile::{HeldProfile, Limits};
use super::{Found, Held, Leeway, Rule, RuleError, Surface, Zoned};
use crate::geometry::{Direction, Point, Vector, math};
use crate::run::{CHECK_EVERY, Run};

/// Smallest and largest deviation of a surface along the line in which a plane cuts it: of its points within a strip about
/// that plane. Between two places only those count whose foot on the straight line between them lies between.
///
/// The line must have been seen: cut into pieces of one and a half widths of the strip, from end to end or between its
/// outermost points where it has no ends, along its longest direction, at least nine in ten must hold a point.
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

/// Pieces of the line, in half widths of the strip: three squares of a spacing hold a point or two also where points lie
/// anyhow and a third of them is left out.
const PIECE: f64 = 3.0;

/// Seen share of the pieces without which the line says nothing: what was not seen may lie anywhere. The share that is
/// usual for areas; our own choice.
const LEAST_SEEN: f64 = 0.9;

impl LineProfile {
    /// Whether enough of the line holds points; the chord is its first end and the way to the other.
    fn seen(&self, points: &[Point], chord: Option<(Point, Vector)>) -> Result<String, RuleError> {
        let (from, along) = match chord {
            Some((a, to)) => (a, to.normalize()),
            None => (self.at, longest(points, &self.normal)),
        };
        let places: Vec<f64> = points.iter().map(|p| along.dot(&(p - from))).collect();
        let (low, length) = match chord {
            Some((_, to)) => (0.0, to.norm()),
            None => {
                let low = places.iter().copied().fold(f64::INFINITY, f64::min);
                (low, places.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low)
            }
        };
        let pieces = (length / (PIECE * self.half_width_mm)).ceil().max(1.0);
        let piece = |x: f64| ((x - low) / length * pieces).floor().clamp(0.0, pieces - 1.0) as u64;
        let mut held: Vec<u64> = places.iter().map(|&x| if length > 0.0 { piece(x) } else { 0 }).collect();
        held.sort_unstable();
        held.dedup();
        let share = held.len() as f64 / pieces;
        if share >= LEAST_SEEN {
            return Ok(format!("{:.0} %", 100.0 * share));
        }
        Err(RuleError::Missing(format!(
            "{:.0} % of the line was seen, {:.0} % are needed; measure more along the section, or take a wider strip",
            100.0 * share,
            100.0 * LEAST_SEEN
        )))
    }
}

/// The direction in a plane along which points spread most.
fn longest(points: &[Point], normal: &Direction) -> Vector {
    let (a, b) = normal.frame();
    let Some(first) = points.first() else { return a };
    let n = points.len() as f64;
    let flat = |p: &Point| [a.dot(&(p - first)), b.dot(&(p - first))];
    let sum = points.iter().map(flat).fold([0.0; 2], |s, p| [s[0] + p[0], s[1] + p[1]]);
    let (mut square, mut product) = (0.0, 0.0);
    for [x, y] in points.iter().map(flat) {
        let (x, y) = (x - sum[0] / n, y - sum[1] / n);
        square += x * x - y * y;
        product += x * y;
    }
    let turn = 0.5 * math::atan2(2.0 * product, square);
    a * math::cos(turn) + b * math::sin(turn)
}

impl LineProfile {
    /// The points of the section, seen from end to end.
    fn held<'a>(&'a self, run: &Run, surfaces: &'a [Surface]) -> Result<HeldProfile<'a>, RuleError> {
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
        run.check()?;
        let places: Vec<Point> = chosen.iter().map(|&(_, k)| surface.points[k]).collect();
        let seen = self.seen(&places, chord)?;
        let limits = Limits { upper_mm: self.upper_mm, lower_mm: self.lower_mm };
        let operators = vec![("points", chosen.len().to_string()), ("seen of the line", seen)];
        let mut held = HeldProfile::new(surfaces, chosen, limits, &self.leeway)?;
        held.operators = operators;
        Ok(held)
    }
}

impl Zoned for LineProfile {
    fn hold<'a>(&'a self, run: &Run, surfaces: &'a [Surface]) -> Result<Box<dyn Held + 'a>, RuleError> {
        Ok(Box::new(self.held(run, surfaces)?.ready()))
    }
}

impl Rule for LineProfile {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        self.held(run, surfaces)?.measure(run)
    }

    fn zoned(&self) -> Option<&dyn Zoned> {
        Some(self)
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
            half_width_mm: 2.4,
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
        let leeway = Leeway {
            centre: Point::new(50.0, 30.0, 0.0),
            free: Twist::all(50.0),
            bounds: Vec::new(),
            zone_shifts: false,
        };
        let free =
            LineProfile { leeway, ..rule() }.measure(&quiet(), std::slice::from_ref(&surface)).unwrap();
        assert!(values(&free).iter().all(|v| v.abs() < 1e-7), "{free:?}");
    }

    #[test]
    fn a_line_of_which_a_part_was_not_seen_is_missing() {
        let kept = |keep: &dyn Fn(f64) -> bool| {
            let whole = face(|_, _| 0.0);
            let points: Vec<Point> = whole.points.into_iter().filter(|p| keep(p.x)).collect();
            let n = points.len();
            Surface {
                points,
                normals: vec![Direction::Z; n],
                deviations_mm: vec![0.0; n],
                ..Surface::default()
            }
        };
        let ends = |a: f64, b: f64| Some([Point::new(a, 30.0, 0.0), Point::new(b, 30.0, 0.0)]);
        let measure =
            |surface: Surface, between| LineProfile { between, ..rule() }.measure(&quiet(), &[surface]);
        // A point out of twenty leaves no piece empty, the middle third does.
        assert!(measure(kept(&|x| x != 50.0), None).is_ok());
        // It ends before one of the ends does.
        assert!(measure(kept(&|_| true), ends(0.0, 102.0)).is_ok());
        assert!(measure(kept(&|x| x < 60.0), None).is_ok());
        let refused = [
            measure(kept(&|x| (x - 50.0).abs() > 14.0), None),
            measure(kept(&|x| (x - 50.0).abs() > 14.0), ends(0.0, 100.0)),
            measure(kept(&|_| true), ends(0.0, 150.0)),
            measure(kept(&|x| x < 60.0), ends(0.0, 100.0)),
        ];
        for answer in refused {
            assert!(matches!(answer, Err(RuleError::Missing(_))), "{answer:?}");
        }
        // Along a slope of the section as well.
        let sloped = |mut surface: Surface| {
            for p in &mut surface.points {
                p.z = -0.75 * p.x;
            }
            measure(surface, None)
        };
        assert!(sloped(kept(&|_| true)).is_ok());
        assert!(sloped(kept(&|x| (x - 50.0).abs() > 14.0)).is_err());
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
