//! Bytes by their SHA-256, one file each. A file appears under its digest only by a rename after its bytes
//! were proven and are on the disc. Nothing from outside becomes a path: a digest is 64 lower-case
//! hexadecimal digits or it is refused, an upload's id is the store's own.

mod digest;
mod spool;

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

pub use digest::Digest;
pub(crate) use spool::{SpoolWriter, digest_of_file};

use crate::store::{Store, StoreError};

/// The folder of blobs and the one of uploads under way.
#[derive(Clone, Debug)]
pub struct Blobs {
    blobs: PathBuf,
    spool: PathBuf,
}

impl Blobs {
    /// Opens the two folders within the data folder, makes them when they are missing.
    ///
    /// # Errors
    /// When they cannot be made.
    pub fn open(data_dir: &Path) -> io::Result<Self> {
        let at = Self { blobs: data_dir.join("blobs"), spool: data_dir.join("spool") };
        fs::create_dir_all(&at.blobs)?;
        fs::create_dir_all(&at.spool)?;
        // All of them at once, so that none is made while others write, and one sync makes them safe.
        for folder in 0..=0xffu8 {
            fs::create_dir_all(at.blobs.join(format!("{folder:02x}")))?;
        }
        sync_folder(&at.blobs)?;
        sync_folder(data_dir)?;
        Ok(at)
    }

    fn path(&self, digest: &Digest) -> PathBuf {
        // Two digits a folder keep folders small.
        self.blobs.join(&digest.hex()[..2]).join(digest.hex())
    }

    pub(crate) fn spool_path(&self, upload: uuid::Uuid) -> PathBuf {
        self.spool.join(upload.hyphenated().to_string())
    }

    /// Size of a blob's file; `None` when there is none. Blocks.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn size(&self, digest: &Digest) -> io::Result<Option<u64>> {
        match fs::metadata(self.path(digest)) {
            Ok(file) => Ok(Some(file.len())),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(e),
        }
    }

    /// Opens a blob for reading. Blocks.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn file(&self, digest: &Digest) -> io::Result<File> {
        File::open(self.path(digest))
    }

    /// All bytes of a blob, at most `limit`. Blocks.
    ///
    /// # Errors
    /// `FileTooLarge` above the limit, else those of the file system.
    pub fn read(&self, digest: &Digest, limit: u64) -> io::Result<Vec<u8>> {
        let size = fs::metadata(self.path(digest))?.len();
        if size > limit {
            return Err(io::Error::new(
                io::ErrorKind::FileTooLarge,
                format!("{size} bytes are more than the limit of {limit}"),
            ));
        }
        fs::read(self.path(digest))
    }

    /// Stores bytes of our own; equal bytes once. Blocks.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn put(&self, bytes: &[u8]) -> io::Result<Digest> {
        let digest = Digest::of(bytes);
        if self.size(&digest)? == Some(bytes.len() as u64) {
            self.make_safe(&digest)?;
            return Ok(digest);
        }
        let spooled = self.spool_path(uuid::Uuid::now_v7());
        let stored = (|| {
            let mut file = File::create_new(&spooled)?;
            file.write_all(bytes)?;
            file.sync_all()?;
            self.take_in(&spooled, &digest)
        })();
        if stored.is_err() {
            // On a full disc half a file would only take more room; if this fails too, the next start removes it.
            let _ = fs::remove_file(&spooled);
        }
        stored.map(|()| digest)
    }

    /// Moves a proven, synced file under its digest. Blocks.
    pub(crate) fn take_in(&self, spooled: &Path, digest: &Digest) -> io::Result<()> {
        let path = self.path(digest);
        let folder = path.parent().ok_or_else(|| io::Error::other("a blob lies in a folder"))?;
        fs::rename(spooled, &path)?;
        sync_folder(folder)?;
        sync_folder(&self.spool)
    }

    /// Makes the place of a blob safe that another may have moved there a moment ago. Blocks.
    pub(crate) fn make_safe(&self, digest: &Digest) -> io::Result<()> {
        let path = self.path(digest);
        path.parent().map_or(Ok(()), sync_folder)
    }

    /// Gives up uploads without progress for so long, rows and files together.
    pub(crate) async fn forget_uploads(&self, store: &Store, before_us: i64) -> Result<usize, StoreError> {
        let gone = store.forget_uploads(before_us).await?;
        for id in &gone {
            if let Ok(id) = uuid::Uuid::try_parse(id)
                && let Err(error) = fs::remove_file(self.spool_path(id))
                && error.kind() != io::ErrorKind::NotFound
            {
                tracing::warn!(%id, %error, "a given up upload's file stays until the next start");
            }
        }
        Ok(gone.len())
    }

    /// Removes spool files that belong to no upload under way.
    pub(crate) async fn sweep(&self, store: &Store) -> Result<(), crate::ServeError> {
        let files = fs::read_dir(&self.spool).map_err(crate::ServeError::Blobs)?;
        for file in files {
            let file = file.map_err(crate::ServeError::Blobs)?;
            let open = match file.file_name().to_str() {
                Some(name) => match store.upload(name).await {
                    Ok(upload) => !upload.complete,
                    Err(StoreError::NotFound { .. }) => false,
                    Err(e) => return Err(e.into()),
                },
                None => false,
            };
            if !open {
                fs::remove_file(file.path()).map_err(crate::ServeError::Blobs)?;
            }
        }
        Ok(())
    }
}

/// The entries of a folder are on the disc only after the folder itself was synced.
pub(crate) fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}
