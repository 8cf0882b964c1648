//! A blob's bytes, a chunk at a time.

use std::sync::Arc;

use bytes::BytesMut;
use scantling_proto::v1::ReadBlobResponse;
use tokio::io::AsyncReadExt;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;

use super::IDLE;
use crate::blobs::Digest;
use crate::convert::status::Problem;
use crate::service::Service;

/// Speed is flat from here on; a listener that is slow holds two of them.
const CHUNK: usize = 256 << 10;

pub(super) async fn stream(
    service: &Arc<Service>,
    digest: &Digest,
) -> Result<ReceiverStream<Result<ReadBlobResponse, Status>>, Problem> {
    service.store.blob(digest.hex()).await?;
    let permit = service.transfer()?;
    let (opened, of) = (Arc::clone(service), digest.clone());
    let file = tokio::task::spawn_blocking(move || opened.blobs.file(&of))
        .await
        .map_err(Problem::internal)?
        .map_err(|e| Problem::internal(format!("blobs/{digest} cannot be opened: {e}")))?;
    let mut file = tokio::fs::File::from_std(file);
    let (tell, told) = mpsc::channel(2);
    let stopping = service.stopping.clone();
    tokio::spawn(async move {
        let _permit = permit;
        loop {
            let mut buffer = BytesMut::with_capacity(CHUNK);
            let item = match file.read_buf(&mut buffer).await {
                Ok(0) => return,
                Ok(_) => Ok(ReadBlobResponse { chunk: buffer.freeze() }),
                Err(e) => Err(Problem::internal(format!("a blob cannot be read: {e}")).into()),
            };
            let last = item.is_err();
            tokio::select! {
                sent = tokio::time::timeout(IDLE, tell.send(item)) => {
                    // Gone, or silent for too long: either way nobody reads on.
                    if !matches!(sent, Ok(Ok(()))) || last {
                        return;
                    }
                }
                () = stopping.cancelled() => {
                    let _ = tell.try_send(Err(Problem::stopping().into()));
                    return;
                }
            }
        }
    });
    Ok(ReceiverStream::new(told))
}
