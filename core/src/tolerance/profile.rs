//! Profile of a surface: ISO 1660:2017, ISO 1101:2017, 17.9, and ASME Y14.5.1-2019.

use super::axis;
use super::location::leeway_words;
use super::movement::{Gauge, Own, Residual, Settled, settle};
use super::{Against, Found, Instance, Leeway, Number, Rule, RuleError, Surface};
use crate::geometry::Point;
use crate::run::{CHECK_EVERY, Run};

/// Smallest and largest deviation of one surface, or of several that are moved together within what the datums leave so
/// that the largest excess over either limit is least (without datums all six freedoms). Deviations follow the movement to
/// first order: as the distance from the nominal's tangent plane.
///
/// With an offset zone (OZ of ISO 1101:2017) one constant is taken off all deviations, and the number is the width that is
/// left: largest less smallest.
#[derive(Clone, Debug)]
pub struct SurfaceProfile {
    /// How many surfaces are judged together, from the first on.
    pub surfaces: usize,
    /// Largest deviation out of the material, mm.
    pub upper_mm: f64,
    /// Smallest deviation, mm: negative where it may lie inside.
    pub lower_mm: f64,
    /// Whether the zone may be offset (OZ).
    pub offset_zone: bool,
    /// What the datums leave.
    pub leeway: Leeway,
}

impl Rule for SurfaceProfile {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let mut chosen = Vec::new();
        for i in 0..self.surfaces.max(1) {
            let surface = axis::surface(surfaces, i, 1)?;
            chosen.extend((0..surface.points.len()).map(|k| (i, k)));
        }
        let limits = Limits { upper_mm: self.upper_mm, lower_mm: self.lower_mm };
        let mut found = deviations(run, surfaces, &chosen, limits, self.offset_zone, &self.leeway)?;
        if self.surfaces < 2 {
            found.instances.clear();
        }
        Ok(found)
    }
}

/// Limits of deviations, mm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limits {
    pub(super) upper_mm: f64,
    pub(super) lower_mm: f64,
}

/// The extremes of the deviations of chosen points (surface, point) after the best movement; an instance a surface and
/// side.
pub(super) fn deviations(
    run: &Run,
    surfaces: &[Surface],
    chosen: &[(usize, usize)],
    limits: Limits,
    offset_zone: bool,
    leeway: &Leeway,
) -> Result<Found, RuleError> {
    if !(limits.upper_mm.is_finite() && limits.lower_mm.is_finite() && limits.upper_mm > limits.lower_mm) {
        return Err(RuleError::Missing("a profile needs an upper limit above its lower one".into()));
    }
    let still = leeway.is_none() && leeway.bounds.is_empty();
    let (own, middle) = if offset_zone {
        // The width that an offset leaves is twice the largest distance from the middle.
        (Own::Along, 0.0)
    } else {
        (Own::None, 0.5 * (limits.upper_mm + limits.lower_mm))
    };
    let moved = if still { None } else { Some(moved(run, surfaces, chosen, middle, own, leeway)?) };

    let mut ends: Vec<[Option<(f64, Point)>; 2]> = vec![[None; 2]; surfaces.len()];
    for (n, &(s, k)) in chosen.iter().enumerate() {
        if n % CHECK_EVERY == 0 {
            run.check()?;
        }
        let value = match &moved {
            // The zone's own offset changes neither number: one is none of its own, the other a difference.
            Some(settled) => deviation(&surfaces[s], k, settled),
            None => surfaces[s].deviations_mm[k],
        };
        let place = surfaces[s].points[k];
        let [low, high] = &mut ends[s];
        if low.is_none_or(|l| value < l.0) {
            *low = Some((value, place));
        }
        if high.is_none_or(|h| value > h.0) {
            *high = Some((value, place));
        }
    }
    let all = |side: usize| {
        let sign = if side == 0 { -1.0 } else { 1.0 };
        let mut most: Option<(f64, Point)> = None;
        for end in ends.iter().filter_map(|e| e[side]) {
            if most.is_none_or(|m| sign * end.0 > sign * m.0) {
                most = Some(end);
            }
        }
        most.ok_or_else(|| {
            RuleError::Missing("no point of the surface lies where the profile is asked for".into())
        })
    };
    let (low, high) = (all(0)?, all(1)?);
    let numbers = if offset_zone {
        vec![Number { value: high.0 - low.0, against: Against::Upper, at: None }]
    } else {
        vec![
            Number { value: low.0, against: Against::Lower, at: Some(low.1) },
            Number { value: high.0, against: Against::Upper, at: Some(high.1) },
        ]
    };
    let instances = ends
        .iter()
        .enumerate()
        .flat_map(|(s, e)| e.iter().flatten().map(move |end| (s, *end)).collect::<Vec<_>>())
        .map(|(s, end)| Instance { name: s.to_string(), value_mm: end.0, at: Some(end.1) })
        .collect();
    let mut operators = vec![("leeway", leeway_words(leeway))];
    if offset_zone {
        operators.push(("offset_zone", format!("{:.6} mm", 0.5 * (low.0 + high.0))));
    }
    Ok(Found { numbers, instances, operators, ..Found::default() })
}

/// A deviation as the movement changes it.
fn deviation(surface: &Surface, k: usize, settled: &Settled) -> f64 {
    let p = surface.points[k];
    surface.deviations_mm[k] + surface.normals[k].vector().dot(&(settled.motion.point(&p) - p))
}

/// The movement that makes the largest excess over both limits least: with limits as far above as below a middle that is
/// the largest distance from it.
fn moved(
    run: &Run,
    surfaces: &[Surface],
    chosen: &[(usize, usize)],
    middle: f64,
    own: Own,
    leeway: &Leeway,
) -> Result<Settled, RuleError> {
    let both = |&(s, k): &(usize, usize)| {
        let surface = &surfaces[s];
        let (place, normal) = (surface.points[k], surface.normals[k].vector());
        let gauge = Gauge::Plane { at: place - normal * surface.deviations_mm[k], normal };
        [1.0, -1.0].map(|sign| Residual { place, gauge, factor: sign, less: sign * middle })
    };
    let residuals: Vec<Residual> = chosen.iter().flat_map(both).collect();
    settle(run, leeway, surfaces, &residuals, own)
}

#[cfg(test)]
#[path = "profile_tests.rs"]
mod tests;
