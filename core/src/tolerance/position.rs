//! Position of ISO 1101:2017, 17.13, with ISO 5458:2018 for groups and ISO 2692:2021 for material conditions; and of ASME
//! Y14.5-2018, chapter 10 (from memory).

use super::axis;
use super::location::{
    Along, Level, Projected, Wanted, instances, largest, leeway_words, movement_words, of_largest, placed,
};
use super::material::MaterialCondition;
use super::movement::{Own, Residual, Settled, settle};
use super::{Found, Held, Leeway, Rule, RuleError, Surface, Zoned};
use crate::geometry::{Direction, Point};
use crate::plan::{Situation, StandardSystem, Zone};
use crate::run::Run;
use std::ops::Range;

/// Position of one feature, or of several that are moved together within what the datums leave: the size of the zone
/// that would just do, twice the largest distance from the true place; the largest of all members.
///
/// Regardless of size: of a hole or shaft both ends of its straight axis over the measured depth, or of the projected
/// piece, or its place at a stated height; of a ball its centre; of a plane its points; of a groove or tongue its extracted middle (ISO),
/// or the centre plane of its mating envelope as far as the flanks reach (ASME). At a material
/// condition by ISO: the tolerance at the condition with which the surface would just keep its boundary, below 0 where there is
/// room. By ASME: twice the distance of the axis of the envelope, and the bonus that its own size gives to the limit;
/// both of the member for which the limit is the tightest. The surface method, which that standard lets take precedence, is
/// the number by ISO; grooves and tongues have it by either standard, without a bonus.
#[derive(Clone, Debug)]
pub struct Position {
    /// The features, one surface each.
    pub members: Vec<PositionMember>,
    /// Which zone; its size is not looked at.
    pub zone: Zone,
    /// By whose rules.
    pub standard: StandardSystem,
    /// What the datums leave; with all shifts free it is the lower segment that only orients.
    pub leeway: Leeway,
    /// Size of the cells in which two flanks are brought together, mm.
    pub cell_mm: f64,
}

/// A feature whose position is asked for.
#[derive(Clone, Debug)]
pub struct PositionMember {
    /// The nominal feature.
    pub situation: Situation,
    /// Direction of the axis where a wall shorter than its diameter does not tell it.
    pub axis: Option<Direction>,
    /// A material condition.
    pub condition: Option<MaterialCondition>,
    /// A projected zone.
    pub projected: Option<Projected>,
    /// The one height at which its axis is looked at.
    pub level: Option<Level>,
}

/// The members in the form in which they are moved.
struct HeldPosition<'a> {
    rule: &'a Position,
    residuals: Vec<Residual>,
    /// The residuals of each member.
    parts: Vec<Range<usize>>,
    /// The bonus of each, which is taken off its residuals.
    bonuses: Vec<Option<f64>>,
    middles: Vec<Option<(Point, Point, Along)>>,
    operators: Vec<(&'static str, String)>,
}

impl Position {
    fn held(&self, run: &Run, surfaces: &[Surface]) -> Result<HeldPosition<'_>, RuleError> {
        if self.members.is_empty() {
            return Err(RuleError::Missing("a position of no feature".into()));
        }
        let (mut residuals, mut parts, mut bonuses) = (Vec::new(), Vec::new(), Vec::new());
        let mut operators = Vec::new();
        let mut middles = Vec::new();
        for (i, member) in self.members.iter().enumerate() {
            let condition = match &member.condition {
                Some(c) => c.checked()?,
                None => None,
            };
            let wanted = Wanted {
                situation: &member.situation,
                axis: member.axis,
                zone: &self.zone,
                condition,
                projected: member.projected.as_ref(),
                level: member.level.as_ref(),
                standard: self.standard,
                cell_mm: self.cell_mm,
            };
            let one = placed(run, axis::surface(surfaces, i, 3)?, &wanted)?;
            parts.push(residuals.len()..residuals.len() + one.residuals.len());
            residuals.extend(one.residuals);
            bonuses.push(one.bonus_mm);
            middles.push(one.middle);
            if i == 0 {
                operators.push(("association", one.how));
                operators.extend(one.method.map(|m| ("material_condition", m.to_string())));
            }
        }
        Ok(HeldPosition { rule: self, residuals, parts, bonuses, middles, operators })
    }
}

impl Held for HeldPosition<'_> {
    fn residuals(&self) -> &[Residual] {
        &self.residuals
    }

    fn limit_mm(&self) -> f64 {
        self.rule.zone.size_mm()
    }

    fn tell(&self, _: &Run, settled: &Settled) -> Result<Found, RuleError> {
        let (value, at) = largest(settled, &self.residuals);
        let worst = self.parts.iter().position(|p| p.contains(&at)).unwrap_or(0);
        let mut found = of_largest(&self.residuals, (value, at));
        let mut operators = self.operators.clone();
        // The bonus was taken off while the members were moved together.
        let plus: Vec<f64> = self.bonuses.iter().map(|b| b.unwrap_or(0.0)).collect();
        if self.bonuses[worst].is_some() {
            found.numbers[0].value = value + plus[worst];
            found.bonus_mm = self.bonuses[worst];
        } else if value < 0.0 {
            operators.push(("room", format!("{:.6} mm", -value)));
        }
        if self.parts.len() > 1 {
            found.instances = instances(settled, &self.residuals, &self.parts, &plus);
        } else if let Some((place, truth, along)) = self.middles[0] {
            found.off = Some(along.of(settled.motion.point(&place) + settled.zone_shift() - truth));
        }
        let leeway = &self.rule.leeway;
        operators.push(("leeway", leeway_words(leeway)));
        if !leeway.is_none() {
            operators.push(("movement", movement_words(settled, leeway)));
        }
        found.operators = operators;
        Ok(found)
    }
}

impl Zoned for Position {
    fn hold<'a>(&'a self, run: &Run, surfaces: &'a [Surface]) -> Result<Box<dyn Held + 'a>, RuleError> {
        Ok(Box::new(self.held(run, surfaces)?))
    }
}

impl Rule for Position {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let held = self.held(run, surfaces)?;
        held.tell(run, &settle(run, &self.leeway, surfaces, &held.residuals, Own::NONE)?)
    }

    fn zoned(&self) -> Option<&dyn Zoned> {
        Some(self)
    }
}

#[cfg(test)]
#[path = "position_tests.rs"]
mod tests;
