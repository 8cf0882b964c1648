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

use super::{Draws, REHEARSALS};
use crate::geometry::{Aabb, Point, Vector, math, symmetric_eigen};
use crate::run::{Run, Stopped};

/// Most scales: cells 512 times as wide as the finest.
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
#[derive(Clone, Debug, PartialEq)]
pub struct Likely {
    /// Its values, mm, one a place.
    pub values: Vec<f64>,
    /// What of each draw of the noise is still in it, mm.
    pub kept: Vec<Draws>,
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

/// The places of one cell.
struct Cell {
    middle: Vector,
    places: f64,
    /// Of the spread of its places, along the directions that they have.
    inverse: [[f64; 3]; 3],
    /// Numbers that a plane over it has: one, and one for each slope.
    freedoms: f64,
    /// The planes of the draws of the noise.
    noise: Vec<Linear>,
}

impl Cell {
    fn new(places: &[Point], noise: &[Draws], own: &[u32]) -> Self {
        let n = own.len() as f64;
        let own = || own.iter().map(|&i| i as usize);
        let middle = own().fold(Vector::zeros(), |s, i| s + places[i].coords) / n;
        let mut spread = [[0.0; 3]; 3];
        let mut drawn = vec![[0.0f64; 4]; REHEARSALS];
        for i in own() {
            let x = about(&middle, &places[i]);
            for j in 0..3 {
                (0..3).for_each(|k| spread[j][k] += x[j + 1] * x[k + 1]);
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
        let mut cell = Self { middle, places: n, inverse, freedoms, noise: Vec::new() };
        cell.noise = drawn.iter().map(|sums| cell.solved(sums)).collect();
        cell
    }

    /// The plane through values, of which the sums of one and of each axis are given.
    fn solved(&self, sums: &[f64; 4]) -> Linear {
        let slope = |j: usize| (0..3).map(|k| self.inverse[j][k] * sums[k + 1]).sum::<f64>();
        [sums[0] / self.places, slope(0), slope(1), slope(2)]
    }

    /// A plane over this cell less one over the wider one in which it lies.
    fn less(&self, own: &Linear, wider: &Cell, other: &Linear) -> Linear {
        let x = about(&wider.middle, &Point::from(self.middle));
        [own[0] - at(other, &x), own[1] - other[1], own[2] - other[2], own[3] - other[3]]
    }

    /// The same of every draw of the noise.
    fn noise_less(&self, wider: &Cell) -> Vec<Linear> {
        self.noise.iter().zip(&wider.noise).map(|(own, other)| self.less(own, wider, other)).collect()
    }
}

/// Cells of one width.
struct Scale {
    /// Of each place the cell that it lies in.
    of: Vec<u32>,
    /// Of each cell that in which it lies among those of the next width; of one cell for everything itself.
    within: Vec<u32>,
    cells: Vec<Cell>,
    /// Of each cell of the next width what noise does to the differences of the planes, and their freedoms.
    blocks: Vec<Block>,
}

impl Scale {
    /// One cell for everything.
    fn whole(places: &[Point], noise: &[Draws]) -> Self {
        let own: Vec<u32> = (0..places.len() as u32).collect();
        let cells = vec![Cell::new(places, noise, &own)];
        Self { of: vec![0; places.len()], within: vec![0], cells, blocks: Vec::new() }
    }

    /// Cells of a given width, from a corner on.
    fn new(places: &[Point], noise: &[Draws], (corner, edge_mm): (Point, f64), wider: &Scale) -> Self {
        let mut known: BTreeMap<[i64; 3], usize> = BTreeMap::new();
        let mut own: Vec<Vec<u32>> = Vec::new();
        let mut of = Vec::with_capacity(places.len());
        let mut within = Vec::new();
        for (i, p) in places.iter().enumerate() {
            let key = std::array::from_fn(|k| ((p[k] - corner[k]) / edge_mm).floor() as i64);
            let cell = *known.entry(key).or_insert(own.len());
            if cell == own.len() {
                own.push(Vec::new());
                // A cell lies within one of the wider ones, that of its first place.
                within.push(wider.of[i]);
            }
            own[cell].push(i as u32);
            of.push(cell as u32);
        }
        let cells: Vec<Cell> = own.iter().map(|own| Cell::new(places, noise, own)).collect();
        let mut blocks: Vec<Block> = wider.cells.iter().map(|c| Block::of(-c.freedoms)).collect();
        for (w, c) in within.iter().zip(&cells) {
            blocks[*w as usize].freedoms += c.freedoms;
        }
        let less: Vec<Vec<Linear>> =
            cells.iter().zip(&within).map(|(c, w)| c.noise_less(&wider.cells[*w as usize])).collect();
        for ((p, c), w) in places.iter().zip(&of).zip(&wider.of) {
            let x = about(&cells[*c as usize].middle, p);
            blocks[*w as usize].add_noise(less[*c as usize].iter().map(|n| at(n, &x) as f32));
        }
        Self { of, within, cells, blocks }
    }

    /// The planes of some values.
    fn planes(&self, places: &[Point], values: &[f64]) -> Vec<Linear> {
        let mut sums = vec![[0.0; 4]; self.cells.len()];
        for ((p, v), c) in places.iter().zip(values).zip(&self.of) {
            let x = about(&self.cells[*c as usize].middle, p);
            (0..4).for_each(|k| sums[*c as usize][k] += x[k] * v);
        }
        self.cells.iter().zip(&sums).map(|(c, sums)| c.solved(sums)).collect()
    }
}

/// What noise does to the differences of a block.
#[derive(Clone, Copy)]
struct Block {
    of_noise: f64,
    freedoms: f64,
}

impl Block {
    fn of(freedoms: f64) -> Self {
        Self { of_noise: 0.0, freedoms }
    }

    /// Adds the draws at one place.
    fn add_noise(&mut self, draws: impl Iterator<Item = f32>) {
        let square: f64 = draws.map(|e| f64::from(e) * f64::from(e)).sum();
        self.of_noise += square / REHEARSALS as f64;
    }

    /// The share that is kept of differences with such a sum of squares in it, one of so many blocks.
    fn kept(&self, square: f64, blocks: usize) -> f64 {
        let n = self.freedoms.max(1.0);
        // The quantile of the chi-squared distribution over its mean: Wilson and Hilferty, Proc. Nat. Acad. Sci. 17, 1931.
        let z = math::normal_quantile(1.0 - BY_CHANCE / blocks.max(1) as f64);
        let c = 2.0 / (9.0 * n);
        let root = 1.0 - c + z * c.sqrt();
        let most = self.of_noise * root * root * root;
        if square > most { 1.0 - most / square } else { 0.0 }
    }
}

/// One way of laying cells over places, the widest first.
struct Laid {
    scales: Vec<Scale>,
    /// Of each of the finest cells what noise does within it.
    finest: Vec<Block>,
}

impl Laid {
    fn new(
        run: &Run,
        places: &[Point],
        noise: &[Draws],
        (corner, widths): (Point, &[f64]),
    ) -> Result<Self, Stopped> {
        let mut scales = vec![Scale::whole(places, noise)];
        for edge in widths.iter().rev() {
            run.check()?;
            scales.push(Scale::new(places, noise, (corner, *edge), &scales[scales.len() - 1]));
        }
        let last = &scales[scales.len() - 1];
        let mut finest: Vec<Block> = last.cells.iter().map(|c| Block::of(c.freedoms)).collect();
        for ((p, e), c) in places.iter().zip(noise).zip(&last.of) {
            let off = within(&last.cells[*c as usize], p, e);
            finest[*c as usize].add_noise(off.into_iter());
        }
        Ok(Self { scales, finest })
    }

    /// What is kept of values and draws.
    fn likely(
        &self,
        run: &Run,
        places: &[Point],
        values: &[f64],
        noise: &[Draws],
    ) -> Result<Likely, Stopped> {
        let root = &self.scales[0];
        let mut before = root.planes(places, values);
        let told = |p: &Point| -> (f64, Draws) {
            let x = about(&root.cells[0].middle, p);
            (at(&before[0], &x), std::array::from_fn(|d| at(&root.cells[0].noise[d], &x) as f32))
        };
        let (found, drawn): (Vec<f64>, Vec<Draws>) = places.iter().map(told).unzip();
        let mut all = Likely { values: found, kept: drawn };
        for two in self.scales.windows(2) {
            run.check()?;
            let (wider, scale) = (&two[0], &two[1]);
            let planes = scale.planes(places, values);
            let of_wider =
                |c: usize| (&wider.cells[scale.within[c] as usize], &before[scale.within[c] as usize]);
            let less = |(c, cell): (usize, &Cell)| {
                let (wider, other) = of_wider(c);
                cell.less(&planes[c], wider, other)
            };
            let less: Vec<Linear> = scale.cells.iter().enumerate().map(less).collect();
            let apart = |i: usize| {
                let c = scale.of[i] as usize;
                at(&less[c], &about(&scale.cells[c].middle, &places[i]))
            };
            let shares = shares(&scale.blocks, &wider.of, apart);
            // The draws are asked only where something is kept.
            let mut of_noise: Vec<Vec<Linear>> = vec![Vec::new(); scale.cells.len()];
            for (c, planes) in of_noise.iter_mut().enumerate() {
                if shares[scale.within[c] as usize] > 0.0 {
                    *planes = scale.cells[c].noise_less(of_wider(c).0);
                }
            }
            for (i, w) in wider.of.iter().enumerate() {
                let (share, c) = (shares[*w as usize], scale.of[i] as usize);
                if share > 0.0 {
                    all.values[i] += share * apart(i);
                    let x = about(&scale.cells[c].middle, &places[i]);
                    let drawn = all.kept[i].iter_mut().zip(&of_noise[c]);
                    drawn.for_each(|(k, plane)| *k += share as f32 * at(plane, &x) as f32);
                }
            }
            before = planes;
        }
        // Each place by itself: what the filter has left within the finest cells is about another plane in each.
        let last = &self.scales[self.scales.len() - 1];
        let apart = |i: usize| {
            let c = last.of[i] as usize;
            values[i] - at(&before[c], &about(&last.cells[c].middle, &places[i]))
        };
        let shares = shares(&self.finest, &last.of, apart);
        for (i, c) in last.of.iter().enumerate() {
            let share = shares[*c as usize];
            if share > 0.0 {
                all.values[i] += share * apart(i);
                let off = within(&last.cells[*c as usize], &places[i], &noise[i]);
                all.kept[i].iter_mut().zip(&off).for_each(|(k, e)| *k += share as f32 * e);
            }
        }
        Ok(all)
    }
}

/// What the draws at a place are off the planes of its cell.
fn within(cell: &Cell, place: &Point, noise: &Draws) -> Draws {
    let x = about(&cell.middle, place);
    std::array::from_fn(|d| noise[d] - at(&cell.noise[d], &x) as f32)
}

/// What is kept of the values `apart` of each block.
fn shares(blocks: &[Block], block: &[u32], apart: impl Fn(usize) -> f64) -> Vec<f64> {
    let mut squares = vec![0.0; blocks.len()];
    for (i, b) in block.iter().enumerate() {
        let value = apart(i);
        squares[*b as usize] += value * value;
    }
    blocks.iter().zip(&squares).map(|(b, square)| b.kept(*square, blocks.len())).collect()
}

/// Cells of all widths over places with the planes of their noise: what all fields at these places with this noise share.
pub struct Cells<'a> {
    places: &'a [Point],
    noise: &'a [Draws],
    laid: Vec<Laid>,
}

impl<'a> Cells<'a> {
    /// Lays cells over `places` (mm) with `noise` (mm, the same number); those of the finest scale are `finest_mm` wide.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub fn new(run: &Run, places: &'a [Point], noise: &'a [Draws], finest_mm: f64) -> Result<Self, Stopped> {
        if places.is_empty() {
            return Ok(Self { places, noise, laid: Vec::new() });
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
            Laid::new(run, places, noise, (bounds.low.map(|c| c - off), &widths))
        };
        let laid = (0..SHIFTS).into_par_iter().map(one).collect::<Result<_, Stopped>>()?;
        Ok(Self { places, noise, laid })
    }

    /// `values` (mm, one a place) with what is likely noise taken out.
    ///
    /// # Errors
    /// Only a stop by the caller.
    pub fn likely(&self, run: &Run, values: &[f64]) -> Result<Likely, Stopped> {
        let mut found =
            Likely { values: vec![0.0; values.len()], kept: vec![[0.0; REHEARSALS]; values.len()] };
        let one = |laid: &Laid| laid.likely(run, self.places, values, self.noise);
        let all: Vec<Likely> = self.laid.par_iter().map(one).collect::<Result<_, Stopped>>()?;
        let share = 1.0 / SHIFTS as f64;
        for one in &all {
            found.values.iter_mut().zip(&one.values).for_each(|(f, v)| *f += share * v);
            for (sum, draws) in found.kept.iter_mut().zip(&one.kept) {
                sum.iter_mut().zip(draws).for_each(|(s, d)| *s += share as f32 * d);
            }
        }
        Ok(found)
    }
}

/// The values (mm) at `places` with what is likely noise taken out; of both and `noise` there must be as many. Cells of the finest scale
/// are `finest_mm` wide.
///
/// # Errors
/// Only a stop by the caller.
pub fn likely(
    run: &Run,
    places: &[Point],
    values: &[f64],
    noise: &[Draws],
    finest_mm: f64,
) -> Result<Likely, Stopped> {
    Cells::new(run, places, noise, finest_mm)?.likely(run, values)
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
