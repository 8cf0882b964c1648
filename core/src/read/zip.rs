//! Zip archives with one file to read. After PKWARE's APPNOTE 6.3.10, sections 4.3.7, 4.3.12 and 4.3.16:
//! the directory at the end says where each file is and how long; stored (0) and deflated (8) are read.

use std::io::Read;

use flate2::Crc;
use flate2::bufread::DeflateDecoder;

use super::packed::{self, BEGINNING, Beginning, Packing};
use super::text::shown;
use super::{ReadError, sniff_start};
use crate::run::Run;

/// One file of an archive.
struct Entry<'a> {
    name: String,
    deflated: bool,
    packed: &'a [u8],
    /// As the directory says; held against what comes out.
    length: u64,
    crc: u32,
}

fn fault<T>(problem: impl Into<String>) -> Result<T, ReadError> {
    Err(ReadError::Packed { packing: "zip", problem: problem.into() })
}

fn u16_at(bytes: &[u8], at: usize) -> Option<usize> {
    let end = at.checked_add(2)?;
    Some(usize::from(u16::from_le_bytes(bytes.get(at..end)?.try_into().ok()?)))
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    let end = at.checked_add(4)?;
    Some(u32::from_le_bytes(bytes.get(at..end)?.try_into().ok()?))
}

/// More files than this in an archive is not one scan.
const MOST_ENTRIES: usize = 1000;

fn entries(bytes: &[u8]) -> Result<Vec<Entry<'_>>, ReadError> {
    // The end record has 22 bytes and a comment of at most 65,535.
    let from = bytes.len().saturating_sub(22 + 65_535);
    let end = bytes[from..].windows(22).rposition(|w| w.starts_with(b"PK\x05\x06"));
    let Some(end) = end.map(|at| from + at) else {
        return fault("has no directory at its end: it is cut short; send the whole file");
    };
    let (Some(count), Some(start)) = (u16_at(bytes, end + 10), u32_at(bytes, end + 16)) else {
        return fault("is cut short; send the whole file");
    };
    if count == 0xFFFF || start == u32::MAX {
        return fault("is in the zip64 form, which is not read: pack the scan with gzip");
    }
    if count > MOST_ENTRIES {
        return fault(format!("holds {count} files: pack the scan alone"));
    }
    let mut at = start as usize;
    let mut found = Vec::new();
    for _ in 0..count {
        match entry(bytes, at) {
            Some(Ok((next, entry))) => {
                at = next;
                // Folders, and what some systems add to every archive.
                let name = &entry.name;
                if !name.ends_with('/') && !name.starts_with("__MACOSX/") && !name.ends_with(".DS_Store") {
                    found.push(entry);
                }
            }
            Some(Err(problem)) => return fault(problem),
            None => return fault("has a damaged directory: pack it again"),
        }
    }
    Ok(found)
}

type Described<'a> = Result<(usize, Entry<'a>), String>;

/// The directory's entry at a byte, and where the next one begins; `None` where the bytes are no entry.
fn entry(bytes: &[u8], at: usize) -> Option<Described<'_>> {
    let head = bytes.get(at..)?;
    if !head.starts_with(b"PK\x01\x02") {
        return None;
    }
    let flags = u16_at(head, 8)?;
    let method = u16_at(head, 10)?;
    let (crc, packed_length, length) = (u32_at(head, 16)?, u32_at(head, 20)?, u32_at(head, 24)?);
    let (name_length, extra, comment) = (u16_at(head, 28)?, u16_at(head, 30)?, u16_at(head, 32)?);
    let local = u32_at(head, 42)?;
    let name = shown(head.get(46..46 + name_length)?);
    let next = at.checked_add(46 + name_length + extra + comment)?;
    if flags & 1 == 1 {
        return Some(Err(format!("holds {name} encrypted: pack it without a password")));
    }
    if method != 0 && method != 8 {
        return Some(Err(format!("holds {name} by method {method}; only stored and deflated are read")));
    }
    if packed_length == u32::MAX || length == u32::MAX || local == u32::MAX {
        return Some(Err("is in the zip64 form, which is not read: pack the scan with gzip".into()));
    }
    let local = bytes.get(local as usize..)?;
    if !local.starts_with(b"PK\x03\x04") {
        return None;
    }
    let data = 30 + u16_at(local, 26)? + u16_at(local, 28)?;
    let packed = local.get(data..data.checked_add(packed_length as usize)?)?;
    let entry = Entry { name, deflated: method == 8, packed, length: length.into(), crc };
    Some(Ok((next, entry)))
}

impl Entry<'_> {
    fn stream(&self) -> Box<dyn Read + '_> {
        if self.deflated { Box::new(DeflateDecoder::new(self.packed)) } else { Box::new(self.packed) }
    }

    fn beginning(&self, most: usize) -> Result<Beginning, ReadError> {
        let (bytes, ended) = packed::inflate(self.stream(), most, &|| Ok(())).map_err(|f| f.error("zip"))?;
        let got = bytes.len() as u64;
        // The directory's word where there is more than was unpacked.
        let length = if ended { got } else { self.length.max(got + 1) };
        Ok(Beginning { bytes, length })
    }
}

/// Enough of a file to know its format.
const LOOK: usize = 1 << 16;

/// The one file that can be read.
fn chosen(bytes: &[u8]) -> Result<Entry<'_>, ReadError> {
    let mut all = entries(bytes)?;
    if all.len() == 1 {
        return Ok(all.remove(0));
    }
    let names = all.iter().map(|e| e.name.clone()).collect();
    let mut readable = Vec::new();
    for entry in all {
        let start = entry.beginning(LOOK)?;
        let packed = packed::packing(&start.bytes).is_some();
        if packed || sniff_start(&start.bytes, start.length).is_some() {
            readable.push(entry);
        }
    }
    match readable.len() {
        1 => Ok(readable.remove(0)),
        readable => Err(ReadError::NotOneFile { readable, names }),
    }
}

pub(super) fn beginning(bytes: &[u8]) -> Result<Beginning, ReadError> {
    chosen(bytes)?.beginning(BEGINNING)
}

pub(super) fn unpack(bytes: &[u8], run: &Run) -> Result<Vec<u8>, ReadError> {
    let entry = chosen(bytes)?;
    let content = packed::all(entry.stream(), Packing::Zip, run)?;
    let mut crc = Crc::new();
    crc.update(&content);
    if content.len() as u64 != entry.length || crc.sum() != entry.crc {
        return fault(format!(
            "holds {} damaged (its checksum or length differs): pack it again",
            entry.name
        ));
    }
    Ok(content)
}
