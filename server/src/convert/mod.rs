//! The only place where the contract meets core.

pub mod bridge;
pub mod evaluation;
pub mod plan;

#[cfg(test)]
mod drift;
