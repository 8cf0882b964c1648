//! BlobService.

use std::sync::Arc;

use scantling_proto::v1::blob_service_server::BlobService;
use scantling_proto::v1::{
    Blob, CreateUploadRequest, ErrorReason, GetBlobRequest, GetUploadRequest, ReadBlobRequest,
    ReadBlobResponse, Upload, WriteBlobRequest,
};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Request, Response, Status, Streaming};

use super::{download, upload};
use crate::blobs::Digest;
use crate::convert::fields::Fields;
use crate::convert::name;
use crate::convert::status::Problem;
use crate::service::Service;
use crate::store::LOCAL_CALLER;

/// The calls about bytes.
#[derive(Debug)]
pub(crate) struct BlobCalls(pub(crate) Arc<Service>);

#[tonic::async_trait]
impl BlobService for BlobCalls {
    async fn create_upload(&self, request: Request<CreateUploadRequest>) -> Result<Response<Upload>, Status> {
        self.0.open()?;
        let sent = request.into_inner();
        let limits = &self.0.config.limits;
        let mut fields = Fields::new(limits);
        let digest = fields.read(
            "sha256",
            &sent.sha256,
            Digest::parse,
            "the file's SHA-256, 64 lower-case hexadecimal digits",
        );
        let size = u64::try_from(sent.size_bytes).unwrap_or(0);
        if size == 0 {
            fields.wrong(
                "size_bytes",
                format!("must be the size of the file, 1 or more; it is {}", sent.size_bytes),
            );
        }
        fields.finish()?;
        if size > limits.file_bytes {
            return Err(Problem::new(
                ErrorReason::LimitExceeded,
                format!("the file has {size} bytes; at most {} are taken", limits.file_bytes),
            )
            .with("size_bytes", &size)
            .with("limit_bytes", &limits.file_bytes)
            .into());
        }
        let Some(digest) = digest else {
            return Err(Problem::internal("a digest was checked and is missing").into());
        };
        let begun =
            self.0.store.begin_upload(LOCAL_CALLER, digest.hex(), size).await.map_err(Problem::from)?;
        let begun = upload::take_known(&self.0, begun, &digest).await?;
        Ok(Response::new(upload::message(&begun)))
    }

    async fn get_upload(&self, request: Request<GetUploadRequest>) -> Result<Response<Upload>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let id = fields.upload("name", &request.into_inner().name);
        fields.finish()?;
        Ok(Response::new(upload::message(&self.0.store.upload(&id).await.map_err(Problem::from)?)))
    }

    async fn write_blob(
        &self,
        request: Request<Streaming<WriteBlobRequest>>,
    ) -> Result<Response<Upload>, Status> {
        self.0.open()?;
        // In a task of its own: when the caller's connection breaks, this call is dropped, and the bytes
        // that came must still be made safe and counted.
        let task = tokio::spawn(upload::receive(Arc::clone(&self.0), request.into_inner()));
        let upload = task.await.map_err(Problem::internal)??;
        Ok(Response::new(upload::message(&upload)))
    }

    async fn get_blob(&self, request: Request<GetBlobRequest>) -> Result<Response<Blob>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let digest = fields.blob("name", &request.into_inner().name);
        fields.finish()?;
        let sha256 = digest.map(|d| d.hex().to_owned()).unwrap_or_default();
        let blob = self.0.store.blob(&sha256).await.map_err(Problem::from)?;
        let size_bytes = i64::try_from(blob.size_bytes).map_err(Problem::internal)?;
        Ok(Response::new(Blob { name: name::of_blob(&blob.sha256), size_bytes }))
    }

    type ReadBlobStream = ReceiverStream<Result<ReadBlobResponse, Status>>;

    async fn read_blob(
        &self,
        request: Request<ReadBlobRequest>,
    ) -> Result<Response<Self::ReadBlobStream>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let digest = fields.blob("name", &request.into_inner().name);
        fields.finish()?;
        let Some(digest) = digest else {
            return Err(Problem::internal("a name was checked and is missing").into());
        };
        Ok(Response::new(download::stream(&self.0, &digest).await?))
    }
}
