//! A characteristic by points that an arm, a measuring machine or a hand took of its feature.
//!
//! Points are few and chosen, so nothing is filtered and no extreme is corrected: the instrument's own uncertainty
//! and the alignment are what counts, and whether so few stand for a whole surface the plan must say. What a fit
//! leaves over beyond the stated uncertainty joins the budget as sampling: the uncertainty is scaled by Birge's ratio
//! where that is above 1, never below (Birge, Physical Review 40, 1932, p. 207, from memory). A point that lies where
//! its name says it cannot is not measured. Profile, flatness, and size and position of a hole are short rules of their own here;
//! all else goes by the rules of [`crate::tolerance`] (`rule.rs`).

use crate::associate::{minimum_zone_plane, plane};
use crate::conformity::{Known, Question, Unit, decide, decide_on, tell_known};
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, Twist, Vector};
use crate::nominal::Nominal;
use crate::plan::{
    Association, BoundFeature, Characteristic, Condition, Decision, FaceMap, FeatureKind, Plan, Requirement,
    Situation, SizeOperator, Zone,
};
use crate::points::{Role, TakenPoint};
use crate::record::{Evaluation, Interval, Limits, Verdict};
use crate::uncertainty::{Budget, Effect, Source, of_motion};

use super::by_reading::UNKNOWN;
use super::effects::shared;
use super::{Outcome, place, settle};

mod deviation;
mod envelope;
mod round;
mod rule;
mod simultaneous;
mod surfaces;

pub use rule::features as point_features;
pub use simultaneous::features_of_others;

/// How points lie on the part.
#[derive(Clone, Debug, PartialEq)]
pub struct PointPose {
    /// Takes the points to part coordinates.
    pub part_from_points: Motion<PartFrame, ScanFrame>,
    /// Covariance of (turn about x, y, z through `centre`, rad; shift along x, y, z, mm); zero where the
    /// instrument's own alignment is taken on trust, `None` where it is not known.
    pub covariance: Option<[[f64; 6]; 6]>,
    /// Point about which it turns, mm.
    pub centre: Point,
    /// Motions about it that no datum locks; along them the points lie as they were first laid on the part.
    pub free: Vec<Twist>,
}

/// The points of a characteristic's features, and what is needed to judge them.
pub struct PointEvidence<'a> {
    /// The points of the feature, of others that the characteristic looks at ([`point_features`]) and of those that one movement
    /// must serve with it ([`features_of_others`]), in the axes of their file.
    pub points: Vec<&'a TakenPoint>,
    /// How they lie on the part; `Err` says why that is not known.
    pub pose: Result<PointPose, String>,
    /// The nominal, where the plan has one.
    pub nominal: Option<&'a Nominal>,
    /// Where the features of the plan are.
    pub faces: &'a FaceMap,
    /// For each input that displaces all points: the input, and the points as they then would be, there and back, with how they
    /// then would lie on the part.
    pub displaced: Vec<(&'a Effect, [DisplacedPoints; 2])>,
}

/// Points as an input would displace them by one standard uncertainty.
pub struct DisplacedPoints {
    /// The points, in the axes of their file.
    pub points: Vec<TakenPoint>,
    /// How they lie on the part; `Err` says why that is not known.
    pub pose: Result<PointPose, String>,
}

/// What inputs that displace all points do to a value.
#[derive(Default)]
struct Displaced {
    /// Lines of the budget.
    lines: Vec<(Source, f64)>,
    /// How far each moves the place of the feature, mm.
    off: Vec<Vector>,
}

/// One point in part coordinates.
#[derive(Clone)]
struct Placed {
    name: String,
    point: Point,
    role: Role,
    normal: Option<Direction>,
    diameter_mm: Option<f64>,
    standard_mm: Option<f64>,
}

/// Decides by points that were checked against the plan.
pub(super) fn evaluate(
    plan: &Plan,
    characteristic: &Characteristic,
    bound: &BoundFeature,
    evidence: &PointEvidence,
    evaluation: &mut Evaluation,
) {
    let find = |points: &[&TakenPoint], pose: &Result<PointPose, String>, displaced: Displaced| {
        let mut found = evaluation.clone();
        let asked = Wanted { plan, characteristic, bound, faces: evidence.faces };
        by(&asked, (points, pose), evidence.nominal, displaced, &mut found);
        found
    };
    let told = |e: &Evaluation| (e.value_mm, e.components);
    let still = told(&find(&evidence.points, &evidence.pose, Displaced::default()));
    let mut displaced = Displaced::default();
    let mut changes = Vec::with_capacity(evidence.displaced.len());
    for (_, ways) in &evidence.displaced {
        let (mut square, mut first) = (0.0f64, None);
        for way in ways {
            let points: Vec<&TakenPoint> = way.points.iter().collect();
            let there = told(&find(&points, &way.pose, Displaced::default()));
            let (by, off) = match (still, there) {
                ((Some(a), Some(p)), (Some(b), Some(q))) => {
                    let off = Vector::new(q.dx_mm - p.dx_mm, q.dy_mm - p.dy_mm, q.dz_mm - p.dz_mm);
                    ((b - a).abs(), off)
                }
                ((Some(a), _), (Some(b), _)) => ((b - a).abs(), Vector::zeros()),
                // Without a value there is nothing to be uncertain of.
                ((None, _), _) => (0.0, Vector::zeros()),
                (_, (None, _)) => (f64::INFINITY, Vector::repeat(f64::INFINITY)),
            };
            square += 0.5 * by * by;
            first.get_or_insert(off);
        }
        // What loses the datums one way is not known by the other.
        let lost = !square.is_finite();
        let off = if lost { Vector::repeat(f64::INFINITY) } else { first.unwrap_or_else(Vector::zeros) };
        displaced.off.push(off);
        changes.push(square.sqrt());
    }
    // A place that is displaced sideways changes its distance by less than it moves.
    if matches!(characteristic.requirement, Requirement::Position { .. }) && by_itself(characteristic, bound)
    {
        changes = displaced.off.iter().map(|o| 2.0 * o.norm()).collect();
    }
    let effects: Vec<Effect> = evidence.displaced.iter().map(|d| d.0.clone()).collect();
    displaced.lines = shared(&effects, &changes);
    *evaluation = find(&evidence.points, &evidence.pose, displaced);
    if evaluation.angle.is_some() {
        super::by_rule::as_angle(evaluation);
    }
}

/// What is asked of which feature, by which plan.
struct Wanted<'a> {
    plan: &'a Plan,
    characteristic: &'a Characteristic,
    bound: &'a BoundFeature,
    faces: &'a FaceMap,
}

/// Evaluates the points as they are given.
fn by(
    wanted: &Wanted,
    (given, pose): (&[&TakenPoint], &Result<PointPose, String>),
    nominal: Option<&Nominal>,
    displaced: Displaced,
    evaluation: &mut Evaluation,
) {
    let Wanted { plan, characteristic, bound, faces } = *wanted;
    let anywhere =
        matches!(characteristic.requirement, Requirement::Diameter { .. } | Requirement::Flatness { .. });
    // What is free is used to the best of the tolerance, which the short rules do not.
    let held = pose.as_ref().is_ok_and(|p| p.free.is_empty());
    let by_itself = by_itself(characteristic, bound) && (held || anywhere);
    let wants_place = !(by_itself && anywhere);
    let pose = match pose {
        Ok(pose) => Some(pose),
        Err(reason) if wants_place => {
            evaluation.reason.clone_from(reason);
            return;
        }
        Err(_) => None,
    };
    let all: Vec<Placed> = given
        .iter()
        .map(|p| Placed {
            name: p.name.clone(),
            point: pose.map_or(p.point, |pose| pose.part_from_points.point(&p.point)),
            role: p.role,
            normal: p.normal.map(|n| pose.map_or(n, |pose| pose.part_from_points.direction(n))),
            diameter_mm: p.diameter_mm,
            standard_mm: p.standard_mm,
        })
        .collect();
    let points = all.iter().filter(|p| p.name == bound.id).cloned().collect();
    let rule = &plan.decision;
    let subject = Subject { rule, plan, faces, characteristic, bound, pose, points, all, nominal, displaced };
    let by_itself = by_itself && !subject.shows_envelope();
    let found = match characteristic.requirement {
        _ if !by_itself && rule::served(characteristic, bound) => subject.by_rule(evaluation),
        _ if !by_itself && !held => {
            Err("its datums leave the part free, by which a single place has no deviation; let them hold it"
                .into())
        }
        _ if !by_itself => Err("it is not evaluated by points in this version".into()),
        Requirement::SurfaceProfile { limit_outside_mm, limit_inside_mm, .. } => match bound.situation {
            Situation::Point { at, direction, on, patch_radius_mm } => {
                let reach = patch_radius_mm.map_or(ASIDE_MM, |radius| radius.min(ASIDE_MM));
                subject.check_point(at, direction, on, reach, evaluation)
            }
            _ => subject.surface(limit_outside_mm, limit_inside_mm, evaluation),
        },
        Requirement::Diameter { nominal_mm, upper_deviation_mm, lower_deviation_mm, .. } => {
            evaluation.operators.insert("nominal_mm".into(), format!("{nominal_mm}"));
            subject.diameter(upper_deviation_mm - lower_deviation_mm, evaluation)
        }
        Requirement::Position { zone, .. } => subject.position(zone.size_mm(), evaluation),
        Requirement::Flatness { zone_width_mm, association } => {
            subject.flatness(zone_width_mm, association, evaluation)
        }
        Requirement::Reading { .. } | Requirement::Gauge { .. } => {
            Err("points do not serve it; it needs a reading".into())
        }
        // Not served, which is said above.
        _ => Err("it is not evaluated by points in this version".into()),
    };
    evaluation.measured_by = "points".into();
    if let Err(reason) = found {
        evaluation.verdict = Verdict::NotMeasured;
        evaluation.reason = reason;
    }
}

/// Whether points serve a characteristic of a feature in this version.
pub fn point_serves(characteristic: &Characteristic, bound: &BoundFeature) -> bool {
    by_itself(characteristic, bound) || rule::served(characteristic, bound)
}

/// Whether its requirement has a short rule of its own here: with centres and diameters as the instrument told them, and
/// points that need no place on the part.
fn by_itself(characteristic: &Characteristic, bound: &BoundFeature) -> bool {
    let hole = matches!(bound.situation, Situation::Hole { .. });
    let fits = match characteristic.requirement {
        Requirement::SurfaceProfile { .. } => !matches!(bound.situation, Situation::Group),
        Requirement::Diameter { .. } | Requirement::Position { .. } => hole,
        _ => true,
    };
    fits && !sunk(characteristic, bound) && alone(characteristic)
}

fn alone(characteristic: &Characteristic) -> bool {
    match characteristic.requirement {
        Requirement::Reading { .. } | Requirement::Gauge { .. } | Requirement::Flatness { .. } => true,
        // A zone without datums would have to move with its surface.
        Requirement::SurfaceProfile { offset_zone, orientation_only, .. } => {
            !offset_zone && !orientation_only && characteristic.datum_system.is_some()
        }
        Requirement::Diameter { size, .. } => size == SizeOperator::LeastSquares,
        Requirement::Position {
            zone, condition, projected_length_mm, at_height, orientation_only, ..
        } => {
            matches!(zone, Zone::Round { .. })
                && condition == Condition::Regardless
                && projected_length_mm.is_none()
                && at_height.is_none()
                && !orientation_only
                && characteristic.datum_system.is_some()
        }
        _ => false,
    }
}

/// The diameter of a countersink is where its cone meets the skin, which points of one feature do not show.
fn sunk(characteristic: &Characteristic, bound: &BoundFeature) -> bool {
    bound.kind == FeatureKind::Countersink
        && matches!(characteristic.requirement, Requirement::Diameter { .. })
}

struct Subject<'a> {
    rule: &'a Decision,
    plan: &'a Plan,
    faces: &'a FaceMap,
    characteristic: &'a Characteristic,
    bound: &'a BoundFeature,
    pose: Option<&'a PointPose>,
    /// Those of the feature itself.
    points: Vec<Placed>,
    /// Those of every feature that it looks at.
    all: Vec<Placed>,
    nominal: Option<&'a Nominal>,
    displaced: Displaced,
}

impl Subject<'_> {
    /// Whether its place is that of the mating envelope that its points show.
    fn shows_envelope(&self) -> bool {
        let (Requirement::Position { .. }, Situation::Hole { axis, .. }) =
            (&self.characteristic.requirement, self.bound.situation)
        else {
            return false;
        };
        self.envelope_of(self.bound, Some(axis)).is_enough()
    }

    /// Standard uncertainty of one coordinate: the largest of the points; `None` when one is not known.
    fn standard_mm(&self) -> Option<f64> {
        self.all.iter().try_fold(0.0f64, |worst, p| Some(worst.max(p.standard_mm?)))
    }

    /// Standard uncertainty of the alignment along a direction at a place, mm.
    fn alignment_mm(&self, at: Point, along: Direction) -> Option<f64> {
        match self.pose {
            Some(pose) => Some(of_motion(&pose.covariance?, pose.centre, at, along)),
            None => Some(0.0),
        }
    }

    /// Writes a value with its uncertainty, or what may be said without one.
    fn settle(
        &self,
        value_mm: f64,
        spread: Spread,
        tolerance_mm: f64,
        never_negative: bool,
        missing: Option<String>,
        evaluation: &mut Evaluation,
    ) {
        let (Some(instrument), Some(alignment)) = (spread.instrument_mm, spread.alignment_mm) else {
            self.unknown(value_mm, missing, evaluation);
            return;
        };
        let budget = spread.budget(instrument, alignment).with_all(&self.displaced.lines);
        let u = budget.combined_mm();
        let decided = decide(self.rule, value_mm, u, &evaluation.limits, tolerance_mm, None);
        let least = if never_negative { 0.0 } else { f64::NEG_INFINITY };
        let interval = Interval { low_mm: (value_mm - 1.96 * u).max(least), high_mm: value_mm + 1.96 * u };
        settle(evaluation, Outcome { value_mm, budget, interval, decided, missing, part_proves: true });
    }

    /// Writes a value that is known by another distribution than the normal one.
    fn settle_known(
        &self,
        known: &Known,
        spread: Spread,
        tolerance_mm: f64,
        missing: Option<String>,
        evaluation: &mut Evaluation,
    ) {
        let value_mm = known.value();
        let (Some(instrument), Some(alignment)) = (spread.instrument_mm, spread.alignment_mm) else {
            self.unknown(value_mm, missing, evaluation);
            return;
        };
        let limits = evaluation.limits;
        let question = Question {
            rule: self.rule,
            limits: &limits,
            tolerance: tolerance_mm,
            floor: None,
            unit: Unit::Millimetre,
        };
        let decided = decide_on(&question, known);
        let [low_mm, high_mm] = known.interval();
        let budget = spread.budget(instrument, alignment).with_all(&self.displaced.lines);
        let interval = Interval { low_mm, high_mm };
        settle(evaluation, Outcome { value_mm, budget, interval, decided, missing, part_proves: true });
        tell_known(self.rule, known, evaluation);
    }

    /// Writes a value whose uncertainty is not known.
    fn unknown(&self, value_mm: f64, missing: Option<String>, evaluation: &mut Evaluation) {
        evaluation.value_mm = Some(value_mm);
        let (verdict, reason) = match missing {
            Some(missing) => (Verdict::NotMeasured, missing),
            None => (Verdict::Undecided, UNKNOWN.into()),
        };
        (evaluation.verdict, evaluation.reason) = (verdict, reason);
    }

    fn flatness(
        &self,
        zone_mm: f64,
        reference: Association,
        evaluation: &mut Evaluation,
    ) -> Result<(), String> {
        let points: Vec<Point> = self.points.iter().map(|p| p.point).collect();
        if points.len() < 4 {
            return Err(format!("{} points were taken; a flatness needs at least four", points.len()));
        }
        let value = match reference {
            Association::MinimumZone => minimum_zone_plane(&points).map_err(|e| e.to_string())?.width_mm,
            _ => {
                let fit = plane(&points).map_err(|e| e.to_string())?;
                fit.high.0 - fit.low.0
            }
        };
        self.count(evaluation);
        // Two contacts on either side, each with the instrument's uncertainty.
        let spread = self.standard_mm().map(|s| s * 2f64.sqrt());
        let spread = Spread { instrument_mm: spread, sampling_mm: 0.0, alignment_mm: Some(0.0) };
        self.settle(value, spread, zone_mm, true, self.too_few(), evaluation);
        Ok(())
    }

    fn count(&self, evaluation: &mut Evaluation) {
        let own = rule::features(self.characteristic, self.bound);
        let names: Vec<&str> =
            own.iter().filter_map(|&f| Some(self.faces.features.get(f)?.id.as_str())).collect();
        let taken = self.all.iter().filter(|p| names.contains(&p.name.as_str())).count();
        evaluation.operators.insert("points_taken".into(), taken.to_string());
    }

    /// Whether so few points stand for a whole plane or surface. The same place taken again is no new one.
    fn too_few(&self) -> Option<String> {
        let Some(needed) = self.characteristic.needs.points else {
            return Some(format!(
                "how many points stand for this {} is not said: write `needs = {{ points = ... }}` in the plan",
                self.bound.kind.word()
            ));
        };
        let points: Vec<Point> = self.points.iter().map(|p| p.point).collect();
        let taken = places_up_to(&points, needed);
        (taken < needed).then(|| format!("{taken} places were taken, {needed} are needed"))
    }
}

/// Points further from the nominal than this carry a wrong name, mm.
const REACH_MM: f64 = 20.0;

/// A check point taken further aside of its place than this, across its direction, was taken of another place, mm: an
/// arm guided by hand meets its place within a few millimetres (common practice, no source). A smaller
/// `patch_radius_mm` of the plan counts instead.
const ASIDE_MM: f64 = 5.0;

/// Points less than this apart were taken of one place, mm: repeats by hand differ by some hundredths (common practice,
/// no source).
const SAME_PLACE_MM: f64 = 0.1;

/// The contributions to one value, standard uncertainties in mm; `None` where it is not known.
#[derive(Clone, Copy)]
struct Spread {
    instrument_mm: Option<f64>,
    /// What residuals or a place that was missed add.
    sampling_mm: f64,
    alignment_mm: Option<f64>,
}

impl Spread {
    fn budget(&self, instrument_mm: f64, alignment_mm: f64) -> Budget {
        let budget =
            Budget::new().with(Source::Instrument, instrument_mm).with(Source::Alignment, alignment_mm);
        if self.sampling_mm == 0.0 { budget } else { budget.with(Source::Sampling, self.sampling_mm) }
    }
}

/// How many places `points` are, counted no further than `most`.
fn places_up_to(points: &[Point], most: usize) -> usize {
    let mut apart: Vec<Point> = Vec::new();
    for p in points {
        if apart.len() >= most {
            break;
        }
        if apart.iter().all(|q| (p - q).norm() >= SAME_PLACE_MM) {
            apart.push(*p);
        }
    }
    apart.len()
}

fn tolerance_mm(limits: &Limits) -> f64 {
    limits.upper_mm.unwrap_or(0.0) - limits.lower_mm.unwrap_or(0.0)
}
