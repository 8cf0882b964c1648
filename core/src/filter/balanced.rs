//! Drawn noise that moves a fit exactly as much as noise does.
//!
//! Forty-eight draws tell a standard deviation to a tenth; and since every scan takes the same seed, the uncertainty of a fit
//! would be wrong by the same tenth on all of them. What a least-squares fit to a surface does with noise rests on a few sums over
//! its points: those along a shift, a turn, a growth and an even widening of the surface. In every draw these sums are given
//! values that have no mean, the variances of white noise, and no correlation with each other or with those of three other
//! surfaces (quadratic resampling: Barraquand, "Numerical valuation of high dimensional multivariate European securities", Management
//! Science 41(12), 1995; from memory). What else there is of the noise stays as it was drawn.

use super::gaussian::{Draws, REHEARSALS};
use crate::geometry::random::Random;
use crate::geometry::{Point, Vector, symmetric_eigen};

/// Sums that are held: three shifts, three turns, a growth, a widening along three axes.
const SUMS: usize = 10;

/// Surfaces whose sums are free of correlation with each other: more columns than draws cannot be.
const SURFACES: usize = 4;

/// Sums that a surface hardly has, of a plane that of its turn in itself, are left alone: this part of the largest.
const LEAST: f64 = 1e-8;

const SEED: u64 = 0xBA1A_4CED;

/// Holds the sums of white noise of standard deviation `noise_mm`; `at` tells place and unit normal of each point. `surface` is the
/// number of the surface among those that a value is made of.
pub fn balance(noise: &mut [Draws], at: impl Fn(usize) -> (Point, Vector), noise_mm: f64, surface: usize) {
    let n = noise.len();
    if n == 0 {
        return;
    }
    let middle = (0..n).fold(Vector::zeros(), |s, i| s + at(i).0.coords) / n as f64;
    let square = (0..n).map(|i| (at(i).0.coords - middle).norm_squared()).sum::<f64>() / n as f64;
    // In units of the surface's size, so that all sums are of a size.
    let per = if square > 0.0 { 1.0 / square.sqrt() } else { 0.0 };
    let row = |i: usize| -> [f64; SUMS] {
        let (p, normal) = at(i);
        let d = (p.coords - middle) * per;
        let turn = d.cross(&normal);
        [normal.x, normal.y, normal.z, turn.x, turn.y, turn.z, 1.0, d.x, d.y, d.z]
    };
    let mut gram = [[0.0; SUMS]; SUMS];
    for i in 0..n {
        let row = row(i);
        for (j, sums) in gram.iter_mut().enumerate() {
            sums.iter_mut().zip(&row).for_each(|(s, r)| *s += row[j] * r);
        }
    }
    let (values, vectors) = symmetric_eigen(&gram);
    let largest = values.iter().fold(0.0f64, |m, v| m.max(*v));
    let kept: Vec<[f64; SUMS]> = values
        .iter()
        .zip(&vectors)
        .filter(|(value, _)| **value > LEAST * largest)
        .map(|(value, vector)| vector.map(|x| x / value.sqrt()))
        .collect();
    // Each kept sum over the points is of unit length, so that its variance is that of the noise.
    let weight =
        |row: &[f64; SUMS], vector: &[f64; SUMS]| -> f64 { row.iter().zip(vector).map(|(a, b)| a * b).sum() };
    let mut change: Vec<[f64; REHEARSALS]> =
        columns(surface).into_iter().take(kept.len()).map(|c| c.map(|z| noise_mm * z)).collect();
    for (i, draws) in noise.iter().enumerate() {
        let row = row(i);
        for (change, vector) in change.iter_mut().zip(&kept) {
            let w = weight(&row, vector);
            change.iter_mut().zip(draws).for_each(|(c, e)| *c -= w * f64::from(*e));
        }
    }
    for (i, draws) in noise.iter_mut().enumerate() {
        let row = row(i);
        let mut sum = [0.0; REHEARSALS];
        for (change, vector) in change.iter().zip(&kept) {
            let w = weight(&row, vector);
            sum.iter_mut().zip(change).for_each(|(s, c)| *s += w * c);
        }
        draws.iter_mut().zip(sum).for_each(|(e, s)| *e += s as f32);
    }
}

/// Deviates of mean 0 and variance 1 for the sums of a surface, without correlation: seeded ones made orthogonal (Gram and Schmidt).
fn columns(surface: usize) -> [[f64; REHEARSALS]; SUMS] {
    let mut random = Random::seeded(SEED ^ ((surface / SURFACES) as u64).wrapping_mul(0x9E37_79B9));
    let mut all: Vec<[f64; REHEARSALS]> = vec![[1.0 / (REHEARSALS as f64).sqrt(); REHEARSALS]];
    for _ in 0..SUMS * SURFACES {
        let mut column: [f64; REHEARSALS] = std::array::from_fn(|_| random.normal());
        // Twice is enough (Giraud, Langou and Rozloznik, Computers and Mathematics with Applications 50, 2005; from memory).
        for _ in 0..2 {
            for other in &all {
                let dot: f64 = column.iter().zip(other).map(|(a, b)| a * b).sum();
                column.iter_mut().zip(other).for_each(|(c, o)| *c -= dot * o);
            }
        }
        let length = column.iter().map(|c| c * c).sum::<f64>().sqrt();
        all.push(column.map(|c| c / length));
    }
    let first = 1 + SUMS * (surface % SURFACES);
    let times = ((REHEARSALS - 1) as f64).sqrt();
    std::array::from_fn(|k| all[first + k].map(|c| times * c))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::drawn_noise;
    use crate::geometry::{Cholesky, math};

    fn wall(i: usize) -> (Point, Vector) {
        let (turn, z) = (0.7 * i as f64, 0.02 * i as f64);
        let e = Vector::new(math::cos(turn), math::sin(turn), 0.0);
        (Point::new(30.0, -5.0, z) + e * 8.0, -e)
    }

    fn spread(values: &[f64]) -> (f64, f64) {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        (mean, (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0)).sqrt())
    }

    /// A row of the circle's fit: along the normal its centre moves by -cos and -sin, its radius by -1.
    fn of_circle(i: usize) -> [f64; 3] {
        let n = wall(i).1;
        [n.x, n.y, -1.0]
    }

    #[test]
    fn a_circle_scatters_as_the_law_of_propagation_says() {
        // Points all round, but unevenly, so that centre and radius share a little. The law: (A' A)^-1 s^2 (JCGM 102:2011, 6.2; the
        // covariance of least squares).
        let (n, noise_mm) = (331, 0.02);
        let mut normal = [[0.0; 3]; 3];
        for i in 0..n {
            let row = of_circle(i);
            (0..3).for_each(|j| (0..3).for_each(|k| normal[j][k] += row[j] * row[k]));
        }
        let factor = Cholesky::new(&normal).unwrap();
        let law = factor.inverse().map(|r| r.map(|c| c * noise_mm * noise_mm));
        let fits = |noise: &[Draws]| -> Vec<[f64; 3]> {
            let of_draw = |d: usize| {
                let mut right = [0.0; 3];
                for i in 0..n {
                    let row = of_circle(i);
                    (0..3).for_each(|j| right[j] += row[j] * f64::from(noise[i][d]));
                }
                factor.solve(&right)
            };
            (0..REHEARSALS).map(of_draw).collect()
        };
        let mut noise = drawn_noise(n, noise_mm, 7);
        let radius = |noise: &[Draws]| spread(&fits(noise).iter().map(|f| f[2]).collect::<Vec<_>>());
        let before = radius(&noise).1 / law[2][2].sqrt();
        balance(&mut noise, wall, noise_mm, 0);
        for k in 0..3 {
            let (mean, after) = spread(&fits(&noise).iter().map(|f| f[k]).collect::<Vec<_>>());
            assert!((after / law[k][k].sqrt() - 1.0).abs() < 1e-4, "{k}: {after} of {}", law[k][k].sqrt());
            assert!(mean.abs() < 1e-3 * after, "{k}: {mean}");
        }
        // As it was drawn it is right to a tenth at best.
        assert!((before - 1.0).abs() > 0.005, "{before}");
        // A single point keeps its noise.
        let all: Vec<f64> = noise.iter().flatten().map(|e| f64::from(*e)).collect();
        assert!((spread(&all).1 / noise_mm - 1.0).abs() < 0.03);
    }

    #[test]
    fn four_surfaces_share_nothing() {
        let n = 400;
        let means: Vec<Vec<f64>> = (0..SURFACES)
            .map(|surface| {
                let mut noise = drawn_noise(n, 1.0, 3 + surface as u64);
                balance(&mut noise, wall, 1.0, surface);
                (0..REHEARSALS).map(|d| noise.iter().map(|e| f64::from(e[d])).sum::<f64>()).collect()
            })
            .collect();
        for (i, a) in means.iter().enumerate() {
            for b in &means[..i] {
                let dot = a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
                assert!(dot.abs() < 1e-2 * n as f64, "{i}: {dot}");
            }
        }
    }

    #[test]
    fn few_points_and_points_on_one_spot_stay_sound() {
        for n in [0, 1, 2, 5] {
            let mut noise = drawn_noise(n, 0.02, 1);
            balance(&mut noise, |_| wall(0), 0.02, 5);
            assert!(noise.iter().flatten().all(|e| e.is_finite() && e.abs() < 0.2));
        }
    }
}
