//! The calls. Each is thin: convert, call, convert back.

mod health;

use std::sync::Arc;

use scantling_proto::DESCRIPTOR;
use tonic::service::Routes;

pub(crate) use health::Health;

use crate::serve::ServeError;
use crate::service::Service;

/// Every service of the contract, health and reflection.
pub(crate) async fn routes(service: &Arc<Service>) -> Result<(Health, Routes), ServeError> {
    let (health, health_server) = Health::start().await;
    let reflection = || {
        tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(DESCRIPTOR)
            .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
    };
    let _ = service;
    let routes = Routes::new(health_server)
        .add_service(reflection().build_v1()?)
        // Older tools ask for this one.
        .add_service(reflection().build_v1alpha()?);
    Ok((health, routes))
}
