//! Simultaneous requirements: ASME Y14.5-2018, 7.19 (simultaneous requirements; from memory), and SIM of ISO 5458:2018 (from
//! memory). One movement of the part, within what its datums leave, must serve all of them.

use super::movement::{Gauge, MOST_OFFSETS, Own, Residual, Settled, settle, settle_on};
use super::{Found, Held, Leeway, Rule, RuleError, Surface};
use crate::run::Run;
use std::ops::Range;

/// Requirements at one datum system, which are told where one common movement has the part.
///
/// The movement makes the largest excess over any of the limits least; what this leaves open makes the next largest least,
/// and so on, so that a requirement which cannot be kept draws none of the others beyond what it must (the lexicographic
/// minimax: Ogryczak, "On the lexicographic minimax approach to location problems", Eur. J. Oper. Res. 100, 1997, 566-585;
/// from memory). Which requirements hold the largest up is read from the dual weights of the last linear programme.
///
/// Excesses are in mm of the number that is told: of a position its diameter, of a profile the deviation, of a zone that may be
/// offset half of its width. That is a choice of ours: both standards ask whether one movement keeps every zone, which is so exactly
/// where the largest excess is not above 0, whatever positive weights the excesses are given; neither says which of several
/// requirements gives way where it is not so (ISO 5458:2018; ASME Y14.5.1-2019; from memory).
///
/// A zone that may be offset (OZ) keeps its own offset beside the movement: one more unknown each.
pub struct Together {
    /// The requirements.
    pub members: Vec<TogetherMember>,
    /// What the datums leave to all of them.
    pub leeway: Leeway,
}

/// One of several requirements.
pub struct TogetherMember {
    /// Its rule, which has a [`Rule::zoned`]; its own leeway is that of all.
    pub rule: Box<dyn Rule>,
    /// Its surfaces among all that are given.
    pub surfaces: Range<usize>,
}

impl Together {
    /// What each comes to where the common movement has the part.
    ///
    /// # Errors
    /// See [`RuleError`]; [`RuleError::Missing`] for a rule that shares no movement.
    pub fn each(&self, run: &Run, surfaces: &[Surface]) -> Result<Vec<Found>, RuleError> {
        let mut held = Vec::with_capacity(self.members.len());
        for member in &self.members {
            let zoned = member.rule.zoned().ok_or_else(|| {
                RuleError::Missing("only positions and profiles share a movement of the part".into())
            })?;
            let own = surfaces.get(member.surfaces.clone()).ok_or_else(|| {
                RuleError::Missing("a surface of a simultaneous requirement is missing".into())
            })?;
            held.push(zoned.hold(run, own)?);
        }
        let settled = common(run, &self.leeway, surfaces, &held)?;
        held.iter().map(|h| h.tell(run, &settled)).collect()
    }
}

impl Rule for Together {
    /// The numbers of all, one after the other, each less its bonus.
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let mut all = Found::default();
        for found in self.each(run, surfaces)? {
            let bonus = found.bonus_mm.unwrap_or(0.0);
            all.numbers.extend(found.numbers.iter().map(|n| super::Number { value: n.value - bonus, ..*n }));
        }
        Ok(all)
    }
}

/// The common movement.
fn common(
    run: &Run,
    leeway: &Leeway,
    surfaces: &[Surface],
    held: &[Box<dyn Held + '_>],
) -> Result<Settled, RuleError> {
    // Zones that may be offset have each an unknown of their own.
    let mut zones = 0;
    let zone_of: Vec<usize> = held
        .iter()
        .map(|h| {
            zones += usize::from(h.is_offset());
            zones.saturating_sub(1)
        })
        .collect();
    if zones > MOST_OFFSETS {
        return Err(RuleError::Missing(format!(
            "{zones} zones that may be offset share a movement, {MOST_OFFSETS} can: give some another name"
        )));
    }
    let own_zone = |m: usize, r: &Residual| match r.gauge {
        Gauge::Offset { at, normal, .. } => Gauge::Offset { at, normal, zone: zone_of[m] },
        other => other,
    };
    let freedoms = Own::offset(zones);
    let mut open: Vec<usize> = (0..held.len()).collect();
    let mut kept: Vec<Residual> = Vec::new();
    let mut settled: Option<Settled> = None;
    while !open.is_empty() {
        let mut residuals: Vec<Residual> = Vec::new();
        let mut ends = Vec::with_capacity(open.len());
        for &m in &open {
            let limit = held[m].limit_mm();
            let moved = |r: &Residual| Residual { less: r.less + limit, gauge: own_zone(m, r), ..*r };
            residuals.extend(held[m].residuals().iter().map(moved));
            ends.push(residuals.len());
        }
        let found = match &settled {
            None => settle(run, leeway, surfaces, &residuals, freedoms)?,
            Some(before) => match settle_on(run, leeway, surfaces, &residuals, &kept, (before, freedoms)) {
                Ok(found) => found,
                // The movement that serves the worst of them stands.
                Err(RuleError::NotSettled { .. }) => break,
                Err(other) => return Err(other),
            },
        };
        let of = |i: usize| ends.partition_point(|&end| end <= i);
        let mut holding: Vec<usize> = found.holding.iter().map(|&i| of(i)).collect();
        if holding.is_empty() {
            holding.push(of(found.worst));
        }
        holding.dedup();
        for &k in &holding {
            let first = if k == 0 { 0 } else { ends[k - 1] };
            let own = &residuals[first..ends[k]];
            kept.extend(own.iter().map(|r| Residual { less: r.less + found.value, ..*r }));
        }
        let rest = open.iter().enumerate().filter(|(k, _)| !holding.contains(k)).map(|(_, &m)| m);
        open = rest.collect();
        settled = Some(found);
    }
    settled.ok_or_else(|| RuleError::Missing("simultaneous requirements of nothing".into()))
}

#[cfg(test)]
#[path = "together_tests.rs"]
mod tests;
