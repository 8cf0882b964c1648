//! Whether calls are taken (grpc.health.v1): yes from the first moment, no as soon as the service ends.

use scantling_proto::v1::acquisition_service_server::SERVICE_NAME as ACQUISITIONS;
use scantling_proto::v1::blob_service_server::SERVICE_NAME as BLOBS;
use scantling_proto::v1::inspection_service_server::SERVICE_NAME as INSPECTIONS;
use scantling_proto::v1::instrument_service_server::SERVICE_NAME as INSTRUMENTS;
use scantling_proto::v1::measurement_service_server::SERVICE_NAME as MEASUREMENT;
use scantling_proto::v1::part_service_server::SERVICE_NAME as PARTS;
use tonic_health::ServingStatus;
use tonic_health::pb::health_server::{Health as Calls, HealthServer};
use tonic_health::server::{HealthReporter, HealthService};

/// The whole server is the service without a name.
const NAMES: [&str; 7] = ["", PARTS, BLOBS, ACQUISITIONS, INSTRUMENTS, INSPECTIONS, MEASUREMENT];

/// Tells the state of every service.
#[derive(Clone, Debug)]
pub(crate) struct Health(HealthReporter);

impl Health {
    pub(crate) async fn start() -> (Self, HealthServer<impl Calls>) {
        let reporter = HealthReporter::new();
        let server = HealthServer::new(HealthService::from_health_reporter(reporter.clone()));
        let health = Self(reporter);
        health.set(ServingStatus::Serving).await;
        (health, server)
    }

    /// From now on balancers send calls elsewhere.
    pub(crate) async fn stop(&self) {
        self.set(ServingStatus::NotServing).await;
    }

    async fn set(&self, status: ServingStatus) {
        for name in NAMES {
            self.0.set_service_status(name, status).await;
        }
    }
}
