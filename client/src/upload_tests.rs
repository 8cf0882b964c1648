//! Uploads against a service that breaks off, moves the offset, and knows some files already.

use std::io::Write;
use std::sync::{Arc, Mutex};

use scantling_proto::v1::blob_service_server::{BlobService, BlobServiceServer};
use scantling_proto::v1::{Blob, GetBlobRequest, ReadBlobRequest, ReadBlobResponse};
use tokio::net::TcpListener;
use tokio_stream::StreamExt;
use tonic::transport::Server;
use tonic::transport::server::TcpIncoming;
use tonic::{Request, Response, Streaming};
use tonic_types::{ErrorDetails, StatusExt};

use super::*;
use crate::download::download;

/// Takes one upload; breaks off after each of `breaks` bytes, and loses what a crash would.
#[derive(Default)]
struct State {
    announced: CreateUploadRequest,
    taken: Vec<u8>,
    breaks: Vec<usize>,
    lost: usize,
    /// So many calls find another one still writing.
    busy: usize,
    starts: Vec<i64>,
}

#[derive(Clone, Default)]
struct Shaky(Arc<Mutex<State>>);

impl State {
    fn upload(&self) -> Upload {
        let whole = self.taken.len() as i64 == self.announced.size_bytes;
        let digest: String = Sha256::digest(&self.taken).iter().map(|b| format!("{b:02x}")).collect();
        Upload {
            name: "uploads/1".into(),
            size_bytes: self.announced.size_bytes,
            offset_bytes: self.taken.len() as i64,
            blob: (whole && digest == self.announced.sha256).then(|| format!("blobs/{digest}")),
        }
    }
}

#[tonic::async_trait]
impl BlobService for Shaky {
    type ReadBlobStream = tokio_stream::Iter<std::vec::IntoIter<Result<ReadBlobResponse, Status>>>;

    async fn create_upload(&self, request: Request<CreateUploadRequest>) -> Result<Response<Upload>, Status> {
        let mut state = self.0.lock().expect("no panic before");
        state.announced = request.into_inner();
        Ok(Response::new(state.upload()))
    }

    async fn get_upload(&self, _: Request<GetUploadRequest>) -> Result<Response<Upload>, Status> {
        Ok(Response::new(self.0.lock().expect("no panic before").upload()))
    }

    async fn write_blob(
        &self,
        request: Request<Streaming<WriteBlobRequest>>,
    ) -> Result<Response<Upload>, Status> {
        let mut stream = request.into_inner();
        while let Some(message) = stream.next().await {
            let mut state = self.0.lock().expect("no panic before");
            match message?.part {
                Some(Part::Start(start)) if state.busy > 0 => {
                    state.busy -= 1;
                    let none = std::collections::HashMap::new();
                    let details = ErrorDetails::with_error_info("UPLOAD_OFFSET", "scantling", none);
                    state.starts.push(start.offset_bytes);
                    return Err(Status::with_error_details(
                        tonic::Code::Aborted,
                        "another call is writing",
                        details,
                    ));
                }
                Some(Part::Start(start)) => {
                    assert_eq!(start.offset_bytes, state.taken.len() as i64, "sent on from elsewhere");
                    state.starts.push(start.offset_bytes);
                }
                Some(Part::Chunk(chunk)) => {
                    assert!(chunk.len() <= 1 << 20, "a chunk of {} bytes", chunk.len());
                    state.taken.extend_from_slice(&chunk);
                    if state.breaks.first().is_some_and(|at| state.taken.len() >= *at) {
                        state.breaks.remove(0);
                        let kept = state.taken.len() - state.lost;
                        state.taken.truncate(kept);
                        return Err(Status::unavailable("broke off"));
                    }
                }
                None => return Err(Status::invalid_argument("empty message")),
            }
        }
        Ok(Response::new(self.0.lock().expect("no panic before").upload()))
    }

    async fn get_blob(&self, request: Request<GetBlobRequest>) -> Result<Response<Blob>, Status> {
        let size_bytes = self.0.lock().expect("no panic before").taken.len() as i64;
        Ok(Response::new(Blob { name: request.into_inner().name, size_bytes }))
    }

    async fn read_blob(
        &self,
        request: Request<ReadBlobRequest>,
    ) -> Result<Response<Self::ReadBlobStream>, Status> {
        let state = self.0.lock().expect("no panic before");
        // Another blob's bytes under a wrong name, to see that the digest is looked at.
        let _ = request;
        let parts: Vec<_> = state
            .taken
            .chunks(1000)
            .map(|c| Ok(ReadBlobResponse { chunk: Bytes::copy_from_slice(c) }))
            .collect();
        Ok(Response::new(tokio_stream::iter(parts)))
    }
}

async fn serve(shaky: &Shaky) -> Channel {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
    let url = format!("http://{}", listener.local_addr().expect("bound"));
    let service = BlobServiceServer::new(shaky.clone());
    tokio::spawn(Server::builder().add_service(service).serve_with_incoming(TcpIncoming::from(listener)));
    Channel::from_shared(url).expect("a url").connect().await.expect("connects")
}

fn input(bytes: &[u8]) -> Input {
    let mut file = tempfile::tempfile().expect("a temporary file");
    file.write_all(bytes).expect("written");
    Input { file, size: bytes.len() as u64, name: "scan.ply".into() }
}

fn some_bytes(count: usize) -> Vec<u8> {
    (0..count).map(|k| (k * k % 251) as u8).collect()
}

#[tokio::test]
async fn a_broken_upload_goes_on_where_the_service_stands() {
    let shaky = Shaky::default();
    let bytes = some_bytes(3 * CHUNK + 17);
    {
        let mut state = shaky.0.lock().expect("new");
        state.breaks = vec![CHUNK, 2 * CHUNK];
        // What was taken but not safe is lost.
        state.lost = 1000;
    }
    let channel = serve(&shaky).await;
    let sent = upload(&channel, input(&bytes), &Progress::new(true)).await.expect("sent at last");
    let state = shaky.0.lock().expect("no panic before");
    assert!(!sent.known);
    assert_eq!(state.taken, bytes);
    assert_eq!(state.starts, [0, CHUNK as i64 - 1000, 3 * CHUNK as i64 - 2000]);
    assert_eq!(Some(sent.blob), state.upload().blob);
}

#[tokio::test]
async fn an_upload_that_breaks_at_ten_places_ends_with_the_right_digest() {
    let shaky = Shaky::default();
    let bytes = some_bytes(11 * CHUNK + 123);
    {
        let mut state = shaky.0.lock().expect("new");
        // Any places, the same in every run: a linear congruential generator (Knuth's constants).
        let mut seed = 20_260_504_u64;
        let mut place = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 33) as usize % (10 * CHUNK)
        };
        state.breaks = (0..10).map(|_| place()).collect();
        state.breaks.sort_unstable();
        state.lost = 77;
    }
    let channel = serve(&shaky).await;
    let sent = upload(&channel, input(&bytes), &Progress::new(true)).await.expect("sent at last");
    let state = shaky.0.lock().expect("no panic before");
    assert!(state.breaks.is_empty(), "it broke at each place");
    assert_eq!(state.taken, bytes);
    assert_eq!(Some(sent.blob), state.upload().blob);
}

#[tokio::test]
async fn an_upload_that_broke_before_is_gone_on_with_and_one_held_by_another_call_is_waited_for() {
    let shaky = Shaky::default();
    let bytes = some_bytes(2 * CHUNK + 5);
    {
        let mut state = shaky.0.lock().expect("new");
        // A process before this one sent so much.
        state.taken = bytes[..CHUNK + 3].to_vec();
        state.busy = 2;
    }
    let channel = serve(&shaky).await;
    upload(&channel, input(&bytes), &Progress::new(true)).await.expect("sent at last");
    let state = shaky.0.lock().expect("no panic before");
    assert_eq!(state.taken, bytes);
    assert_eq!(state.starts, [CHUNK as i64 + 3; 3]);
}

#[tokio::test]
async fn known_bytes_are_not_sent_again() {
    let shaky = Shaky::default();
    let bytes = some_bytes(5000);
    shaky.0.lock().expect("new").taken.clone_from(&bytes);
    let channel = serve(&shaky).await;
    let sent = upload(&channel, input(&bytes), &Progress::new(true)).await.expect("known");
    assert!(sent.known);
    assert!(shaky.0.lock().expect("no panic before").starts.is_empty());
}

#[tokio::test]
async fn an_empty_file_is_refused_before_anything_is_sent() {
    let channel = serve(&Shaky::default()).await;
    let error = upload(&channel, input(b""), &Progress::new(true)).await.err().expect("refused");
    assert_eq!(Exit::of_error(&error), Exit::Refused);
}

#[tokio::test]
async fn a_download_with_other_bytes_than_its_name_says_leaves_no_file() {
    let shaky = Shaky::default();
    let bytes = some_bytes(5000);
    shaky.0.lock().expect("new").taken.clone_from(&bytes);
    let channel = serve(&shaky).await;
    let folder = tempfile::tempdir().expect("a temporary folder");
    let to = folder.path().join("report.html");
    assert!(
        download(&channel, &format!("blobs/{}", "0".repeat(64)), &to, &Progress::new(true)).await.is_err()
    );
    assert_eq!(std::fs::read_dir(folder.path()).expect("there").count(), 0);
    let digest: String = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
    download(&channel, &format!("blobs/{digest}"), &to, &Progress::new(true)).await.expect("saved");
    assert_eq!(std::fs::read(&to).expect("there"), bytes);
}
