//! Several starts, and many points.

use super::super::{Residuals, levenberg::Model};
use super::exchange::{Row, Sides, lowest};
use super::search::{Aim, Found, Linear, Outline, walk};
use crate::geometry::random::Random;
use crate::run::{Run, Stopped};

/// Up to so many points are searched as they are; of more, the extreme ones first.
const FEW: usize = 1_500;
/// Extreme points taken in from either side in a round.
const TAKEN: usize = 500;
/// Rounds; two or three are needed.
const ROUNDS: usize = 60;
/// Starts drawn beside those along each freedom.
const DRAWN: usize = 6;
/// Ends closer than this, relative to the spread of the distances, are one.
const SAME: f64 = 1e-9;

/// The best local optimum from `start`, from places about it and from `more` of the same size, over all items; how many starts there were, and
/// how many ended there. Ends that are `astray`, as seen from the start, are left out.
///
/// Starts lie as far off as moves the surface by twice the spread of the distances along each freedom, and by up to
/// four times in all at once, drawn with a fixed seed. Of more than [`FEW`] items those with the most extreme
/// residuals are searched; what lies outside the answer is taken in until nothing does, so the answer holds for
/// all: a set whose optimum holds for a larger one has the larger one's optimum.
pub(in super::super) fn best_of_starts<T: Outline<N>, const N: usize, const M: usize>(
    run: &Run,
    start: &T,
    items: &[T::Item],
    aim: Aim,
    (more, astray): (&[T], impl Fn(&T, &T) -> bool),
) -> Result<(Found<T>, u64, u64), Stopped>
where
    T::Item: Clone,
{
    let mut chosen = if items.len() > FEW { extremes(start, items, FEW / 4) } else { Vec::new() };
    let few: Vec<T::Item> = chosen.iter().map(|&i| items[i].clone()).collect();
    let judged: &[T::Item] = if chosen.is_empty() { items } else { &few };

    let mut best = walk::<T, N, M>(run, start, judged, aim)?;
    let linear = Linear::<M>::of(start, judged, aim);
    let spread = (linear.high.0 - linear.low.0).max(16.0 * f64::EPSILON);
    let settled = |end: &Found<T>| end.settled && !astray(start, &end.model);
    if !settled(&best) {
        best.astray = best.settled;
        (best.value, best.settled) = (f64::INFINITY, false);
    }
    let mut ends = vec![best.value];
    let about = places::<M>().into_iter().filter_map(|step| {
        let step = linear.unscaled(&step.map(|s| s * spread));
        start.moved(&aim.whole::<T, N, M>(&step))
    });
    for there in about.chain(more.iter().cloned()) {
        // All at the size of the first start, so that their values compare.
        let end = walk::<T, N, M>(run, &there, judged, aim)?;
        let settled = settled(&end);
        ends.push(if settled { end.value } else { f64::INFINITY });
        if settled && end.value < best.value {
            best = end;
        } else if !best.settled {
            best.astray |= end.settled;
        }
    }
    let arrived = ends.iter().filter(|v| **v <= best.value + SAME * spread).count() as u64;
    let starts = ends.len() as u64;

    if chosen.is_empty() {
        return Ok((best, starts, arrived));
    }
    let mut few = few;
    let mut rounds = 0;
    loop {
        let (all, held) = (seen(&best.model, items), seen(&best.model, &few));
        let rounding = 4.0 * f64::EPSILON * (1.0 + best.model.size());
        let sides = aim.sides();
        let outside = (sides.above && all.high.0 > held.high.0 + rounding)
            || (sides.below && all.low.0 < held.low.0 - rounding);
        if !outside {
            break;
        }
        rounds += 1;
        if rounds > ROUNDS {
            best.settled = false;
            break;
        }
        chosen.extend(extremes(&best.model, items, TAKEN));
        chosen.sort_unstable();
        chosen.dedup();
        few = chosen.iter().map(|&i| items[i].clone()).collect();
        best = walk::<T, N, M>(run, &best.model, &few, aim)?;
    }
    for contact in &mut best.contacts {
        contact.0 = chosen[contact.0];
    }
    Ok((best, starts, arrived))
}

fn seen<T: Model<N>, const N: usize>(model: &T, items: &[T::Item]) -> Residuals {
    let row = model.rows();
    Residuals::of(items, |q| row(q).0)
}

/// Items with the smallest and largest residuals, `count` of each, and as many spread over all; ascending.
fn extremes<T: Outline<N>, const N: usize>(model: &T, items: &[T::Item], count: usize) -> Vec<usize> {
    let row = model.rows();
    let residuals: Vec<f64> = items.iter().map(|q| row(q).0).collect();
    let mut order: Vec<usize> = (0..items.len()).collect();
    order.sort_by(|&i, &j| residuals[i].total_cmp(&residuals[j]).then(i.cmp(&j)));
    let count = count.min(items.len());
    let mut out: Vec<usize> = order[..count].to_vec();
    out.extend(&order[items.len() - count..]);
    out.extend((0..items.len()).step_by(1 + items.len() / (count + 1)));
    out.sort_unstable();
    out.dedup();
    out
}

/// Where the other starts are, in spreads.
fn places<const M: usize>() -> Vec<[f64; M]> {
    let mut out = Vec::new();
    for k in 0..M {
        for sign in [2.0, -2.0] {
            let mut step = [0.0; M];
            step[k] = sign;
            out.push(step);
        }
    }
    let mut random = Random::seeded(5);
    for _ in 0..DRAWN {
        out.push(std::array::from_fn(|_| random.range(-4.0, 4.0)));
    }
    out
}

/// Whether some half of all directions holds none of the given ones: there is a way that leads away from all of
/// them.
pub(in super::super) fn leaves_half_open<const M: usize>(
    directions: impl Iterator<Item = [f64; M]>,
) -> Option<bool> {
    let rows: Vec<Row<M>> =
        directions.enumerate().map(|(index, slope)| Row { index, value: 0.0, slope }).collect();
    let corner = lowest(&rows, Sides { above: true, below: false }, 1.0, 1e-15)?;
    Some(corner.value < -1e-12)
}
