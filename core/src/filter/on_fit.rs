//! What noise that neighbouring points share does to a fit by least squares: how it moves the fit, and what it leaves over about it.
//!
//! Both are worked out from the field's own nodes, which are independent, so nothing is drawn here. What is left over looks like
//! form; it is in the budget as noise already, and must not be there twice.

use std::collections::BTreeMap;

use super::correlated::{Correlated, weights};
use crate::geometry::{Cholesky, Point, Vector};

/// Places that are asked at most: what is shared is the same at the next point.
const MOST_PLACES: usize = 1_000;

/// Noise that neighbouring points share, on a fit with `N` freedoms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnFit<const N: usize> {
    /// Covariance of the freedoms, in the squares of their units.
    pub covariance: [[f64; N]; N],
    /// Mean square of what is left over about the fit, mm2.
    pub left_over_mm2: f64,
}

/// Of `count` points, each with its place, the unit normal out of the material, and how much each freedom of the fit moves the
/// surface along that normal there. `None` where the points do not hold the freedoms.
pub fn on_fit<const N: usize>(
    shared: &[Correlated],
    count: usize,
    at: impl Fn(usize) -> (Point, Vector, [f64; N]),
) -> Option<OnFit<N>> {
    let every = count.div_ceil(MOST_PLACES).max(1);
    let places: Vec<(Point, Vector, [f64; N])> = (0..count).step_by(every).map(at).collect();
    let mut normal = [[0.0; N]; N];
    for (_, _, row) in &places {
        for j in 0..N {
            for k in 0..N {
                normal[j][k] += row[j] * row[k];
            }
        }
    }
    let factor = Cholesky::new(&normal)?;
    let mut covariance = [[0.0; N]; N];
    let mut square = 0.0;
    for one in shared {
        // What each independent deviate does to the freedoms.
        let mut nodes: BTreeMap<(usize, [i64; 3]), [[f64; N]; 3]> = BTreeMap::new();
        let mut told = false;
        for (place, facing, row) in &places {
            let moves = factor.solve(row);
            weights(one, place, facing, &mut |node, along| {
                told = true;
                let sum = nodes.entry(node).or_insert([[0.0; N]; 3]);
                for (sum, w) in sum.iter_mut().zip(along) {
                    sum.iter_mut().zip(&moves).for_each(|(s, m)| *s += w * m);
                }
            });
        }
        for sum in nodes.values().flatten() {
            for j in 0..N {
                for k in 0..N {
                    covariance[j][k] += sum[j] * sum[k];
                }
            }
        }
        if told {
            square += one.standard_mm * one.standard_mm;
        }
    }
    let taken: f64 = (0..N).map(|j| (0..N).map(|k| normal[j][k] * covariance[k][j]).sum::<f64>()).sum();
    let left_over_mm2 = (square - taken / places.len() as f64).max(0.0);
    Some(OnFit { covariance, left_over_mm2 })
}

/// [`OnFit::left_over_mm2`]; zero where the points do not hold the freedoms, so that nothing is taken for noise then.
pub fn left_over<const N: usize>(
    shared: &[Correlated],
    count: usize,
    at: impl Fn(usize) -> (Point, Vector, [f64; N]),
) -> f64 {
    if shared.is_empty() { 0.0 } else { on_fit(shared, count, at).map_or(0.0, |f| f.left_over_mm2) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::{REHEARSALS, SharedNoise};
    use crate::geometry::math;

    fn wall(i: usize) -> (Point, Vector, [f64; 3]) {
        let turn = std::f64::consts::TAU * i as f64 / 720.0;
        let (c, s) = (math::cos(turn), math::sin(turn));
        (Point::new(6.0 * c, 6.0 * s, 0.0), Vector::new(-c, -s, 0.0), [-c, -s, -1.0])
    }

    fn of(standard_mm: f64, length_mm: f64, shifts: bool) -> Correlated {
        Correlated { standard_mm, length_mm, shifts, each_pass: false }
    }

    /// About a circle: of noise that a whole wall shares nothing is left over, of noise that only near points share nearly all
    /// (closed forms); of passes most, and the mean over the wall keeps about an eighth.
    #[test]
    fn what_is_left_over_about_a_circle_is_what_is_not_shared_round_it() {
        let share = |one: Correlated| {
            let found = on_fit(&[one], 720, wall).unwrap();
            let square = one.standard_mm * one.standard_mm;
            (found.left_over_mm2 / square, found.covariance[2][2] / square)
        };
        let (near, size) = share(of(0.02, 0.2, false));
        assert!(near > 0.9 && size < 0.05, "{near} {size}");
        let (whole, size) = share(of(0.02, 900.0, false));
        assert!(whole < 1e-3 && size > 0.9, "{whole} {size}");
        let (passes, size) = share(of(0.02, 500.0, true));
        assert!((0.4..0.9).contains(&passes) && (0.06..0.25).contains(&size), "{passes} {size}");
        assert_eq!(left_over(&[], 720, wall), 0.0);
        assert_eq!(left_over(&[of(0.02, 1.0, false)], 2, wall), 0.0);
        // Points on one spot hold no circle.
        assert_eq!(left_over(&[of(0.02, 1.0, false)], 50, |_| wall(0)), 0.0);
    }

    /// The same as by draws of the noise, of which 48 tell a variance to a fifth.
    #[test]
    fn what_is_worked_out_is_what_draws_do() {
        let all = [of(0.01, 3.0, false), of(0.02, 500.0, true)];
        let exact = on_fit(&all, 720, wall).unwrap();
        let mut noise = SharedNoise::new(&all);
        let (mut size, mut total) = (0.0, 0.0);
        let drawn: Vec<_> = (0..720).map(|i| noise.at(&wall(i).0, &wall(i).1)).collect();
        for draw in 0..REHEARSALS {
            let mean = drawn.iter().map(|d| -f64::from(d[draw])).sum::<f64>() / 720.0;
            size += mean * mean / REHEARSALS as f64;
            let square = |d: &[f32; REHEARSALS]| f64::from(d[draw]) * f64::from(d[draw]);
            total += drawn.iter().map(square).sum::<f64>() / 720.0 / REHEARSALS as f64;
        }
        assert!((size / exact.covariance[2][2] - 1.0).abs() < 0.6, "{size} {:?}", exact.covariance);
        let normal = [360.0, 360.0, 720.0];
        let taken: f64 = (0..3).map(|k| normal[k] * exact.covariance[k][k]).sum::<f64>() / 720.0;
        assert!((total / (exact.left_over_mm2 + taken) - 1.0).abs() < 0.3, "{total} {exact:?}");
    }
}
