//! One stream of bytes into an upload. Whatever ends it, the bytes that came are made safe and counted, so
//! that the sender goes on from there; an upload that is whole and has the announced digest is a blob.

use std::sync::Arc;

use scantling_proto::v1::write_blob_request::Part;
use scantling_proto::v1::{self, ErrorReason, WriteBlobRequest, WriteBlobStart};
use tokio::time::timeout;
use tonic::Streaming;
use uuid::Uuid;

use super::IDLE;
use crate::blobs::{Digest, SpoolWriter, digest_of_file};
use crate::convert::fields::Fields;
use crate::convert::name;
use crate::convert::status::Problem;
use crate::service::Service;
use crate::store::{LOCAL_CALLER, StoreError, Upload};

/// A process that is killed loses so many bytes of an upload at most.
const SAFE_EVERY: u64 = 64 << 20;

pub(super) fn message(upload: &Upload) -> v1::Upload {
    v1::Upload {
        name: name::of_upload(&upload.id),
        // The store takes no size that does not fit.
        size_bytes: i64::try_from(upload.size_bytes).unwrap_or(i64::MAX),
        offset_bytes: i64::try_from(upload.offset_bytes).unwrap_or(i64::MAX),
        blob: upload.complete.then(|| name::of_blob(&upload.sha256)),
    }
}

/// Completes an upload whose bytes are in place already: a process may have been killed between moving
/// the file and noting it.
pub(super) async fn take_known(
    service: &Arc<Service>,
    upload: Upload,
    digest: &Digest,
) -> Result<Upload, Problem> {
    if upload.complete {
        return Ok(upload);
    }
    let (blobs, of) = (service.blobs.clone(), digest.clone());
    let size = tokio::task::spawn_blocking(move || blobs.size(&of))
        .await
        .map_err(Problem::internal)?
        .map_err(Problem::internal)?;
    if size == Some(upload.size_bytes) {
        let (blobs, of) = (service.blobs.clone(), digest.clone());
        tokio::task::spawn_blocking(move || blobs.make_safe(&of))
            .await
            .map_err(Problem::internal)?
            .map_err(Problem::internal)?;
        return Ok(service.store.complete_upload(LOCAL_CALLER, &upload.id).await?);
    }
    Ok(upload)
}

/// Receives one stream.
pub(super) async fn receive(
    service: Arc<Service>,
    mut stream: Streaming<WriteBlobRequest>,
) -> Result<Upload, Problem> {
    let Some(Part::Start(start)) = next(&service, &mut stream).await? else {
        return Err(Problem::field("start", "must be the first message: upload and offset"));
    };
    let (upload, digest, writing) = begin(&service, &start).await?;
    let upload = take_known(&service, upload, &digest).await?;
    if upload.complete {
        return Ok(upload);
    }
    let sent = u64::try_from(start.offset_bytes).unwrap_or(u64::MAX);
    if sent != upload.offset_bytes {
        return Err(StoreError::UploadOffset { upload: upload.id, stands: upload.offset_bytes, sent }.into());
    }
    let _permit = service.transfer()?;

    let path = service.blobs.spool_path(Uuid::try_parse(&upload.id).map_err(Problem::internal)?);
    let writer = SpoolWriter::begin(path.clone(), upload.offset_bytes);
    let mut counted = upload.offset_bytes;
    let came = write_all(&service, &mut stream, &upload, &writer, &mut counted).await;
    let spooled = match writer.end().await {
        Ok(spooled) => spooled,
        Err(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            service.store.advance_upload(&upload.id, counted, 0).await?;
            return Err(StoreError::UploadOffset { upload: upload.id, stands: 0, sent }.into());
        }
        Err(e) => return Err(Problem::internal(format!("an upload cannot be written: {e}"))),
    };
    if spooled.safe != counted {
        service.store.advance_upload(&upload.id, counted, spooled.safe).await?;
    }
    came?;
    if spooled.safe < upload.size_bytes {
        return Ok(service.store.upload(&upload.id).await?);
    }

    let (blobs, announced, first) = (service.blobs.clone(), digest.clone(), spooled.digest);
    let found = tokio::task::spawn_blocking(move || -> std::io::Result<Digest> {
        let found = match first {
            Some(found) => found,
            None => digest_of_file(&path)?,
        };
        if found == announced {
            blobs.take_in(&path, &found)?;
        } else {
            std::fs::remove_file(&path)?;
        }
        Ok(found)
    })
    .await
    .map_err(Problem::internal)?
    .map_err(|e| Problem::internal(format!("a finished upload cannot be stored: {e}")))?;
    if found != digest {
        service.store.advance_upload(&upload.id, spooled.safe, 0).await?;
        return Err(Problem::new(
            ErrorReason::DigestMismatch,
            format!(
                "uploads/{} came with digest {found}, and {digest} was announced; the bytes were dropped, \
                 check the file and send it again from byte 0",
                upload.id
            ),
        )
        .with("upload", &name::of_upload(&upload.id))
        .with("found_sha256", &found)
        .with("announced_sha256", &digest));
    }
    let done = service.store.complete_upload(LOCAL_CALLER, &upload.id).await?;
    tracing::info!(blob = %digest, size_bytes = done.size_bytes, "stored");
    drop(writing);
    Ok(done)
}

async fn begin(
    service: &Arc<Service>,
    start: &WriteBlobStart,
) -> Result<(Upload, Digest, crate::service::Writing), Problem> {
    let mut fields = Fields::new(&service.config.limits);
    let id = fields.upload("start.upload", &start.upload);
    if start.offset_bytes < 0 {
        fields.wrong("start.offset_bytes", format!("must be 0 or more; it is {}", start.offset_bytes));
    }
    fields.finish()?;
    let Some(writing) = service.write_alone(&id) else {
        return Err(Problem::new(
            ErrorReason::UploadOffset,
            format!("another call is writing uploads/{id}; wait till it ends, then ask GetUpload and send on from there"),
        )
        .with("upload", &name::of_upload(&id)));
    };
    let upload = service.store.upload(&id).await?;
    let digest = Digest::parse(&upload.sha256)
        .ok_or_else(|| Problem::internal(format!("upload {id} has no digest")))?;
    Ok((upload, digest, writing))
}

/// The next message; `None` at the end.
async fn next(service: &Service, stream: &mut Streaming<WriteBlobRequest>) -> Result<Option<Part>, Problem> {
    let message = tokio::select! {
        message = timeout(IDLE, stream.message()) => message,
        () = service.stopping.cancelled() => return Err(Problem::stopping()),
    };
    match message {
        Ok(Ok(None)) => Ok(None),
        Ok(Ok(Some(WriteBlobRequest { part: Some(part) }))) => Ok(Some(part)),
        Ok(Ok(Some(WriteBlobRequest { part: None }))) => {
            Err(Problem::field("part", "must be a start or a chunk"))
        }
        Ok(Err(status)) if status.code() == tonic::Code::OutOfRange => Err(Problem::new(
            ErrorReason::LimitExceeded,
            format!(
                "a message is larger than is taken; send chunks of at most {} bytes",
                service.config.limits.chunk_bytes
            ),
        )),
        Ok(Err(status)) => Err(Problem::new(
            ErrorReason::UploadOffset,
            format!("the stream broke off ({}); ask GetUpload and send on from there", status.code()),
        )),
        Err(_) => Err(Problem::new(
            ErrorReason::UploadOffset,
            format!("nothing came for {} s; ask GetUpload and send on from there", IDLE.as_secs()),
        )),
    }
}

/// Hands every chunk to the writer; `counted` follows what the store knows to be safe.
async fn write_all(
    service: &Service,
    stream: &mut Streaming<WriteBlobRequest>,
    upload: &Upload,
    writer: &SpoolWriter,
    counted: &mut u64,
) -> Result<(), Problem> {
    let most = service.config.limits.chunk_bytes;
    let mut at = upload.offset_bytes;
    while let Some(part) = next(service, stream).await? {
        let Part::Chunk(chunk) = part else {
            return Err(Problem::field("start", "is sent once, as the first message"));
        };
        if chunk.len() > most {
            return Err(Problem::new(
                ErrorReason::LimitExceeded,
                format!("a chunk has {} bytes; at most {most} are taken in one message", chunk.len()),
            )
            .with("size_bytes", &chunk.len())
            .with("limit_bytes", &most));
        }
        let left = upload.size_bytes - at;
        if chunk.len() as u64 > left {
            return Err(Problem::field(
                "chunk",
                format!(
                    "holds {} bytes, and only {left} of the {} announced are left",
                    chunk.len(),
                    upload.size_bytes
                ),
            ));
        }
        at += chunk.len() as u64;
        if !writer.write(chunk).await {
            // Its end says why.
            return Ok(());
        }
        if at - *counted >= SAFE_EVERY
            && let Some(safe) = writer.sync().await
        {
            service.store.advance_upload(&upload.id, *counted, safe).await?;
            *counted = safe;
        }
    }
    Ok(())
}
