//! Tubes far shorter than wide, as holes in thin skins are: a smaller cylinder lies across their points, and is not theirs.

use super::law_tests::tube;
use super::{Criterion, FitError, circle_by, cylinder, cylinder_by};
use crate::geometry::{Direction, Point, Vector, random::Random};
use crate::run::quiet;
use std::f64::consts::TAU;

/// Radius of the smallest circle about the points as seen along an axis that leans by slopes from z.
fn seen(points: &[Point], x: f64, y: f64) -> f64 {
    let axis = Direction::new(Vector::new(x, y, 1.0)).unwrap();
    circle_by(&quiet(), Criterion::MinimumCircumscribed, points, axis)
        .map_or(f64::INFINITY, |c| c.shape.radius_mm)
}

/// The slow second method: circles along axes on a grid of slopes, and from its lowest places by ever smaller steps. Along an axis
/// the smallest circle is the smallest of all (a convex problem).
fn by_tilting(points: &[Point], most: f64) -> f64 {
    const STEPS: i32 = 10;
    let mut grid: Vec<(f64, (f64, f64))> = Vec::new();
    for i in -STEPS..=STEPS {
        for j in -STEPS..=STEPS {
            let at = [i, j].map(|k| most * f64::from(k) / f64::from(STEPS));
            grid.push((seen(points, at[0], at[1]), (at[0], at[1])));
        }
    }
    grid.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut least = f64::INFINITY;
    for &(value, at) in grid.iter().take(4) {
        let (mut best, mut at, mut step) = (value, at, 0.5 * most / f64::from(STEPS));
        while step > 1e-9 {
            let sides = [
                (1.0, 0.0),
                (-1.0, 0.0),
                (0.0, 1.0),
                (0.0, -1.0),
                (1.0, 1.0),
                (-1.0, -1.0),
                (1.0, -1.0),
                (-1.0, 1.0),
            ];
            let near = sides.map(|(x, y)| {
                let there = (at.0 + step * x, at.1 + step * y);
                (seen(points, there.0, there.1), there)
            });
            let lower = near.into_iter().fold((best, at), |a, b| if b.0 < a.0 { b } else { a });
            if lower.0 < best {
                (best, at) = lower;
            } else {
                step *= 0.5;
            }
        }
        if (at.0 * at.0 + at.1 * at.1).sqrt() < 0.2 {
            least = least.min(best);
        }
    }
    least
}

/// Held against a grid of tilts: none that lies upright is smaller.
#[test]
fn the_circumscribed_cylinder_of_a_short_tube_is_the_smallest_that_stays_upright() {
    let mut answered = 0;
    for (radius, height, form) in [(4.0, 1.0, 0.005), (10.0, 2.0, 0.02), (4.0, 3.0, 0.02)] {
        for seed in 0..3 {
            let random = &mut Random::seeded(70_000 + seed);
            let points = tube(random, 60, radius, TAU, height, form);
            if cylinder(&points).is_err() {
                continue;
            }
            let found = match cylinder_by(&quiet(), Criterion::MinimumCircumscribed, &points) {
                Ok(found) => found,
                Err(FitError::NotSettled { .. } | FitError::Undetermined { .. }) => continue,
                Err(error) => panic!("{radius} {height} {seed}: {error}"),
            };
            answered += 1;
            let what = format!("radius {radius}, height {height}, seed {seed}");
            assert!(found.shape.axis.vector().z.abs() > 0.98, "{what}: {:?}", found.shape);
            let slow = by_tilting(&points, (6.0 * form / height).min(0.19));
            println!("{what}: {} slow {slow}, {:?}", found.shape.radius_mm, found.proof);
            assert!(found.shape.radius_mm < slow + 1e-7, "{what}: {} {slow}", found.shape.radius_mm);
        }
    }
    assert!(answered >= 8, "{answered} of 9");
}
