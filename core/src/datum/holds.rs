//! What a datum system holds the part by, on the nominal: every datum as targets of the one solver.
//!
//! A plane holds as three places of it along its normal, a hole as its centre along two directions across its axis,
//! a slot as its middle across its length, a pad along its locks, a ball of a fixture along all three axes. Features of
//! other kinds, by other associations than least squares, and several of one datum: `pattern`.

use crate::geometry::{Direction, Motion, Point, Vector};
use crate::plan::{
    Association, Axis, BoundFeature, Condition, Datum, DatumFrom, DatumSource, DatumSystem, DatumTarget,
    FaceMap, FeatureKind, Plan, Situation,
};

use super::pattern::{self, Features};
use super::targets::{Only, Target, TargetMeasured, solve_leaving};
use super::{DatumError, named};

/// One datum feature, target or ball, or the features of one datum together.
pub(super) struct Hold<'a> {
    /// Letter on the drawing; the fixture's id for a ball.
    pub(super) letter: &'a str,
    /// Id of the feature or target; of several features, all of them.
    pub(super) name: String,
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
    Features(Features<'a>),
    Pad(&'a DatumTarget),
    Ball { at: Point, diameter_mm: Option<f64>, standard_mm: f64 },
}

impl Hold<'_> {
    /// Whether points of that name are its own.
    pub(super) fn is_named(&self, name: &str) -> bool {
        match &self.kind {
            HoldKind::Features(features) => features.names().any(|n| n == name),
            _ => self.name == name,
        }
    }

    /// How many rows the solver makes of it.
    pub(super) fn rows(&self) -> usize {
        self.targets.iter().map(|t| t.locks.len().max(1)).sum()
    }
}

/// A datum at a material condition.
pub(super) struct Loosened {
    /// Its place in the order.
    pub(super) stage: usize,
    /// Indices of its features in the plan.
    pub(super) features: Vec<usize>,
    /// Size of the boundary, mm.
    pub(super) boundary_mm: f64,
    /// The condition.
    pub(super) condition: Condition,
}

/// Everything that a system holds by.
pub(super) struct Holds<'a> {
    /// In order.
    pub(super) all: Vec<Hold<'a>>,
    /// Datums that may lock only some freedoms.
    pub(super) only: Vec<Only>,
    /// Datums at a material condition.
    pub(super) loose: Vec<Loosened>,
}

impl Holds<'_> {
    /// The targets of all, in order.
    pub(super) fn targets(&self) -> Vec<Target> {
        self.all.iter().flat_map(|h| h.targets.iter().cloned()).collect()
    }
}

/// Whether a datum system is established in this version. Nothing is served in another way than the plan says: others
/// are refused. What only the nominal shows (whether a cylinder is a bore) is refused when it is established.
pub fn served(plan: &Plan, system: &DatumSystem) -> bool {
    let DatumSource::Datums(datums) = &system.source else { return system.best_fit.is_none() };
    let kind = |f: &usize| plan.features.get(*f).map(|f| f.kind);
    let of_one = |d: &Datum| match &d.from {
        DatumFrom::Features { features, association, .. } => {
            features.iter().all(|f| kind(f).is_some_and(|k| associated(k, *association)))
                && (features.len() == 1 || together(plan, features, *association))
        }
        DatumFrom::Targets(_) => true,
    };
    datums.iter().all(of_one)
}

/// Whether a feature of a kind has an association.
fn associated(kind: FeatureKind, association: Association) -> bool {
    let by_size = match kind {
        FeatureKind::Plane | FeatureKind::Cone => false,
        FeatureKind::Hole | FeatureKind::Slot => association == Association::MaximumInscribed,
        FeatureKind::Cylinder | FeatureKind::Sphere | FeatureKind::Width => true,
        FeatureKind::Surface
        | FeatureKind::Point
        | FeatureKind::Torus
        | FeatureKind::Group
        | FeatureKind::Edge
        | FeatureKind::Countersink => return false,
    };
    match association {
        Association::MaximumInscribed | Association::MinimumCircumscribed => by_size,
        _ => true,
    }
}

/// Whether several features make one datum by an association.
fn together(plan: &Plan, features: &[usize], association: Association) -> bool {
    let planes_and_cones = |f: &usize| {
        matches!(plan.features.get(*f).map(|f| f.kind), Some(FeatureKind::Plane | FeatureKind::Cone))
    };
    let sized = features.iter().filter(|f| !planes_and_cones(f)).count();
    match association {
        Association::LeastSquares => true,
        Association::MinimumZone | Association::MinimaxOutside => sized <= crate::associate::MOST_SIZES,
        // Planes that face one way; whether they do shows on the nominal.
        Association::LeastSquaresOutside => sized == 0,
        Association::MaximumInscribed | Association::MinimumCircumscribed => false,
    }
}

/// Everything the system holds by, in order.
pub(super) fn holds<'a>(
    system: &'a DatumSystem,
    plan: &'a Plan,
    faces: &'a FaceMap,
) -> Result<Holds<'a>, DatumError> {
    let wrong = || DatumError::WrongFaces { id: system.id.clone() };
    if !served(plan, system) {
        return Err(wrong());
    }
    let mut holds = Holds { all: Vec::new(), only: Vec::new(), loose: Vec::new() };
    match &system.source {
        DatumSource::Fixture(index) => {
            let fixture = plan.fixtures.get(*index).ok_or_else(wrong)?;
            for ball in &fixture.targets {
                let kind = HoldKind::Ball {
                    at: ball.at,
                    diameter_mm: ball.ball_diameter_mm,
                    standard_mm: fixture.standard_uncertainty_mm,
                };
                let target = target(ball.at, Direction::Z, &[Axis::X, Axis::Y, Axis::Z], 1.0, 0);
                let name = ball.id.clone();
                holds.all.push(Hold { letter: &fixture.id, name, kind, targets: vec![target] });
            }
        }
        DatumSource::Datums(datums) => {
            for (stage, datum) in datums.iter().enumerate() {
                let new = match &datum.from {
                    DatumFrom::Features { features, association, .. } => {
                        let bound: Option<Vec<&BoundFeature>> =
                            features.iter().map(|f| faces.features.get(*f)).collect();
                        let bound = bound.ok_or_else(wrong)?;
                        let alone = match bound.as_slice() {
                            [one] if *association == Association::LeastSquares => {
                                of_feature(datum, one, stage)
                            }
                            _ => None,
                        };
                        match alone {
                            Some(hold) => vec![hold],
                            None => {
                                let turns = turns_left(system, &holds)?;
                                vec![
                                    pattern::hold(datum, &bound, faces, (*association, stage), &turns)
                                        .ok_or_else(wrong)?,
                                ]
                            }
                        }
                    }
                    DatumFrom::Targets(pads) => {
                        let hold = |pad: &'a DatumTarget| Hold {
                            letter: &datum.letter,
                            name: pad.id.clone(),
                            kind: HoldKind::Pad(pad),
                            targets: of_pad(pad, stage),
                        };
                        pads.iter().map(hold).collect()
                    }
                };
                holds.all.extend(new);
                if !datum.locks.is_empty() {
                    holds.only.push(Only { stage, locks: datum.locks.clone() });
                }
                if let DatumFrom::Features { features, condition, boundary_mm: Some(boundary_mm), .. } =
                    &datum.from
                    && *condition != Condition::Regardless
                {
                    holds.loose.push(Loosened {
                        stage,
                        features: features.clone(),
                        boundary_mm: *boundary_mm,
                        condition: *condition,
                    });
                }
            }
        }
    }
    Ok(holds)
}

/// The directions about which the datums so far leave the part free to turn: an orthonormal basis. Later datums are
/// associated with what is locked of their turns held (ISO 5459:2011, 6; from memory).
fn turns_left(system: &DatumSystem, holds: &Holds) -> Result<Vec<Vector>, DatumError> {
    let nominal = holds.targets();
    if nominal.is_empty() {
        return Ok(vec![Vector::x(), Vector::y(), Vector::z()]);
    }
    let at: Vec<TargetMeasured> =
        nominal.iter().map(|t| TargetMeasured { point: t.nominal, normal: None, standard_mm: 0.0 }).collect();
    let found = solve_leaving(&nominal, &at, &holds.only, Motion::identity())
        .map_err(|cause| DatumError::Targets { id: system.id.clone(), cause: named(&cause, &holds.all) })?;
    let most = found.free.iter().map(|t| t.turn.norm()).fold(0.0, f64::max);
    let mut basis: Vec<Vector> = Vec::new();
    for twist in &found.free {
        let mut rest = twist.turn;
        for _ in 0..2 {
            rest = basis.iter().fold(rest, |r, b| r - b * b.dot(&r));
        }
        // A turn of a motion that is all shift is rounding.
        if rest.norm() > 1e-6 * most && most > 0.0 && twist.turn.norm() > 1e-9 {
            basis.push(rest.normalize());
        }
    }
    Ok(basis)
}

pub(super) fn target(
    nominal: Point,
    direction: Direction,
    locks: &[Axis],
    weight: f64,
    stage: usize,
) -> Target {
    Target { nominal, direction, weight, locks: locks.to_vec(), stage }
}

/// A pad at its place; a line at both of its ends.
fn of_pad(pad: &DatumTarget, stage: usize) -> Vec<Target> {
    let one = |at: Point| target(at, pad.direction, &pad.locks, pad.weight, stage);
    std::iter::once(pad.at).chain(pad.line_to).map(one).collect()
}

fn of_feature<'a>(datum: &'a Datum, bound: &'a BoundFeature, stage: usize) -> Option<Hold<'a>> {
    let targets = of_situation(bound, stage)?;
    let kind = match bound.situation {
        Situation::Plane { normal, .. } => HoldKind::Plane { bound, normal },
        Situation::Hole { axis, .. } => HoldKind::Hole { bound, axis },
        Situation::Slot { at, axis, along, .. } => HoldKind::Slot { bound, at, axis, along },
        _ => return None,
    };
    Some(Hold { letter: &datum.letter, name: bound.id.clone(), kind, targets })
}

/// The targets of a plane, a hole, a slot.
pub(super) fn of_situation(bound: &BoundFeature, stage: usize) -> Option<Vec<Target>> {
    match bound.situation {
        Situation::Plane { at, normal } => {
            // On the plane, under the middle of the face.
            let foot = bound.centroid - normal.vector() * (bound.centroid - at).dot(&normal.vector());
            let places = places(foot, normal, span_mm(bound));
            Some(places.into_iter().map(|p| target(p, normal, &[], 1.0, stage)).collect())
        }
        Situation::Hole { at, axis, .. } => across(at, axis, stage),
        Situation::Slot { at, axis, along, .. } => {
            let across = Direction::new(axis.vector().cross(&along.vector()))?;
            Some(vec![target(at, across, &[], 1.0, stage)])
        }
        _ => None,
    }
}

/// A place of an axis, held across it.
pub(super) fn across(at: Point, axis: Direction, stage: usize) -> Option<Vec<Target>> {
    let (u, v) = axis.frame();
    let both = [Direction::new(u)?, Direction::new(v)?];
    Some(both.map(|d| target(at, d, &[], 1.0, stage)).into())
}

/// Half the width of a face about, mm; 100 for a plane by its numbers, which changes nothing but how tilts are
/// weighed against shifts in words.
pub(super) fn span_mm(bound: &BoundFeature) -> f64 {
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
