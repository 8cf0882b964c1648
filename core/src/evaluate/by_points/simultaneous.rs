//! Requirements by points that one movement of the part must serve together ([`crate::tolerance::Together`]).
//!
//! Each is told where the common movement has the part, with the points of all of them: their errors, and those of the alignment,
//! are drawn for all at once. Where one of them was not measured by the same points none of the others is proven to conform by
//! them, though it may be proven not to: one more requirement makes the worst no better.

use crate::plan::{BoundFeature, Characteristic, FaceMap, Plan, Requirement, Simultaneously, simultaneously};
use crate::run::quiet;
use crate::tolerance::{Found, RuleError, Surface, Together, TogetherMember};

use super::rule;
use super::{Displaced, Subject};

/// The set that a characteristic is of, at one common movement.
pub(super) struct Joint {
    together: Together,
    /// Its own place among the members.
    own: usize,
    /// The surfaces of all.
    pub(super) surfaces: Vec<Surface>,
    /// By how much the points of the one that scatters most scatter beyond their uncertainty, times that: the movement rests on all.
    pub(super) over: f64,
    /// What form between few places leaves open where envelopes place them, mm.
    pub(super) form_mm: f64,
    /// What another member lacks.
    pub(super) missing: Option<String>,
    /// Which requirements, and why they are one set.
    pub(super) words: String,
}

impl Joint {
    /// What its own requirement comes to.
    pub(super) fn measure(&self, surfaces: &[Surface]) -> Result<Found, RuleError> {
        let mut all = self.together.each(&quiet(), surfaces)?;
        if self.own >= all.len() {
            return Err(RuleError::Missing("the requirement is not among those that it is tied to".into()));
        }
        Ok(all.swap_remove(self.own))
    }
}

/// Features whose points are looked at beside its own, since one movement must serve their requirements too.
pub fn features_of_others(plan: &Plan, faces: &FaceMap, characteristic: &Characteristic) -> Vec<usize> {
    let Some((own, set)) = set_of(plan, characteristic) else { return Vec::new() };
    let mut all = Vec::new();
    for &m in set.members.iter().filter(|&&m| m != own) {
        let other = &plan.characteristics[m];
        if let Some(bound) = other.feature.and_then(|f| faces.features.get(f)) {
            all.extend(rule::features(other, bound));
        }
    }
    all
}

/// Its index in the plan, and the set that it is of.
fn set_of(plan: &Plan, characteristic: &Characteristic) -> Option<(usize, Simultaneously)> {
    let own = plan.characteristics.iter().position(|c| c.number == characteristic.number)?;
    let set = simultaneously(plan).into_iter().find(|s| s.members.contains(&own))?;
    Some((own, set))
}

/// Whether the datums only orient it.
fn only_oriented(characteristic: &Characteristic) -> bool {
    matches!(
        characteristic.requirement,
        Requirement::Position { orientation_only: true, .. }
            | Requirement::SurfaceProfile { orientation_only: true, .. }
            | Requirement::LineProfile { orientation_only: true, .. }
    )
}

impl Subject<'_> {
    /// The set that it is of, where there is a movement to share; `Err` says why that cannot be told.
    pub(super) fn joint(&self) -> Result<Option<Joint>, String> {
        let Some((own, set)) = set_of(self.plan, self.characteristic) else { return Ok(None) };
        let leeway = self.leeway(only_oriented(self.characteristic));
        if leeway.is_none() {
            return Ok(None);
        }
        let mut joint = Joint {
            together: Together { members: Vec::new(), leeway },
            own: 0,
            surfaces: Vec::new(),
            over: 0.0,
            form_mm: 0.0,
            missing: None,
            words: String::new(),
        };
        let mut numbers = Vec::with_capacity(set.members.len());
        for &m in &set.members {
            let other = &self.plan.characteristics[m];
            let because = |why: &str| {
                format!(
                    "one movement must serve it together with {} ({}), which was not measured: {why}",
                    other.number, set.rule
                )
            };
            let bound = other.feature.and_then(|f| self.faces.features.get(f));
            let bound = bound.ok_or_else(|| because("its feature is not bound to the nominal"))?;
            if !rule::served(other, bound) {
                return Err(because("points do not serve it"));
            }
            let subject = self.of_other(other, bound);
            let wanted = subject.wanted().map_err(|e| because(&e))?;
            let seen = subject.seen(&wanted).map_err(|e| because(&e))?;
            if m == own {
                joint.own = joint.together.members.len();
            } else if joint.missing.is_none() {
                joint.missing = seen.missing.as_deref().map(because);
            }
            joint.over = joint.over.max(seen.over);
            joint.form_mm = joint.form_mm.max(seen.form_mm);
            let first = joint.surfaces.len();
            joint.surfaces.extend(seen.surfaces);
            joint
                .together
                .members
                .push(TogetherMember { rule: wanted.rule, surfaces: first..joint.surfaces.len() });
            numbers.push(other.number.as_str());
        }
        joint.words = format!("{} ({})", numbers.join(", "), set.rule);
        Ok(Some(joint))
    }

    /// Another characteristic at the same points.
    fn of_other<'b>(&'b self, characteristic: &'b Characteristic, bound: &'b BoundFeature) -> Subject<'b> {
        Subject {
            rule: self.rule,
            plan: self.plan,
            faces: self.faces,
            characteristic,
            bound,
            pose: self.pose,
            points: self.all.iter().filter(|p| p.name == bound.id).cloned().collect(),
            all: self.all.clone(),
            nominal: self.nominal,
            displaced: Displaced::default(),
        }
    }
}
