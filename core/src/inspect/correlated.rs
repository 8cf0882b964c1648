//! Which results err together.
//!
//! Results on one datum system share the errors of its datums, all results of the scans share what was drawn once for them: the
//! scale, the bend, the temperature, and what an export smoothed. Results of one group are not independent witnesses: three of them that fail by the same
//! datum are one failure (JCGM 100:2008, H.2.4, has two results of the same inputs). So are those of requirements that one movement
//! of the part must serve together.

use std::collections::BTreeMap;

use crate::record::Evaluation;

/// A source counts when it makes this part of the variance: then two results that share it correlate by as much (common
/// practice, no source).
const LEAST_SHARE: f64 = 0.1;

/// Sources that are drawn once for all that was scanned.
const OF_THE_SCAN: [&str; 4] = ["length_scale", "distortion", "probing", "temperature"];

/// Marks every evaluation with the groups that it belongs to; a group has at least two.
pub(super) fn mark(evaluations: &mut [Evaluation]) {
    let groups: Vec<Vec<String>> = evaluations.iter().map(groups).collect();
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for name in groups.iter().flatten() {
        *counts.entry(name).or_default() += 1;
    }
    for (evaluation, groups) in evaluations.iter_mut().zip(&groups) {
        evaluation.correlated_groups = groups.iter().filter(|g| counts[g.as_str()] > 1).cloned().collect();
    }
}

fn groups(e: &Evaluation) -> Vec<String> {
    let lines: Vec<(&str, f64)> = match &e.angle {
        Some(angle) => angle.budget.iter().map(|c| (c.source.as_str(), c.standard_uncertainty_deg)).collect(),
        None => e.budget.iter().map(|c| (c.source.as_str(), c.standard_uncertainty_mm)).collect(),
    };
    let all: f64 = lines.iter().map(|(_, u)| u * u).sum();
    let share = |wanted: &dyn Fn(&str) -> bool| {
        lines.iter().filter(|(s, _)| wanted(s)).map(|(_, u)| u * u).sum::<f64>() > LEAST_SHARE * all
    };
    let mut found = Vec::new();
    if let Some(system) = e.datum_system.as_ref().filter(|_| share(&|s| s == "alignment")) {
        found.push(format!("datum system {system}, by {}", e.measured_by));
    }
    if e.measured_by == "scan" && share(&|s| OF_THE_SCAN.contains(&s)) {
        found.push("length scale, distortion and temperature of the scan".into());
    }
    if let Some(together) = e.operators.get("simultaneous") {
        let by = if e.measured_by == "scan" { String::new() } else { format!(" by {}", e.measured_by) };
        found.push(format!("moved together{by}: {together}"));
    }
    if e.measured_by == "scan" && share(&|s| s == "join") {
        found.push("how the scans lie to each other".into());
    }
    if e.measured_by == "scan" && share(&|s| s == "smoothing") {
        found.push("smoothing of the scan".into());
    }
    found
}
