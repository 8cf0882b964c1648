//! The inspection plan: what a file says, and the checked plan made from it.
//!
//! ```text
//! text -> tree -> PlanFile -> Plan -> FaceMap (with the nominal)
//! ```
//!
//! [`check_toml`] and [`check_json`] go from text to [`Plan`] and report every fault at once: keys and
//! types that the schema does not know together with what is wrong in meaning. A value that could not be
//! read is not judged further, so each mistake is reported once.

mod bind;
mod check;
mod datums;
mod domain;
mod edge;
mod faces;
mod fault;
pub mod file;
mod hole;
pub mod iso2768;
pub mod iso2768_2;
pub mod iso286;
mod lie;
mod nearest;
mod neighbour;
mod on_skin;
mod place;
mod reader;
mod rebind;
mod required;
mod round_face;
mod requirement;
mod short_form;
mod simultaneous;
mod size;
mod slot;
mod sound;
mod thickness;
mod tolerance;
mod tree;

pub use bind::{Binding, BoundFeature, FaceMap, bind, bind_each};
pub use check::MOST_NEIGHBOURS;
pub use domain::{
    Association, Axis, BestFit, BestFitCriterion, Characteristic, Condition, Datum, DatumFrom, DatumSource,
    DatumSystem, DatumTarget, Decision, EdgeAt, EdgeBorder, EdgePlace, Feature, FeatureKind, Filter, Fixture,
    FixtureTarget, Lock, Material, Needs, Neighbour, OrientationKind, Place, Plan, PointOn, RunoutDirection,
    Simultaneous, SinkPlace, Situation, SizeOperator, Standard, StandardSystem, StraightnessOf, Zone,
};
pub use edge::BoundEdge;
pub use fault::Fault;
pub use file::PlanFile;
pub use neighbour::{BoundNeighbour, NeighbourNominal};
pub use on_skin::AboveSkin;
pub use rebind::{FeatureChange, Lies, NEIGHBOUR, changes};
pub use required::{AtHeight, LineSection, Requirement};
pub use short_form::ShortForm;
pub use simultaneous::{Simultaneously, simultaneously};
pub use sound::SoundFeatures;
pub use thickness::{
    Thickness, ThicknessDefinition, ThicknessNominal, ThicknessTarget, ThicknessZone, ZoneArea, ply_mm,
};

use fault::Faults;
use tree::Tree;

/// Reads and checks a plan in TOML.
///
/// # Errors
/// Every fault of the plan, each with its place and what to write instead; or the one fault of syntax with
/// its line and column.
pub fn check_toml(text: &str) -> Result<(PlanFile, Plan), Vec<Fault>> {
    check_tree(&Tree::from_toml(text).map_err(|fault| vec![fault])?)
}

/// Reads and checks a plan in JSON.
///
/// # Errors
/// As [`check_toml`].
pub fn check_json(text: &str) -> Result<(PlanFile, Plan), Vec<Fault>> {
    check_tree(&Tree::from_json(text).map_err(|fault| vec![fault])?)
}

/// Reads and checks a plan that is a JSON value already.
///
/// # Errors
/// As [`check_toml`].
pub fn check_value(value: serde_json::Value) -> Result<(PlanFile, Plan), Vec<Fault>> {
    let tree = serde_json::from_value(value)
        .map_err(|e| vec![Fault { place: String::new(), problem: format!("this is no plan: {e}") }])?;
    check_tree(&tree)
}

fn check_tree(tree: &Tree) -> Result<(PlanFile, Plan), Vec<Fault>> {
    let faults = Faults::default();
    let Some(file) = reader::read::<PlanFile>(tree, &faults) else { return Err(faults.into_vec()) };
    match check::check(&file, &faults) {
        Some(plan) if faults.is_empty() => Ok((file, plan)),
        _ => Err(check::named(&file, faults.into_vec())),
    }
}

fn read_tree(tree: &Tree) -> Result<PlanFile, Fault> {
    let faults = Faults::default();
    let file = reader::read(tree, &faults);
    match (file, faults.into_vec().into_iter().next()) {
        (_, Some(fault)) => Err(fault),
        (Some(file), None) => Ok(file),
        (None, None) => Err(Fault { place: String::new(), problem: "this is no plan".to_owned() }),
    }
}

impl PlanFile {
    /// Reads a plan's form only; [`check_toml`] reads and checks.
    ///
    /// # Errors
    /// The first fault of syntax or form.
    pub fn from_toml(text: &str) -> Result<Self, Fault> {
        read_tree(&Tree::from_toml(text)?)
    }

    /// Reads a plan's form only; [`check_json`] reads and checks.
    ///
    /// # Errors
    /// The first fault of syntax or form.
    pub fn from_json(text: &str) -> Result<Self, Fault> {
        read_tree(&Tree::from_json(text)?)
    }

    /// Checks what the file says and resolves its references.
    ///
    /// # Errors
    /// Every fault, each with its place and what to write instead.
    pub fn check(&self) -> Result<Plan, Vec<Fault>> {
        let faults = Faults::default();
        match check::check(self, &faults) {
            Some(plan) if faults.is_empty() => Ok(plan),
            _ => Err(check::named(self, faults.into_vec())),
        }
    }
}

#[cfg(test)]
mod bind_tests;
#[cfg(test)]
mod neighbour_tests;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod tolerance_tests;
