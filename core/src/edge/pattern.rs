//! The pattern in which a scanner took the points of a skin: the two steps from a point to its neighbours, where it has
//! such steps.

use crate::geometry::Point;
use crate::search::PointGrid;

/// Neighbours are looked for within this many spacings.
const NEIGHBOUR: f64 = 1.6;
/// Neighbours of a point that are looked at, on one side of it.
const MOST_NEIGHBOURS: usize = 12;

/// ... and no nearer than this many.
const LEAST_STEP: f64 = 0.6;

/// Two steps are the same within this share of the spacing: noise and the slow change of a pattern over a curved skin.
const SAME: f64 = 0.2;

/// A pattern is regular when at least this share of its points has a neighbour one step on: half of that is what drop-out
/// of a third leaves in both steps; of points anyhow a tenth has one.
const REGULAR: f64 = 0.5;

/// Fewer points show no pattern.
const LEAST: usize = 9;

/// More need not be looked at.
const MOST: usize = 90;

/// Two steps across each other, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pattern {
    pub(super) steps: [[f64; 2]; 2],
    /// Share of the places one step on that hold a point, of both steps.
    pub(super) filled: f64,
    /// Median distance to the nearest neighbour, mm.
    pub(super) spacing_mm: f64,
}

/// What the points of a flat patch show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Shown {
    /// Rows.
    Rows(Pattern),
    /// No order, with this median distance to the nearest neighbour, mm.
    Anyhow(f64),
    /// Too few to tell.
    TooFew,
}

/// The pattern of points in a plane, mm; `inner` tells those whose neighbours all lie on the skin.
pub(super) fn pattern(places: &[[f64; 2]], inner: impl Fn(usize) -> bool) -> Shown {
    if places.len() < LEAST {
        return Shown::TooFew;
    }
    let flat: Vec<Point> = places.iter().map(|p| Point::new(p[0], p[1], 0.0)).collect();
    let box_mm = crate::geometry::Aabb::of(&flat).size();
    let cell = (box_mm.x * box_mm.y / places.len() as f64).sqrt().max(1e-6);
    let grid = PointGrid::new(&flat, cell);
    let chosen: Vec<usize> = (0..places.len()).filter(|&i| inner(i)).take(MOST).collect();
    if chosen.len() < LEAST {
        return Shown::TooFew;
    }
    let mut nearest: Vec<f64> = chosen
        .iter()
        .filter_map(|&i| grid.nearest(&flat[i], 20.0 * cell, Some(i as u32)).map(|(_, d)| d))
        .collect();
    if nearest.is_empty() {
        return Shown::TooFew;
    }
    nearest.sort_by(f64::total_cmp);
    let spacing_mm = nearest[nearest.len() / 2];
    if !(spacing_mm > 0.0) {
        return Shown::TooFew;
    }
    // Steps to all neighbours; of two opposite ones that to the right.
    let mut steps: Vec<[f64; 2]> = Vec::new();
    for &i in &chosen {
        let mut own: Vec<(u32, [f64; 2])> = Vec::new();
        grid.within(&flat[i], NEIGHBOUR * spacing_mm, |j, _| {
            let d = [places[j as usize][0] - places[i][0], places[j as usize][1] - places[i][1]];
            // Two points that lie close by chance are no step.
            let far = (d[0] * d[0] + d[1] * d[1]).sqrt() >= LEAST_STEP * spacing_mm;
            if j as usize != i && far && (d[0] > 0.0 || (d[0] == 0.0 && d[1] > 0.0)) {
                own.push((j, d));
            }
        });
        // Rows have at most eight neighbours; where a finer scan lies in the coarse one there are hundreds.
        own.sort_by(|a, b| {
            let [x, y] = [a, b].map(|o| o.1[0] * o.1[0] + o.1[1] * o.1[1]);
            x.total_cmp(&y).then(a.0.cmp(&b.0))
        });
        own.truncate(MOST_NEIGHBOURS);
        own.sort_by_key(|o| o.0);
        steps.extend(own.into_iter().map(|o| o.1));
    }
    let near = |a: &[f64; 2], b: &[f64; 2]| {
        let d = [a[0] - b[0], a[1] - b[1]];
        (d[0] * d[0] + d[1] * d[1]).sqrt() <= SAME * spacing_mm
    };
    // A step to the right and one that noise has turned to the left are opposite, so both ways count.
    let close = |a: &[f64; 2], b: &[f64; 2]| near(a, b) || near(&[-a[0], -a[1]], b);
    let length = |a: &[f64; 2]| (a[0] * a[0] + a[1] * a[1]).sqrt();
    // The step that most points have, and of equal ones the shorter.
    let most = |among: &dyn Fn(&[f64; 2]) -> bool| -> Option<[f64; 2]> {
        let mut best: Option<(f64, usize)> = None;
        for k in (0..steps.len()).filter(|&k| among(&steps[k])) {
            let score = steps.iter().filter(|s| close(s, &steps[k])).count() as f64 / length(&steps[k]);
            if best.is_none_or(|b| score > b.0) {
                best = Some((score, k));
            }
        }
        let (_, k) = best?;
        let (mut sum, mut n) = ([0.0; 2], 0.0);
        for s in steps.iter().filter(|s| close(s, &steps[k])) {
            let sign = if near(s, &steps[k]) { 1.0 } else { -1.0 };
            sum = [sum[0] + sign * s[0], sum[1] + sign * s[1]];
            n += 1.0;
        }
        Some([sum[0] / n, sum[1] / n])
    };
    let Some(first) = most(&|_| true) else { return Shown::Anyhow(spacing_mm) };
    // Across the first by more than 30 degrees.
    let across = |s: &[f64; 2]| (first[0] * s[1] - first[1] * s[0]).abs() > 0.5 * length(&first) * length(s);
    let Some(second) = most(&across) else { return Shown::Anyhow(spacing_mm) };
    let share = |step: &[f64; 2]| {
        let mut held = 0usize;
        for &i in &chosen {
            for sign in [1.0, -1.0] {
                let p = Point::new(places[i][0] + sign * step[0], places[i][1] + sign * step[1], 0.0);
                held += usize::from(grid.nearest(&p, SAME * spacing_mm, Some(i as u32)).is_some());
            }
        }
        held as f64 / (2 * chosen.len()) as f64
    };
    let filled = [share(&first), share(&second)];
    if filled.iter().all(|f| *f >= REGULAR) {
        let filled = 0.5 * (filled[0] + filled[1]);
        Shown::Rows(Pattern { steps: [first, second], filled, spacing_mm })
    } else {
        Shown::Anyhow(spacing_mm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::math;
    use crate::geometry::random::Random;

    fn lattice(turn: f64, spacing: f64, noise: f64, drop: f64, random: &mut Random) -> Vec<[f64; 2]> {
        let (s, c) = (math::sin(turn), math::cos(turn));
        let mut places = Vec::new();
        for i in -8..=8 {
            for j in -8..=8 {
                let (x, y) = (f64::from(i) * spacing, f64::from(j) * spacing);
                if random.unit() >= drop {
                    places.push([
                        c * x - s * y + noise * random.normal(),
                        s * x + c * y + noise * random.normal(),
                    ]);
                }
            }
        }
        places
    }

    fn inner(places: &[[f64; 2]], half: f64) -> impl Fn(usize) -> bool + '_ {
        move |i| places[i].iter().all(|c| c.abs() < half)
    }

    #[test]
    fn rows_of_any_direction_are_found_also_with_noise_and_gaps() {
        let mut random = Random::seeded(4);
        for turn in [0.0, 0.3, 0.79, 1.5] {
            for (noise, drop) in [(0.0, 0.0), (0.02, 0.0), (0.01, 0.15)] {
                let places = lattice(turn, 0.5, noise, drop, &mut random);
                let Shown::Rows(found) = pattern(&places, inner(&places, 2.0)) else {
                    panic!("turn {turn}, noise {noise}, drop {drop}")
                };
                for step in found.steps {
                    let length = (step[0] * step[0] + step[1] * step[1]).sqrt();
                    assert!((length - 0.5).abs() < 0.02, "{found:?}");
                }
                let [a, b] = found.steps;
                assert!((a[0] * b[0] + a[1] * b[1]).abs() < 0.02, "{found:?}");
                assert!((found.filled - (1.0 - drop)).abs() < 0.1, "{found:?}");
            }
        }
    }

    #[test]
    fn points_anyhow_have_no_rows() {
        for seed in 0..20 {
            let mut random = Random::seeded(seed);
            let places: Vec<[f64; 2]> =
                (0..290).map(|_| [random.range(-4.0, 4.0), random.range(-4.0, 4.0)]).collect();
            assert!(matches!(pattern(&places, inner(&places, 3.0)), Shown::Anyhow(_)), "seed {seed}");
        }
        assert_eq!(pattern(&[[0.0; 2]; 4], |_| true), Shown::TooFew);
        assert_eq!(pattern(&[[1.0; 2]; 40], |_| true), Shown::TooFew);
    }
}
