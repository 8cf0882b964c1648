//! A server on a port of its own, and what a caller needs to talk to it.

#![allow(clippy::unwrap_used, reason = "a test may end so")]
#![allow(dead_code, unreachable_pub, reason = "each test binary uses its part")]

use std::path::Path;

use scantling_core::geometry::Motion;
use scantling_core::simulate::{Made, Scanner, WindowSurround, write_ply, write_stl};
use scantling_proto::v1::acquisition_service_client::AcquisitionServiceClient;
use scantling_proto::v1::blob_service_client::BlobServiceClient;
use scantling_proto::v1::inspection_service_client::InspectionServiceClient;
use scantling_proto::v1::part_service_client::PartServiceClient;
use scantling_proto::v1::write_blob_request::Part;
use scantling_proto::v1::{
    Acquisition, CreateAcquisitionRequest, CreatePartRequest, CreateRevisionRequest, CreateUploadRequest,
    LengthUnit, Part as PartMessage, Revision, Upload, WriteBlobRequest, WriteBlobStart,
};
use scantling_server::blobs::Digest;
use scantling_server::{Config, ServeError, Store, open_store, run};
use tempfile::TempDir;
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tonic::transport::Channel;
use tonic::{Code, Status};
use tonic_types::StatusExt;

/// A bracket whose check point is measured by points, on three pads.
pub const BRACKET_PLAN: &str = r#"
schema_version = 1
part = "bracket"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = { system = "iso", edition = "ISO 1101:2017" }
decision = { proven = {} }
[[feature]]
id = "P1"
kind = "point"
point = { at_mm = [10, 20, 30], direction = [0, 0, 1] }
[[datum_system]]
id = "D"
datum = [{ letter = "A", targets = [
  { id = "A1", at_mm = [0, 0, 0], direction = [0, 0, 1], locks = ["x", "y", "z"] },
  { id = "A2", at_mm = [100, 0, 0], direction = [0, 0, 1], locks = ["y", "z"] },
  { id = "A3", at_mm = [0, 100, 0], direction = [0, 0, 1], locks = ["z"] } ] }]
[[characteristic]]
number = "1"
feature = "P1"
surface_profile = { limit_outside_mm = 0.5, limit_inside_mm = 0.5 }
datum_system = "D"
"#;

pub struct Server {
    pub folder: TempDir,
    pub store: Store,
    pub channel: Channel,
    pub stop: CancellationToken,
    pub task: JoinHandle<Result<(), ServeError>>,
}

pub fn config(folder: &Path) -> Config {
    let mut config = Config::at(folder);
    config.threads = 1;
    config.limits.drain_ms = 3000;
    config
}

/// Nothing else may hold the folder; the pools of a dropped store close a moment later.
pub async fn reopen(config: &Config) -> Store {
    for _ in 0..300 {
        match open_store(config).await {
            Ok(store) => return store,
            Err(ServeError::Store(scantling_server::StoreError::FolderInUse { .. })) => {
                tokio::time::sleep(std::time::Duration::from_millis(10)).await;
            }
            Err(other) => panic!("{other}"),
        }
    }
    panic!("the folder stays locked");
}

impl Server {
    pub async fn start() -> Self {
        Self::with(|_| {}).await
    }

    pub async fn with(set: impl FnOnce(&mut Config)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut config = config(folder.path());
        set(&mut config);
        Self::on(folder, config).await
    }

    pub async fn on(folder: TempDir, config: Config) -> Self {
        let store = reopen(&config).await;
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let stop = CancellationToken::new();
        let task = tokio::spawn(run(listener, config, store.clone(), stop.clone().cancelled_owned()));
        let channel = Channel::from_shared(format!("http://{address}")).unwrap().connect_lazy();
        Self { folder, store, channel, stop, task }
    }

    pub fn parts(&self) -> PartServiceClient<Channel> {
        PartServiceClient::new(self.channel.clone())
    }
    pub fn blobs(&self) -> BlobServiceClient<Channel> {
        BlobServiceClient::new(self.channel.clone())
    }
    pub fn acquisitions(&self) -> AcquisitionServiceClient<Channel> {
        AcquisitionServiceClient::new(self.channel.clone())
    }
    pub fn inspections(&self) -> InspectionServiceClient<Channel> {
        InspectionServiceClient::new(self.channel.clone())
    }

    pub async fn announce(&self, bytes: &[u8]) -> Upload {
        let sha256 = Digest::of(bytes).hex().to_owned();
        let size_bytes = bytes.len() as i64;
        self.blobs().create_upload(CreateUploadRequest { sha256, size_bytes }).await.unwrap().into_inner()
    }

    pub async fn write(&self, upload: &str, offset: i64, bytes: &[u8]) -> Result<Upload, Status> {
        let messages = messages(upload, offset, bytes);
        Ok(self.blobs().write_blob(tokio_stream::iter(messages)).await?.into_inner())
    }

    /// Stores bytes and answers with the blob's name.
    pub async fn put(&self, bytes: &[u8]) -> String {
        let upload = self.announce(bytes).await;
        match upload.blob {
            Some(blob) => blob,
            None => self.write(&upload.name, 0, bytes).await.unwrap().blob.unwrap(),
        }
    }

    pub async fn scan(&self, bytes: &[u8], simulated: bool) -> String {
        let acquisition = Acquisition {
            blob: self.put(bytes).await,
            length_unit: LengthUnit::Millimetre.into(),
            simulated,
            ..Acquisition::default()
        };
        let request = CreateAcquisitionRequest { acquisition: Some(acquisition) };
        self.acquisitions().create_acquisition(request).await.unwrap().into_inner().name
    }

    /// Creates the demo part, if it is not there, and a draft of it.
    pub async fn revision(&self, part: &str, id: &str) -> String {
        let request = create_part(part, "Window surround");
        self.parts().create_part(request).await.ok();
        let request = CreateRevisionRequest {
            parent: format!("parts/{part}"),
            revision_id: id.to_owned(),
            revision: Some(Revision {
                plan_source: WindowSurround::default().plan_toml(),
                nominal_blob: self.put(&nominal_stl()).await,
                nominal_length_unit: LengthUnit::Millimetre.into(),
                ..Revision::default()
            }),
        };
        self.parts().create_revision(request).await.unwrap().into_inner().name
    }

    /// Ends the service in order and gives its folder back.
    pub async fn end(self) -> TempDir {
        let Self { folder, store, channel, stop, task } = self;
        drop((store, channel));
        stop.cancel();
        task.await.unwrap().unwrap();
        folder
    }
}

/// A request for a part.
pub fn create_part(id: &str, title: &str) -> CreatePartRequest {
    let part = PartMessage { title: title.to_owned(), ..PartMessage::default() };
    CreatePartRequest { part_id: id.to_owned(), part: Some(part) }
}

/// The demo part's nominal.
pub fn nominal_stl() -> Vec<u8> {
    write_stl(&WindowSurround::default().mesh())
}

/// A scan of the demo part as it should be.
pub fn perfect_scan() -> Vec<u8> {
    let part = WindowSurround::default();
    let mesh = part.mesh();
    let carriers = part.carriers(&mesh);
    let made = Made::of_mesh(mesh, carriers, Vec::new());
    let seen = Scanner::front(2.5, 0.01, 7).scan(&made, &Motion::identity()).unwrap();
    write_ply(&seen.points, &seen.normals)
}

pub fn messages(upload: &str, offset: i64, bytes: &[u8]) -> Vec<WriteBlobRequest> {
    let start = WriteBlobStart { upload: upload.to_owned(), offset_bytes: offset };
    let chunks = bytes.chunks(1000).map(|c| Part::Chunk(bytes::Bytes::copy_from_slice(c)));
    std::iter::once(Part::Start(start))
        .chain(chunks)
        .map(|part| WriteBlobRequest { part: Some(part) })
        .collect()
}

/// The refusal must have this code and this one reason.
#[track_caller]
pub fn refused<T: std::fmt::Debug>(answer: Result<T, Status>, code: Code, reason: &str) -> Status {
    let status = answer.expect_err("must be refused");
    let details = status.get_error_details();
    let info = details.error_info().unwrap_or_else(|| panic!("no reason in {status:?}"));
    assert_eq!(
        (status.code(), info.reason.as_str(), info.domain.as_str()),
        (code, reason, "scantling"),
        "{status:?}"
    );
    status
}

/// The fields that a refusal names.
pub fn fields(status: &Status) -> Vec<String> {
    let details = status.get_error_details();
    let named = details.bad_request().map(|b| b.field_violations.clone()).unwrap_or_default();
    named.into_iter().map(|v| v.field).collect()
}
