//! The file of an upload under way, written on a thread of its own: bytes come through a short queue, so
//! that an upload holds few of them in memory and the calls' threads never wait for the disc.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use bytes::Bytes;
use sha2::{Digest as _, Sha256};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;

use super::{Digest, sync_folder};

/// Chunks that may wait for the disc.
const QUEUE: usize = 4;

enum Step {
    Bytes(Bytes),
    Sync(oneshot::Sender<u64>),
}

/// What was written when it ended.
#[derive(Debug)]
pub(crate) struct Spooled {
    /// Bytes that are safely on the disc.
    pub(crate) safe: u64,
    /// Digest of the whole file, when it was written in one go.
    pub(crate) digest: Option<Digest>,
}

/// Appends to the file of an upload.
#[derive(Debug)]
pub(crate) struct SpoolWriter {
    steps: mpsc::Sender<Step>,
    thread: JoinHandle<io::Result<Spooled>>,
}

impl SpoolWriter {
    /// Begins behind the `from` bytes that are safe; whatever the file holds beyond them is cut off.
    pub(crate) fn begin(path: PathBuf, from: u64) -> Self {
        let (steps, queue) = mpsc::channel(QUEUE);
        let thread = tokio::task::spawn_blocking(move || write(&path, from, queue));
        Self { steps, thread }
    }

    /// Hands over the next bytes; `false` when the writer ended early, which [`Self::end`] explains.
    pub(crate) async fn write(&self, bytes: Bytes) -> bool {
        self.steps.send(Step::Bytes(bytes)).await.is_ok()
    }

    /// Waits until everything handed over is on the disc; the bytes that are safe then. `None` when the
    /// writer ended early.
    pub(crate) async fn sync(&self) -> Option<u64> {
        let (tell, told) = oneshot::channel();
        self.steps.send(Step::Sync(tell)).await.ok()?;
        told.await.ok()
    }

    /// Ends the file, with everything handed over on the disc.
    pub(crate) async fn end(self) -> io::Result<Spooled> {
        let Self { steps, thread } = self;
        drop(steps);
        thread.await.unwrap_or_else(|e| Err(io::Error::other(e)))
    }
}

fn write(path: &Path, from: u64, mut queue: mpsc::Receiver<Step>) -> io::Result<Spooled> {
    let mut file = File::options().create(true).truncate(false).write(true).open(path)?;
    if file.metadata()?.len() < from {
        return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the file of the upload lost bytes"));
    }
    file.set_len(from)?;
    file.seek(SeekFrom::Start(from))?;
    if let Some(folder) = path.parent() {
        sync_folder(folder)?;
    }
    let mut hasher = (from == 0).then(Sha256::new);
    let mut at = from;
    while let Some(step) = queue.blocking_recv() {
        match step {
            Step::Bytes(bytes) => {
                file.write_all(&bytes)?;
                if let Some(hasher) = &mut hasher {
                    hasher.update(&bytes);
                }
                at += bytes.len() as u64;
            }
            Step::Sync(tell) => {
                file.sync_data()?;
                // Whoever asked may be gone; the bytes are safe all the same.
                let _ = tell.send(at);
            }
        }
    }
    file.sync_all()?;
    Ok(Spooled { safe: at, digest: hasher.map(Digest::from_hasher) })
}

/// Digest of a whole file. Blocks.
pub(crate) fn digest_of_file(path: &Path) -> io::Result<Digest> {
    let mut file = File::open(path)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 20];
    loop {
        match file.read(&mut buffer)? {
            0 => return Ok(Digest::from_hasher(hasher)),
            n => hasher.update(&buffer[..n]),
        }
    }
}
