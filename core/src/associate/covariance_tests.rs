//! Stated covariances against seeded trials.

use super::law_tests::{slab, tube};
use super::{CylinderFit, PlaneFit, circle, cylinder, plane};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Vector, random::Random};

/// Mean over trials of squared error over stated variance; 1 for each parameter, and for sums of
/// parameters, when the covariance is right.
struct Spread {
    ratios: Vec<f64>,
    trials: f64,
}

impl Spread {
    fn new(kinds: usize) -> Self {
        Self { ratios: vec![0.0; kinds], trials: 0.0 }
    }

    fn see(&mut self, pairs: &[(f64, f64)]) {
        self.trials += 1.0;
        for (total, (error, variance)) in self.ratios.iter_mut().zip(pairs) {
            *total += error * error / variance;
        }
    }

    /// Relative standard deviation of a mean of n squares is sqrt(2 / n); five of those.
    fn check(&self) {
        let slack = 5.0 * (2.0 / self.trials).sqrt();
        for (i, total) in self.ratios.iter().enumerate() {
            let ratio = total / self.trials;
            assert!((ratio - 1.0).abs() < slack, "parameter {i}: observed over stated variance {ratio}");
        }
    }
}

#[test]
fn covariance_of_a_short_arc_is_what_trials_show() {
    let sigma = 0.01;
    let mut spread = Spread::new(4);
    for seed in 0..800 {
        let random = &mut Random::seeded(1000 + seed);
        // 60 degrees of a 20 mm circle, in a plane askew.
        let part_from_scan = Motion::<PartFrame, ScanFrame>::from_turn_and_shift(
            Vector::new(0.3, -0.8, 0.5),
            Vector::new(4500.0, 0.0, 9.0),
        );
        let points: Vec<Point> =
            tube(random, 40, 20.0, 1.047, 1.0, sigma).iter().map(|p| part_from_scan.point(p)).collect();
        let axis = part_from_scan.direction(Direction::Z);
        let fit = circle(&points, axis).unwrap();
        let centre = part_from_scan.point(&Point::origin());
        let off = fit.centre - centre;
        let e = [off.dot(&fit.across[0].vector()), off.dot(&fit.across[1].vector()), fit.radius_mm - 20.0];
        let c = &fit.unit_covariance;
        let v = sigma * sigma;
        let both = c[0][0] + c[2][2] + 2.0 * c[0][2];
        spread.see(&[(e[0], v * c[0][0]), (e[1], v * c[1][1]), (e[2], v * c[2][2]), (e[0] + e[2], v * both)]);
    }
    spread.check();
}

#[test]
fn covariance_of_a_short_cylinder_is_what_trials_show() {
    let sigma = 0.005;
    let mut spread = Spread::new(6);
    for seed in 0..400 {
        let random = &mut Random::seeded(3000 + seed);
        let part_from_scan = Motion::<PartFrame, ScanFrame>::from_turn_and_shift(
            Vector::new(0.1, 0.2, 0.15),
            Vector::new(100.0, 50.0, 9.0),
        );
        // A 3 mm skin around a 15 mm hole, half of it seen.
        let points: Vec<Point> =
            tube(random, 80, 7.5, 3.1, 3.0, sigma).iter().map(|p| part_from_scan.point(p)).collect();
        let CylinderFit { point, axis, across, radius_mm, unit_covariance: c, .. } =
            cylinder(&points).unwrap();
        let true_axis = part_from_scan.direction(Direction::Z);
        let turn = axis.vector() - true_axis.vector() * axis.dot(true_axis).signum();
        let off = point - part_from_scan.point(&Point::origin());
        let foot = off - true_axis.vector() * off.dot(&true_axis.vector());
        let a = across.map(Direction::vector);
        // The axis through `point` is off by the foot; `point` itself slides along the axis freely.
        let e = [turn.dot(&a[0]), turn.dot(&a[1]), foot.dot(&a[0]), foot.dot(&a[1]), radius_mm - 7.5];
        let v = sigma * sigma;
        let mut pairs: Vec<(f64, f64)> = (0..5).map(|i| (e[i], v * c[i][i])).collect();
        pairs.push((e[2] + e[4], v * (c[2][2] + c[4][4] + 2.0 * c[2][4])));
        spread.see(&pairs);
    }
    spread.check();
}

#[test]
fn covariance_of_a_plane_is_what_trials_show() {
    let sigma = 0.02;
    let mut spread = Spread::new(3);
    let far = Point::new(70.0, 30.0, 0.0);
    for seed in 0..800 {
        let random = &mut Random::seeded(5000 + seed);
        let mut points = slab(random, 30, [60.0, 20.0, 0.0]);
        for p in &mut points {
            p.z += sigma * random.normal();
        }
        let fit: PlaneFit = plane(&points).unwrap();
        let rise = |i: usize| fit.along[i].vector().z;
        let v = sigma * sigma;
        spread.see(&[
            (rise(0), v * fit.unit_covariance[1][1]),
            (rise(1), v * fit.unit_covariance[2][2]),
            (fit.distance(&far), v * fit.unit_variance_at(&far)),
        ]);
    }
    spread.check();
}
