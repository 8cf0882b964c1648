//! How surely the bias of an extreme is known: it is found from the very noise that makes it.
//!
//! Where noise happens to stand out, the likely surface takes some of it for form, and the bias for smaller: so the corrected value
//! scatters more than the one that was read. How much more is rehearsed: likely surfaces of a few draws of the noise are made anew, with the
//! bias that each tells (the double bootstrap: Hall, The Bootstrap and Edgeworth Expansion, Springer, 1992, 1.4; from memory). Only for
//! rules that tell the lowest and highest of their places, of which many trials take little time.

use rayon::prelude::*;

use super::zone_interval::{at_least, biases};
use crate::filter::{Cells, Draws, Likely, REHEARSALS};
use crate::geometry::Point;
use crate::run::{Run, Stopped};

const _: () = assert!(ANEW + AMONG <= REHEARSALS, "there are no more draws");

/// Draws of which the correction is found anew: they tell the scatter of a value to a fifth, in which it is one part of several.
const ANEW: usize = 12;
/// Other draws, the same for each of those, that tell the bias there: what so few are off is common to all where the furthest place is
/// the same in all, and adds to the scatter elsewhere.
const AMONG: usize = 16;

/// The deviations of a surface with most of their noise taken out, and what noise does to them.
pub(super) struct Field<'a> {
    /// On the nominal.
    pub(super) places: &'a [Point],
    /// The likely deviations, mm.
    pub(super) likely: &'a [f64],
    /// What of them is the nominal's own, mm; nothing of most.
    pub(super) nominal: Option<&'a [f64]>,
    pub(super) noise: &'a [Draws],
    /// Nothing finer than this is told from noise by itself, mm.
    pub(super) finest_mm: f64,
}

/// Which noise is added to a field.
#[derive(Clone, Copy)]
enum On {
    /// What the new likely surface has not kept, to that.
    Rest,
    /// What it has kept, to that.
    Kept,
    /// All of it, to what was read.
    Read,
}

/// A field as one draw of the noise would have shown it.
struct Again<'a> {
    noise: &'a [Draws],
    read: Vec<f64>,
    likely: Vec<f64>,
    kept: Vec<Draws>,
}

impl<'a> Again<'a> {
    fn new(run: &Run, (field, cells): (&Field<'a>, &Cells), draw: usize) -> Result<Self, Stopped> {
        let own = |i: usize| field.nominal.map_or(0.0, |n| n[i]);
        let read: Vec<f64> =
            field.likely.iter().zip(field.noise).map(|(v, e)| v + f64::from(e[draw])).collect();
        let off: Vec<f64> = read.iter().enumerate().map(|(i, v)| v - own(i)).collect();
        let Likely { mut values, kept } = cells.likely(run, &off)?;
        values.iter_mut().enumerate().for_each(|(i, v)| *v += own(i));
        Ok(Self { noise: field.noise, read, likely: values, kept })
    }

    fn drawn(&self, on: On, draw: usize) -> Vec<f64> {
        let of = |i: usize| match on {
            On::Rest => self.likely[i] + f64::from(self.noise[i][draw] - self.kept[i][draw]),
            On::Kept => self.likely[i] + f64::from(self.kept[i][draw]),
            On::Read => self.read[i] + f64::from(self.noise[i][draw]),
        };
        (0..self.likely.len()).map(of).collect()
    }
}

/// What noise would add to each number where it adds most, from the likely deviations of all fields, mm.
type Even<'a> = &'a (dyn Fn(&[&[f64]]) -> Vec<f64> + Sync);

/// What finding the bias from the same noise adds to the variance of each number, mm2. `told` makes the numbers of the deviations of all
/// fields; `even` tells from their likely deviations what noise would add to each number where it adds most, and `shared` says whether
/// neighbours share noise, so that the bias may be as little as what more noise adds. `None` where a draw has no numbers.
///
/// # Errors
/// Only a stop by the caller.
pub(super) fn added<'a>(
    run: &Run,
    fields: &[Field<'a>],
    (even, shared): (Even, bool),
    told: impl Fn(&[Vec<f64>]) -> Result<Option<Vec<f64>>, Stopped> + Sync,
) -> Result<Option<Vec<f64>>, Stopped> {
    let cells = |f: &Field<'a>| Cells::new(run, f.places, f.noise, f.finest_mm);
    let cells: Vec<Cells> = fields.iter().map(cells).collect::<Result<_, _>>()?;
    // What one draw reads, and what it would have been corrected by.
    let one = |draw: usize| -> Result<Option<Vec<[f64; 2]>>, Stopped> {
        let both = fields.iter().zip(&cells);
        let all: Vec<Again> = both.map(|both| Again::new(run, both, draw)).collect::<Result<_, _>>()?;
        let of = |each: &dyn Fn(&Again) -> Vec<f64>| told(&all.iter().map(each).collect::<Vec<_>>());
        let mean = |on: On, from: &[f64]| -> Result<Option<Vec<f64>>, Stopped> {
            let mut sums = vec![0.0; from.len()];
            for draw in ANEW..ANEW + AMONG {
                run.check()?;
                let Some(found) = of(&|a| a.drawn(on, draw))? else { return Ok(None) };
                let all = sums.iter_mut().zip(&found).zip(from);
                all.for_each(|((sum, v), f)| *sum += (v - f) / AMONG as f64);
            }
            Ok(Some(sums))
        };
        let (Some(read), Some(base)) = (of(&|a| a.read.clone())?, of(&|a| a.likely.clone())?) else {
            return Ok(None);
        };
        let (Some(rest), Some(kept)) = (mean(On::Rest, &base)?, mean(On::Kept, &base)?) else {
            return Ok(None);
        };
        let more = if shared { mean(On::Read, &read)? } else { None };
        let even = even(&all.iter().map(|a| &a.likely[..]).collect::<Vec<_>>());
        let corrected = |k: usize| {
            let between = biases(rest[k], kept[k], even[k]);
            let between = more.as_ref().map_or(between, |m| at_least(m[k], between));
            [read[k], 0.5 * (between[0] + between[1])]
        };
        Ok(Some((0..read.len()).map(corrected).collect()))
    };
    let all: Vec<Option<Vec<[f64; 2]>>> = (0..ANEW).into_par_iter().map(one).collect::<Result<_, _>>()?;
    let Some(all) = all.into_iter().collect::<Option<Vec<_>>>() else { return Ok(None) };
    let variance = |of: &dyn Fn(&[f64; 2]) -> f64, k: usize| {
        let mean = all.iter().map(|v| of(&v[k])).sum::<f64>() / ANEW as f64;
        let square = |v: &Vec<[f64; 2]>| (of(&v[k]) - mean) * (of(&v[k]) - mean);
        all.iter().map(square).sum::<f64>() / (ANEW - 1) as f64
    };
    let more = |k: usize| (variance(&|[read, by]| read - by, k) - variance(&|v| v[0], k)).max(0.0);
    Ok(Some((0..all[0].len()).map(more).collect()))
}
