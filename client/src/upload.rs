//! A file becomes a blob: its digest first, so that known bytes are not sent again; then its bytes in
//! chunks, from where the service has them, over again when the connection breaks.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use anyhow::Context;
use bytes::Bytes;
use indicatif::ProgressBar;
use scantling_proto::v1::blob_service_client::BlobServiceClient;
use scantling_proto::v1::write_blob_request::Part;
use scantling_proto::v1::{
    CreateUploadRequest, ErrorReason, GetUploadRequest, Upload, WriteBlobRequest, WriteBlobStart,
};
use sha2::{Digest, Sha256};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;
use tonic::transport::Channel;

use crate::connect::{Patience, patiently};
use crate::exit::{Exit, reason};
use crate::input::Input;
use crate::progress::Progress;

/// Flat in speed from 256 KiB on, and well below the largest message the service takes.
const CHUNK: usize = 512 << 10;
/// Chunks read ahead of the connection: an upload holds some 4 MiB.
const AHEAD: usize = 6;

/// What became of an upload.
pub(crate) struct Uploaded {
    /// `blobs/{sha256}`.
    pub(crate) blob: String,
    /// The service had the bytes before.
    pub(crate) known: bool,
}

/// Sends a file, or finds that the service has it.
pub(crate) async fn upload(channel: &Channel, input: Input, progress: &Progress) -> anyhow::Result<Uploaded> {
    let Input { file, size, name } = input;
    if size == 0 {
        return Err(Exit::Refused.because(format!("{name} is empty")));
    }
    let bar = progress.bytes("digest", size);
    let (file, sha256) = {
        let bar = bar.clone();
        tokio::task::spawn_blocking(move || digest(file, size, &bar)).await?
    }
    .with_context(|| format!("cannot read {name}"))?;
    bar.finish_and_clear();

    let mut client = BlobServiceClient::new(channel.clone());
    let request =
        CreateUploadRequest { sha256, size_bytes: i64::try_from(size).context("the file is too large")? };
    let mut upload = patiently(async || client.create_upload(request.clone()).await)
        .await
        .with_context(|| format!("cannot upload {name}"))?;
    if let Some(blob) = upload.blob {
        return Ok(Uploaded { blob, known: true });
    }

    if upload.offset_bytes > 0 {
        progress.say(&format!("{name}: goes on at byte {} of {size}", upload.offset_bytes));
    }
    let bar = progress.bytes("upload", size);
    let mut patience = Patience::new();
    let blob = loop {
        let sent = write(&mut client, &file, &upload, &bar).await?;
        let status = match sent {
            Ok(Upload { blob: Some(blob), .. }) => break blob,
            // Everything was sent, so a complete file without a blob is a fault of the service.
            Ok(_) => Status::internal("the service took all bytes and made no blob of them"),
            Err(status) => status,
        };
        let elsewhere = reason(&status) == ErrorReason::UploadOffset;
        let before = upload.offset_bytes;
        // Another call may still hold the upload, such as one whose end the service has not noticed yet.
        if !elsewhere && !patience.again(&status).await {
            return Err(status).with_context(|| format!("cannot upload {name}"));
        }
        let asked = GetUploadRequest { name: upload.name.clone() };
        upload = patiently(async || client.get_upload(asked.clone()).await)
            .await
            .with_context(|| format!("cannot go on with the upload of {name}"))?;
        if let Some(blob) = upload.blob {
            break blob;
        }
        if upload.offset_bytes > before {
            // It got further, so the connection is worth as much patience as at the start.
            patience = Patience::new();
        } else if elsewhere && !patience.wait(&status).await {
            return Err(status).with_context(|| format!("cannot go on with the upload of {name}"));
        }
    };
    bar.finish_and_clear();
    Ok(Uploaded { blob, known: false })
}

/// SHA-256 of exactly `size` bytes from the file's start.
fn digest(mut file: File, size: u64, bar: &ProgressBar) -> io::Result<(File, String)> {
    file.seek(SeekFrom::Start(0))?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; CHUNK];
    let mut left = size;
    while left > 0 {
        let most = usize::try_from(left).map_or(CHUNK, |left| left.min(CHUNK));
        let got = file.read(&mut buffer[..most])?;
        if got == 0 {
            return Err(io::Error::new(
                io::ErrorKind::UnexpectedEof,
                "the file became shorter while it was read",
            ));
        }
        hasher.update(&buffer[..got]);
        left -= got as u64;
        bar.inc(got as u64);
    }
    let sha256 = hasher.finalize().iter().map(|b| format!("{b:02x}")).collect();
    Ok((file, sha256))
}

/// Sends the bytes from the upload's offset on. The outer error is of our own file.
async fn write(
    client: &mut BlobServiceClient<Channel>,
    file: &File,
    upload: &Upload,
    bar: &ProgressBar,
) -> anyhow::Result<Result<Upload, Status>> {
    let offset = u64::try_from(upload.offset_bytes).context("the service told a negative offset")?;
    let left = u64::try_from(upload.size_bytes).ok().and_then(|size| size.checked_sub(offset));
    let left = left.context("the service told an offset behind the file's end")?;
    bar.set_position(offset);
    let (sender, receiver) = mpsc::channel(AHEAD);
    let start = WriteBlobStart { upload: upload.name.clone(), offset_bytes: upload.offset_bytes };
    // The channel is new and empty.
    let _ = sender.try_send(WriteBlobRequest { part: Some(Part::Start(start)) });
    let reader = {
        let (file, bar) = (file.try_clone().context("cannot read the file again")?, bar.clone());
        tokio::task::spawn_blocking(move || feed(file, offset, left, &sender, &bar))
    };
    // Once the service answers, early or not, the receiver is dropped and with it the reader ends.
    let answer = client.write_blob(ReceiverStream::new(receiver)).await;
    reader.await?.context("cannot read the file")?;
    Ok(answer.map(tonic::Response::into_inner))
}

fn feed(
    mut file: File,
    offset: u64,
    mut left: u64,
    sender: &mpsc::Sender<WriteBlobRequest>,
    bar: &ProgressBar,
) -> io::Result<()> {
    file.seek(SeekFrom::Start(offset))?;
    while left > 0 {
        let mut chunk = Vec::with_capacity(CHUNK);
        (&mut file).take(left.min(CHUNK as u64)).read_to_end(&mut chunk)?;
        if chunk.is_empty() {
            return Err(io::Error::new(
                io::ErrorKind::UnexpectedEof,
                "the file became shorter while it was sent",
            ));
        }
        let got = chunk.len() as u64;
        if sender.blocking_send(WriteBlobRequest { part: Some(Part::Chunk(Bytes::from(chunk))) }).is_err() {
            return Ok(());
        }
        left -= got;
        bar.inc(got);
    }
    Ok(())
}

#[cfg(test)]
#[path = "upload_tests.rs"]
mod tests;
