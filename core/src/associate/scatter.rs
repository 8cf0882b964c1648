//! What the points of a round wall scatter about their circle: noise of each point by itself, and the rest, which neighbours
//! share: form of the wall, and errors of the scan that look like it.

use super::CircleFit;
use crate::geometry::{Direction, Point};
use crate::search::PointGrid;

/// So many points to a cell; of fewer than two nothing is seen, of many more form is taken for noise.
const IN_A_CELL: f64 = 4.0;

/// With fewer freedoms neighbours do not tell how noisy they are: a third on the standard deviation.
const LEAST_FREEDOMS: f64 = 6.0;

/// Two variances of one point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scatter {
    /// Of what each point has by itself, mm2.
    pub(super) noise_mm2: f64,
    /// Of what it has beyond that, mm2.
    pub(super) form_mm2: f64,
}

impl Scatter {
    /// Of a wall of more than three points, of which the share `seen` of the turn was seen. The noise is at least `noise_mm`; a
    /// wall is often looked at from a slant, and noisier than the rest of the scan.
    ///
    /// The noise is what points differ by within small cells (analysis of variance, one way: Fisher, Statistical Methods for
    /// Research Workers, chapter VII; from memory).
    pub(super) fn of_wall(wall: &[Point], fit: &CircleFit, seen: f64, noise_mm: f64) -> Self {
        let n = wall.len() as f64;
        let all = fit.rms_mm * fit.rms_mm * n / (n - 3.0);
        let least = noise_mm * noise_mm;
        let noise_mm2 = within_cells(wall, fit, seen).map_or(least, |v| v.max(least));
        Self { noise_mm2, form_mm2: (all - noise_mm2).max(0.0) }
    }
}

/// The variance of points of one small cell; `None` where too few share one.
fn within_cells(wall: &[Point], fit: &CircleFit, seen: f64) -> Option<f64> {
    let axis = fit.axis.vector();
    let [u, v] = fit.across.map(Direction::vector);
    let height = |p: &Point| (p - fit.centre).dot(&axis);
    let off: Vec<f64> = wall
        .iter()
        .map(|p| {
            let d = p - fit.centre;
            let (x, y) = (d.dot(&u), d.dot(&v));
            (x * x + y * y).sqrt() - fit.radius_mm
        })
        .collect();
    let low = wall.iter().map(height).fold(f64::INFINITY, f64::min);
    let high = wall.iter().map(height).fold(f64::NEG_INFINITY, f64::max);
    let round = std::f64::consts::TAU * fit.radius_mm * seen;
    // Of a single row only the length counts.
    let edge = (IN_A_CELL * round * (high - low) / wall.len() as f64).sqrt();
    let edge = edge.max(IN_A_CELL * round / wall.len() as f64 * 0.5).min(0.5 * super::hole::FORM_LENGTH_MM);
    if !(edge.is_finite() && edge > 0.0) {
        return None;
    }
    let (mut square, mut freedoms) = (0.0, 0.0);
    for cell in PointGrid::new(wall, edge).cells() {
        let count = cell.len() as f64;
        let mean = cell.iter().map(|&i| off[i as usize]).sum::<f64>() / count;
        square += cell.iter().map(|&i| (off[i as usize] - mean) * (off[i as usize] - mean)).sum::<f64>();
        freedoms += count - 1.0;
    }
    (freedoms >= LEAST_FREEDOMS).then(|| square / freedoms)
}

#[cfg(test)]
mod tests {
    use super::super::circle;
    use super::*;
    use crate::geometry::math;
    use crate::geometry::random::Random;

    fn wall(form_mm: f64, noise_mm: f64, seed: u64) -> Vec<Point> {
        let mut random = Random::seeded(seed);
        (0..600)
            .map(|_| {
                let turn = random.range(0.0, std::f64::consts::TAU);
                // Four lobes, whose mean square is half the square of their height.
                let off = form_mm * math::sin(4.0 * turn) * 2f64.sqrt() + noise_mm * random.normal();
                let r = 6.0 + off;
                Point::new(r * math::cos(turn), r * math::sin(turn), random.range(-1.0, 1.0))
            })
            .collect()
    }

    #[test]
    fn noise_and_form_are_told_apart() {
        for (form, noise, known) in
            [(0.0, 0.02, 0.02), (0.0, 0.03, 0.012), (0.02, 0.01, 0.01), (0.02, 0.03, 0.01)]
        {
            let (mut of_noise, mut of_form, runs) = (0.0, 0.0, 20);
            for seed in 0..runs {
                let points = wall(form, noise, seed);
                let fit = circle(&points, Direction::Z).unwrap();
                let scatter = Scatter::of_wall(&points, &fit, 1.0, known);
                of_noise += scatter.noise_mm2 / runs as f64;
                of_form += scatter.form_mm2 / runs as f64;
            }
            assert!((of_noise.sqrt() / noise - 1.0).abs() < 0.05, "{form} {noise}: {}", of_noise.sqrt());
            // Of no form a tenth of the noise's variance is left, by chance.
            let left = of_form - form * form;
            assert!(left.abs() < 0.1 * (noise * noise + form * form), "{form} {noise}: {}", of_form.sqrt());
        }
    }

    #[test]
    fn few_points_are_as_noisy_as_the_scan() {
        let points = &wall(0.0, 0.02, 3)[..8];
        let fit = circle(points, Direction::Z).unwrap();
        let scatter = Scatter::of_wall(points, &fit, 1.0, 0.05);
        assert_eq!(scatter, Scatter { noise_mm2: 0.05 * 0.05, form_mm2: 0.0 });
    }
}
