//! The tube that the wall of a hole, a pin or a slot with half round ends is, and where on it a place lies.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use super::sound::{OnWall, Wall, sound};
use crate::geometry::{Direction, Point, math};
use crate::plan::Situation;

/// The tube that a hole or a slot with half round ends is: all places one radius from a stretch of a line, along an axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tube {
    /// Its middle, mm.
    pub at: Point,
    /// Its axis.
    pub axis: Direction,
    /// Along the stretch, square to the axis.
    pub along: Direction,
    /// Half of the stretch, mm; 0 for a round hole.
    pub half_mm: f64,
    /// Radius, mm.
    pub radius_mm: f64,
}

impl Tube {
    /// That of a round wall.
    pub fn round(at: Point, axis: Direction, radius_mm: f64) -> Option<Self> {
        let along = Direction::new(axis.frame().0)?;
        Some(Self { at, axis, along, half_mm: 0.0, radius_mm })
    }

    /// The tube of a hole, slot or cylinder; `None` for everything else, and where sizes are not known.
    pub fn of(situation: &Situation) -> Option<Self> {
        match *situation {
            Situation::Hole { at, axis, diameter_mm: Some(d) } => Self::round(at, axis, 0.5 * d),
            Situation::Cylinder { at, axis, diameter_mm, .. } => Self::round(at, axis, 0.5 * diameter_mm),
            Situation::Slot { at, axis, along, length_mm: Some(length), width_mm: Some(width) } => {
                Some(Self {
                    at,
                    axis,
                    along,
                    half_mm: 0.5 * (length - width).max(0.0),
                    radius_mm: 0.5 * width,
                })
            }
            _ => None,
        }
    }

    /// Length of its turn, mm.
    pub fn turn_mm(&self) -> f64 {
        4.0 * self.half_mm + TAU * self.radius_mm
    }

    /// How a point lies on it.
    pub fn on_wall(&self, p: &Point) -> OnWall {
        let d = p - self.at;
        let (a, u) = (self.axis.vector(), self.along.vector());
        let v = a.cross(&u);
        let (x, y, deep_mm) = (d.dot(&u), d.dot(&v), d.dot(&a));
        let (half, r) = (self.half_mm, self.radius_mm);
        let from = [x - x.clamp(-half, half), y];
        let away = (from[0] * from[0] + from[1] * from[1]).sqrt();
        let across = if away > 0.0 { [from[0] / away, from[1] / away] } else { [0.0, 1.0] };
        let along_mm = if x.abs() <= half && half > 0.0 {
            if y >= 0.0 { half - x } else { 3.0 * half + PI * r + x }
        } else if x < 0.0 {
            2.0 * half + r * (FRAC_PI_2 - math::atan2(y, -(x + half)))
        } else {
            4.0 * half + r * (1.5 * PI + math::atan2(y, x - half))
        };
        OnWall { along_mm, deep_mm, off_mm: r - away, across }
    }

    /// Which of some points lie where the wall runs straight; `deep_mm` is where they begin and end along the axis, from its
    /// middle, `strip_mm` what of that scanners may have rounded at either end. Of a deep wall only its ends are looked at, each by itself: how it bends between them is its form.
    pub fn sound(
        &self,
        points: &[Point],
        deep_mm: [f64; 2],
        strip_mm: f64,
        spacing_mm: f64,
        noise_mm: f64,
    ) -> Vec<bool> {
        let on: Vec<OnWall> = points.iter().map(|p| self.on_wall(p)).collect();
        let wall = Wall { turn_mm: self.turn_mm(), deep_mm, strip_mm, spacing_mm, noise_mm };
        let [low, high] = deep_mm;
        if !(high - low > 2.0 * END_MM) {
            return sound(&on, &wall);
        }
        let mut keep = vec![true; on.len()];
        for (from, to, upper) in [(low, low + END_MM, false), (high - END_MM, high, true)] {
            let middle = 0.5 * (from + to);
            let (at, end): (Vec<usize>, Vec<OnWall>) =
                on.iter().copied().enumerate().filter(|(_, p)| (from..=to).contains(&p.deep_mm)).unzip();
            let sound = sound(&end, &Wall { deep_mm: [from, to], ..wall });
            // What turns away towards the middle of the wall is form.
            for ((i, p), good) in at.into_iter().zip(&end).zip(sound) {
                keep[i] = good || (p.deep_mm > middle) != upper;
            }
        }
        keep
    }
}

/// Chamfers, burrs and breakout of moulded skins are smaller than half of this, mm (common practice, no source).
const END_MM: f64 = 4.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn places_run_once_round_a_slot() {
        let (x, y) = (Direction::X, Direction::Z);
        let tube = Tube { at: Point::origin(), axis: y, along: x, half_mm: 5.0, radius_mm: 3.0 };
        let mut last = -1.0;
        let mut round = Vec::new();
        // From the right end of the upper flank against the clock.
        for k in 0..=100 {
            round.push((5.0 - 0.1 * f64::from(k), 3.0));
        }
        for k in 1..100 {
            let a = FRAC_PI_2 + PI * f64::from(k) / 100.0;
            round.push((-5.0 + 3.0 * math::cos(a), 3.0 * math::sin(a)));
        }
        for k in 0..=100 {
            round.push((-5.0 + 0.1 * f64::from(k), -3.0));
        }
        for k in 1..100 {
            let a = -FRAC_PI_2 + PI * f64::from(k) / 100.0;
            round.push((5.0 + 3.0 * math::cos(a), 3.0 * math::sin(a)));
        }
        for (x, y) in round {
            let on = tube.on_wall(&Point::new(x, y, 1.0));
            assert!(on.along_mm > last && on.along_mm < tube.turn_mm(), "{x} {y}: {on:?} after {last}");
            assert!(on.off_mm.abs() < 1e-12 && on.deep_mm == 1.0);
            last = on.along_mm;
        }
    }

    #[test]
    fn a_deep_wall_keeps_its_form_and_loses_its_chamfer() {
        // 24 mm deep, a barrel by 0.1 mm, a chamfer of 0.8 mm at one end.
        let tube = Tube {
            at: Point::origin(),
            axis: Direction::Z,
            along: Direction::X,
            half_mm: 0.0,
            radius_mm: 8.0,
        };
        let mut random = Random::seeded(7);
        let form = |z: f64| 0.1 * (1.0 - z * z / 144.0) + (z - 11.2).max(0.0);
        let points: Vec<Point> = (0..4000)
            .map(|_| {
                let (turn, z) = (TAU * random.unit(), -11.7 + 23.4 * random.unit());
                let r = 8.0 + form(z) + 0.01 * random.normal();
                Point::new(r * math::cos(turn), r * math::sin(turn), z)
            })
            .collect();
        let keep = tube.sound(&points, [-11.7, 11.7], 0.0, 0.55, 0.01);
        let lost = |from: f64, to: f64| {
            let within = points.iter().zip(&keep).filter(|(p, _)| (from..to).contains(&p.z));
            let all: Vec<bool> = within.map(|(_, k)| !k).collect();
            all.iter().filter(|l| **l).count() as f64 / all.len() as f64
        };
        assert!(lost(-11.7, 10.5) < 0.002, "{}", lost(-11.7, 10.5));
        assert!(lost(11.3, 11.7) > 0.98, "{}", lost(11.3, 11.7));
    }
}
