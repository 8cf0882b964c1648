//! A field of measured values with most of its noise taken out: what is rehearsed on it tells how noise moves its extremes.
//!
//! An extreme of a noisy field lies beyond that of the field itself. Rehearsed on the noisy field the bias comes out too small
//! where the field is even, on a perfect one too large where it has form. So the field is told by planes over cells that halve
//! their width from scale to scale, as multiwavelets of second order tell it (Alpert, SIAM J. Math. Anal. 24(1), 1993), meaned over
//! shifted cells (Coifman and Donoho, "Translation-invariant de-noising", 1995). Of the differences between the planes of two
//! scales, block by block, as much is kept as their squares stand out of those of noise (Cai, "Adaptive wavelet estimation: a block
//! thresholding and oracle inequality approach", Annals of Statistics 27(3), 1999; here each block by the quantile of the chi-squared
//! distribution that noise alone exceeds on one field in five). All from memory. The noise of every difference comes from the same
//! rehearsed draws, and so does what of the noise is kept with the form.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::filter::{Draws, REHEARSALS};
use crate::geometry::{Aabb, Point, Vector, math, symmetric_eigen};
use crate::run::{Run, Stopped};

/// Most scales: cells a thousand times as wide as the finest.
const MOST_SCALES: usize = 10;
/// Cells are laid so many times, each a part of the finest further along all axes.
const SHIFTS: usize = 4;
/// A cell of fewer places has a mean and no slopes.
const LEAST_PLACES: f64 = 6.0;
/// Along directions in which the places of a cell spread less than this part (of the variance) of the most, nothing slopes: a sheet
/// that is hardly bent does not tell how the value changes across it.
const LEAST_SPREAD: f64 = 0.02;
/// Probability that of noise alone anything is kept at a scale.
const BY_CHANCE: f64 = 0.2;

/// A field with most of its noise taken out.
pub(super) struct Likely {
    /// Its values.
    pub(super) values: Vec<f64>,
    /// What of each draw of the noise is still in it.
    pub(super) kept: Vec<Draws>,
}

/// A value at the middle of a cell and its slopes along three axes.
type Linear = [f64; 4];

/// A place about the middle of a cell: one, and how far along each axis.
fn about(middle: &Vector, p: &Point) -> Linear {
    let d = p.coords - middle;
    [1.0, d.x, d.y, d.z]
}

fn at(linear: &Linear, x: &Linear) -> f64 {
    linear.iter().zip(x).map(|(a, b)| a * b).sum()
}

/// A cell with the plane of its values, and those of each draw of their noise.
struct Cell {
    middle: Vector,
    /// Numbers that its plane has: one, and one for each slope.
    freedoms: f64,
    value: Linear,
    noise: Vec<Linear>,
}

impl Cell {
    fn new(places: &[Point], values: &[f64], noise: &[Draws], own: &[usize]) -> Self {
        let n = own.len() as f64;
        let middle = own.iter().fold(Vector::zeros(), |s, &i| s + places[i].coords) / n;
        let mut spread = [[0.0; 3]; 3];
        let mut sums = [0.0; 4];
        let mut drawn = vec![[0.0f64; 4]; REHEARSALS];
        for &i in own {
            let x = about(&middle, &places[i]);
            for j in 0..3 {
                (0..3).for_each(|k| spread[j][k] += x[j + 1] * x[k + 1]);
            }
            for k in 0..4 {
                sums[k] += x[k] * values[i];
            }
            for (sums, e) in drawn.iter_mut().zip(&noise[i]) {
                (0..4).for_each(|k| sums[k] += x[k] * f64::from(*e));
            }
        }
        // The inverse of the spread along the directions that the places have.
        let (sizes, axes) = symmetric_eigen(&spread);
        let largest = sizes.iter().fold(0.0f64, |m, s| m.max(*s));
        let mut inverse = [[0.0; 3]; 3];
        let mut freedoms = 1.0;
        for (size, axis) in sizes.iter().zip(&axes) {
            if n >= LEAST_PLACES && *size > LEAST_SPREAD * largest && largest > 0.0 {
                freedoms += 1.0;
                for j in 0..3 {
                    (0..3).for_each(|k| inverse[j][k] += axis[j] * axis[k] / size);
                }
            }
        }
        let solved = |sums: &[f64; 4]| -> Linear {
            let slope = |j: usize| (0..3).map(|k| inverse[j][k] * sums[k + 1]).sum::<f64>();
            [sums[0] / n, slope(0), slope(1), slope(2)]
        };
        let noise = drawn.iter().map(solved).collect();
        Self { middle, freedoms, value: solved(&sums), noise }
    }

    /// The plane of this cell less that of the wider one in which it lies, and the same of each draw of the noise.
    fn less(&self, wider: &Cell) -> (Linear, Vec<Linear>) {
        let x = about(&wider.middle, &Point::from(self.middle));
        let less = |own: &Linear, other: &Linear| -> Linear {
            [own[0] - at(other, &x), own[1] - other[1], own[2] - other[2], own[3] - other[3]]
        };
        let noise = self.noise.iter().zip(&wider.noise).map(|(own, other)| less(own, other)).collect();
        (less(&self.value, &wider.value), noise)
    }
}

/// Cells of one width.
struct Scale {
    /// Of each place the cell that it lies in.
    of: Vec<usize>,
    cells: Vec<Cell>,
}

impl Scale {
    /// One cell for everything.
    fn whole(places: &[Point], values: &[f64], noise: &[Draws]) -> Self {
        let own: Vec<usize> = (0..places.len()).collect();
        Self { of: vec![0; places.len()], cells: vec![Cell::new(places, values, noise, &own)] }
    }

    /// Cells of a given width, from a corner on.
    fn of_cells(places: &[Point], values: &[f64], noise: &[Draws], corner: Point, edge_mm: f64) -> Self {
        let mut known: BTreeMap<[i64; 3], usize> = BTreeMap::new();
        let mut own: Vec<Vec<usize>> = Vec::new();
        let mut of = Vec::with_capacity(places.len());
        for (i, p) in places.iter().enumerate() {
            let key = std::array::from_fn(|k| ((p[k] - corner[k]) / edge_mm).floor() as i64);
            let cell = *known.entry(key).or_insert(own.len());
            if cell == own.len() {
                own.push(Vec::new());
            }
            own[cell].push(i);
            of.push(cell);
        }
        Self { of, cells: own.iter().map(|own| Cell::new(places, values, noise, own)).collect() }
    }
}

/// What the places of a block differ by from one scale to the next, and what noise does.
#[derive(Clone, Copy, Default)]
struct Block {
    square: f64,
    of_noise: f64,
    freedoms: f64,
}

impl Block {
    /// The share that is kept of it, one of so many.
    fn kept(&self, blocks: usize) -> f64 {
        let n = self.freedoms.max(1.0);
        // The quantile of the chi-squared distribution over its mean: Wilson and Hilferty, Proc. Nat. Acad. Sci. 17, 1931.
        let z = math::normal_quantile(1.0 - BY_CHANCE / blocks.max(1) as f64);
        let c = 2.0 / (9.0 * n);
        let root = 1.0 - c + z * c.sqrt();
        let most = self.of_noise * root * root * root;
        if self.square > most { 1.0 - most / self.square } else { 0.0 }
    }
}

/// What one way of laying cells keeps of values and draws.
fn kept(
    run: &Run,
    places: &[Point],
    values: &[f64],
    noise: &[Draws],
    (corner, widths): (Point, &[f64]),
) -> Result<Likely, Stopped> {
    let whole = Scale::whole(places, values, noise);
    let root = &whole.cells[0];
    let told = |p: &Point| {
        let x = about(&root.middle, p);
        (at(&root.value, &x), std::array::from_fn(|d| at(&root.noise[d], &x) as f32))
    };
    let (found, drawn): (Vec<f64>, Vec<Draws>) = places.iter().map(told).unzip();
    let mut all = Likely { values: found, kept: drawn };
    let mut before = whole;
    let mut apart: Vec<(f64, Draws)> = vec![(0.0, [0.0; REHEARSALS]); places.len()];
    for edge in widths.iter().rev() {
        run.check()?;
        let scale = Scale::of_cells(places, values, noise, corner, *edge);
        // A cell lies within one of the wider ones, that of its first place.
        let mut within = vec![0; scale.cells.len()];
        for (c, w) in scale.of.iter().zip(&before.of).rev() {
            within[*c] = *w;
        }
        let mut freedoms: Vec<f64> = before.cells.iter().map(|c| -c.freedoms).collect();
        within.iter().zip(&scale.cells).for_each(|(w, c)| freedoms[*w] += c.freedoms);
        let less: Vec<(Linear, Vec<Linear>)> =
            scale.cells.iter().zip(&within).map(|(c, w)| c.less(&before.cells[*w])).collect();
        for ((p, c), apart) in places.iter().zip(&scale.of).zip(&mut apart) {
            let x = about(&scale.cells[*c].middle, p);
            let (value, noise) = &less[*c];
            *apart = (at(value, &x), std::array::from_fn(|d| at(&noise[d], &x) as f32));
        }
        add(&mut all, &apart, &before.of, &freedoms);
        before = scale;
    }
    // Each place by itself: what the filter has left within the finest cells is about another plane in each.
    for (i, apart) in apart.iter_mut().enumerate() {
        let cell = &before.cells[before.of[i]];
        let x = about(&cell.middle, &places[i]);
        let off = |d: usize| noise[i][d] - at(&cell.noise[d], &x) as f32;
        *apart = (values[i] - at(&cell.value, &x), std::array::from_fn(off));
    }
    let freedoms: Vec<f64> = before.cells.iter().map(|c| c.freedoms).collect();
    add(&mut all, &apart, &before.of, &freedoms);
    Ok(all)
}

/// Adds what stands out of the noise, block by block.
fn add(all: &mut Likely, apart: &[(f64, Draws)], block: &[usize], freedoms: &[f64]) {
    let mut blocks: Vec<Block> =
        freedoms.iter().map(|f| Block { freedoms: *f, ..Block::default() }).collect();
    for ((value, noise), b) in apart.iter().zip(block) {
        blocks[*b].square += value * value;
        let square: f64 = noise.iter().map(|e| f64::from(*e) * f64::from(*e)).sum();
        blocks[*b].of_noise += square / REHEARSALS as f64;
    }
    let shares: Vec<f64> = blocks.iter().map(|b| b.kept(blocks.len())).collect();
    for (i, ((value, noise), b)) in apart.iter().zip(block).enumerate() {
        let share = shares[*b];
        if share > 0.0 {
            all.values[i] += share * value;
            all.kept[i].iter_mut().zip(noise).for_each(|(k, e)| *k += share as f32 * e);
        }
    }
}

/// The values at `places` with what is likely noise taken out; cells of the finest scale are `finest_mm` wide.
///
/// # Errors
/// Only a stop by the caller.
pub(super) fn likely(
    run: &Run,
    places: &[Point],
    values: &[f64],
    noise: &[Draws],
    finest_mm: f64,
) -> Result<Likely, Stopped> {
    let mut found = Likely { values: vec![0.0; places.len()], kept: vec![[0.0; REHEARSALS]; places.len()] };
    if places.is_empty() {
        return Ok(found);
    }
    let bounds = Aabb::of(places);
    let finest = finest_mm.max(1e-6);
    let mut widths = vec![finest];
    while widths.len() < MOST_SCALES && widths[widths.len() - 1] < bounds.diagonal() {
        widths.push(2.0 * widths[widths.len() - 1]);
    }
    let one = |shift: usize| {
        // Cells of all scales share this corner, so that each lies within one of the next.
        let off = finest * shift as f64 / SHIFTS as f64;
        kept(run, places, values, noise, (bounds.low.map(|c| c - off), &widths))
    };
    let all: Vec<Likely> = (0..SHIFTS).into_par_iter().map(one).collect::<Result<_, Stopped>>()?;
    let share = 1.0 / SHIFTS as f64;
    for one in &all {
        found.values.iter_mut().zip(&one.values).for_each(|(f, v)| *f += share * v);
        for (sum, draws) in found.kept.iter_mut().zip(&one.kept) {
            sum.iter_mut().zip(draws).for_each(|(s, d)| *s += share as f32 * d);
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::quiet;

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
        let even = likely(&quiet(), &places, &values, &noise, 2.0).unwrap().values;
        let range = |v: &[f64]| v.iter().fold((9.0f64, -9.0f64), |(l, h), x| (l.min(*x), h.max(*x)));
        let (low, high) = range(&even);
        assert!(high - low < 0.012, "{low} {high}, before {:?}", range(&values));
        // A taper, a wide dent and a step keep their extremes.
        type Form = fn(f64, f64) -> f64;
        let forms: [(&str, Form); 3] = [
            ("taper", |x, _| 3.0 + 0.005 * x),
            ("dent", |x, y| {
                3.0 - 0.2 * math::exp(-((x - 30.0) * (x - 30.0) + (y - 20.0) * (y - 20.0)) / 60.0)
            }),
            ("step", |x, _| if x < 20.0 { 2.8 } else { 3.0 }),
        ];
        for (name, form) in forms {
            let (places, values, noise) = noisy(form, 0.01);
            let truth: Vec<f64> = places.iter().map(|p| form(p.x, p.y)).collect();
            let Likely { values: found, kept } = likely(&quiet(), &places, &values, &noise, 2.0).unwrap();
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
            // What of the noise is told to be left is.
            let told = kept.iter().flatten().map(|e| f64::from(*e) * f64::from(*e)).sum::<f64>();
            let told = (told / (kept.len() * REHEARSALS) as f64).sqrt() / 0.01;
            println!("{name}: told {told:.3}");
            assert!(told < 0.8 && (name == "step" || told > 0.5 * left), "{name}: {told} {left}");
            println!("{name}: {left:.3} of the noise left away from a step, {left_of_all:.3} of all");
            assert!(left < 0.8 && left_of_all < 0.97, "{name}: {left} {left_of_all}");
        }
    }

    #[test]
    fn one_place_is_its_own_mean() {
        let noise = vec![[0.0; REHEARSALS]];
        assert_eq!(likely(&quiet(), &[Point::origin()], &[2.5], &noise, 1.0).unwrap().values, [2.5]);
        assert!(likely(&quiet(), &[], &[], &[], 1.0).unwrap().values.is_empty());
    }
}
