//! Simulations: message or TOML in, the checked simulation out; and the truth about one.

use scantling_core::simulate::file::{DeviationFile, HandFile};
use scantling_core::simulate::{Fault, Simulated, Simulation, SimulationFile};
use scantling_proto::v1::{self, simulate_scan_request::Simulation as Sent};
use serde_json::json;

use super::bridge;
use super::status::{ErrorReason, Problem};

/// Checks what is to be simulated: every fault at once.
pub(crate) fn check(sent: Option<&Sent>) -> Result<Simulation, Problem> {
    let refused = |faults: Vec<Fault>| {
        let fields = faults.into_iter().map(|f| {
            let place = if f.place.is_empty() { "simulation".to_owned() } else { f.place };
            (place, f.problem)
        });
        Problem::fields(ErrorReason::SimulationRefused, fields.collect())
    };
    let file = match sent {
        None => return Err(Problem::field("simulation", "must be sent: as `message` or as `toml`")),
        Some(Sent::Toml(text)) => SimulationFile::from_toml(text).map_err(|f| refused(vec![f]))?,
        Some(Sent::Message(message)) => {
            let value = bridge::to_value::<v1::Simulation>(message).map_err(Problem::internal)?;
            SimulationFile::from_json(&value.to_string()).map_err(|f| refused(vec![f]))?
        }
    };
    file.check().map_err(refused)
}

/// Where each part lies and what was made of it, as JSON in the words of a simulation's file: for people, programs
/// and tests, not for measuring.
pub(crate) fn truth(simulated: &Simulated) -> String {
    let parts: Vec<_> = simulated
        .parts
        .iter()
        .map(|part| {
            let (rotation, translation_mm) = part.scan_from_part.rows();
            json!({
                "hand": HandFile::from(part.hand),
                "scan_from_part": { "rotation": rotation, "translation_mm": translation_mm },
                "deviations": part.made.deviations().iter().map(DeviationFile::from).collect::<Vec<_>>(),
                "touched_characteristics": part.touched_numbers,
            })
        })
        .collect();
    json!({ "parts": parts }).to_string()
}
