//! Nominals made ready, kept for the next inspection of the same revision.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use scantling_core::nominal::Nominal;

/// What a nominal is made from, and so what tells two of them apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Key {
    pub(crate) sha256: String,
    /// Millimetres of the file's unit, as bits.
    pub(crate) unit_mm_bits: u64,
    /// Side of the material, in the plan's word; empty when it says none.
    pub(crate) side: String,
}

/// Nominals kept; a cell measures few part numbers in turn, and each may take hundreds of megabytes.
const KEPT: usize = 4;

/// The last few nominals, the latest used first.
#[derive(Debug, Default)]
pub(crate) struct Nominals(Mutex<VecDeque<(Key, Arc<Nominal>)>>);

impl Nominals {
    /// The nominal of `key`, made by `make` when it is not kept. Two threads may make the same one at a
    /// time; both are right.
    pub(crate) fn get<E>(
        &self,
        key: &Key,
        make: impl FnOnce() -> Result<Nominal, E>,
    ) -> Result<Arc<Nominal>, E> {
        if let Some(found) = self.find(key) {
            return Ok(found);
        }
        let made = Arc::new(make()?);
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.retain(|(k, _)| k != key);
        kept.push_front((key.clone(), Arc::clone(&made)));
        kept.truncate(KEPT);
        Ok(made)
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
