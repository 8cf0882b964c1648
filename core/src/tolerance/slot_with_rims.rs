//! Where the middle of a slot in a thin skin lies, from its wall, as far as that was seen, and from its rims.
//!
//! A chamfer, a rounded arris or a burr that runs along both flanks changes the width of a rim and not its middle, so the rims help
//! to tell where the slot lies and nothing of how wide it is; as circles about one centre do of a round hole.

use super::flanks::sided;
use super::subject::Subject;
use super::{Against, Found, Number, Rule, RuleError, Surface};
use crate::geometry::{Cholesky, Direction, Point};
use crate::plan::Situation;
use crate::run::Run;

/// Twice the largest distance of the middle of a slot from a plane, between the ends of its straight flanks: the position or
/// symmetry regardless of size of a slot that lies where its datums put it.
///
/// The first surface is the wall, the others are the rims: points where a skin ends, with normals into the slot. Weighted least
/// squares of pairs of parallel lines about one middle, each pair as wide as it is, seen along the axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SlotWithRims {
    /// The nominal slot, whose length and width are known.
    pub situation: Situation,
    /// Its axis as it lies.
    pub axis: Direction,
    /// A place on the plane from which the middle is told, mm.
    pub at: Point,
    /// That plane's normal.
    pub across: Direction,
    /// Standard deviations of the points of each surface by which they are weighed, mm, above 0.
    pub standards_mm: [f64; 3],
}

/// A weight is that of at least this standard deviation, mm.
const LEAST_MM: f64 = 1e-6;

impl SlotWithRims {
    /// A point as it is looked at along the axis: along the slot and across it, from its nominal middle, mm.
    fn seen(&self, p: &Point) -> Option<[f64; 2]> {
        let Situation::Slot { at, axis, along, .. } = self.situation else { return None };
        let (n, a) = (axis.vector(), self.axis.vector());
        let off = p - at;
        // Down or up to the middle of the wall's depth.
        let flat = off - a * (off.dot(&n) / a.dot(&n));
        Some([flat.dot(&along.vector()), flat.dot(&n.cross(&along.vector()))])
    }
}

impl Rule for SlotWithRims {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        run.check()?;
        let none = || {
            RuleError::Missing("a slot is told by its flanks, whose length and width must be known".into())
        };
        let Situation::Slot { at, axis, along, length_mm: Some(length), width_mm: Some(width) } =
            self.situation
        else {
            return Err(none());
        };
        let subject = Subject::along(self.situation, self.axis);
        // Middle across, turn, and half of the width of wall and rims.
        let (mut m, mut right) = ([[0.0; 5]; 5], [0.0; 5]);
        let mut there = [false; 3];
        for (k, surface) in surfaces.iter().enumerate().take(3) {
            let standard = self.standards_mm[k].max(LEAST_MM);
            let weight = 1.0 / (standard * standard);
            for (p, up) in sided(&subject, surface)?.1 {
                let [x, y] = self.seen(&p).ok_or_else(none)?;
                let mut row = [1.0, x, 0.0, 0.0, 0.0];
                row[2 + k] = if up { 1.0 } else { -1.0 };
                for i in 0..5 {
                    for j in 0..5 {
                        m[i][j] += weight * row[i] * row[j];
                    }
                    right[i] += weight * row[i] * y;
                }
                there[k] = true;
            }
        }
        let whole = m[0][0].max(1.0);
        for k in (0..3).filter(|k| !there[*k]) {
            m[2 + k][2 + k] = whole;
        }
        let open = || {
            RuleError::Missing(
                "what was seen of wall and rims leaves the middle of the slot open; measure both of its flanks".into(),
            )
        };
        let solver = Cholesky::new(&m).ok_or_else(open)?;
        // Of one flank alone only rounding would tell the middle.
        let covariance = solver.inverse();
        if !(covariance[0][0] * whole <= MOST_OPEN) {
            return Err(open());
        }
        let [off, turn, ..] = solver.solve(&right);
        let side = axis.vector().cross(&along.vector());
        let half = 0.5 * (length - width);
        let middle = |x: f64| at + along.vector() * x + side * (off + turn * x);
        let plane = self.across.vector();
        let away = |p: &Point| plane.dot(&(p - self.at));
        let ends = [middle(-half), middle(half)];
        let worst = usize::from(away(&ends[1]).abs() > away(&ends[0]).abs());
        Ok(Found {
            numbers: vec![Number {
                value: 2.0 * away(&ends[worst]).abs(),
                against: Against::Both,
                at: Some(ends[worst]),
            }],
            off: Some(plane * away(&middle(0.0))),
            operators: vec![(
                "association",
                "least-squares pairs of lines of wall and rims about one middle, in projection along a given axis".into(),
            )],
            ..Found::default()
        })
    }
}

/// The middle must be known to a part of this many of the points' own variance, or it is left open.
const MOST_OPEN: f64 = 1e4;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Vector;
    use crate::run::quiet;

    /// Flanks of a slot of 8 by 16 mm along x, moved by 0.1 and turned by 0.01, so much wider than 8 on either side.
    fn lines(wider: f64, depth: f64, up: bool, low: bool) -> Surface {
        let mut found = Surface::default();
        for i in -8..=8 {
            let x = 0.5 * f64::from(i);
            for side in [1.0, -1.0] {
                if (side > 0.0 && up) || (side < 0.0 && low) {
                    found.points.push(Point::new(x, side * (4.0 + wider) + 0.1 + 0.01 * x, depth));
                    found.normals.push(Direction::new(Vector::y() * -side).unwrap());
                    found.deviations_mm.push(0.0);
                }
            }
        }
        found
    }

    fn rule() -> SlotWithRims {
        let situation = Situation::Slot {
            at: Point::origin(),
            axis: Direction::Z,
            along: Direction::X,
            length_mm: Some(16.0),
            width_mm: Some(8.0),
        };
        SlotWithRims {
            situation,
            axis: Direction::Z,
            at: Point::origin(),
            across: Direction::Y,
            standards_mm: [0.02, 0.05, 0.05],
        }
    }

    #[test]
    fn one_flank_of_the_wall_and_two_rims_of_other_widths_tell_the_middle() {
        let surfaces =
            [lines(0.05, 0.0, true, false), lines(0.35, 1.5, true, true), lines(0.1, -1.5, true, true)];
        let found = rule().measure(&quiet(), &surfaces).unwrap();
        // At 4 mm from the middle it is off by 0.1 and 0.04.
        assert!((found.numbers[0].value - 0.28).abs() < 1e-9, "{found:?}");
        assert!((found.off.unwrap() - Vector::y() * 0.1).norm() < 1e-9);
        // A rim alone, and a wall alone.
        for k in [0, 1] {
            let mut alone = [Surface::default(), Surface::default(), Surface::default()];
            alone[k] = lines(0.2, 0.0, true, true);
            let found = rule().measure(&quiet(), &alone).unwrap();
            assert!((found.numbers[0].value - 0.28).abs() < 1e-9, "{found:?}");
        }
    }

    #[test]
    fn one_flank_alone_leaves_the_middle_open() {
        for surfaces in [
            [lines(0.0, 0.0, true, false), Surface::default(), Surface::default()],
            // Of another rim the other flank: each is as wide as it is.
            [Surface::default(), lines(0.0, 1.5, true, false), lines(0.0, -1.5, false, true)],
            [Surface::default(), Surface::default(), Surface::default()],
        ] {
            assert!(rule().measure(&quiet(), &surfaces).is_err());
        }
    }

    #[test]
    fn a_leaning_slot_is_looked_at_along_its_axis() {
        // Both rims 1.5 mm above and below the middle, aside by 0.05 times that; only one flank of each is weighed against the other.
        let lean = 0.05;
        let mut surfaces = [Surface::default(), lines(0.0, 1.5, true, true), lines(0.0, -1.5, true, true)];
        for (k, by) in [(1, 1.5), (2, -1.5)] {
            surfaces[k].points.iter_mut().for_each(|p| p.y += lean * by);
        }
        surfaces[2].points.truncate(10);
        surfaces[2].normals.truncate(10);
        surfaces[2].deviations_mm.truncate(10);
        let along = Direction::new(Vector::new(0.0, lean, 1.0)).unwrap();
        let found = SlotWithRims { axis: along, ..rule() }.measure(&quiet(), &surfaces).unwrap();
        assert!((found.off.unwrap() - Vector::y() * 0.1).norm() < 1e-9, "{found:?}");
        let found = rule().measure(&quiet(), &surfaces).unwrap();
        assert!((found.off.unwrap() - Vector::y() * 0.1).norm() > 0.01, "{found:?}");
    }
}
