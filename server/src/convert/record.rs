//! A record's evaluations as messages, name for name.

use scantling_core::record as core;
use scantling_proto::v1;

use super::enums;

fn extreme(e: core::Extreme) -> v1::Extreme {
    v1::Extreme { value_mm: e.value_mm, at_mm: e.at_mm.to_vec() }
}

fn count(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

pub(crate) fn of_evaluation(e: core::Evaluation) -> v1::Evaluation {
    v1::Evaluation {
        number: e.number,
        requirement: e.requirement,
        feature: e.feature,
        datum_system: e.datum_system,
        required: e.required,
        class: e.class,
        limits: Some(v1::Limits { lower_mm: e.limits.lower_mm, upper_mm: e.limits.upper_mm }),
        value_mm: e.value_mm,
        minimum: e.minimum.map(extreme),
        maximum: e.maximum.map(extreme),
        components: e.components.map(|c| v1::Components {
            dx_mm: c.dx_mm,
            dy_mm: c.dy_mm,
            dz_mm: c.dz_mm,
            dn_mm: c.dn_mm,
        }),
        interval: e.interval.map(|i| v1::Interval { low_mm: i.low_mm, high_mm: i.high_mm }),
        standard_uncertainty_mm: e.standard_uncertainty_mm,
        budget: e
            .budget
            .into_iter()
            .map(|c| v1::Contribution {
                source: c.source,
                standard_uncertainty_mm: c.standard_uncertainty_mm,
            })
            .collect(),
        noise_floor_mm: e.noise_floor_mm,
        coverage: e.coverage.map(|c| v1::Coverage {
            fraction: c.fraction,
            largest_unseen_disc_mm: c.largest_unseen_disc_mm,
            points: count(c.points),
        }),
        operators: e.operators.into_iter().collect(),
        verdict: enums::of_verdict(e.verdict).into(),
        reason: e.reason,
    }
}
