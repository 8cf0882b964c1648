//! What of a plan with faults can be held against its nominal all the same, so that one who mends it is told of every
//! fault at once.

use super::bind::pick_fault;
use super::check::Names;
use super::domain::Feature;
use super::fault::{Fault, Faults, MOST_FAULTS};
use super::file::{PlanFile, SideOfMaterial};
use super::place::feature;
use super::reader;
use super::tree::Tree;
use crate::nominal::{Nominal, Side};
use crate::run::{Run, Stopped};

/// The features of a plan whose own lines have no fault, whatever the rest of it has.
#[derive(Clone, Debug, PartialEq)]
pub struct SoundFeatures {
    /// Each with its index in the plan.
    features: Vec<(usize, Feature)>,
    /// On which side of the nominal the material is.
    pub side: Option<Side>,
    /// The part that is meant of a nominal's file that holds several.
    pub nominal_part: Option<String>,
}

impl SoundFeatures {
    /// Of a plan in TOML; `None` where it has no form at all.
    pub fn of_toml(text: &str) -> Option<Self> {
        Self::of(&Tree::from_toml(text).ok()?)
    }

    /// Of a plan in JSON; `None` where it has no form at all.
    pub fn of_json(text: &str) -> Option<Self> {
        Self::of(&Tree::from_json(text).ok()?)
    }

    /// Of a plan that is a JSON value already; `None` where it has no form at all.
    pub fn of_value(value: serde_json::Value) -> Option<Self> {
        Self::of(&serde_json::from_value(value).ok()?)
    }

    fn of(tree: &Tree) -> Option<Self> {
        let faults = Faults::default();
        let file = reader::read::<PlanFile>(tree, &faults)?;
        let names = Names::of(&faults, &file);
        let features: Vec<_> = (0..file.feature.len()).map(|i| feature(&faults, &names, &file, i)).collect();
        let side = file.nominal.as_ref().and_then(|n| n.side_of_material).map(|side| match side {
            SideOfMaterial::BehindNormal => Side::BehindNormal,
            SideOfMaterial::InFrontOfNormal => Side::InFrontOfNormal,
        });
        let nominal_part = file.nominal.as_ref().and_then(|n| n.part.clone());
        let faults = faults.into_vec();
        let sound = |i: usize| {
            let place = format!("feature[{i}]");
            !faults.iter().any(|f| f.place == "feature" || f.place.starts_with(&place))
        };
        let features = features.into_iter().enumerate().filter(|(i, _)| sound(*i));
        Some(Self { features: features.filter_map(|(i, f)| Some((i, f?))).collect(), side, nominal_part })
    }

    /// Adds a fault for every pick that is near nothing of its kind on the nominal, or could mean two things; no more
    /// than any plan is told of.
    ///
    /// # Errors
    /// A stop by the caller.
    pub fn add_faults_on(
        &self,
        nominal: &Nominal,
        run: &Run,
        faults: &mut Vec<Fault>,
    ) -> Result<(), Stopped> {
        for (i, feature) in &self.features {
            run.check()?;
            if faults.len() >= MOST_FAULTS {
                break;
            }
            faults.extend(pick_fault(*i, feature, nominal));
        }
        Ok(())
    }
}
