//! A field of thickness with most of its noise taken out: what is rehearsed on it tells how noise moves its extremes.
//!
//! An extreme of a noisy field lies beyond that of the field itself. Rehearsed on the noisy field the bias comes out too small
//! where the field is even, on a perfect one too large where it has form. So the field is taken apart into means over cells
//! that halve their width from scale to scale, and of each difference between two scales only what stands out of its noise
//! is kept (soft threshold sqrt(2 ln n): Donoho and Johnstone, "Ideal spatial adaptation by wavelet shrinkage", Biometrika
//! 81(3), 1994; differences of cell means are the two-dimensional Haar transform of places that lie anywhere). The noise of
//! every difference comes from the same rehearsed draws.

use crate::filter::{Draws, REHEARSALS};
use crate::geometry::Point;
use crate::search::PointGrid;

/// Most scales: cells a thousand times as wide as the finest.
const MOST_SCALES: usize = 10;

/// Values and their noise, meaned over cells.
struct Scale {
    /// Of each place the cell that it lies in.
    cell: Vec<u32>,
    value: Vec<f64>,
    noise: Vec<Draws>,
}

impl Scale {
    /// Cells of a given width; one cell for everything where there is no width.
    fn new(places: &[Point], values: &[f64], noise: &[Draws], edge_mm: Option<f64>) -> Self {
        let mut cell = vec![0u32; places.len()];
        let mut cells = 1;
        if let Some(edge) = edge_mm {
            let grid = PointGrid::new(places, edge);
            cells = 0;
            for members in grid.cells() {
                members.iter().for_each(|&i| cell[i as usize] = cells);
                cells += 1;
            }
        }
        let count = cells as usize;
        let (mut value, mut drawn, mut n) =
            (vec![0.0; count], vec![[0.0f64; REHEARSALS]; count], vec![0.0; count]);
        for (i, &c) in cell.iter().enumerate() {
            let c = c as usize;
            n[c] += 1.0;
            value[c] += values[i];
            drawn[c].iter_mut().zip(&noise[i]).for_each(|(s, e)| *s += f64::from(*e));
        }
        let noise = drawn.iter().zip(&n).map(|(d, n)| d.map(|s| (s / n) as f32)).collect();
        value.iter_mut().zip(&n).for_each(|(v, n)| *v /= n);
        Self { cell, value, noise }
    }

    /// What stands out of the noise of a finer value and its draws over the cell of a place.
    fn stands_out(&self, place: usize, value: f64, noise: &Draws, count: usize) -> f64 {
        let c = self.cell[place] as usize;
        let apart = value - self.value[c];
        let square =
            noise.iter().zip(&self.noise[c]).map(|(a, b)| f64::from(a - b) * f64::from(a - b)).sum::<f64>();
        let sigma = (square / REHEARSALS as f64).sqrt();
        let threshold = sigma * (2.0 * crate::geometry::math::ln(count.max(2) as f64)).sqrt();
        apart.signum() * (apart.abs() - threshold).max(0.0)
    }
}

/// The values at `places` with what is likely noise taken out; cells of the finest scale are `finest_mm` wide.
pub(super) fn likely(places: &[Point], values: &[f64], noise: &[Draws], finest_mm: f64) -> Vec<f64> {
    let extent = crate::geometry::Aabb::of(places).diagonal();
    let mut scales = vec![Scale::new(places, values, noise, None)];
    let mut widths = Vec::new();
    let mut edge = finest_mm.max(1e-6);
    while widths.len() < MOST_SCALES && edge < extent {
        widths.push(edge);
        edge *= 2.0;
    }
    scales.extend(widths.iter().rev().map(|edge| Scale::new(places, values, noise, Some(*edge))));
    let mut found = vec![scales[0].value[0]; places.len()];
    for pair in scales.windows(2) {
        let (coarse, fine) = (&pair[0], &pair[1]);
        for (i, value) in found.iter_mut().enumerate() {
            let c = fine.cell[i] as usize;
            *value += coarse.stands_out(i, fine.value[c], &fine.noise[c], fine.value.len());
        }
    }
    let last = &scales[scales.len() - 1];
    for (i, value) in found.iter_mut().enumerate() {
        *value += last.stands_out(i, values[i], &noise[i], places.len());
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    /// A field of 60 x 40 places a millimetre apart, with independent noise.
    fn noisy(form: impl Fn(f64, f64) -> f64, noise_mm: f64) -> (Vec<Point>, Vec<f64>, Vec<Draws>) {
        let mut random = Random::seeded(3);
        let places: Vec<Point> =
            (0..2400).map(|i| Point::new(f64::from(i % 60), f64::from(i / 60), 0.0)).collect();
        let values = places.iter().map(|p| form(p.x, p.y) + noise_mm * random.normal()).collect();
        let noise =
            places.iter().map(|_| std::array::from_fn(|_| (noise_mm * random.normal()) as f32)).collect();
        (places, values, noise)
    }

    #[test]
    fn noise_alone_is_taken_out_and_form_that_stands_out_stays() {
        let (places, values, noise) = noisy(|_, _| 3.0, 0.01);
        let even = likely(&places, &values, &noise, 2.0);
        let range = |v: &[f64]| v.iter().fold((9.0f64, -9.0f64), |(l, h), x| (l.min(*x), h.max(*x)));
        let (low, high) = range(&even);
        assert!(high - low < 0.012, "{low} {high}, before {:?}", range(&values));
        // A taper, a wide dent and a step keep their extremes.
        let forms: [(&str, fn(f64, f64) -> f64); 3] = [
            ("taper", |x, _| 3.0 + 0.005 * x),
            ("dent", |x, y| {
                3.0 - 0.2
                    * crate::geometry::math::exp(-((x - 30.0) * (x - 30.0) + (y - 20.0) * (y - 20.0)) / 60.0)
            }),
            ("step", |x, _| if x < 20.0 { 2.8 } else { 3.0 }),
        ];
        for (name, form) in forms {
            let (places, values, noise) = noisy(form, 0.01);
            let truth: Vec<f64> = places.iter().map(|p| form(p.x, p.y)).collect();
            let found = likely(&places, &values, &noise, 2.0);
            let (low, high) = range(&found);
            let (least, most) = range(&truth);
            assert!(
                (low - least).abs() < 0.02 && (high - most).abs() < 0.02,
                "{name}: {low} {high}, {least} {most}"
            );
            let rms = |v: &[f64]| {
                (v.iter().zip(&truth).map(|(a, b)| (a - b) * (a - b)).sum::<f64>() / truth.len() as f64)
                    .sqrt()
            };
            assert!(rms(&found) < 0.8 * rms(&values), "{name}: {} of {}", rms(&found), rms(&values));
        }
    }

    #[test]
    fn one_place_is_its_own_mean() {
        let noise = vec![[0.0; REHEARSALS]];
        assert_eq!(likely(&[Point::origin()], &[2.5], &noise, 1.0), [2.5]);
    }
}
