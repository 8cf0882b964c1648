//! A step along twists that stays among the motions that they generate.

use crate::geometry::{Motion, PartFrame, Point, Twist, Vector, math};

/// The motion that a twist makes when it is followed for a unit of time: a turn about its own axis and a shift along
/// it. Turns about one axis, shifts in one plane and so on stay what they are however far the step goes. Lynch and Park,
/// Modern Robotics, 2017, section 3.3.3 (from memory): the shift is G(turn) shift,
/// G = I + (1 - cos a)/a2 K + (a - sin a)/a3 K K.
pub(super) fn screw(twist: &Twist, centre: Point) -> Motion<PartFrame, PartFrame> {
    let (turn, shift) = (twist.turn, twist.shift);
    let angle2 = turn.norm_squared();
    let (a, b) = if angle2 < 1e-8 {
        (0.5 - angle2 / 24.0, 1.0 / 6.0 - angle2 / 120.0)
    } else {
        let angle = angle2.sqrt();
        ((1.0 - math::cos(angle)) / angle2, (angle - math::sin(angle)) / (angle2 * angle))
    };
    let once: Vector = turn.cross(&shift);
    Motion::turn_about(centre, turn, shift + once * a + turn.cross(&once) * b)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn a_step_is_the_limit_of_many_small_ones_and_turns_about_its_axis() {
        let random = &mut Random::seeded(7);
        let mut vector = || random.direction().vector();
        for size in [1e-6, 0.01, 0.7] {
            let twist = Twist { turn: vector() * size, shift: vector() * (30.0 * size) };
            let centre = Point::from(vector() * 100.0);
            let place = Point::from(vector() * 50.0);
            let n = 200_000;
            let small = Twist { turn: twist.turn / f64::from(n), shift: twist.shift / f64::from(n) };
            let mut p = place;
            for _ in 0..n {
                // Midpoint rule, of second order.
                let half = p + small.at(centre, &p) * 0.5;
                p += small.at(centre, &half);
            }
            let error = (screw(&twist, centre).point(&place) - p).norm();
            assert!(error < 1e-9, "{size}: {error}");
        }
        // A turn about an axis aside of the centre leaves that axis where it is.
        let axis_at = Point::new(3.0, -4.0, 0.0);
        let turn = Vector::z() * 0.3;
        let twist = Twist { turn, shift: turn.cross(&-axis_at.coords) };
        assert!((screw(&twist, Point::origin()).point(&axis_at) - axis_at).norm() < 1e-14);
    }
}
