//! The only place where messages meet the store's and core's own words.

pub(crate) mod acquisition;
pub(crate) mod association;
pub mod bridge;
pub(crate) mod conditions;
pub(crate) mod enums;
pub mod evaluation;
pub(crate) mod fields;
pub(crate) mod inspection;
pub(crate) mod instrument;
pub(crate) mod measurement;
pub(crate) mod name;
pub(crate) mod page;
pub(crate) mod part;
pub mod plan;
pub(crate) mod self_check;
pub(crate) mod simulation;
pub(crate) mod source;
pub(crate) mod status;
pub(crate) mod time;

#[cfg(test)]
mod drift;
