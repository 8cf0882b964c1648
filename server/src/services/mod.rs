//! The calls. Each is thin: convert, call, convert back.

mod acquisitions;
mod blobs;
mod download;
mod health;
mod inspections;
mod instruments;
mod measurement;
mod parts;
mod upload;
mod watch;

use std::sync::Arc;
use std::time::Duration;

use scantling_proto::DESCRIPTOR;
use scantling_proto::v1::acquisition_service_server::AcquisitionServiceServer;
use scantling_proto::v1::blob_service_server::BlobServiceServer;
use scantling_proto::v1::inspection_service_server::InspectionServiceServer;
use scantling_proto::v1::instrument_service_server::InstrumentServiceServer;
use scantling_proto::v1::measurement_service_server::MeasurementServiceServer;
use scantling_proto::v1::part_service_server::PartServiceServer;
use tonic::service::Routes;

pub(crate) use health::Health;

use crate::serve::ServeError;
use crate::service::Service;

/// A transfer on which nothing moves for so long is ended, since it holds a place among a few.
const IDLE: Duration = Duration::from_secs(60);

/// A message with the most points that may be sent inline, and their normals: 48 bytes a point.
const INLINE_BYTES: usize = 8 << 20;

/// Every service of the contract, health and reflection.
pub(crate) async fn routes(service: &Arc<Service>) -> Result<(Health, Routes), ServeError> {
    let (health, health_server) = Health::start().await;
    let reflection = || {
        tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(DESCRIPTOR)
            .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
    };
    let routes = Routes::new(health_server)
        .add_service(PartServiceServer::new(parts::Parts(Arc::clone(service))))
        .add_service(BlobServiceServer::new(blobs::BlobCalls(Arc::clone(service))))
        .add_service(AcquisitionServiceServer::new(acquisitions::Acquisitions(Arc::clone(service))))
        .add_service(InstrumentServiceServer::new(instruments::Instruments(Arc::clone(service))))
        .add_service(InspectionServiceServer::new(inspections::Inspections(Arc::clone(service))))
        .add_service(
            MeasurementServiceServer::new(measurement::Measurements(Arc::clone(service)))
                .max_decoding_message_size(INLINE_BYTES),
        )
        .add_service(reflection().build_v1()?)
        // Older tools ask for this one.
        .add_service(reflection().build_v1alpha()?);
    Ok((health, routes))
}
