//! Measured points on their way in: what is wrong with a file, or does not belong to the plan, is told before anything is
//! recorded, so that a slip of typing makes no failed inspection.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use scantling_core::plan::{Fault, Plan, bind, check_json};
use scantling_core::points::{self, Coordinates, MOST_FAULTS, PointSet, PointsError, TakenPoint};
use scantling_core::scan::LengthUnit;

use crate::convert::status::{ErrorReason, Problem};
use crate::measuring::sums::SumError;
use crate::measuring::{self, MeasureError, PointsFile};
use crate::service::{Service, StopOnDrop};
use crate::store::{Content, NewAcquisition, Request};

/// Checks a file of points by itself.
///
/// # Errors
/// Every fault of it, each with its line.
pub(crate) async fn check_file(service: &Arc<Service>, new: &NewAcquisition) -> Result<(), Problem> {
    service.store.blob(&new.blob).await?;
    let read = read(service, new.blob.clone(), new.length_unit).await?;
    read.map(drop).map_err(|error| refused("acquisition.blob", ErrorReason::ScanRefused, error))
}

/// Checks whether the points of a request belong to its plan. Nominal places that the instrument tells are held
/// against the plan here where it has no nominal, else when it is measured: binding to a nominal takes its time.
///
/// # Errors
/// Every fault, each with its source and line.
pub(crate) async fn check_names(service: &Arc<Service>, request: &Request) -> Result<(), Problem> {
    let mut plan = None;
    for (n, source) in request.sources.iter().enumerate() {
        let content = service.store.acquisition(&source.acquisition).await?.content;
        if content.content != Content::Points {
            continue;
        }
        if plan.is_none() {
            let revision = service.store.revision(&request.part, &request.revision).await?;
            let (_, checked) = check_json(&revision.content.plan_json)
                .map_err(|faults| Problem::internal(format!("a kept plan: {faults:?}")))?;
            plan = Some(checked);
        }
        let field = format!("inspection.sources[{n}]");
        let read = read(service, content.blob, content.length_unit).await?;
        let wrong = |error| refused(&field, ErrorReason::InvalidField, error);
        let points = read.map_err(wrong)?;
        if let Some(plan) = &plan {
            belong(points, content.coordinates, plan).map_err(wrong)?;
        }
    }
    Ok(())
}

fn belong(points: Vec<TakenPoint>, coordinates: Option<Coordinates>, plan: &Plan) -> Result<(), PointsError> {
    // Without a nominal every feature says its own place, so binding is a matter of moments.
    if plan.nominal_file.is_none()
        && let Ok(faces) = bind(plan, None)
    {
        let set = PointSet { points, coordinates: coordinates.unwrap_or(Coordinates::Instrument) };
        return points::check(&set, plan, &faces);
    }
    let features = plan.features.iter().map(|f| f.id.as_str());
    let there: BTreeSet<&str> = features.chain(plan.target_ids()).collect();
    let strange = points.iter().filter(|p| !there.contains(p.name.as_str()));
    let faults: Vec<Fault> = strange
        .take(MOST_FAULTS)
        .map(|p| Fault {
            place: format!("line {}", p.line),
            problem: format!(
                "\"{}\" is no feature or target of the plan; correct the name or leave the point out",
                p.name.escape_debug()
            ),
        })
        .collect();
    if faults.is_empty() { Ok(()) } else { Err(PointsError::Faults(faults)) }
}

/// Reads a file on the thread for checks.
async fn read(
    service: &Arc<Service>,
    blob: String,
    unit: LengthUnit,
) -> Result<Result<Vec<TakenPoint>, PointsError>, Problem> {
    let stop = Arc::new(AtomicBool::new(false));
    let _stop = StopOnDrop(Arc::clone(&stop));
    let shared = Arc::clone(service);
    let read = move || {
        let run = measuring::run(&shared, &stop, &|_, _| {});
        measuring::points_of(&shared, &run, &PointsFile { blob: &blob, unit, standard_mm: None })
    };
    let found: Result<_, MeasureError> = service.check(read).await?;
    found.map_err(|error| SumError::Measure(error).into())
}

fn refused(field: &str, reason: ErrorReason, error: PointsError) -> Problem {
    match error {
        PointsError::Stopped(_) => Problem::stopping(),
        PointsError::TooMany { .. } | PointsError::TooLong { .. } => {
            Problem::fields(ErrorReason::LimitExceeded, vec![(field.to_owned(), error.to_string())])
        }
        PointsError::Faults(faults) => {
            Problem::fields(reason, faults.iter().map(|f| (field.to_owned(), f.to_string())).collect())
        }
    }
}
