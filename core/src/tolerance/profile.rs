//! Profile of a surface: ISO 1660:2017, ISO 1101:2017, 17.9, and ASME Y14.5.1-2019.

use super::axis;
use super::location::{leeway_words, movement_words};
use super::movement::{Gauge, Own, Residual, Settled, settle};
use super::{Against, Found, Held, Instance, Leeway, Number, Rule, RuleError, Surface, Zoned};
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

impl SurfaceProfile {
    fn held<'a>(&'a self, surfaces: &'a [Surface]) -> Result<HeldProfile<'a>, RuleError> {
        let mut chosen = Vec::new();
        for i in 0..self.surfaces.max(1) {
            let surface = axis::surface(surfaces, i, 1)?;
            chosen.extend((0..surface.points.len()).map(|k| (i, k)));
        }
        let limits = Limits { upper_mm: self.upper_mm, lower_mm: self.lower_mm };
        let mut held = HeldProfile::new(surfaces, chosen, limits, &self.leeway)?;
        held.offset_zone = self.offset_zone;
        held.each_surface = self.surfaces >= 2;
        Ok(held)
    }
}

impl Zoned for SurfaceProfile {
    fn hold<'a>(&'a self, _: &Run, surfaces: &'a [Surface]) -> Result<Box<dyn Held + 'a>, RuleError> {
        Ok(Box::new(self.held(surfaces)?.ready()))
    }
}

impl Rule for SurfaceProfile {
    fn measure(&self, run: &Run, surfaces: &[Surface]) -> Result<Found, RuleError> {
        self.held(surfaces)?.measure(run)
    }

    fn of_places(&self) -> bool {
        !self.offset_zone && self.leeway.free.is_empty() && self.leeway.bounds.is_empty()
    }

    fn zoned(&self) -> Option<&dyn Zoned> {
        Some(self)
    }
}

/// Limits of deviations, mm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limits {
    pub(super) upper_mm: f64,
    pub(super) lower_mm: f64,
}

/// Chosen points of surfaces whose deviations are held against two limits.
pub(super) struct HeldProfile<'a> {
    surfaces: &'a [Surface],
    /// Surface and point of each.
    chosen: Vec<(usize, usize)>,
    limits: Limits,
    leeway: &'a Leeway,
    /// Whether the zone may be offset (OZ).
    offset_zone: bool,
    /// Whether the extremes of each surface are told.
    each_surface: bool,
    /// What is told beside the numbers.
    pub(super) operators: Vec<(&'static str, String)>,
    /// What a movement makes small; empty until it is asked for.
    residuals: Vec<Residual>,
}

impl<'a> HeldProfile<'a> {
    pub(super) fn new(
        surfaces: &'a [Surface],
        chosen: Vec<(usize, usize)>,
        limits: Limits,
        leeway: &'a Leeway,
    ) -> Result<Self, RuleError> {
        if !(limits.upper_mm.is_finite() && limits.lower_mm.is_finite() && limits.upper_mm > limits.lower_mm)
        {
            return Err(RuleError::Missing("a profile needs an upper limit above its lower one".into()));
        }
        let (operators, residuals) = (Vec::new(), Vec::new());
        let (offset_zone, each_surface) = (false, false);
        Ok(Self { surfaces, chosen, limits, leeway, offset_zone, each_surface, operators, residuals })
    }

    /// With what a movement makes small: the largest excess over both limits, which with limits as far above as below a middle is
    /// the largest distance from it. The width that an offset leaves is twice the largest distance from any middle.
    pub(super) fn ready(mut self) -> Self {
        let Limits { upper_mm, lower_mm } = self.limits;
        let middle = if self.offset_zone { 0.0 } else { 0.5 * (upper_mm + lower_mm) };
        let both = |&(s, k): &(usize, usize)| {
            let surface = &self.surfaces[s];
            let (place, normal) = (surface.points[k], surface.normals[k].vector());
            let at = place - normal * surface.deviations_mm[k];
            let gauge = if self.offset_zone {
                Gauge::Offset { at, normal, zone: 0 }
            } else {
                Gauge::Plane { at, normal }
            };
            [1.0, -1.0].map(|sign| Residual { place, gauge, factor: sign, less: sign * middle })
        };
        self.residuals = self.chosen.iter().flat_map(both).collect();
        self
    }

    /// Moves the part by itself, as far as it may be moved.
    pub(super) fn measure(self, run: &Run) -> Result<Found, RuleError> {
        if self.leeway.is_none() && self.leeway.bounds.is_empty() {
            return self.told(run, None);
        }
        let held = self.ready();
        let own = if held.offset_zone { Own::offset(1) } else { Own::NONE };
        let settled = settle(run, held.leeway, held.surfaces, &held.residuals, own)?;
        held.told(run, Some(&settled))
    }

    /// A deviation as the movement changes it. The zone's own offset along the normals changes neither number: one is none of its
    /// own, the other a difference.
    fn deviation(&self, s: usize, k: usize, settled: &Settled) -> f64 {
        let surface = &self.surfaces[s];
        let p = surface.points[k];
        let by = settled.motion.point(&p) - p + settled.zone_shift();
        surface.deviations_mm[k] + surface.normals[k].vector().dot(&by)
    }

    /// The extremes of the deviations after a movement; an instance a surface and side.
    fn told(&self, run: &Run, settled: Option<&Settled>) -> Result<Found, RuleError> {
        let surfaces = self.surfaces;
        let mut ends: Vec<[Option<(f64, Point)>; 2]> = vec![[None; 2]; surfaces.len()];
        for (n, &(s, k)) in self.chosen.iter().enumerate() {
            if n % CHECK_EVERY == 0 {
                run.check()?;
            }
            let value = match settled {
                Some(settled) => self.deviation(s, k, settled),
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
        let numbers = if self.offset_zone {
            vec![Number { value: high.0 - low.0, against: Against::Upper, at: None }]
        } else {
            vec![
                Number { value: low.0, against: Against::Lower, at: Some(low.1) },
                Number { value: high.0, against: Against::Upper, at: Some(high.1) },
            ]
        };
        let told = ends.iter().enumerate().filter(|_| self.each_surface);
        let instances = told
            .flat_map(|(s, e)| e.iter().flatten().map(move |end| (s, *end)).collect::<Vec<_>>())
            .map(|(s, end)| Instance { name: s.to_string(), value_mm: end.0, at: Some(end.1) })
            .collect();
        let mut operators = vec![("leeway", leeway_words(self.leeway))];
        if let Some(settled) = settled.filter(|_| !self.leeway.is_none()) {
            operators.push(("movement", movement_words(settled, self.leeway)));
        }
        if self.offset_zone {
            operators.push(("offset_zone", format!("{:.6} mm", 0.5 * (low.0 + high.0))));
        }
        operators.extend(self.operators.iter().cloned());
        Ok(Found { numbers, instances, operators, ..Found::default() })
    }
}

impl Held for HeldProfile<'_> {
    fn residuals(&self) -> &[Residual] {
        &self.residuals
    }

    fn limit_mm(&self) -> f64 {
        0.5 * (self.limits.upper_mm - self.limits.lower_mm)
    }

    fn is_offset(&self) -> bool {
        self.offset_zone
    }

    fn tell(&self, run: &Run, settled: &Settled) -> Result<Found, RuleError> {
        self.told(run, Some(settled))
    }
}

#[cfg(test)]
#[path = "profile_tests.rs"]
mod tests;
