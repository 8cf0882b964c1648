//! A plant's side of the contract, on a channel to any server.

use std::time::Duration;

use scantling_proto::v1::acquisition_service_client::AcquisitionServiceClient;
use scantling_proto::v1::blob_service_client::BlobServiceClient;
use scantling_proto::v1::inspection_service_client::InspectionServiceClient;
use scantling_proto::v1::part_service_client::PartServiceClient;
use scantling_proto::v1::write_blob_request::Part as WritePart;
use scantling_proto::v1::{
    Acquisition, CreateAcquisitionRequest, CreateInspectionRequest, CreatePartRequest, CreateRevisionRequest,
    CreateUploadRequest, Inspection, InspectionState, LengthUnit, PlanInput, Purpose, ReleaseRevisionRequest,
    Source, WaitInspectionRequest, WatchInspectionsRequest, WriteBlobRequest, WriteBlobStart, plan_input,
};
use sha2::{Digest, Sha256};
use tonic::Status;
use tonic::transport::Channel;
use tonic_types::StatusExt;

const CHUNK: usize = 512 * 1024;

/// Calls a server as a plant's systems do.
#[derive(Clone)]
pub struct Plant {
    /// Parts and revisions.
    pub parts: PartServiceClient<Channel>,
    /// Files.
    pub blobs: BlobServiceClient<Channel>,
    /// Scans.
    pub acquisitions: AcquisitionServiceClient<Channel>,
    /// Inspections.
    pub inspections: InspectionServiceClient<Channel>,
}

impl Plant {
    /// On an open channel.
    pub fn on(channel: Channel) -> Self {
        Self {
            parts: PartServiceClient::new(channel.clone()),
            blobs: BlobServiceClient::new(channel.clone()),
            acquisitions: AcquisitionServiceClient::new(channel.clone()),
            inspections: InspectionServiceClient::new(channel),
        }
    }

    /// Uploads a file; answers its blob's name.
    pub async fn upload(&mut self, bytes: &[u8]) -> Result<String, Status> {
        let sha256: String = Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect();
        let request = CreateUploadRequest { sha256, size_bytes: bytes.len() as i64 };
        let upload = self.blobs.create_upload(request).await?.into_inner();
        if let Some(blob) = upload.blob {
            return Ok(blob);
        }
        let start = WriteBlobStart { upload: upload.name, offset_bytes: upload.offset_bytes };
        let mut messages = vec![WriteBlobRequest { part: Some(WritePart::Start(start)) }];
        for chunk in bytes[upload.offset_bytes as usize..].chunks(CHUNK) {
            messages.push(WriteBlobRequest { part: Some(WritePart::Chunk(chunk.to_vec().into())) });
        }
        let done = self.blobs.write_blob(tokio_stream::iter(messages)).await?.into_inner();
        done.blob.ok_or_else(|| Status::internal("the upload ended without a blob"))
    }

    /// Registers a part with one revision `a` and releases it; answers the revision's name.
    pub async fn register(
        &mut self,
        part_id: &str,
        plan_toml: &str,
        nominal: &[u8],
    ) -> Result<String, Status> {
        let nominal_blob = self.upload(nominal).await?;
        self.parts
            .create_part(CreatePartRequest { part_id: part_id.into(), title: "Window surround".into() })
            .await?;
        let revision = self
            .parts
            .create_revision(CreateRevisionRequest {
                parent: format!("parts/{part_id}"),
                revision_id: "a".into(),
                plan: Some(PlanInput { plan: Some(plan_input::Plan::Toml(plan_toml.into())) }),
                nominal_blob,
                nominal_length_unit: LengthUnit::Millimetre.into(),
            })
            .await?
            .into_inner();
        self.parts.release_revision(ReleaseRevisionRequest { name: revision.name.clone() }).await?;
        Ok(revision.name)
    }

    /// Records a simulated scan in millimetres; answers the acquisition's name.
    pub async fn acquire(&mut self, scan: &[u8]) -> Result<String, Status> {
        let blob = self.upload(scan).await?;
        let acquisition = Acquisition {
            blob,
            length_unit: LengthUnit::Millimetre.into(),
            instrument: "simulated scanner".into(),
            simulated: true,
            ..Acquisition::default()
        };
        let request = CreateAcquisitionRequest { acquisition: Some(acquisition) };
        Ok(self.acquisitions.create_acquisition(request).await?.into_inner().name)
    }

    /// A request to inspect one scan.
    pub fn request(revision: &str, serial: &str, acquisition: &str) -> CreateInspectionRequest {
        CreateInspectionRequest {
            request_id: uuid::Uuid::now_v7().to_string(),
            inspection: Some(Inspection {
                revision: revision.into(),
                serial_number: serial.into(),
                sources: vec![Source { acquisition: acquisition.into(), ..Source::default() }],
                purpose: Purpose::Rehearsal.into(),
                ..Inspection::default()
            }),
        }
    }

    /// Waits until an inspection is finished, two minutes at most.
    pub async fn wait(&mut self, name: &str) -> Result<Inspection, Status> {
        let end = tokio::time::Instant::now() + Duration::from_secs(120);
        loop {
            let wait_timeout = prost_types::Duration { seconds: 10, nanos: 0 };
            let request = WaitInspectionRequest { name: name.into(), wait_timeout: Some(wait_timeout) };
            let inspection = self.inspections.wait_inspection(request).await?.into_inner();
            if matches!(inspection.state(), InspectionState::Done | InspectionState::Failed) {
                return Ok(inspection);
            }
            if tokio::time::Instant::now() > end {
                return Err(Status::deadline_exceeded(format!("{name} is still {:?}", inspection.state())));
            }
        }
    }

    /// Uploads, asks and waits.
    pub async fn measure(&mut self, revision: &str, serial: &str, scan: &[u8]) -> Result<Inspection, Status> {
        let acquisition = self.acquire(scan).await?;
        let request = Self::request(revision, serial, &acquisition);
        let name = self.inspections.create_inspection(request).await?.into_inner().name;
        self.wait(&name).await
    }

    /// The first `count` finished inspections, as sequence number and name.
    pub async fn finished(&mut self, count: usize) -> Result<Vec<(i64, String)>, Status> {
        let request = WatchInspectionsRequest { after_sequence: 0 };
        let mut stream = self.inspections.watch_inspections(request).await?.into_inner();
        let mut seen = Vec::new();
        while seen.len() < count
            && let Some(next) = stream.message().await?
        {
            seen.push((next.sequence, next.inspection.map(|i| i.name).unwrap_or_default()));
        }
        Ok(seen)
    }
}

/// The one reason of an error, as the contract names it.
pub fn reason(status: &Status) -> String {
    status.get_details_error_info().map(|i| i.reason).unwrap_or_default()
}
