//! How far apart points are: the median distance of a fixed sample to their nearest neighbours.
//!
//! The sample is even in the order of the points along the longest side of their box. Nothing is sorted for
//! it but the thin slices in which a point of the sample lies: a first pass counts the points of each slice.
//! What lies within a slice bounds how far a neighbour can be; a last pass holds each point against the few
//! of the sample that it can be nearest to.

use std::sync::atomic::{AtomicU32, Ordering};

use rayon::prelude::*;

use super::kept::Points;
use crate::geometry::{Aabb, Point};
use crate::run::{Run, Stopped};

/// How many points are asked for their neighbour. The standard error of a median of 301 is about 7 % of
/// the spread of the values, and odd so that the median is one of them.
const SAMPLE: usize = 301;
/// Slices in which points are counted, of the whole length.
const SLICES: usize = 1 << 16;
/// Slices in which the sample is looked up.
const WIDE_SLICES: usize = 1 << 12;
/// One of so many points is held against the sample first.
const SPARSE: usize = 16;
/// Points that tell where most lie.
const DEALT: usize = 1 << 10;
/// Points looked at by one thread at a time.
const CHUNK: usize = 1 << 16;

/// The box of all points.
pub(super) fn bounds(points: Points) -> Aabb {
    let join = |a: Aabb, b: Aabb| Aabb { low: a.low.inf(&b.low), high: a.high.sup(&b.high) };
    let of_chunk = |chunk: Points| {
        let mut all = Aabb::empty();
        chunk.iter().for_each(|p| all.add(&p));
        all
    };
    points.par_chunks(CHUNK).map(of_chunk).reduce(Aabb::empty, join)
}

/// A box along which points may be dealt out evenly: that of all but a twentieth at either end of each axis, by
/// some of them, so that one point far out does not make all others fall into one place. Where that has no size
/// along an axis it is the box of all.
pub(super) fn dealt(points: Points, bounds: &Aabb) -> Aabb {
    let some: Vec<Point> = points.iter().step_by((points.len() / DEALT).max(1)).collect();
    let mut dealt = *bounds;
    for axis in 0..3 {
        let mut along: Vec<f64> = some.iter().map(|p| p[axis]).collect();
        along.sort_unstable_by(f64::total_cmp);
        let off = along.len() / 20;
        if let [low, .., high] = along[off..along.len() - off]
            && high > low
        {
            (dealt.low[axis], dealt.high[axis]) = (low, high);
        }
    }
    dealt
}

/// Median distance to the nearest other place; 0 when there is one place only. No two points may be equal.
/// `dealt` is where most of them lie.
pub(super) fn spacing_mm(points: Points, dealt: &Aabb, run: &Run) -> Result<f64, Stopped> {
    if points.len() < 2 {
        return Ok(0.0);
    }
    let axis = dealt.size().imax();
    let (second, third) = ((axis + 1) % 3, (axis + 2) % 3);
    let (low, length) = (dealt.low[axis], dealt.size()[axis]);
    // Grows with the coordinate, so slices are in the order of the points; what lies outside is in the first and last.
    let scale = |count: usize| count as f64 / length;
    let (thin, wide) = (scale(SLICES), scale(WIDE_SLICES));
    let slice = |along: f64, scale: f64, count: usize| (((along - low) * scale) as usize).min(count - 1);
    let counts: Vec<AtomicU32> = (0..SLICES).map(|_| AtomicU32::new(0)).collect();
    points.par_chunks(CHUNK).try_for_each(|chunk| {
        run.check()?;
        for p in chunk.iter() {
            counts[slice(p[axis], thin, SLICES)].fetch_add(1, Ordering::Relaxed);
        }
        Ok(())
    })?;
    // The slices that hold a point of the sample, and where in all of these together it comes.
    let size = SAMPLE.min(points.len());
    let mut wanted = vec![false; SLICES];
    let mut at = Vec::with_capacity(size);
    let (mut before, mut kept) = (0usize, 0usize);
    for (count, wanted) in counts.iter().zip(&mut wanted) {
        let count = count.load(Ordering::Relaxed) as usize;
        while at.len() < size && at.len() * points.len() / size < before + count {
            at.push(at.len() * points.len() / size - before + kept);
            *wanted = true;
        }
        before += count;
        kept += if *wanted { count } else { 0 };
    }
    let of_chunk = |chunk: Points| {
        run.check()?;
        Ok(chunk.iter().filter(|p| wanted[slice(p[axis], thin, SLICES)]).collect::<Vec<Point>>())
    };
    let mut sorted = points.par_chunks(CHUNK).map(of_chunk).collect::<Result<Vec<_>, Stopped>>()?.concat();
    // No two are equal, so an unstable sort has one possible result.
    sorted.par_sort_unstable_by(|p, q| {
        let order = |k: usize| p[k].total_cmp(&q[k]);
        order(axis).then_with(|| order(second)).then_with(|| order(third))
    });
    run.check()?;
    let sample: Vec<(Point, f64)> =
        at.into_iter().map(|i| (sorted[i], nearest_of_sorted(&sorted, i, axis))).collect();
    drop(sorted);
    // Some of the points bound the distance more closely, so that all need be held against fewer.
    let mut sample = sample;
    for step in [SPARSE, 1] {
        // For each wide slice the points of the sample whose neighbour may lie there.
        let mut near: Vec<Vec<u32>> = vec![Vec::new(); WIDE_SLICES];
        for (s, (p, best)) in (0u32..).zip(&sample) {
            let reach = best.sqrt();
            let first = slice(p[axis] - reach, wide, WIDE_SLICES).saturating_sub(1);
            let last = (slice(p[axis] + reach, wide, WIDE_SLICES) + 1).min(WIDE_SLICES - 1);
            near[first..=last].iter_mut().for_each(|n| n.push(s));
        }
        let of_chunk = |chunk: Points| {
            run.check()?;
            let mut best: Vec<f64> = sample.iter().map(|s| s.1).collect();
            for q in chunk.iter().step_by(step) {
                for &s in &near[slice(q[axis], wide, WIDE_SLICES)] {
                    let p = &sample[s as usize].0;
                    let d2 = (q - p).norm_squared();
                    if d2 < best[s as usize] && q != *p {
                        best[s as usize] = d2;
                    }
                }
            }
            Ok(best)
        };
        let parts = points.par_chunks(CHUNK).map(of_chunk).collect::<Result<Vec<_>, Stopped>>()?;
        for (s, (_, best)) in sample.iter_mut().enumerate() {
            *best = parts.iter().map(|part| part[s]).fold(f64::INFINITY, f64::min);
        }
    }
    let mut found: Vec<f64> = sample.into_iter().map(|s| s.1).collect();
    found.sort_unstable_by(f64::total_cmp);
    Ok(found[found.len() / 2].sqrt())
}

/// Squared distance from place `at` to the nearest other one of some that are sorted along an axis: outwards
/// until the distance along it alone is larger than the best. Infinite for a lone one.
fn nearest_of_sorted(places: &[Point], at: usize, axis: usize) -> f64 {
    let p = places[at];
    let mut best = f64::INFINITY;
    let mut look = |q: &Point| {
        let along = q[axis] - p[axis];
        let nearer = along * along < best;
        if nearer {
            best = best.min((q - p).norm_squared());
        }
        nearer
    };
    let _ = places[at + 1..].iter().all(&mut look);
    let _ = places[..at].iter().rev().all(&mut look);
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::quiet;

    /// The same by sorting all and looking at all.
    fn slow(points: &[Point]) -> f64 {
        let axis = dealt(points.into(), &Aabb::of(points)).size().imax();
        let mut sorted = points.to_vec();
        sorted.sort_by(|p, q| {
            let order = |k: usize| p[(axis + k) % 3].total_cmp(&q[(axis + k) % 3]);
            order(0).then_with(|| order(1)).then_with(|| order(2))
        });
        let size = SAMPLE.min(points.len());
        let mut found: Vec<f64> = (0..size)
            .map(|k| {
                let at = k * points.len() / size;
                let others = sorted.iter().enumerate().filter(|(i, _)| *i != at);
                others.map(|(_, q)| (q - sorted[at]).norm_squared()).fold(f64::INFINITY, f64::min)
            })
            .collect();
        found.sort_unstable_by(f64::total_cmp);
        found[size / 2].sqrt()
    }

    #[test]
    fn the_spacing_is_that_of_looking_at_all() {
        let mut random = Random::seeded(5);
        let mut place = |size: [f64; 3]| Point::from(size.map(|s| s * (random.unit() - 0.3)));
        let mut clouds: Vec<Vec<Point>> = [[0.0, 4.0, 9.0], [1e6, 1e-3, 7.0], [3.0, 3.0, 3.0]]
            .iter()
            .flat_map(|size| [2, 3, 301, 302, 5000].map(|n| (0..n).map(|_| place(*size)).collect()))
            .collect();
        // Many in one slice, others far out; a lattice.
        let mut wall: Vec<Point> = (0..4000).map(|_| place([1e-9, 50.0, 40.0])).collect();
        wall.extend([Point::new(-1e5, 0.0, 0.0), Point::new(2e5, 1.0, 0.0)]);
        clouds.push(wall);
        clouds.push((0..8000).map(|i| Point::from([i % 20, i / 20 % 20, i / 400].map(f64::from))).collect());
        for points in clouds {
            let view = Points::from(&points);
            let all = bounds(view);
            let found = spacing_mm(view, &dealt(view, &all), &quiet()).unwrap();
            assert_eq!(found, slow(&points), "{} points", points.len());
        }
        for points in [&[Point::origin()][..], &[]] {
            let points = Points::from(points);
            let all = bounds(points);
            assert_eq!(spacing_mm(points, &dealt(points, &all), &quiet()).unwrap(), 0.0);
        }
    }
}
