//! E57's pages: 1,020 bytes of content, then their CRC-32C with the highest byte first. ASTM E2807-11,
//! section 7 (from memory); the order of the checksum's bytes is that of all files there are.
//!
//! An offset is physical in the file, or logical in the content without checksums.

use super::crc32c::crc32c;
use super::{Place, ReadError};
use crate::run::Run;

const PAGE: u64 = 1024;
const CONTENT: u64 = PAGE - 4;

pub(super) struct Pages<'a> {
    bytes: &'a [u8],
}

impl<'a> Pages<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Result<Self, ReadError> {
        let length = bytes.len() as u64;
        if length == 0 || !length.is_multiple_of(PAGE) {
            return Err(ReadError::Truncated { at: Place::Byte(length), what: "a page of 1,024 bytes" });
        }
        Ok(Self { bytes })
    }

    /// Length of the content.
    pub(super) fn length(&self) -> u64 {
        self.bytes.len() as u64 / PAGE * CONTENT
    }

    pub(super) fn logical(&self, physical: u64) -> Result<u64, ReadError> {
        if physical < self.bytes.len() as u64 && physical % PAGE < CONTENT {
            return Ok(physical / PAGE * CONTENT + physical % PAGE);
        }
        Err(ReadError::BadE57 {
            at: Place::Byte(physical),
            problem: format!(
                "an offset points here, which is no content of the {} bytes: the file is cut short or damaged; send the whole file",
                self.bytes.len()
            ),
        })
    }

    /// Where a logical offset is in the file.
    pub(super) fn place(logical: u64) -> Place {
        Place::Byte((logical / CONTENT).saturating_mul(PAGE).saturating_add(logical % CONTENT))
    }

    fn check_page(&self, page: u64) -> Result<(), ReadError> {
        let start = (page * PAGE) as usize;
        let content = &self.bytes[start..start + CONTENT as usize];
        let stored = &self.bytes[start + CONTENT as usize..start + PAGE as usize];
        if crc32c(content).to_be_bytes() == *stored {
            return Ok(());
        }
        Err(ReadError::BadE57 {
            at: Place::Byte(start as u64),
            problem: format!(
                "the checksum of page {page} (from 0) is wrong: the file is damaged; copy or export it again"
            ),
        })
    }

    /// Checks every page.
    pub(super) fn check_all(&self, run: &Run) -> Result<(), ReadError> {
        for page in 0..self.bytes.len() as u64 / PAGE {
            // 64 pages are 4,096 groups of 16 bytes.
            if page.is_multiple_of(64) {
                run.check()?;
            }
            self.check_page(page)?;
        }
        Ok(())
    }

    /// Checks the pages of a stretch, of which at least the beginning must exist.
    pub(super) fn check(&self, logical: u64, length: u64) -> Result<(), ReadError> {
        let last = logical.saturating_add(length.saturating_sub(1)).min(self.length() - 1) / CONTENT;
        (logical / CONTENT..=last).try_for_each(|page| self.check_page(page))
    }

    /// Fills `into` from a logical offset on.
    pub(super) fn copy(&self, logical: u64, into: &mut [u8], what: &'static str) -> Result<(), ReadError> {
        if logical.checked_add(into.len() as u64).is_none_or(|end| end > self.length()) {
            return Err(ReadError::Truncated { at: Place::Byte(self.bytes.len() as u64), what });
        }
        let (mut at, mut filled) = (logical, 0);
        while filled < into.len() {
            let within = at % CONTENT;
            let start = (at / CONTENT * PAGE + within) as usize;
            let take = (into.len() - filled).min((CONTENT - within) as usize);
            into[filled..filled + take].copy_from_slice(&self.bytes[start..start + take]);
            (at, filled) = (at + take as u64, filled + take);
        }
        Ok(())
    }
}
