//! Single sums on the threads for measuring, each with a place and a share of the memory.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::sums::SumError;
use crate::convert::status::{ErrorReason, Problem};
use crate::service::Service;

/// Computes on the threads for measuring, with a share of the memory that `cost` foretells; a leaving caller stops it.
///
/// # Errors
/// As the sum ends, or because the service is busy or stops.
pub(crate) async fn sum<T: Send + 'static>(
    service: &Arc<Service>,
    cost: impl FnOnce(&Service, &AtomicBool) -> Result<u64, SumError> + Send + 'static,
    work: impl FnOnce(&Service, &AtomicBool) -> Result<T, SumError> + Send + 'static,
) -> Result<T, Problem> {
    service.open()?;
    let shared = Arc::clone(service);
    let bytes = service.sum(move |stop| cost(&shared, stop)).await?.map_err(Problem::from)?;
    let share = tokio::select! {
        share = service.memory.share_soon(bytes) => share.map_err(|e| Problem::from(SumError::from(e)))?,
        () = service.stopping.cancelled() => return Err(Problem::stopping()),
    };
    let Some(share) = share else {
        let words = "the memory for measuring is in use; try again";
        return Err(Problem::new(ErrorReason::Overloaded, words));
    };
    let shared = Arc::clone(service);
    let summed = service.sum(move |stop| {
        let _share = share;
        work(&shared, stop)
    });
    summed.await?.map_err(Problem::from)
}
