//! Local thickness of a wall: every one keeps the limits, so the smallest is held against the lower limit and the largest
//! against the upper one. No standard on tolerances defines it; common practice, no source.

use super::subject::surface;
use super::{Against, Found, Number, Rule, RuleError, Surface};
use crate::run::Run;

/// Smallest and largest local thickness. Its surface holds places instead of points: the deviation of each is that of
/// the local thickness there from its nominal value, mm.
#[derive(Clone, Copy, Debug)]
pub struct Thickness;

impl Rule for Thickness {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        least_and_most(run, surfaces)
    }

    fn of_places(&self) -> bool {
        true
    }
}

/// The smallest and the largest deviation of the only surface, the first of equals.
pub(super) fn least_and_most(run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
    run.check()?;
    let places = surface(surfaces, 0)?;
    let (mut least, mut most) = (0, 0);
    for (i, d) in places.deviations_mm.iter().enumerate() {
        if *d < places.deviations_mm[least] {
            least = i;
        }
        if *d > places.deviations_mm[most] {
            most = i;
        }
    }
    let number = |i: usize, against: Against| Number {
        value: places.deviations_mm[i],
        against,
        at: Some(places.points[i]),
    };
    let numbers = vec![number(least, Against::Lower), number(most, Against::Upper)];
    Ok(Found { numbers, ..Found::default() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Direction, Point};
    use crate::run::quiet;

    #[test]
    fn the_thinnest_and_the_thickest_place_are_told_the_first_of_equals() {
        let deviations = [0.1, -0.2, 0.3, -0.2, 0.3];
        let places = Surface {
            points: (0..5).map(|i| Point::new(f64::from(i), 0.0, 0.0)).collect(),
            normals: vec![Direction::Z; 5],
            deviations_mm: deviations.to_vec(),
            wall_mm: None,
        };
        let found = Thickness.measure(&quiet(), &[places]).unwrap();
        let told =
            |k: usize| (found.numbers[k].value, found.numbers[k].at.unwrap().x, found.numbers[k].against);
        assert_eq!(told(0), (-0.2, 1.0, Against::Lower));
        assert_eq!(told(1), (0.3, 2.0, Against::Upper));
        assert!(Thickness.measure(&quiet(), &[Surface::default()]).is_err(), "no place has no thickness");
    }
}
