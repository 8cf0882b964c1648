//! Small rigid motions as turn and shift about a stated centre.

use super::{Motion, PartFrame, Point, Vector};

/// A rigid motion to first order: a turn about a centre that is stated beside it, and a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Twist {
    /// Turn, rad for each unit of the motion.
    pub turn: Vector,
    /// Shift, mm for each unit of the motion.
    pub shift: Vector,
}

impl Twist {
    /// The six of a free part about its centre: shifts along x, y, z by 1 mm, turns about x, y, z that move what lies
    /// `lever_mm` away by 1 mm.
    pub fn all(lever_mm: f64) -> Vec<Self> {
        let axes = [Vector::x(), Vector::y(), Vector::z()];
        let shifts = axes.map(|shift| Self { turn: Vector::zeros(), shift });
        let turns = axes.map(|a| Self { turn: a / lever_mm, shift: Vector::zeros() });
        shifts.into_iter().chain(turns).collect()
    }

    /// A small motion about a centre, to first order.
    pub fn of(motion: &Motion<PartFrame, PartFrame>, centre: Point) -> Self {
        let r = motion.rotation();
        let turn = |i: usize, j: usize| 0.5 * (r[(i, j)] - r[(j, i)]);
        Self { turn: Vector::new(turn(2, 1), turn(0, 2), turn(1, 0)), shift: motion.point(&centre) - centre }
    }

    /// How it moves a place, mm for each unit of the motion.
    pub fn at(&self, centre: Point, place: &Point) -> Vector {
        self.turn.cross(&(place - centre)) + self.shift
    }

    /// The motion of a sum of twists, by `amounts` of each.
    pub fn motion(twists: &[Self], amounts: &[f64], centre: Point) -> Motion<PartFrame, PartFrame> {
        let (mut turn, mut shift) = (Vector::zeros(), Vector::zeros());
        for (t, a) in twists.iter().zip(amounts) {
            turn += t.turn * *a;
            shift += t.shift * *a;
        }
        Motion::turn_about(centre, turn, shift)
    }
}
