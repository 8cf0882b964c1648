//! Gap and step: every station keeps the limits, so the smallest is held against the lower limit and the largest against
//! the upper one. Both words are the trade's; common practice, no source.

use super::thickness::least_and_most;
use super::{Against, Found, Rule, RuleError, Surface};
use crate::run::Run;

/// Smallest and largest gap or step along a line. Its surface holds stations instead of points, and normals along which the
/// part's edge is displaced: of a gap outwards in the skin, of a step out of it. The deviation of each is how far the part's
/// edge lies beyond the neighbour's along that normal, mm: the step, or the gap with its sign turned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Joint {
    /// From the part's edge to the neighbour's.
    Gap,
    /// How far the part stands proud.
    Step,
}

impl Rule for Joint {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let mut found = least_and_most(run, surfaces)?;
        if *self == Joint::Gap {
            // The least overlap is the widest gap.
            found.numbers.reverse();
            for (number, against) in found.numbers.iter_mut().zip([Against::Lower, Against::Upper]) {
                number.value = -number.value;
                number.against = against;
            }
        }
        Ok(found)
    }

    fn of_places(&self) -> bool {
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Direction, Motion, PartFrame, Point, Vector};
    use crate::run::quiet;

    /// A part that moves towards its neighbour closes the gap by as much, wherever it is narrowest; lifted, it stands prouder.
    #[test]
    fn the_smallest_and_the_largest_are_told_and_follow_the_part() {
        let stations = |normal: Direction, sign: f64| Surface {
            points: (0..4).map(|i| Point::new(f64::from(i), 0.0, 0.0)).collect(),
            normals: vec![normal; 4],
            deviations_mm: [4.0, 3.2, 5.1, 4.4].map(|v| sign * v).to_vec(),
            wall_mm: None,
        };
        let nearer: Motion<PartFrame, PartFrame> =
            Motion::turn_about(Point::origin(), Vector::zeros(), Vector::new(0.3, 0.25, -2.0));
        // The neighbour stands at larger y, and the skin faces z.
        let (gap, step) = (stations(Direction::Y, -1.0), stations(Direction::Z, 1.0));
        for (rule, surface, by) in [
            (Joint::Gap, gap.clone(), 0.0),
            (Joint::Gap, gap.moved(&nearer), -0.25),
            (Joint::Step, step.clone(), 0.0),
            (Joint::Step, step.moved(&nearer), -2.0),
        ] {
            let found = rule.measure(&quiet(), &[surface]).unwrap();
            let told = |k: usize| (found.numbers[k].value, found.numbers[k].against);
            assert!((told(0).0 - 3.2 - by).abs() < 1e-12 && told(0).1 == Against::Lower);
            assert!((told(1).0 - 5.1 - by).abs() < 1e-12 && told(1).1 == Against::Upper);
            assert!((found.numbers[0].at.unwrap().x - 1.0).abs() < 0.5, "{found:?}");
        }
        assert!(Joint::Gap.measure(&quiet(), &[Surface::default()]).is_err());
    }
}
