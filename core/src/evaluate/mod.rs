//! Values of characteristics, each with its extremes, uncertainty, noise floor and coverage.

mod asked_surfaces;
mod at_height;
mod by_points;
mod by_reading;
mod check_point;
mod by_rule;
mod correction;
mod edge;
mod effects;
mod extract;
mod first_plane;
mod ideal;
mod joint;
mod lean;
mod location;
mod on_skin;
mod patch_form;
mod profile;
mod rehearsal;
mod round_hole;
mod rules;
mod sight;
mod simultaneous;
mod skin_axis;
mod slot;
mod thickness;
mod zone_interval;

use std::collections::BTreeMap;

use crate::conformity::{Decided, decide};
use crate::datum::DatumAlignment;
use crate::filter::FilterError;
use crate::geometry::{Point, Vector};
use crate::nominal::{Exact, Exactness, Nominal};
use crate::partition::{Joined, Partition};
use crate::plan::{
    BoundFeature, Characteristic, Condition, Decision, FaceMap, FeatureKind, Plan, Requirement, ShortForm,
    Situation, SizeOperator, StandardSystem, Zone,
};
use crate::readings::Reading;
use crate::record::{AngleResult, Contribution, Evaluation, Interval, Limits, Verdict};
use crate::run::{Run, Stopped};
use crate::scan::Scan;
use crate::search::SurfaceTree;
use crate::uncertainty::{Budget, Inputs};

pub use by_points::{
    DisplacedPoints, PointEvidence, PointPose, features_of_others, point_features, point_serves,
};
pub use simultaneous::evaluate_together;

/// What every evaluation on a scan looks at.
pub struct Context<'a> {
    /// How to stop.
    pub run: &'a Run<'a>,
    /// The nominal.
    pub nominal: &'a Nominal,
    /// A tree over all of its triangles.
    pub tree: &'a SurfaceTree,
    /// The plan.
    pub plan: &'a Plan,
    /// Where its features are.
    pub faces: &'a FaceMap,
    /// The scan.
    pub scan: &'a Scan,
    /// Standard deviation of the points' noise, mm: what the scan shows, or what is stated where that is more.
    pub noise_mm: f64,
    /// What the scan itself shows of it, mm: less than the instrument has where an export smoothed.
    pub shown_noise_mm: f64,
    /// What else is known of the scan's errors.
    pub inputs: &'a Inputs,
    /// How several scans of the part lie to each other; `None` of one.
    pub joined: Option<&'a Joined>,
    /// Edge of the cells by which a plane is fair to its area, mm.
    pub cell_mm: f64,
}

/// The alignment at which a characteristic is evaluated.
pub enum Aligned<'a> {
    /// On its datum system.
    Datums(&'a DatumAlignment),
    /// Best fit on the surface: for characteristics without datums, whose value does not depend on it.
    BestFit(&'a Partition),
    /// Not at all, and why.
    Failed(String),
}

impl Aligned<'_> {
    fn partition(&self) -> Option<&Partition> {
        match self {
            Aligned::Datums(d) => Some(&d.partition),
            Aligned::BestFit(p) => Some(p),
            Aligned::Failed(_) => None,
        }
    }
}

/// Evaluates one characteristic by a reading.
pub fn by_reading(plan: &Plan, characteristic: &Characteristic, reading: &Reading) -> Evaluation {
    let mut evaluation = blank(plan, characteristic);
    by_reading::evaluate(plan, characteristic, reading, &mut evaluation);
    evaluation
}

/// Evaluates one characteristic by measured points of its feature.
pub fn by_points(
    plan: &Plan,
    characteristic: &Characteristic,
    bound: &BoundFeature,
    evidence: &PointEvidence,
) -> Evaluation {
    let mut evaluation = blank(plan, characteristic);
    if let Some(reason) = own_datum(plan, characteristic) {
        evaluation.measured_by = "points".into();
        evaluation.reason = reason;
        return evaluation;
    }
    by_points::evaluate(plan, characteristic, bound, evidence, &mut evaluation);
    evaluation
}

/// Evaluates one characteristic on a scan. What cannot be measured is answered as such, with the reason.
///
/// # Errors
/// Only a stop by the caller.
pub fn evaluate(
    context: &Context,
    characteristic: &Characteristic,
    aligned: &Aligned,
) -> Result<Evaluation, Stopped> {
    let (subject, mut evaluation) = match ready(context, characteristic, aligned) {
        Ok(ready) => ready,
        Err(evaluation) => return Ok(*evaluation),
    };
    let bound = subject.bound;
    if let Situation::Point { at, direction, on, patch_radius_mm } = bound.situation {
        evaluation.measured_by = String::new();
        check_point::evaluate(&subject, at, direction, on, patch_radius_mm, &mut evaluation)?;
        return Ok(evaluation);
    }
    match characteristic.requirement {
        Requirement::Thickness(ref required) => {
            thickness::evaluate(&subject, required, &mut evaluation)?;
        }
        Requirement::Protrusion { .. } | Requirement::Depth { .. } => {
            on_skin::evaluate(&subject, &mut evaluation)?;
        }
        Requirement::Diameter { .. } if bound.kind == FeatureKind::Countersink => {
            on_skin::evaluate(&subject, &mut evaluation)?;
        }
        Requirement::SurfaceProfile { limit_outside_mm, limit_inside_mm, .. } if held(&subject) => {
            profile::evaluate(&subject, limit_outside_mm, limit_inside_mm, &mut evaluation)?;
        }
        Requirement::Diameter {
            nominal_mm,
            upper_deviation_mm,
            lower_deviation_mm,
            size: SizeOperator::LeastSquares,
        } if short_wall(&subject) => {
            let tolerance = upper_deviation_mm - lower_deviation_mm;
            round_hole::diameter(&subject, nominal_mm, tolerance, &mut evaluation)?;
        }
        Requirement::Position {
            zone: Zone::Round { diameter_mm },
            condition: Condition::Regardless,
            projected_length_mm: None,
            at_height: None,
            ..
        } if held(&subject) && short_wall(&subject) && iso(&subject) => {
            round_hole::position(&subject, diameter_mm, &mut evaluation)?;
        }
        Requirement::Position { condition: Condition::Regardless, projected_length_mm: None, .. }
        | Requirement::Symmetry { .. }
            if held(&subject)
                && short_slot(&subject)
                && iso(&subject)
                && slot::evaluate(&subject, &mut evaluation)? => {}
        _ => match rules::asked(&subject) {
            Ok(asked) => {
                by_rule::evaluate(&subject, asked, &mut evaluation)?;
                if evaluation.angle.is_some() {
                    by_rule::as_angle(&mut evaluation);
                }
            }
            Err(reason) => evaluation.reason = reason,
        },
    }
    Ok(evaluation)
}

/// What the evaluation of a characteristic looks at, and the evaluation to write into; where it cannot be measured that, with the
/// reason.
fn ready<'a>(
    context: &'a Context<'a>,
    characteristic: &'a Characteristic,
    aligned: &'a Aligned<'a>,
) -> Result<(Subject<'a>, Evaluation), Box<Evaluation>> {
    let mut evaluation = blank(context.plan, characteristic);
    if let Requirement::Reading { quantity, .. } = &characteristic.requirement {
        evaluation.reason = format!("no reading of the {quantity} was given");
        return Err(Box::new(evaluation));
    }
    if let Requirement::Gauge { .. } = &characteristic.requirement {
        evaluation.reason = "no gauge was read".into();
        return Err(Box::new(evaluation));
    }
    let Some(partition) = aligned.partition() else {
        if let Aligned::Failed(why) = aligned {
            evaluation.reason.clone_from(why);
        }
        return Err(Box::new(evaluation));
    };
    let Some(bound) = characteristic.feature.and_then(|f| context.faces.features.get(f)) else {
        evaluation.reason = "the feature is not bound to the nominal".into();
        return Err(Box::new(evaluation));
    };
    let datums = match aligned {
        Aligned::Datums(d) => Some(*d),
        _ => None,
    };
    if bound.triangles.is_empty() && !matches!(bound.situation, Situation::Point { .. }) {
        evaluation.reason =
            "its feature is placed by numbers and not picked on the nominal, so it takes measured points"
                .into();
        return Err(Box::new(evaluation));
    }
    if let Some(reason) = own_datum(context.plan, characteristic) {
        evaluation.reason = reason;
        return Err(Box::new(evaluation));
    }
    evaluation.measured_by = "scan".into();
    if let Some(words) = distances(context.nominal, bound) {
        evaluation.operators.insert("distances".into(), words.into());
    }
    Ok((Subject { context, characteristic, bound, partition, datums, tilted: None }, evaluation))
}

/// How distances from the faces of a feature are known, where their file tells their surfaces.
fn distances(nominal: &Nominal, bound: &BoundFeature) -> Option<&'static str> {
    let exact = |t: &u32| {
        let face = *nominal.face_of_triangle().get(*t as usize)?;
        Some(nominal.faces()[face as usize].exact.as_ref().map(Exact::exactness))
    };
    let (mut analytic, mut descent, mut triangles) = (false, false, false);
    for found in bound.triangles.iter().filter_map(exact) {
        match found {
            Some(Exactness::Analytic) => analytic = true,
            Some(Exactness::Freeform) => descent = true,
            None => triangles = true,
        }
    }
    match (analytic, descent, triangles) {
        (true, false, false) => Some("from the file's surfaces, in closed form"),
        (false, true, false) => Some("from the file's surfaces, by descent"),
        (true, true, false) => Some("from the file's surfaces, in closed form or by descent"),
        (true, _, true) | (_, true, true) => Some("from the file's surfaces, in part from triangles"),
        (false, false, _) => None,
    }
}

/// One characteristic and all that its evaluation needs.
#[derive(Clone, Copy)]
struct Subject<'a> {
    context: &'a Context<'a>,
    characteristic: &'a Characteristic,
    bound: &'a BoundFeature,
    partition: &'a Partition,
    datums: Option<&'a DatumAlignment>,
    /// A wall too short to tell its own axis, and by how much its axis is tilted, to see what that does: mm aside for each mm along it.
    tilted: Option<(&'a BoundFeature, Vector)>,
}

/// Whether the datums hold the part and the zone, so that nothing can be moved to the tolerance's best.
fn held(subject: &Subject) -> bool {
    let zone = match subject.characteristic.requirement {
        Requirement::SurfaceProfile { offset_zone, orientation_only, .. } => {
            !offset_zone && !orientation_only
        }
        Requirement::Position { orientation_only, .. } => !orientation_only,
        _ => true,
    };
    let grouped = matches!(subject.bound.situation, Situation::Group);
    zone && !grouped && subject.datums.is_some_and(|d| d.free.is_empty() && d.loose.is_empty())
}

/// Whether ISO's rules apply: ASME's take the axis of the mating envelope.
fn iso(subject: &Subject) -> bool {
    subject.characteristic.standard.system == StandardSystem::Iso
}

/// Whether it is a hole or cylinder whose wall is too short to tell its own axis.
fn short_wall(subject: &Subject) -> bool {
    let round = matches!(subject.bound.situation, Situation::Hole { .. } | Situation::Cylinder { .. });
    round && rules::is_short(subject.context.nominal, subject.bound)
}

/// Whether it is a slot whose wall is too short to tell its own axis.
fn short_slot(subject: &Subject) -> bool {
    matches!(subject.bound.situation, Situation::Slot { .. })
        && rules::is_short(subject.context.nominal, subject.bound)
}

/// The evaluation of a characteristic of which nothing is known yet.
pub fn blank(plan: &Plan, characteristic: &Characteristic) -> Evaluation {
    let (lower_mm, upper_mm) = characteristic.requirement.limits_mm();
    let limits = Limits { lower_mm, upper_mm };
    let standard = &characteristic.standard.edition;
    let mut operators = BTreeMap::from([("standard".to_string(), standard.clone())]);
    if let Requirement::SurfaceProfile { drawn: Some(drawn), .. } = &characteristic.requirement {
        operators.insert("drawn".into(), drawn.clone());
    }
    if let Some(limits) = characteristic.limits_from() {
        operators.insert("limits".into(), limits);
    }
    let angle = match characteristic.requirement {
        Requirement::Angle { nominal_rad, upper_deviation_rad, lower_deviation_rad, .. } => {
            Some(AngleResult {
                value_deg: None,
                lower_limit_deg: (nominal_rad + lower_deviation_rad).to_degrees(),
                upper_limit_deg: (nominal_rad + upper_deviation_rad).to_degrees(),
                standard_uncertainty_deg: None,
                interval_deg: Vec::new(),
                budget: Vec::new(),
                noise_floor_deg: None,
            })
        }
        _ => None,
    };
    Evaluation {
        number: characteristic.number.clone(),
        requirement: characteristic.requirement.word().into(),
        feature: characteristic.feature.map(|f| plan.features[f].id.clone()).unwrap_or_default(),
        datum_system: characteristic.datum_system.map(|d| plan.datum_systems[d].id.clone()),
        required: characteristic.required,
        class: characteristic.class.clone(),
        limits,
        value_mm: None,
        minimum: None,
        maximum: None,
        components: None,
        interval: None,
        standard_uncertainty_mm: None,
        budget: Vec::new(),
        noise_floor_mm: None,
        coverage: None,
        operators,
        verdict: Verdict::NotMeasured,
        reason: "not measured".into(),
        measured_by: String::new(),
        reading: None,
        angle,
        instances: Vec::new(),
        conformity: None,
        correlated_groups: Vec::new(),
        thickness: None,
        edge: None,
    }
}

/// Says of an exceeded general tolerance what the standard says: it does not reject by itself (ISO 2768-1:1989, clause 6,
/// from memory: unless otherwise stated, only where the function of the part is impaired).
pub fn tell_general(characteristic: &Characteristic, evaluation: &mut Evaluation) {
    let general = matches!(characteristic.short_form, Some(ShortForm::General(_)));
    if general && evaluation.verdict == Verdict::DoesNotConform {
        evaluation.reason.push_str(
            "; it is a general tolerance, which rejects the part only where its function is impaired (ISO 2768-1:1989, \
             clause 6): that is for those to say who answer for its function",
        );
    }
}

/// Why a place is no measurement, whatever it is taken by: what is placed on its own datum is in place by construction,
/// which proves nothing. `None` for everything else. Of a group or a width its members count.
fn own_datum(plan: &Plan, characteristic: &Characteristic) -> Option<String> {
    let placed = matches!(
        characteristic.requirement,
        Requirement::Position { .. }
            | Requirement::Coaxiality { .. }
            | Requirement::Symmetry { .. }
            | Requirement::Orientation { .. }
            | Requirement::Runout { .. }
    );
    let system = characteristic.datum_system.and_then(|d| plan.datum_systems.get(d)).filter(|_| placed)?;
    let feature = characteristic.feature?;
    let members = match plan.features.get(feature).map(|f| &f.place) {
        Some(crate::plan::Place::Of(members)) => members.as_slice(),
        _ => &[],
    };
    let own = system.features().any(|f| f == feature || members.contains(&f));
    let what = plan.features.get(feature).map_or("feature", |f| f.kind.word());
    own.then(|| format!("the {what} is a datum of this datum system, so its place in it is no measurement"))
}

/// What an evaluation came to.
struct Outcome {
    value_mm: f64,
    budget: Budget,
    interval: Interval,
    decided: Decided,
    /// What is missing of the feature, if anything.
    missing: Option<String>,
    /// Whether a part of the feature can prove that the whole does not conform: an extreme can, a fit cannot.
    part_proves: bool,
}

/// Writes an outcome into the evaluation. When too little of the feature was seen, what was seen can still
/// prove that it does not conform (if a part of it can), never that it does.
fn settle(evaluation: &mut Evaluation, outcome: Outcome) {
    let u = outcome.budget.combined_mm();
    if !(u.is_finite() && outcome.value_mm.is_finite()) {
        evaluation.verdict = Verdict::NotMeasured;
        evaluation.reason = "its uncertainty could not be found: too few points about the extreme".into();
        return;
    }
    evaluation.standard_uncertainty_mm = Some(u);
    evaluation.budget = outcome
        .budget
        .lines()
        .iter()
        .map(|(source, u)| Contribution { source: source.word().into(), standard_uncertainty_mm: *u })
        .collect();
    match outcome.missing {
        Some(reason) if !(outcome.part_proves && outcome.decided.verdict == Verdict::DoesNotConform) => {
            evaluation.verdict = Verdict::NotMeasured;
            evaluation.reason = reason;
        }
        other => {
            evaluation.value_mm = Some(outcome.value_mm);
            evaluation.interval = Some(outcome.interval);
            evaluation.verdict = outcome.decided.verdict;
            evaluation.reason = match other {
                Some(missing) => format!("{}; and {missing}", outcome.decided.reason),
                None => outcome.decided.reason,
            };
        }
    }
}

/// Decides about an extreme whose bias from noise is known only between two bounds: at least what noise
/// adds to the measured field, at most what it adds to a perfect one. Conformity is judged with the smaller
/// correction, nonconformity with the larger.
fn decide_between(
    rule: &Decision,
    [least_corrected_mm, most_corrected_mm]: [f64; 2],
    standard_mm: f64,
    limits: &Limits,
    tolerance_mm: f64,
    floor_mm: Option<f64>,
) -> Decided {
    let decided = decide(rule, least_corrected_mm, standard_mm, limits, tolerance_mm, floor_mm);
    if decided.verdict != Verdict::DoesNotConform {
        return decided;
    }
    let lenient = decide(rule, most_corrected_mm, standard_mm, limits, tolerance_mm, floor_mm);
    if lenient.verdict == Verdict::DoesNotConform {
        return decided;
    }
    let reason =
        "outside the limits, but noise alone may make the difference: measure with less noise or more points";
    Decided { verdict: Verdict::Undecided, reason: reason.into() }
}

fn filter_words(nesting_index_mm: f64) -> String {
    format!("Gaussian, nesting index {nesting_index_mm} mm, first-order regression at edges")
}

fn sparse(error: FilterError) -> Result<String, Stopped> {
    match error {
        FilterError::Stopped(stopped) => Err(stopped),
        other @ FilterError::TooSparse { .. } => Ok(other.to_string()),
    }
}

fn place(p: &Point) -> [f64; 3] {
    [p.x, p.y, p.z]
}
