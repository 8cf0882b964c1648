//! The best place of a part within the leeway that its datums leave.
//!
//! What a rule makes small is the largest of many [`Residual`]s, what it must keep are the boundaries of loose datums.
//! Residuals that are linear or bend upward (distances from planes, from true axes, from true centres) are held by
//! planes that touch them from below: the cutting-plane method (Kelley, "The cutting-plane method for solving convex
//! programs", J. SIAM 8, 1960, 703-712), so that the answer is the best everywhere but for the curvature of turns.
//! Those that bend downward (surfaces that must stay out of a boundary) are linearised anew at each place: their largest
//! falls with every step (sequential linear programming with a trust region: Fletcher and Sainz de la Maza, Math.
//! Programming 43, 1989, 235-256); there the answer is the best nearby.

mod lowest;
mod residual;
mod screw;

pub use residual::{Gauge, MOST_OFFSETS, Own, Residual};

use residual::MOST_OWN;

use super::{Leeway, RuleError, Surface};
use crate::geometry::{Motion, PartFrame, Point, Twist, Vector};
use crate::run::{CHECK_EVERY, Run, Stopped};
use lowest::{Row, UNKNOWNS, lowest};
use residual::{Bend, State, of_bounds};
use screw::screw;

/// A step that gains less is none, mm.
const SETTLED_MM: f64 = 1e-9;
/// Steps before giving up; ten to forty are needed.
const STEPS: usize = 500;
/// What a boundary may be broken by, mm: far below what anybody measures, above the rounding of coordinates of metres.
const BROKEN_MM: f64 = 1e-6;
/// What a mm of broken boundary costs, in mm of the objective: more than any lever within a part wins by it; the second
/// where the first was not enough.
const PENALTIES: [f64; 2] = [1e3, 1e6];
/// Residuals are looked at in this many blocks; the worst of each joins the programme.
const BLOCKS: usize = 48;
/// Cuts beyond which those that are far from holding are dropped.
const MANY_CUTS: usize = 400;

/// Where the part came to rest.
#[derive(Clone, Debug)]
pub struct Settled {
    /// How it was moved.
    pub motion: Motion<PartFrame, PartFrame>,
    /// How the zone itself was moved ([`Own`]), mm.
    pub own: [f64; MOST_OWN],
    /// The largest residual there, mm.
    pub value: f64,
    /// Which residual that is: its index.
    pub worst: usize,
    /// The residuals that hold the largest up: by their indices, ascending. None of them can be less wherever the largest is
    /// as small.
    pub holding: Vec<usize>,
    /// Programmes solved.
    pub steps: usize,
    /// The zone's own freedoms: as they were told, and those that the leeway gives it.
    zone: Own,
}

impl Settled {
    /// What a residual is where the part came to rest, mm.
    pub fn residual(&self, residual: &Residual) -> f64 {
        residual.value(&self.state(), self.zone)
    }

    /// How far the zone has shifted against the gauges, but for the offset of its planes, mm.
    pub fn zone_shift(&self) -> Vector {
        self.zone.shifted(&self.own)
    }

    fn state(&self) -> State {
        State { motion: self.motion, own: self.own }
    }
}

/// Moves the part within its leeway, and the zone within its own freedoms, until the largest of the residuals is least
/// and no boundary is broken.
///
/// # Errors
/// [`RuleError::Missing`] without residuals, [`RuleError::Blocked`], [`RuleError::NotSettled`].
pub fn settle(
    run: &Run,
    leeway: &Leeway,
    surfaces: &[Surface],
    residuals: &[Residual],
    own: Own,
) -> Result<Settled, RuleError> {
    let bounds = of_bounds(leeway, surfaces)?;
    settled(run, leeway, (residuals, &bounds, bounds.len()), own, None)
}

/// The same from where the part came to rest `before`, with some residuals `kept` from rising above what they are there.
pub(super) fn settle_on(
    run: &Run,
    leeway: &Leeway,
    surfaces: &[Surface],
    residuals: &[Residual],
    kept: &[Residual],
    (before, own): (&Settled, Own),
) -> Result<Settled, RuleError> {
    let mut hard = of_bounds(leeway, surfaces)?;
    let of_datums = hard.len();
    hard.extend(kept);
    settled(run, leeway, (residuals, &hard, of_datums), own, Some(before))
}

/// `hard` are residuals that must not rise above zero: first those of the datums, which the zone's own freedoms do not move.
fn settled(
    run: &Run,
    leeway: &Leeway,
    (residuals, hard, of_datums): (&[Residual], &[Residual], usize),
    own: Own,
    before: Option<&Settled>,
) -> Result<Settled, RuleError> {
    sound(leeway, residuals, hard)?;
    let own = if leeway.zone_shifts { own.shifting() } else { own };
    let twists = usable(leeway, residuals, hard);
    let search = Search { run, centre: leeway.centre, twists, own, of_datums };
    let rest = State { motion: Motion::identity(), own: [0.0; MOST_OWN] };
    let start = before.map_or(rest, Settled::state);
    if search.unknowns() == 0 {
        let seen = search.look(&start, None, residuals, hard)?;
        blocked(seen.hard)?;
        // Nothing can move: whatever is largest stays so.
        let holding = vec![seen.worst];
        return Ok(seen.at(&start, own, 0, holding));
    }
    let mut steps = 0;
    for penalty in PENALTIES {
        let (state, seen, taken, holding) = search.walk(&start, residuals, hard, penalty)?;
        steps += taken;
        if !(seen.hard > BROKEN_MM) {
            return Ok(seen.at(&state, own, steps, holding));
        }
    }
    // The least excess by itself: is there any place at all?
    let bounds = &hard[..of_datums];
    if before.is_some() || bounds.is_empty() {
        return Err(RuleError::NotSettled { steps });
    }
    let only = Search { own: Own::NONE, ..search };
    let (_, seen, taken, _) = only.walk(&start, bounds, &[], 0.0)?;
    blocked(seen.soft)?;
    Err(RuleError::NotSettled { steps: steps + taken })
}

fn blocked(excess: f64) -> Result<(), RuleError> {
    if excess > BROKEN_MM { Err(RuleError::Blocked { by_mm: excess }) } else { Ok(()) }
}

/// Refuses what is no number, and more freedoms than a part has.
fn sound(leeway: &Leeway, residuals: &[Residual], bounds: &[Residual]) -> Result<(), RuleError> {
    if residuals.is_empty() {
        return Err(RuleError::Missing("the feature has no points; measure it".into()));
    }
    let good = |r: &Residual| {
        let (at, along) = match r.gauge {
            Gauge::Plane { at, normal } | Gauge::Offset { at, normal, .. } => (at, normal),
            Gauge::Axis { at, axis } => (at, axis),
            Gauge::Centre { at } => (at, Vector::zeros()),
        };
        let all = [r.place.coords, at.coords, along, Vector::new(r.factor, r.less, 0.0)];
        all.iter().all(|v| v.iter().all(|c| c.is_finite() && c.abs() <= 1e9))
    };
    let whole = |t: &Twist| t.turn.iter().chain(t.shift.iter()).all(|c| c.is_finite());
    if !residuals.iter().chain(bounds).all(good)
        || !leeway.free.iter().all(whole)
        || !leeway.centre.iter().all(|c| c.is_finite())
    {
        return Err(RuleError::Missing("a place is no finite number within a thousand kilometres".into()));
    }
    if leeway.free.len() > 6 {
        return Err(RuleError::Missing(format!("a part has six freedoms, {} were given", leeway.free.len())));
    }
    Ok(())
}

/// The twists that move anything, so long that they move nothing by more than 1 mm.
fn usable(leeway: &Leeway, residuals: &[Residual], bounds: &[Residual]) -> Vec<Twist> {
    let mut all = Vec::new();
    for t in &leeway.free {
        let places = residuals.iter().chain(bounds).map(|r| t.at(leeway.centre, &r.place).norm());
        let most = places.fold(0.0f64, f64::max);
        if most > 1e-12 {
            all.push(Twist { turn: t.turn / most, shift: t.shift / most });
        }
    }
    all
}

/// A linear function below a residual that bends upward, or beside one that bends downward.
#[derive(Clone, Copy)]
struct Cut {
    index: usize,
    hard: bool,
    along: Vector,
    bend: Bend,
}

/// The largest residuals at one place.
struct Seen {
    soft: f64,
    /// Of the boundaries; minus infinity where there are none.
    hard: f64,
    worst: usize,
    /// The largest of each block: value, index, whether it is one of a boundary.
    blocks: Vec<(f64, usize, bool)>,
}

impl Seen {
    fn merit(&self, penalty: f64) -> f64 {
        if self.hard > 0.0 { self.soft + penalty * self.hard } else { self.soft }
    }

    fn at(&self, state: &State, zone: Own, steps: usize, holding: Vec<usize>) -> Settled {
        let (motion, own) = (state.motion, state.own);
        Settled { motion, own, value: self.soft, worst: self.worst, holding, steps, zone }
    }
}

struct Search<'a, 'b> {
    run: &'a Run<'b>,
    centre: Point,
    twists: Vec<Twist>,
    own: Own,
    /// How many of the hard residuals are of datums, which the zone's own freedoms do not move.
    of_datums: usize,
}

impl Search<'_, '_> {
    fn unknowns(&self) -> usize {
        self.twists.len() + self.own.count()
    }

    /// The zone's freedoms as they move a residual.
    fn own_of(&self, hard: bool, index: usize) -> Own {
        if hard && index < self.of_datums { Own::NONE } else { self.own }
    }

    /// Looks at every residual. From a `base` those that bend downward are looked at along the direction that they have
    /// there, which is never less: beyond a wall a surface would seem to keep its distance again.
    fn look(
        &self,
        state: &State,
        base: Option<&State>,
        residuals: &[Residual],
        bounds: &[Residual],
    ) -> Result<Seen, Stopped> {
        let mut blocks = Vec::with_capacity(2 * BLOCKS);
        let mut largest = [f64::NEG_INFINITY; 2];
        let mut worst = 0;
        for (kind, all) in [residuals, bounds].into_iter().enumerate() {
            let size = all.len().div_ceil(BLOCKS).clamp(1, CHECK_EVERY);
            for (b, block) in all.chunks(size).enumerate() {
                self.run.check()?;
                let mut most = (f64::NEG_INFINITY, 0);
                for (i, r) in block.iter().enumerate() {
                    let own = self.own_of(kind == 1, b * size + i);
                    let value = match base {
                        Some(base) if r.bend() == Bend::Down => {
                            let along = r.away(&r.offset(base, own).0);
                            r.factor * along.dot(&r.offset(state, own).0) - r.less
                        }
                        _ => r.value(state, own),
                    };
                    if value > most.0 {
                        most = (value, b * size + i);
                    }
                }
                if most.0 > largest[kind] {
                    largest[kind] = most.0;
                    if kind == 0 {
                        worst = most.1;
                    }
                }
                blocks.push((most.0, most.1, kind == 1));
            }
        }
        Ok(Seen { soft: largest[0], hard: largest[1], worst, blocks })
    }

    /// A cut as a row about a place.
    fn row(&self, cut: &Cut, r: &Residual, state: &State) -> Row {
        let own = self.own_of(cut.hard, cut.index);
        let (offset, moved) = r.offset(state, own);
        let mut slope = [0.0; UNKNOWNS];
        for (k, t) in self.twists.iter().enumerate() {
            slope[k] = r.factor * cut.along.dot(&t.at(self.centre, &moved));
        }
        for k in 0..own.count() {
            slope[self.twists.len() + k] = r.factor * cut.along.dot(&own.shift(k, &r.gauge));
        }
        Row { value: r.factor * cut.along.dot(&offset) - r.less, slope, hard: cut.hard }
    }

    fn step(&self, state: &State, step: &[f64; UNKNOWNS]) -> State {
        let mut total = Twist { turn: Vector::zeros(), shift: Vector::zeros() };
        for (t, s) in self.twists.iter().zip(step) {
            total.turn += t.turn * *s;
            total.shift += t.shift * *s;
        }
        let mut own = state.own;
        for k in 0..self.own.count() {
            own[k] += step[self.twists.len() + k];
        }
        State { motion: (screw(&total, self.centre) * state.motion).orthonormalised(), own }
    }

    /// Steps until none gains.
    fn walk(
        &self,
        start: &State,
        residuals: &[Residual],
        bounds: &[Residual],
        penalty: f64,
    ) -> Result<(State, Seen, usize, Vec<usize>), RuleError> {
        let of = |cut: &Cut| if cut.hard { &bounds[cut.index] } else { &residuals[cut.index] };
        let n = self.unknowns();
        let mut base = *start;
        let mut seen = self.look(&base, None, residuals, bounds)?;
        let mut cuts: Vec<Cut> = Vec::new();
        for &(_, index, hard) in &seen.blocks {
            let r = if hard { &bounds[index] } else { &residuals[index] };
            self.add(&mut cuts, r, index, hard, &base, &base);
        }
        // A few times what there is to gain; it grows where that is not enough.
        let mut reach = (2.0 * (seen.soft.abs() + seen.hard.max(0.0))).clamp(1e-3, 10.0);
        for steps in 1..=STEPS {
            self.run.check()?;
            let rows: Vec<Row> = cuts.iter().map(|c| self.row(c, of(c), &base)).collect();
            let Some(best) = lowest(&rows, n, reach, penalty) else {
                reach *= 0.25;
                continue;
            };
            let now = seen.merit(penalty);
            let gain = now - (best.top + penalty * best.excess);
            // Broken boundaries are weighed: their rounding too.
            let rounding = if seen.hard > 0.0 { 1e-12 * penalty } else { 0.0 };
            if gain <= SETTLED_MM + rounding {
                // Within a tiny reach a small gain says nothing.
                return if reach >= 1e-6 {
                    let mut holding: Vec<usize> = best.holding.iter().map(|&i| cuts[i].index).collect();
                    holding.sort_unstable();
                    holding.dedup();
                    Ok((base, seen, steps, holding))
                } else {
                    Err(RuleError::NotSettled { steps })
                };
            }
            let there = self.step(&base, &best.step);
            let look = self.look(&there, Some(&base), residuals, bounds)?;
            let before = cuts.len();
            for &(value, index, hard) in &look.blocks {
                let (r, limit) =
                    if hard { (&bounds[index], best.excess) } else { (&residuals[index], best.top) };
                if value > limit {
                    self.add(&mut cuts, r, index, hard, &there, &base);
                }
            }
            let length = best.step.iter().fold(0.0f64, |m, s| m.max(s.abs()));
            let won = now - look.merit(penalty);
            // What the cuts, new ones too, foretell for that place: the rest is curvature.
            let mut foretold = [f64::NEG_INFINITY; 2];
            for (k, c) in cuts.iter().enumerate() {
                let row = if k < before { rows[k] } else { self.row(c, of(c), &base) };
                foretold[usize::from(c.hard)] = foretold[usize::from(c.hard)].max(row.after(&best.step));
            }
            let foretold = foretold[0] + penalty * foretold[1].max(0.0);
            let curved = look.merit(penalty) - foretold > 0.5 * gain;
            if won > 0.0 {
                base = there;
                seen = self.look(&base, None, residuals, bounds)?;
                if curved {
                    reach = 0.5 * length;
                } else if won > 0.5 * gain && length > 0.9 * reach {
                    reach *= 3.0;
                }
                self.renew(&mut cuts, residuals, bounds, &base, &seen, reach);
            } else if curved || cuts.len() == before {
                reach = 0.25 * length.min(reach);
            }
        }
        Err(RuleError::NotSettled { steps: STEPS })
    }

    /// Adds what holds a residual: as seen from `there` where it bends upward, and from `base` where downward.
    fn add(&self, cuts: &mut Vec<Cut>, r: &Residual, index: usize, hard: bool, there: &State, base: &State) {
        let own = self.own_of(hard, index);
        let bend = r.bend();
        let away = |state: &State| r.away(&r.offset(state, own).0);
        let fresh = |cuts: &[Cut], along: &Vector| {
            !cuts.iter().any(|c| {
                c.index == index
                    && c.hard == hard
                    // Closer than this a cut says nothing more: half the square of the angle.
                    && (bend != Bend::Up || (c.along - along).norm_squared() < 1e-16)
            })
        };
        let along = away(if bend == Bend::Up { there } else { base });
        let first = !cuts.iter().any(|c| c.index == index && c.hard == hard);
        if fresh(cuts, &along) {
            cuts.push(Cut { index, hard, along, bend });
        }
        if bend == Bend::Up && first {
            cuts.extend(r.round_about(&along).into_iter().map(|along| Cut { index, hard, along, bend }));
        }
    }

    /// After a step: residuals that bend downward are seen anew, cuts that are far from holding are dropped, the largest
    /// are held.
    fn renew(
        &self,
        cuts: &mut Vec<Cut>,
        residuals: &[Residual],
        bounds: &[Residual],
        base: &State,
        seen: &Seen,
        reach: f64,
    ) {
        let of = |cut: &Cut| if cut.hard { &bounds[cut.index] } else { &residuals[cut.index] };
        for cut in cuts.iter_mut().filter(|c| c.bend == Bend::Down) {
            let own = self.own_of(cut.hard, cut.index);
            let r = if cut.hard { &bounds[cut.index] } else { &residuals[cut.index] };
            cut.along = r.away(&r.offset(base, own).0);
        }
        if cuts.len() > MANY_CUTS {
            let hard_top = seen.hard.max(0.0);
            cuts.retain(|c| {
                let top = if c.hard { hard_top } else { seen.soft };
                self.row(c, of(c), base).value > top - 4.0 * reach.max(1e-3)
            });
        }
        for &(_, index, hard) in &seen.blocks {
            let r = if hard { &bounds[index] } else { &residuals[index] };
            let top = if hard { seen.hard.max(0.0) } else { seen.soft };
            if r.value(base, self.own_of(hard, index)) > top - reach {
                self.add(cuts, r, index, hard, base, base);
            }
        }
    }
}

#[cfg(test)]
mod tests;
