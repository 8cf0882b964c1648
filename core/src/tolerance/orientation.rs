//! Parallelism, perpendicularity and angularity of ISO 1101:2017, 17.10 to 17.12, and of ASME Y14.5-2018, chapter 9 (from
//! memory): one rule, whose direction is the nominal's.

use super::axis;
use super::location::{Along, Wanted, found_of_zone, leeway_words, placed};
use super::material::MaterialCondition;
use super::movement::{Gauge, Own, settle};
use super::symmetry::between_planes;
use super::{Found, Leeway, Rule, RuleError, Surface};
use crate::associate::{Criterion, Material, plane_by};
use crate::plan::{Situation, StandardSystem, Zone};
use crate::run::Run;

/// Size of the narrowest zone of the nominal's direction that holds a plane's points, an axis over its measured depth, or
/// the middle of two flanks (ISO: extracted; ASME: the centre plane of the mating envelope); the zone may shift.
///
/// With `tangent_plane` the points of a plane give way to their tangent plane over the same extent: the least-squares
/// plane among all outside the material (T of ISO 1101:2017 and of ASME Y14.5, for both as ASME Y14.5.1-2019 constrains it;
/// from memory). At a material condition the number is the tolerance at the condition with which the surface would just
/// keep a boundary that may shift (ISO), or that of the envelope's axis, beside the bonus of its size (ASME).
#[derive(Clone, Debug)]
pub struct Orientation {
    /// The nominal feature: plane, hole, cylinder, cone, groove, tongue or slot.
    pub situation: Situation,
    /// Which zone; its size is not looked at.
    pub zone: Zone,
    /// A material condition.
    pub condition: Option<MaterialCondition>,
    /// Whether it is the tangent plane that is held (T).
    pub tangent_plane: bool,
    /// By whose rules.
    pub standard: StandardSystem,
    /// What the datums leave; that shifts are free needs no telling.
    pub leeway: Leeway,
    /// Size of the cells in which two flanks are brought together, mm.
    pub cell_mm: f64,
}

impl Rule for Orientation {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let surface = axis::surface(surfaces, 0, 3)?;
        let condition = match &self.condition {
            Some(c) => c.checked()?,
            None => None,
        };
        let mut operators = Vec::new();
        let mut bonus_mm = None;
        let mut residuals = if self.tangent_plane {
            operators.push(("association", "tangent plane: least squares outside the material".into()));
            self.of_tangent_plane(run, surface)?
        } else {
            let wanted = Wanted {
                situation: &self.situation,
                axis: None,
                zone: &self.zone,
                condition,
                projected: None,
                level: None,
                standard: self.standard,
                cell_mm: self.cell_mm,
            };
            if let Situation::Sphere { .. } = self.situation {
                return Err(RuleError::Missing("a sphere has no orientation".into()));
            }
            let one = placed(run, surface, &wanted)?;
            bonus_mm = one.bonus_mm;
            operators.push(("association", one.how));
            operators.extend(one.method.map(|m| ("material_condition", m.to_string())));
            // The zone's place is free: it begins where the feature is.
            let mut residuals = one.residuals;
            if let Some((place, truth, along)) = one.middle {
                let to = match along {
                    Along::All => place - truth,
                    _ => along.of(place - truth),
                };
                for r in &mut residuals {
                    r.gauge = shifted(r.gauge, to);
                }
            }
            residuals
        };
        let own = match residuals.first().map(|r| r.gauge) {
            Some(Gauge::Axis { axis, .. }) => {
                let a = crate::geometry::Direction::new(axis).map(|d| d.frame());
                let (a, b) = a.ok_or_else(|| RuleError::Missing("the feature has no direction".into()))?;
                Own::across([a, b])
            }
            _ => Own::ALONG,
        };
        if let Some(bonus) = bonus_mm {
            for r in &mut residuals {
                // Alone, the feature's bonus has no say in how it is moved.
                r.less -= bonus;
            }
        }
        let settled = settle(run, &self.leeway, surfaces, &residuals, own)?;
        let mut found = found_of_zone(&settled, &residuals);
        found.bonus_mm = bonus_mm;
        if condition.is_some() && bonus_mm.is_none() && settled.value < 0.0 {
            operators.push(("room", format!("{:.6} mm", -settled.value)));
        }
        operators.push(("leeway", leeway_words(&self.leeway)));
        found.operators = operators;
        Ok(found)
    }
}

impl Orientation {
    fn of_tangent_plane(
        &self,
        run: &Run,
        surface: &Surface,
    ) -> Result<Vec<super::movement::Residual>, RuleError> {
        let Situation::Plane { normal, .. } = self.situation else {
            return Err(RuleError::Missing("a tangent plane is for planes".into()));
        };
        if self.condition.is_some() || matches!(self.zone, Zone::Round { .. }) {
            return Err(RuleError::Missing(
                "a tangent plane has a zone between two planes and no size".into(),
            ));
        }
        let side = Criterion::LeastSquaresOutside(Material::Behind(normal));
        let tangent = plane_by(run, side, &surface.points)?.shape;
        let n = tangent.normal.vector();
        let feet: Vec<_> = surface.points.iter().map(|p| p - n * n.dot(&(p - tangent.point))).collect();
        Ok(between_planes(&feet, Gauge::Plane { at: tangent.point, normal: normal.vector() }))
    }
}

/// A gauge at another place.
fn shifted(gauge: Gauge, by: crate::geometry::Vector) -> Gauge {
    match gauge {
        Gauge::Plane { at, normal } => Gauge::Plane { at: at + by, normal },
        Gauge::Offset { at, normal, zone } => Gauge::Offset { at: at + by, normal, zone },
        Gauge::Axis { at, axis } => Gauge::Axis { at: at + by, axis },
        Gauge::Centre { at } => Gauge::Centre { at: at + by },
    }
}

#[cfg(test)]
#[path = "orientation_tests.rs"]
mod tests;
