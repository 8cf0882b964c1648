//! One file per command.

pub(crate) mod about;
mod artefact;
pub(crate) mod blob;
pub(crate) mod calls;
#[cfg(feature = "embedded")]
pub(crate) mod demo;
mod export;
#[cfg(feature = "embedded")]
mod face_sources;
#[cfg(feature = "embedded")]
pub(crate) mod faces;
mod instances;
pub(crate) mod instrument;
pub(crate) mod measure;
#[cfg(feature = "embedded")]
mod nominal;
mod neighbours;
pub(crate) mod part;
pub(crate) mod plan;
pub(crate) mod record;
#[cfg(feature = "embedded")]
pub(crate) mod scan;
#[cfg(feature = "embedded")]
pub(crate) mod serve;
mod sources;

use std::sync::{Arc, Mutex};

use scantling_proto::v1::Inspection;
use tonic::transport::Channel;

use crate::names::id;
use crate::output::Output;
use crate::progress::Progress;

/// What a command has at hand.
pub(crate) struct Context {
    pub(crate) channel: Channel,
    /// The service ends with this process.
    pub(crate) own_service: bool,
    pub(crate) output: Output,
    pub(crate) progress: Progress,
    /// Ids of what was accepted, for who interrupts.
    pub(crate) open: Arc<Mutex<Vec<String>>>,
}

impl Context {
    /// Keeps in mind that an inspection is not lost whatever happens to this process.
    pub(crate) fn accepted(&self, inspection: &Inspection) {
        // Nobody panics while holding it; and then there would be nothing to say.
        if let Ok(mut open) = self.open.lock() {
            open.push(id(&inspection.name).to_owned());
        }
    }
}

#[cfg(test)]
mod plant_tests;
