//! Evaluations and advice of core's record as messages.

use super::bridge::{self, BridgeError};
use scantling_core::record::{Advice, Evaluation};
use scantling_proto::v1;

/// The message of an evaluation.
///
/// # Errors
/// [`BridgeError`] when contract and core have drifted apart, which a test refuses, or when a count is
/// beyond the contract's 64-bit integers.
pub fn to_message(evaluation: &Evaluation) -> Result<v1::Evaluation, BridgeError> {
    let value = serde_json::to_value(evaluation)
        .map_err(|source| BridgeError::Form { name: "scantling.v1.Evaluation", source })?;
    bridge::to_message(value)
}

/// The messages of advice.
///
/// # Errors
/// As [`to_message`].
pub fn advice(all: &[Advice]) -> Result<Vec<v1::Advice>, BridgeError> {
    let one = |advice: &Advice| {
        let value = serde_json::to_value(advice)
            .map_err(|source| BridgeError::Form { name: "scantling.v1.Advice", source })?;
        bridge::to_message(value)
    };
    all.iter().map(one).collect()
}
