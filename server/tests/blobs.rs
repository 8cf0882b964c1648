//! Bytes go up, break off, go on, and come down as they were.

#![allow(clippy::unwrap_used, reason = "a test may end so")]

mod harness;

use harness::{Server, fields, messages, refused};
use scantling_proto::v1::write_blob_request::Part;
use scantling_proto::v1::{
    CreateUploadRequest, GetBlobRequest, GetUploadRequest, ReadBlobRequest, WriteBlobRequest, WriteBlobStart,
};
use scantling_server::blobs::Digest;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Code, Request};

fn bytes(n: usize) -> Vec<u8> {
    (0..n).map(|i| (i * 31 + i / 256) as u8).collect()
}

async fn read_back(server: &Server, name: &str) -> Vec<u8> {
    let mut stream =
        server.blobs().read_blob(ReadBlobRequest { name: name.to_owned() }).await.unwrap().into_inner();
    let mut all = Vec::new();
    while let Some(part) = stream.message().await.unwrap() {
        all.extend_from_slice(&part.chunk);
    }
    all
}

#[tokio::test]
async fn what_goes_up_comes_down_and_is_stored_once() {
    let server = Server::start().await;
    let sent = bytes(700_001);
    let name = server.put(&sent).await;
    assert_eq!(name, format!("blobs/{}", Digest::of(&sent)));
    let blob = server.blobs().get_blob(GetBlobRequest { name: name.clone() }).await.unwrap().into_inner();
    assert_eq!(blob.size_bytes, 700_001);
    assert_eq!(read_back(&server, &name).await, sent);
    let again = server.announce(&sent).await;
    assert_eq!((again.blob, again.offset_bytes), (Some(name), 700_001));
    let spool = server.folder.path().join("spool");
    assert_eq!(std::fs::read_dir(spool).unwrap().count(), 0);
}

#[tokio::test]
async fn an_upload_that_broke_off_goes_on_even_in_another_process() {
    let server = Server::start().await;
    let sent = bytes(50_000);
    let upload = server.announce(&sent).await;

    // The caller vanishes in the middle of its stream.
    let (tell, told) = mpsc::channel(100);
    for message in messages(&upload.name, 0, &sent[..20_000]) {
        tell.send(message).await.unwrap();
    }
    let mut client = server.blobs();
    let call = tokio::spawn(async move { client.write_blob(Request::new(ReceiverStream::new(told))).await });
    while tell.capacity() < 100 {
        tokio::task::yield_now().await;
    }
    let ask = async |server: &Server| {
        let request = GetUploadRequest { name: upload.name.clone() };
        server.blobs().get_upload(request).await.unwrap().into_inner().offset_bytes
    };
    call.abort();
    let mut stands = 0;
    for _ in 0..500 {
        stands = ask(&server).await;
        if stands > 0 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    assert!(stands > 0 && stands <= 20_000, "{stands}");

    let folder = server.end().await;
    let config = harness::config(folder.path());
    let server = Server::on(folder, config).await;
    assert_eq!(ask(&server).await, stands);
    let status = refused(server.write(&upload.name, stands - 1, &sent).await, Code::Aborted, "UPLOAD_OFFSET");
    assert!(status.message().contains(&stands.to_string()), "{status:?}");
    let half = stands + 10_000;
    let more = server.write(&upload.name, stands, &sent[stands as usize..half as usize]).await.unwrap();
    assert_eq!((more.offset_bytes, more.blob), (half, None));
    let done = server.write(&upload.name, half, &sent[half as usize..]).await.unwrap();
    assert_eq!(read_back(&server, &done.blob.unwrap()).await, sent);
    // Asking again after the end is answered, not refused: the first answer may have been lost.
    assert!(server.write(&upload.name, 50_000, &[]).await.unwrap().blob.is_some());
}

#[tokio::test]
async fn other_bytes_than_announced_are_dropped_and_may_come_again() {
    let server = Server::start().await;
    let sent = bytes(3000);
    let upload = server.announce(&sent).await;
    let mut wrong = sent.clone();
    wrong[1500] ^= 1;
    refused(server.write(&upload.name, 0, &wrong).await, Code::DataLoss, "DIGEST_MISMATCH");
    let blob = GetBlobRequest { name: format!("blobs/{}", Digest::of(&sent)) };
    refused(server.blobs().get_blob(blob).await, Code::NotFound, "NOT_FOUND");
    // The same in two pieces, so that the digest is taken from the file.
    server.write(&upload.name, 0, &wrong[..2000]).await.unwrap();
    refused(server.write(&upload.name, 2000, &wrong[2000..]).await, Code::DataLoss, "DIGEST_MISMATCH");
    assert!(server.write(&upload.name, 0, &sent).await.unwrap().blob.is_some());
}

#[tokio::test]
async fn what_does_not_fit_is_refused_in_words() {
    let server = Server::with(|c| {
        c.limits.file_bytes = 5000;
        c.limits.chunk_bytes = 2000;
    })
    .await;
    let mut client = server.blobs();
    let wrong = CreateUploadRequest { sha256: "../../etc/passwd".to_owned(), size_bytes: -1 };
    let status = refused(client.create_upload(wrong).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["sha256", "size_bytes"]);
    let large = CreateUploadRequest { sha256: "0".repeat(64), size_bytes: 5001 };
    refused(client.create_upload(large).await, Code::InvalidArgument, "LIMIT_EXCEEDED");

    let sent = bytes(4000);
    let upload = server.announce(&sent).await.name;
    let mut more = sent.clone();
    more.push(0);
    let status = refused(server.write(&upload, 0, &more).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["chunk"]);
    let start = WriteBlobStart { upload: upload.clone(), offset_bytes: 4000 };
    let big = [Part::Start(start), Part::Chunk(bytes::Bytes::from(vec![0; 2001]))];
    refused(server.blobs().write_blob(stream(big)).await, Code::InvalidArgument, "LIMIT_EXCEEDED");
    let no_start = [Part::Chunk(bytes::Bytes::from_static(b"x"))];
    refused(client.write_blob(stream(no_start)).await, Code::InvalidArgument, "INVALID_FIELD");
    let nobody = messages("uploads/018f0000-0000-7000-8000-000000000000", 0, b"x");
    refused(client.write_blob(tokio_stream::iter(nobody)).await, Code::NotFound, "NOT_FOUND");
    for name in ["blobs/..", "blobs/", "", "blobs/../store.sqlite"] {
        let ask = ReadBlobRequest { name: name.to_owned() };
        refused(client.read_blob(ask).await, Code::InvalidArgument, "INVALID_FIELD");
    }
}

fn stream(
    parts: impl IntoIterator<Item = Part>,
) -> impl tokio_stream::Stream<Item = WriteBlobRequest> + Send + 'static {
    let all: Vec<_> = parts.into_iter().map(|part| WriteBlobRequest { part: Some(part) }).collect();
    tokio_stream::iter(all)
}

#[tokio::test]
async fn transfers_beyond_the_limit_are_told_to_come_back() {
    use tonic_types::StatusExt;
    let server = Server::with(|c| c.limits.transfers = 0).await;
    let upload = server.announce(&bytes(10)).await;
    let status =
        refused(server.write(&upload.name, 0, &bytes(10)).await, Code::ResourceExhausted, "OVERLOADED");
    assert!(status.get_error_details().retry_info().is_some());
}

/// Broken at ten random places, in the middle of chunks too, by ending the stream or dropping the call. (With cut
/// connections: `tests/tests/broken_upload.rs`.)
#[tokio::test]
async fn an_upload_broken_at_ten_random_places_ends_with_the_right_digest() {
    let server = Server::start().await;
    let sent = bytes(400_000);
    let mut random = scantling_core::geometry::random::Random::seeded(2026);
    let mut breaks = 0;
    let first = server.announce(&sent).await;
    while breaks < 10 {
        // Found again by its digest, not by its name.
        let upload = server.announce(&sent).await;
        assert_eq!(upload.name, first.name);
        assert!(upload.blob.is_none());
        let from = upload.offset_bytes as usize;
        let left = sent.len() - from;
        let to = from + 1 + random.below((left / 8).max(1));
        let (tell, told) = mpsc::channel(1000);
        for message in messages(&upload.name, from as i64, &sent[from..to]) {
            tell.send(message).await.unwrap();
        }
        let mut client = server.blobs();
        let call =
            tokio::spawn(async move { client.write_blob(Request::new(ReceiverStream::new(told))).await });
        while tell.capacity() < 1000 {
            tokio::task::yield_now().await;
        }
        if breaks % 2 == 0 {
            call.abort();
        }
        // The stream ends without its last bytes; the other half of the calls is cut off by its caller.
        drop(tell);
        let _ = call.await;
        breaks += 1;
        // Whoever wrote last must have left before the next comes.
        for _ in 0..500 {
            let stands = server.announce(&sent).await.offset_bytes as usize;
            assert!(stands >= from && stands <= to, "{from} {stands} {to}");
            let probe = server.write(&upload.name, stands as i64, &[]).await;
            if probe.is_ok() {
                break;
            }
            tokio::time::sleep(std::time::Duration::from_millis(5)).await;
        }
    }
    let upload = server.announce(&sent).await;
    let from = upload.offset_bytes as usize;
    assert!(from > 0, "something was kept of what came before the breaks");
    let done = server.write(&upload.name, from as i64, &sent[from..]).await.unwrap();
    assert_eq!(done.blob.as_deref(), Some(format!("blobs/{}", Digest::of(&sent)).as_str()));
    assert_eq!(read_back(&server, &done.blob.unwrap()).await, sent);
}
