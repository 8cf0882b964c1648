//! Reports of the self-check.

use scantling_core::self_check::{Basis, Check, Group, Quantity, Report};
use scantling_proto::v1;

/// The answer.
pub(crate) fn reported(report: &Report) -> v1::SelfCheckResponse {
    v1::SelfCheckResponse {
        program_version: report.program_version.clone(),
        references_sha256: report.references_sha256.clone(),
        passed: report.passed,
        groups: report.groups.iter().map(group).collect(),
        report_json: report.json(),
        report_sha256: report.sha256(),
    }
}

fn group(group: &Group) -> v1::SelfCheckGroup {
    v1::SelfCheckGroup {
        id: group.id.clone(),
        title: group.title.clone(),
        source: group.source.clone(),
        published: group.basis == Basis::Published,
        checks: group.checks.iter().map(item).collect(),
        worst: group
            .worst()
            .map(|(check, q)| v1::SelfCheckWorst { check: check.name.clone(), quantity: Some(quantity(q)) }),
    }
}

fn item(check: &Check) -> v1::SelfCheckItem {
    let [ours, stated] = check.words.clone().unwrap_or_default();
    v1::SelfCheckItem {
        name: check.name.clone(),
        of: check.of.clone(),
        passed: check.passed,
        quantities: check.quantities.iter().map(quantity).collect(),
        ours,
        stated,
        note: check.note.clone(),
        problem: check.problem.clone(),
    }
}

fn quantity(quantity: &Quantity) -> v1::SelfCheckQuantity {
    v1::SelfCheckQuantity {
        name: quantity.name.clone(),
        unit: quantity.unit.clone(),
        ours: quantity.ours.clone(),
        stated: quantity.stated.clone(),
        deviation: quantity.deviation,
        limit: quantity.limit,
    }
}
