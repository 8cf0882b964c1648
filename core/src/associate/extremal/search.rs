//! From one start to the local optimum.

use super::super::Residuals;
use super::super::levenberg::Model;
use super::curved::{Held, curved_step, held};
use super::exchange::{Row, Sides, lowest};
use crate::run::{Run, Stopped};

/// A shape that has a size: its last local parameter moves the surface outward alike everywhere, so that every
/// residual falls by as much.
pub(in super::super) trait Outline<const N: usize>: Model<N> {
    /// Derivatives of the size by the local parameters; the last is 1.
    const GROWTH: [f64; N];
    /// The size: the radius.
    fn size(&self) -> f64;
    /// Whether `end`, found from here, is another shape than the points were taken from.
    fn astray(&self, _end: &Self) -> bool {
        false
    }
}

/// What is made least or largest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in super::super) enum Aim {
    /// The zone between the largest and the smallest distance becomes least.
    Zone,
    /// The size that holds all points becomes least.
    Circumscribed,
    /// The size that holds no point becomes largest.
    Inscribed,
}

impl Aim {
    pub(super) fn sides(self) -> Sides {
        Sides { above: self != Self::Inscribed, below: self != Self::Circumscribed }
    }

    /// What is minimised, from the extreme residuals at a constant size.
    pub(super) fn value(self, low: f64, high: f64) -> f64 {
        match self {
            Self::Zone => high - low,
            Self::Circumscribed => high,
            Self::Inscribed => -low,
        }
    }

    /// Local parameters that move the shape by `step`: at a constant size unless only the zone counts.
    pub(super) fn whole<T: Outline<N>, const N: usize, const M: usize>(self, step: &[f64; M]) -> [f64; N] {
        let mut all = [0.0; N];
        all[..M].copy_from_slice(step);
        if self != Self::Zone {
            all[M] = -T::GROWTH.iter().zip(step).map(|(g, s)| g * s).sum::<f64>();
        }
        all
    }
}

/// Steps from one start; some ten are needed.
const STEPS: usize = 300;

/// Steps after which a walk creeps: contacts that hardly resist a freedom leave the Newton step far beyond the next contact, and
/// each programme's step within their curvature. Parts of the Newton step are then tried too, to either side.
const CREEPING: usize = 20;
/// Halvings of it.
const HALVINGS: usize = 40;

/// Gain that counts as none after the last step: a millionth of the move.
const CREPT: f64 = 1e-6;

/// A local optimum. Lengths in the units of the shape.
#[derive(Clone, Debug)]
pub(in super::super) struct Found<T> {
    /// The shape in the middle of its zone, or of the size found.
    pub(in super::super) model: T,
    /// Width of the zone, or what the size fell by (circumscribed) or rose by (inscribed) counted negative.
    pub(in super::super) value: f64,
    /// Positions of the contacts among the items, each with its weight.
    pub(in super::super) contacts: Vec<(usize, f64)>,
    pub(in super::super) gain: f64,
    pub(in super::super) held: bool,
    pub(in super::super) settled: bool,
    /// Not settled, because every end was [`Outline::astray`].
    pub(in super::super) astray: bool,
    pub(in super::super) steps: usize,
}

/// Every point linearised about one state, unknowns scaled so that a unit moves the surface by about one.
pub(super) struct Linear<const M: usize> {
    rows: Vec<Row<M>>,
    pub(super) scale: [f64; M],
    pub(super) low: (f64, usize),
    pub(super) high: (f64, usize),
}

impl<const M: usize> Linear<M> {
    pub(super) fn of<T: Outline<N>, const N: usize>(model: &T, items: &[T::Item], aim: Aim) -> Self {
        let mut rows: Vec<Row<M>> = Vec::with_capacity(items.len());
        let (mut low, mut high) = ((f64::INFINITY, 0), (f64::NEG_INFINITY, 0));
        let mut sums = [0.0; M];
        let row_of = model.rows();
        for (index, item) in items.iter().enumerate() {
            let (value, slopes) = row_of(item);
            let grown = if aim == Aim::Zone { 0.0 } else { 1.0 };
            let slope: [f64; M] = std::array::from_fn(|k| slopes[k] + grown * T::GROWTH[k]);
            for k in 0..M {
                sums[k] += slope[k];
            }
            if value < low.0 {
                low = (value, index);
            }
            if value > high.0 {
                high = (value, index);
            }
            rows.push(Row { index, value, slope });
        }
        let n = rows.len() as f64;
        // Of a zone only differences count.
        let mean: [f64; M] = sums.map(|s| if aim == Aim::Zone { s / n } else { 0.0 });
        let mut squares = [0.0; M];
        for row in &rows {
            for k in 0..M {
                let off = row.slope[k] - mean[k];
                squares[k] += off * off;
            }
        }
        let scale = squares.map(|s| (s / n).sqrt()).map(|s| if s > 1e-14 { s } else { 1.0 });
        for row in &mut rows {
            for k in 0..M {
                row.slope[k] = (row.slope[k] - mean[k]) / scale[k];
            }
        }
        Self { rows, scale, low, high }
    }

    /// Rows that can be a border after a step of at most `reach` in each unknown: no other can.
    fn near(&self, sides: Sides, reach: f64) -> Vec<Row<M>> {
        let turn = |row: &Row<M>| reach * row.slope.iter().map(|s| s.abs()).sum::<f64>();
        let (high, low) = (&self.rows[self.high.1], &self.rows[self.low.1]);
        let (least, most) = (high.value - turn(high), low.value + turn(low));
        let kept = |row: &&Row<M>| {
            (sides.above && row.value + turn(row) >= least) || (sides.below && row.value - turn(row) <= most)
        };
        self.rows.iter().filter(kept).copied().collect()
    }

    pub(super) fn unscaled(&self, step: &[f64; M]) -> [f64; M] {
        std::array::from_fn(|k| step[k] / self.scale[k])
    }
}

/// Walks from `start` to the local optimum over `items`.
///
/// # Errors
/// A stop, looked for before each step.
pub(in super::super) fn walk<T: Outline<N>, const N: usize, const M: usize>(
    run: &Run,
    start: &T,
    items: &[T::Item],
    aim: Aim,
) -> Result<Found<T>, Stopped> {
    let sides = aim.sides();
    let mut model = start.clone();
    let mut linear = Linear::<M>::of(&model, items, aim);
    let mut value = aim.value(linear.low.0, linear.high.0);
    let size = model.size();
    let rounding = 2.0 * f64::EPSILON * (1.0 + size);
    let mut reach = 2.0 * (linear.high.0 - linear.low.0).max(rounding);
    let (mut settled, mut solved, mut steps) = (false, true, 0);
    while steps < STEPS && !settled {
        run.check()?;
        steps += 1;
        // Twice the size that the points have: it has slipped out between them.
        if aim == Aim::Inscribed && linear.low.0 > size {
            break;
        }
        if reach < rounding {
            // A programme without an answer is no sign of rest.
            settled = solved;
            break;
        }
        let rows = linear.near(sides, reach);
        let corner = lowest(&rows, sides, reach, 0.25 * rounding);
        solved = corner.is_some();
        let Some(corner) = corner else {
            reach *= 0.25;
            continue;
        };
        let foreseen = value - corner.value;
        if !(foreseen > 2.0 * rounding) {
            settled = true;
            break;
        }
        let length = |step: &[f64; M]| step.iter().fold(0.0f64, |m, s| m.max(s.abs()));
        let mut best: Option<(f64, T, [f64; M])> = None;
        let curved = curved_step(&model, items, aim, &linear, &rows, &corner);
        let mut tried = vec![corner.step];
        tried.extend(curved);
        if let Some(far) = curved.filter(|_| steps > CREEPING) {
            let parts = std::iter::successors(Some(0.5), |part| Some(0.5 * part)).take(HALVINGS);
            let parts = parts.take_while(|part| part * length(&far) > length(&corner.step));
            tried.extend(parts.flat_map(|part| [part, -part].map(|t| far.map(|s| t * s))));
        }
        for step in tried {
            let Some(next) = model.moved(&aim.whole::<T, N, M>(&linear.unscaled(&step))) else { continue };
            let row = next.rows();
            let seen = Residuals::of(items, |q| row(q).0);
            drop(row);
            let reached = aim.value(seen.low.0, seen.high.0);
            if best.as_ref().is_none_or(|b| reached < b.0) {
                best = Some((reached, next, step));
            }
        }
        match best {
            Some((reached, next, step)) if reached < value => {
                let ratio = (value - reached) / foreseen;
                if ratio > 0.75 && length(&step) > 0.99 * reach {
                    reach = 2.0 * length(&step).min(8.0 * reach);
                } else if ratio < 0.25 {
                    reach *= 0.5;
                }
                (model, value) = (next, reached);
                linear = Linear::of(&model, items, aim);
            }
            _ => reach = 0.25 * reach.min(length(&corner.step).max(rounding)),
        }
    }

    // Weights of the contacts and what is left to gain, within a thousandth of the spread of the distances.
    let spread = (linear.high.0 - linear.low.0).max(256.0 * rounding);
    let near = 1e-3 * spread;
    let rows = linear.near(sides, near);
    let corner = lowest(&rows, sides, near, 0.25 * rounding);
    let (mut contacts, mut gain, mut firm) = (Vec::new(), f64::INFINITY, Held::No);
    if let Some(corner) = &corner {
        contacts = corner.above.iter().chain(&corner.below).map(|&(i, w)| (rows[i].index, w)).collect();
        // What rounding could have made is no gain.
        gain = ((value - corner.value - 2.0 * rounding) / near).max(0.0);
        firm = held(&model, items, aim, &linear, &rows, corner);
    }
    // A walk that still crept is at rest where nothing is left to gain.
    settled |= gain < CREPT && steps == STEPS;
    let mut offset = [0.0; N];
    offset[M] = match aim {
        Aim::Zone => 0.5 * (linear.high.0 + linear.low.0),
        Aim::Circumscribed => linear.high.0,
        Aim::Inscribed => linear.low.0,
    };
    let model = model.moved(&offset).unwrap_or(model);
    Ok(Found { model, value, contacts, gain, held: firm == Held::Yes, settled, astray: false, steps })
}
