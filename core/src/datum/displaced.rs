//! How the part comes to rest on its datums when what was measured of them is displaced.
//!
//! An error of the instrument or of the temperature displaces the datum features too, and so moves the part: a result is
//! displaced by the difference of both. Nothing is derived by hand for a kind of datum: the points of the datum features are
//! displaced, the features measured and solved once more, and the motion from where the part was is the answer.

use super::best_fit::{Fitting, Left};
use super::holds::{Holds, holds};
use super::leeway::orthogonal;
use super::on_scan::Extracts;
use super::targets::Target;
use super::{DatumAlignment, DatumError, DatumInput, HoldKind, solved};
use crate::geometry::{Motion, PartFrame, Point, Twist, Vector};
use crate::plan::{DatumSystem, Situation};
use crate::run::Run;

/// Points this far beyond a pad, a line or a ball may belong to it, mm.
const BEYOND_MM: f64 = 5.0;

/// A datum system at rest, ready to be displaced.
pub struct Displaceable<'a> {
    input: DatumInput<'a>,
    system: &'a DatumSystem,
    aligned: &'a DatumAlignment,
    holds: Holds<'a>,
    nominal: Vec<Target>,
    fitting: Option<Fitting<'a>>,
    extracts: Extracts,
    /// Indices of the points that the datums look at.
    points: Vec<u32>,
    lever_mm: f64,
    /// Where the same sums leave the part without a displacement: what rounding and the last step leave.
    still: Option<Motion<PartFrame, PartFrame>>,
}

impl<'a> Displaceable<'a> {
    /// How many points its datums look at: no answer asks for more places.
    pub fn places(&self) -> usize {
        self.points.len()
    }

    /// Takes a datum system that `aligned` has established.
    ///
    /// # Errors
    /// A system that is none for these faces.
    pub fn new(
        run: &Run,
        input: &DatumInput<'a>,
        system: &'a DatumSystem,
        aligned: &'a DatumAlignment,
    ) -> Result<Self, DatumError> {
        run.check()?;
        let holds = holds(system, input.plan, input.faces)?;
        let fitting = match &system.best_fit {
            Some(fit) => Some(
                Fitting::new(input, fit).ok_or_else(|| DatumError::WrongFaces { id: system.id.clone() })?,
            ),
            None => None,
        };
        let points = looked_at(input, system, aligned, &holds);
        let extracts = Extracts::new(input, &holds.all);
        let nominal = holds.targets();
        let lever_mm = 0.5 * input.nominal.mesh().bounds().diagonal();
        let input = DatumInput { ..*input };
        let mut ready =
            Self { input, system, aligned, holds, nominal, fitting, extracts, points, lever_mm, still: None };
        ready.still = Some(ready.rest(run, &|_, _| Vector::zeros())?);
        Ok(ready)
    }

    /// The motion of the part when what was measured is displaced by `by`, which is asked with a place on the part and the unit
    /// normal out of the material there, or zero.
    ///
    /// # Errors
    /// Datums that are no longer held, or a stop.
    pub fn answer(
        &mut self,
        run: &Run,
        by: &dyn Fn(&Point, &Vector) -> Vector,
    ) -> Result<Motion<PartFrame, PartFrame>, DatumError> {
        let moved = self.rest(run, by)?;
        Ok(self.still.map_or(moved, |still| moved * still.inverse()))
    }

    /// Where the part comes to rest, in one round, from where it lies.
    fn rest(
        &mut self,
        run: &Run,
        by: &dyn Fn(&Point, &Vector) -> Vector,
    ) -> Result<Motion<PartFrame, PartFrame>, DatumError> {
        let partition = &self.aligned.partition;
        let (scan, partition) = partition.displaced(self.input.scan, self.input.nominal, &self.points, by);
        let input = DatumInput { scan: &scan, ..self.input };
        let measured = self.extracts.measure(run, &input, &self.holds.all, &partition, false)?;
        let pose = self.aligned.part_from_scan;
        let found = solved(self.system, &self.holds, &self.nominal, &measured, pose)?;
        let moved = found.part_from_scan * pose.inverse();
        let Some(fitting) = &self.fitting else { return Ok(moved) };
        let centre = self.aligned.centre;
        let free = if self.nominal.is_empty() {
            Twist::all(self.lever_mm)
        } else {
            orthogonal(&found.free, self.lever_mm)
        };
        let left = Left { moved, free: &free, centre, lever_mm: self.lever_mm };
        Ok(fitting.fit(run, &input, &partition, &left, false)?.step * moved)
    }
}

/// The points that the datums may look at.
fn looked_at(input: &DatumInput, system: &DatumSystem, aligned: &DatumAlignment, holds: &Holds) -> Vec<u32> {
    let faces = &input.faces.features;
    let mut member = vec![false; input.nominal.mesh().triangles().len()];
    let mut mark = |triangles: &[u32]| triangles.iter().for_each(|&t| member[t as usize] = true);
    let mut near: Vec<(Point, Point, f64)> = Vec::new();
    for hold in &holds.all {
        match &hold.kind {
            HoldKind::Plane { bound, .. } | HoldKind::Hole { bound, .. } | HoldKind::Slot { bound, .. } => {
                mark(&bound.triangles);
            }
            HoldKind::Features(features) => {
                let of = features.parts.iter().flat_map(|p| &p.faces);
                of.for_each(|f| mark(&f.bound.triangles));
            }
            HoldKind::Pad(pad) => {
                let reach = pad.patch_radius_mm.unwrap_or(0.0) + input.settings.reach_mm + BEYOND_MM;
                near.push((pad.at, pad.line_to.unwrap_or(pad.at), reach));
            }
            HoldKind::Ball { at, diameter_mm, .. } => {
                near.push((*at, *at, 0.5 * diameter_mm.unwrap_or(0.0) + BEYOND_MM));
            }
        }
    }
    if let Some(fit) = &system.best_fit {
        let bound = fit.features.iter().filter_map(|&f| faces.get(f));
        bound.filter(|b| !matches!(b.situation, Situation::Group)).for_each(|b| mark(&b.triangles));
    }
    aligned.partition.some(input.scan, |p, triangle| {
        triangle.is_some_and(|t| member[t as usize])
            || near.iter().any(|(a, b, reach)| {
                let along = b - a;
                let t = if along.norm_squared() > 0.0 {
                    ((p - a).dot(&along) / along.norm_squared()).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                (p - (a + along * t)).norm() <= *reach
            })
    })
}
