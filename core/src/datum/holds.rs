//! What a datum system holds the part by, on the nominal: every datum as targets of the one solver.
//!
//! A plane holds as three places of it along its normal, a hole as its centre along two directions across its axis,
//! a slot as its middle across its length, a pad along its locks, a ball of a fixture along all three axes.

use crate::geometry::{Direction, Point, Vector};
use crate::plan::{
    Association, Axis, BoundFeature, Condition, Datum, DatumFrom, DatumSource, DatumSystem, DatumTarget,
    FaceMap, FeatureKind, Plan, Situation,
};

use super::targets::Target;

/// One datum feature, target or ball.
pub(super) struct Hold<'a> {
    /// Letter on the drawing; the fixture's id for a ball.
    pub(super) letter: &'a str,
    /// Id of the feature or target.
    pub(super) name: &'a str,
    /// What it is.
    pub(super) kind: HoldKind<'a>,
    /// Its place and locks for the solver.
    pub(super) targets: Vec<Target>,
}

/// What holds.
pub(super) enum HoldKind<'a> {
    Plane { bound: &'a BoundFeature, normal: Direction },
    Hole { bound: &'a BoundFeature, axis: Direction },
    Slot { bound: &'a BoundFeature, at: Point, axis: Direction, along: Direction },
    Pad(&'a DatumTarget),
    Ball { at: Point, diameter_mm: Option<f64>, standard_mm: f64 },
}

impl Hold<'_> {
    /// How many rows the solver makes of it.
    pub(super) fn rows(&self) -> usize {
        self.targets.iter().map(|t| t.locks.len().max(1)).sum()
    }
}

/// Whether a datum system is established in this version. Nothing is served in another way than the plan says: others
/// are refused.
pub fn served(plan: &Plan, system: &DatumSystem) -> bool {
    let DatumSource::Datums(datums) = &system.source else { return system.best_fit.is_none() };
    let of_one = |d: &Datum| match &d.from {
        DatumFrom::Features { features, association, condition, .. } => {
            let kind = |f: &usize| plan.features.get(*f).map(|f| f.kind);
            let kinds = [FeatureKind::Plane, FeatureKind::Hole, FeatureKind::Slot];
            features.len() == 1
                && features.iter().all(|f| kind(f).is_some_and(|k| kinds.contains(&k)))
                && *association == Association::LeastSquares
                && *condition == Condition::Regardless
                && d.locks.is_empty()
        }
        DatumFrom::Targets(pads) => pads.iter().all(|p| p.line_to.is_none()),
    };
    system.best_fit.is_none() && datums.iter().all(of_one)
}

/// Everything the system holds by, in order; `None` when a feature is bound to something else.
pub(super) fn holds<'a>(
    system: &'a DatumSystem,
    plan: &'a Plan,
    faces: &'a FaceMap,
) -> Option<Vec<Hold<'a>>> {
    if !served(plan, system) {
        return None;
    }
    let mut all = Vec::new();
    match &system.source {
        DatumSource::Fixture(index) => {
            let fixture = plan.fixtures.get(*index)?;
            for ball in &fixture.targets {
                let kind = HoldKind::Ball {
                    at: ball.at,
                    diameter_mm: ball.ball_diameter_mm,
                    standard_mm: fixture.standard_uncertainty_mm,
                };
                let target = target(ball.at, Direction::Z, &[Axis::X, Axis::Y, Axis::Z], 1.0, 0);
                all.push(Hold { letter: &fixture.id, name: &ball.id, kind, targets: vec![target] });
            }
        }
        DatumSource::Datums(datums) => {
            for (stage, datum) in datums.iter().enumerate() {
                match &datum.from {
                    DatumFrom::Features { features, .. } => {
                        for feature in features {
                            all.push(of_feature(datum, faces.features.get(*feature)?, stage)?);
                        }
                    }
                    DatumFrom::Targets(pads) => all.extend(pads.iter().map(|pad| Hold {
                        letter: &datum.letter,
                        name: &pad.id,
                        kind: HoldKind::Pad(pad),
                        targets: vec![target(pad.at, pad.direction, &pad.locks, pad.weight, stage)],
                    })),
                }
            }
        }
    }
    Some(all)
}

fn target(nominal: Point, direction: Direction, locks: &[Axis], weight: f64, stage: usize) -> Target {
    Target { nominal, direction, weight, locks: locks.to_vec(), stage }
}

fn of_feature<'a>(datum: &'a Datum, bound: &'a BoundFeature, stage: usize) -> Option<Hold<'a>> {
    let (kind, targets) = match bound.situation {
        Situation::Plane { at, normal } => {
            // On the plane, under the middle of the face.
            let foot = bound.centroid - normal.vector() * (bound.centroid - at).dot(&normal.vector());
            let targets = places(foot, normal, span_mm(bound))
                .into_iter()
                .map(|p| target(p, normal, &[], 1.0, stage))
                .collect();
            (HoldKind::Plane { bound, normal }, targets)
        }
        Situation::Hole { at, axis, .. } => {
            let (u, v) = axis.frame();
            let across = [Direction::new(u)?, Direction::new(v)?];
            (HoldKind::Hole { bound, axis }, across.map(|d| target(at, d, &[], 1.0, stage)).into())
        }
        Situation::Slot { at, axis, along, .. } => {
            let across = Direction::new(axis.vector().cross(&along.vector()))?;
            (HoldKind::Slot { bound, at, axis, along }, vec![target(at, across, &[], 1.0, stage)])
        }
        _ => return None,
    };
    Some(Hold { letter: &datum.letter, name: &bound.id, kind, targets })
}

/// Half the width of a face about, mm; 100 for a plane by its numbers, which changes nothing but how tilts are
/// weighed against shifts in words.
fn span_mm(bound: &BoundFeature) -> f64 {
    if bound.area_mm2 > 0.0 { 0.5 * bound.area_mm2.sqrt() } else { 100.0 }
}

/// Three places of a plane about its middle.
pub(super) fn places(middle: Point, normal: Direction, span_mm: f64) -> [Point; 3] {
    let (u, v) = normal.frame();
    let at = |x: f64, y: f64| middle + (u * x + v * y) * span_mm;
    let half = 3f64.sqrt() / 2.0;
    [at(1.0, 0.0), at(-0.5, half), at(-0.5, -half)]
}

/// A direction in words, for records: the part's axis where it lies along one.
pub(super) fn words(locks: &[Axis], direction: Direction) -> Vec<String> {
    if !locks.is_empty() {
        return locks
            .iter()
            .map(|a| match a {
                Axis::X => "x".to_owned(),
                Axis::Y => "y".to_owned(),
                Axis::Z => "z".to_owned(),
            })
            .collect();
    }
    let d: Vector = direction.vector();
    vec![format!("along ({:.4}, {:.4}, {:.4})", d.x, d.y, d.z)]
}
