//! Nominals made ready, kept for the next plan or inspection of the same file.

use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex, PoisonError};

use scantling_core::nominal::{self, Nominal, NominalFile, NominalFileError};
use scantling_core::run::Run;

use crate::blobs::{Blobs, Digest};

/// What a nominal is made from, and so what tells two of them apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Key {
    pub(crate) digest: Digest,
    pub(crate) told: NominalFile,
}

/// Why there is no nominal.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NominalFailure {
    #[error("stopped by the caller")]
    Stopped,
    /// The file is not what it must be; the words say what to do.
    #[error("{0}")]
    Refused(String),
    /// A fault of the program or its disc.
    #[error("the nominal's bytes cannot be read back: {0}")]
    Storage(#[from] io::Error),
}

impl From<NominalFileError> for NominalFailure {
    fn from(error: NominalFileError) -> Self {
        if error.is_stopped() { NominalFailure::Stopped } else { NominalFailure::Refused(error.to_string()) }
    }
}

/// Nominals kept; a cell measures few part numbers in turn, and each may take hundreds of megabytes.
const KEPT: usize = 4;

/// The last few nominals, the latest used first.
#[derive(Debug, Default)]
pub(crate) struct Nominals(Mutex<VecDeque<(Key, Arc<Nominal>)>>);

impl Nominals {
    /// The nominal of `key`, made from its blob when it is not kept. Blocks. Two threads may make the same
    /// one at a time; both are right.
    pub(crate) fn get(&self, blobs: &Blobs, key: &Key, run: &Run) -> Result<Arc<Nominal>, NominalFailure> {
        if let Some(found) = self.find(key) {
            return Ok(found);
        }
        let bytes = blobs.read(&key.digest, run.limits.file_bytes).map_err(|e| match e.kind() {
            io::ErrorKind::FileTooLarge => NominalFailure::Refused(e.to_string()),
            _ => NominalFailure::Storage(e),
        })?;
        let made = Arc::new(nominal::read(&bytes, &key.told, run)?);
        drop(bytes);
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.retain(|(k, _)| k != key);
        kept.push_front((key.clone(), Arc::clone(&made)));
        kept.truncate(KEPT);
        Ok(made)
    }

    /// How many triangles a nominal has, if it is kept: what a STEP file does not tell before it is read.
    pub(crate) fn triangles(&self, key: &Key) -> Option<u64> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter().find(|(k, _)| k == key).map(|(_, nominal)| nominal.mesh().triangles().len() as u64)
    }

    fn find(&self, key: &Key) -> Option<Arc<Nominal>> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let at = kept.iter().position(|(k, _)| k == key)?;
        let entry = kept.remove(at)?;
        let found = Arc::clone(&entry.1);
        kept.push_front(entry);
        Some(found)
    }
}
