//! The first plane among the datums of a requirement.

use crate::geometry::{Direction, Point};
use crate::plan::{DatumFrom, DatumSource, DatumTarget, Situation};

use super::Subject;

/// Pads this near to one plane are of it, mm.
const IN_PLANE_MM: f64 = 1e-3;

/// A plane among the datums, or the first pad where pads stand for one.
pub(super) struct FirstPlane {
    /// A place on it.
    pub(super) at: Point,
    /// Where it faces.
    pub(super) normal: Direction,
    /// Whether it is one plane: pads may lie at different heights.
    pub(super) flat: bool,
}

/// The first plane or pad among the datums.
pub(super) fn first_plane(subject: &Subject) -> Option<FirstPlane> {
    let context = subject.context;
    let system = subject.characteristic.datum_system.and_then(|d| context.plan.datum_systems.get(d))?;
    let DatumSource::Datums(datums) = &system.source else { return None };
    datums.iter().find_map(|d| match &d.from {
        DatumFrom::Features { features, .. } => {
            features.iter().find_map(|&f| match context.faces.features.get(f)?.situation {
                Situation::Plane { at, normal } => Some(FirstPlane { at, normal, flat: true }),
                _ => None,
            })
        }
        DatumFrom::Targets(pads) => {
            let (at, normal) = pads.first().map(|p| (p.at, p.direction))?;
            let within = |p: &DatumTarget| {
                (p.at - at).dot(&normal.vector()).abs() <= IN_PLANE_MM && p.direction.dot(normal) > 1.0 - 1e-9
            };
            Some(FirstPlane { at, normal, flat: pads.iter().all(within) })
        }
    })
}
