//! The nearest parameter on a curve, from seeds and by bounded Newton steps.

use super::spline::FLATTEST;
use crate::geometry::Vector;

/// Difference to the place asked for, first and second derivative, at a parameter.
pub(super) type Offset = (Vector, Vector, Vector);

/// The parameter in `range` whose offset is shortest. `samples` intervals are looked at and the best three
/// valleys followed; equal ones go to the lower parameter.
pub(super) fn nearest(range: (f64, f64), samples: usize, at: &dyn Fn(f64) -> Offset) -> f64 {
    let samples = samples.max(2);
    let place = |i: usize| range.0 + (range.1 - range.0) * (i as f64 / samples as f64);
    let heights: Vec<f64> = (0..=samples).map(|i| at(place(i)).0.norm_squared()).collect();
    let mut valleys: Vec<usize> = (0..=samples)
        .filter(|&i| {
            (i == 0 || heights[i] <= heights[i - 1]) && (i == samples || heights[i] <= heights[i + 1])
        })
        .collect();
    valleys.sort_by(|a, b| heights[*a].total_cmp(&heights[*b]).then(a.cmp(b)));
    let mut best = (f64::INFINITY, range.0);
    for &i in valleys.iter().take(3) {
        let within = (place(i.saturating_sub(1)), place((i + 1).min(samples)));
        let t = descend(within, place(i), at);
        let height = at(t).0.norm_squared();
        if height < best.0 {
            best = (height, t);
        }
    }
    best.1
}

/// The same, where it is about as near as `on_mm` from `start`; then nothing else is looked at.
pub(super) fn nearest_from(
    range: (f64, f64),
    samples: usize,
    start: Option<f64>,
    on_mm: f64,
    at: &dyn Fn(f64) -> Offset,
) -> f64 {
    if let Some(start) = start {
        let t = descend(range, start.clamp(range.0, range.1), at);
        if at(t).0.norm() < on_mm {
            return t;
        }
    }
    nearest(range, samples, at)
}

/// Newton's method on the slope of the squared distance, kept inside `within`; where the second derivative is
/// not positive its size counts (Nocedal and Wright, Numerical Optimization, 2nd edition, 2006, section 3.4, from
/// memory), and a step that does not go down is halved.
pub(super) fn descend(within: (f64, f64), start: f64, at: &dyn Fn(f64) -> Offset) -> f64 {
    let mut t = start;
    let (mut d, mut d1, mut d2) = at(t);
    let mut height = d.norm_squared();
    for _ in 0..40 {
        let slope = d.dot(&d1);
        let full = d1.norm_squared() + d.dot(&d2);
        let gauss = d1.norm_squared();
        let bend = if full > 0.1 * gauss { full } else { full.abs().max(FLATTEST * gauss) };
        if !(bend > 0.0) {
            break;
        }
        let mut step = -slope / bend;
        let mut moved = false;
        for _ in 0..20 {
            let next = (t + step).clamp(within.0, within.1);
            let there = at(next);
            if there.0.norm_squared() < height {
                (t, height) = (next, there.0.norm_squared());
                (d, d1, d2) = there;
                moved = true;
                break;
            }
            step *= 0.5;
        }
        if !moved {
            break;
        }
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_place_of_a_wave_is_found_among_several_valleys() {
        // y = x^4 - x^2 + 0.1 x about (0.6, -0.4).
        let at = |t: f64| {
            let d = Vector::new(t - 0.6, t * t * t * t - t * t + 0.1 * t + 0.4, 0.0);
            let d1 = Vector::new(1.0, 4.0 * t * t * t - 2.0 * t + 0.1, 0.0);
            (d, d1, Vector::new(0.0, 12.0 * t * t - 2.0, 0.0))
        };
        let t = nearest((-2.0, 2.0), 20, &at);
        let slow = (0..=400_000).map(|i| -2.0 + f64::from(i) * 1e-5);
        let slow = slow.min_by(|a, b| at(*a).0.norm().total_cmp(&at(*b).0.norm())).unwrap();
        assert!((t - slow).abs() < 1e-5, "{t} {slow}");
        assert!(at(t).0.dot(&at(t).1).abs() < 1e-7);
    }

    #[test]
    fn the_end_is_the_answer_where_all_falls_towards_it() {
        let at = |t: f64| (Vector::new(t - 5.0, 0.0, 0.0), Vector::x(), Vector::zeros());
        assert_eq!(nearest((0.0, 1.0), 4, &at), 1.0);
    }
}
