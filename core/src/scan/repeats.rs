//! Points sorted along the longest side of their box: which are repeated, and how far apart they are.

use rayon::prelude::*;

use crate::geometry::{Aabb, Point};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Points in the order of their coordinates, the axis with the largest extent first.
pub(super) struct Sorted {
    order: Vec<u32>,
    axis: usize,
}

/// Sorts the points; equal ones end up side by side, the lowest index first.
pub(super) fn sorted(points: &[Point]) -> Sorted {
    let axis = Aabb::of(points).size().imax();
    let (second, third) = ((axis + 1) % 3, (axis + 2) % 3);
    let mut order: Vec<u32> = (0..points.len() as u32).collect();
    // The index decides last, so an unstable sort has one possible result.
    order.par_sort_unstable_by(|&i, &j| {
        let (p, q) = (&points[i as usize], &points[j as usize]);
        p[axis]
            .total_cmp(&q[axis])
            .then_with(|| p[second].total_cmp(&q[second]))
            .then_with(|| p[third].total_cmp(&q[third]))
            .then(i.cmp(&j))
    });
    Sorted { order, axis }
}

/// For each point the lowest index with the same coordinates.
pub(super) fn first_of_each(points: &[Point], sorted: &Sorted) -> Vec<u32> {
    let mut first = vec![0; points.len()];
    let mut current = sorted.order[0];
    for &i in &sorted.order {
        if points[i as usize] != points[current as usize] {
            current = i;
        }
        first[i as usize] = current;
    }
    first
}

/// How many points are asked for their neighbour. The standard error of a median of 301 is about 7 % of
/// the spread of the values, and odd so that the median is one of them.
const SAMPLE: usize = 301;

/// Median distance to the nearest other place; 0 when there is one place only.
pub(super) fn spacing_mm(
    points: &[Point],
    sorted: &Sorted,
    first: &[u32],
    run: &Run,
) -> Result<f64, Stopped> {
    let places: Vec<Point> =
        sorted.order.iter().filter(|&&i| first[i as usize] == i).map(|&i| points[i as usize]).collect();
    if places.len() < 2 {
        return Ok(0.0);
    }
    let sample = SAMPLE.min(places.len());
    let mut found = (0..sample)
        .into_par_iter()
        .map(|k| nearest(&places, k * places.len() / sample, sorted.axis, run))
        .collect::<Result<Vec<f64>, Stopped>>()?;
    found.sort_unstable_by(f64::total_cmp);
    Ok(found[found.len() / 2].sqrt())
}

/// Squared distance from place `at` to the nearest other one: outwards along the sorted axis until the
/// distance along it alone is larger than the best.
fn nearest(places: &[Point], at: usize, axis: usize, run: &Run) -> Result<f64, Stopped> {
    let p = places[at];
    let mut best = f64::INFINITY;
    let mut look = |(n, q): (usize, &Point)| {
        if n % CHECK_EVERY == 0 {
            run.check()?;
        }
        let along = q[axis] - p[axis];
        if along * along >= best {
            return Ok(false);
        }
        best = best.min((q - p).norm_squared());
        Ok(true)
    };
    for item in places[at + 1..].iter().enumerate() {
        if !look(item)? {
            break;
        }
    }
    for item in places[..at].iter().rev().enumerate() {
        if !look(item)? {
            break;
        }
    }
    Ok(best)
}
