//! Plans and nominals on their way in: checked whole, bound, and only then kept.

use std::collections::BTreeSet;
use std::sync::Arc;

use scantling_core::scan::LengthUnit;
use scantling_proto::v1;

use crate::blobs::Digest;
use crate::convert::status::Problem;
use crate::service::Service;
use crate::store::{Bound, Request, Revision, Store};

/// One thing wrong with a plan: where, and what to write instead.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct PlanFault {
    pub(crate) place: String,
    pub(crate) problem: String,
}

/// A plan that was checked.
#[derive(Debug)]
pub(crate) struct Checked {
    pub(crate) plan_sha256: String,
    /// Where its picks lie on the nominal; empty without one.
    pub(crate) bound: Vec<Bound>,
}

/// Why a plan is not taken.
#[derive(Debug)]
pub(crate) enum Refused {
    /// It has faults.
    Faults(Vec<PlanFault>),
    /// It could not be checked.
    Problem(Problem),
}

fn unavailable() -> Problem {
    Problem::internal("this build of the service cannot check plans")
}

/// Checks a plan, and binds it when there is a nominal.
pub(crate) async fn check(
    service: &Arc<Service>,
    plan: v1::plan_input::Plan,
    nominal: Option<(Digest, LengthUnit)>,
) -> Result<Checked, Refused> {
    let _ = (service, plan, nominal);
    Err(Refused::Problem(unavailable()))
}

/// Keeps a checked plan as a draft.
pub(crate) async fn create_revision(
    service: &Arc<Service>,
    part: String,
    id: String,
    content: Option<((v1::plan_input::Plan, Digest), LengthUnit)>,
) -> Result<Revision, Problem> {
    let _ = (service, part, id, content);
    Err(unavailable())
}

/// A kept plan as a message.
pub(crate) fn message(plan_json: &str) -> Result<v1::Plan, Problem> {
    let _ = plan_json;
    Err(unavailable())
}

/// Whether every group asked for is in the plan.
pub(crate) async fn check_scope(store: &Store, request: &Request) -> Result<(), Problem> {
    if request.scope_groups.is_empty() {
        return Ok(());
    }
    let revision = store.revision(&request.part, &request.revision).await?;
    let plan: serde_json::Value = serde_json::from_str(&revision.content.plan_json)
        .map_err(|e| Problem::internal(format!("a kept plan: {e}")))?;
    let there: BTreeSet<&str> = plan["characteristic"]
        .as_array()
        .into_iter()
        .flatten()
        .flat_map(|c| c["group"].as_array().into_iter().flatten())
        .filter_map(|group| group.as_str())
        .collect();
    let missing: Vec<&str> =
        request.scope_groups.iter().map(String::as_str).filter(|group| !there.contains(group)).collect();
    if missing.is_empty() {
        return Ok(());
    }
    let known = there.into_iter().collect::<Vec<_>>().join(", ");
    Err(Problem::field(
        "inspection.scope_groups",
        format!("{} is no group of the plan, which has: {known}", missing.join(", ")),
    ))
}
