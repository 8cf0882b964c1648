//! A field of thickness with most of its noise taken out: what is rehearsed on it tells how noise moves its extremes.
//!
//! An extreme of a noisy field lies beyond that of the field itself. Rehearsed on the noisy field the bias comes out too small
//! where the field is even, on a perfect one too large where it has form. So what a plane leaves over of the field is taken
//! apart into means over cells that halve their width from scale to scale, and of each difference between two scales only
//! what stands out of its noise is kept (soft threshold sqrt(2 ln n): Donoho and Johnstone, "Ideal spatial adaptation by
//! wavelet shrinkage", Biometrika 81(3), 1994; differences of cell means are the Haar transform of places that lie
//! anywhere), meaned over shifted cells (Coifman and Donoho, "Translation-invariant de-noising", 1995). Both from memory. The
//! noise of every difference comes from the same rehearsed draws.

use std::collections::BTreeMap;

use crate::filter::{Draws, REHEARSALS};
use crate::geometry::{Aabb, Point, symmetric_eigen};

/// Most scales: cells a thousand times as wide as the finest.
const MOST_SCALES: usize = 10;
/// Cells are laid so many times, each a part of the finest further along all axes.
const SHIFTS: usize = 4;

/// Values and their noise, meaned over cells.
struct Scale {
    /// Of each place the cell that it lies in.
    cell: Vec<usize>,
    value: Vec<f64>,
    noise: Vec<Draws>,
}

impl Scale {
    fn new(cell: Vec<usize>, cells: usize, values: &[f64], noise: &[Draws]) -> Self {
        let (mut value, mut n) = (vec![0.0; cells], vec![0.0; cells]);
        let mut drawn = vec![[0.0f64; REHEARSALS]; cells];
        for (i, &c) in cell.iter().enumerate() {
            n[c] += 1.0;
            value[c] += values[i];
            drawn[c].iter_mut().zip(&noise[i]).for_each(|(s, e)| *s += f64::from(*e));
        }
        let noise = drawn.iter().zip(&n).map(|(d, n)| d.map(|s| (s / n) as f32)).collect();
        value.iter_mut().zip(&n).for_each(|(v, n)| *v /= n);
        Self { cell, value, noise }
    }

    /// One cell for everything.
    fn whole(values: &[f64], noise: &[Draws]) -> Self {
        Self::new(vec![0; values.len()], 1, values, noise)
    }

    /// Cells of a given width, from a corner on.
    fn of_cells(places: &[Point], values: &[f64], noise: &[Draws], corner: Point, edge_mm: f64) -> Self {
        let mut known: BTreeMap<[i64; 3], usize> = BTreeMap::new();
        let key = |p: &Point| -> [i64; 3] {
            std::array::from_fn(|k| ((p[k] - corner[k]) / edge_mm).floor() as i64)
        };
        let cell = places
            .iter()
            .map(|p| {
                let next = known.len();
                *known.entry(key(p)).or_insert(next)
            })
            .collect();
        Self::new(cell, known.len(), values, noise)
    }

    /// What stands out of the noise of a finer value and its draws over the cell of a place.
    fn stands_out(&self, place: usize, value: f64, noise: &Draws, count: usize) -> f64 {
        let c = self.cell[place];
        let apart = value - self.value[c];
        let off = |(a, b): (&f32, &f32)| f64::from(a - b) * f64::from(a - b);
        let square = noise.iter().zip(&self.noise[c]).map(off).sum::<f64>();
        let sigma = (square / REHEARSALS as f64).sqrt();
        let threshold = sigma * (2.0 * crate::geometry::math::ln(count.max(2) as f64)).sqrt();
        apart.signum() * (apart.abs() - threshold).max(0.0)
    }
}

/// The values at `places` with what is likely noise taken out; cells of the finest scale are `finest_mm` wide.
pub(super) fn likely(places: &[Point], values: &[f64], noise: &[Draws], finest_mm: f64) -> Vec<f64> {
    let plane = plane(places, values);
    let values: Vec<f64> = values.iter().zip(&plane).map(|(v, p)| v - p).collect();
    let bounds = Aabb::of(places);
    let finest = finest_mm.max(1e-6);
    let mut found = plane;
    for shift in 0..SHIFTS {
        // Cells of all scales share this corner, so that each lies within one of the next.
        let off = finest * shift as f64 / SHIFTS as f64;
        let corner = bounds.low.map(|c| c - off);
        let mut widths = vec![finest];
        while widths.len() < MOST_SCALES && widths[widths.len() - 1] < bounds.diagonal() {
            widths.push(2.0 * widths[widths.len() - 1]);
        }
        let mut scales = vec![Scale::whole(&values, noise)];
        let of_width = |edge: &f64| Scale::of_cells(places, &values, noise, corner, *edge);
        scales.extend(widths.iter().rev().map(of_width));
        let share = 1.0 / SHIFTS as f64;
        for (i, value) in found.iter_mut().enumerate() {
            let mut kept = scales[0].value[0];
            for pair in scales.windows(2) {
                let c = pair[1].cell[i];
                kept += pair[0].stands_out(i, pair[1].value[c], &pair[1].noise[c], pair[1].value.len());
            }
            kept += scales[scales.len() - 1].stands_out(i, values[i], &noise[i], places.len());
            *value += share * kept;
        }
    }
    found
}

/// The least-squares value that changes evenly along all axes, at each place; along what the places do not span it does
/// not change.
fn plane(places: &[Point], values: &[f64]) -> Vec<f64> {
    let n = places.len().max(1) as f64;
    let middle = places.iter().fold(crate::geometry::Vector::zeros(), |s, p| s + p.coords) / n;
    let mean = values.iter().sum::<f64>() / n;
    let (mut spread, mut right) = ([[0.0; 3]; 3], [0.0; 3]);
    for (p, v) in places.iter().zip(values) {
        let d = p.coords - middle;
        for i in 0..3 {
            right[i] += d[i] * (v - mean);
            for j in 0..3 {
                spread[i][j] += d[i] * d[j];
            }
        }
    }
    let (sizes, axes) = symmetric_eigen(&spread);
    let largest = sizes.iter().fold(0.0f64, |m, s| m.max(*s));
    let mut slope = [0.0; 3];
    for (size, axis) in sizes.iter().zip(&axes) {
        // A sheet that is hardly bent does not tell how the value changes across it.
        if *size > 1e-3 * largest && largest > 0.0 {
            let along = (0..3).map(|k| axis[k] * right[k]).sum::<f64>() / size;
            (0..3).for_each(|k| slope[k] += along * axis[k]);
        }
    }
    places.iter().map(|p| mean + (0..3).map(|k| slope[k] * (p[k] - middle[k])).sum::<f64>()).collect()
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
        type Form = fn(f64, f64) -> f64;
        let forms: [(&str, Form); 3] = [
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
                // The threshold takes some of the tip of a dent: three times the noise of a place at most.
                (low - least).abs() < 0.03 && (high - most).abs() < 0.03,
                "{name}: {low} {high}, {least} {most}"
            );
            // Everywhere noise is taken out, of a step only away from it: beside it some of its height is.
            let away = |p: &Point| name != "step" || (p.x - 20.0).abs() >= 6.0;
            let rms = |v: &[f64], where_to_look: &dyn Fn(&Point) -> bool| {
                let those = places.iter().zip(v).zip(&truth).filter(|((p, _), _)| where_to_look(p));
                let squares: Vec<f64> = those.map(|((_, a), b)| (a - b) * (a - b)).collect();
                (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
            };
            let left = rms(&found, &away) / rms(&values, &away);
            let left_of_all = rms(&found, &|_| true) / rms(&values, &|_| true);
            println!("{name}: {left:.3} of the noise left away from a step, {left_of_all:.3} of all");
            assert!(left < 0.8 && left_of_all < 0.97, "{name}: {left} {left_of_all}");
        }
    }

    #[test]
    fn one_place_is_its_own_mean() {
        let noise = vec![[0.0; REHEARSALS]];
        assert_eq!(likely(&[Point::origin()], &[2.5], &noise, 1.0), [2.5]);
    }
}
