//! Files packed by gzip (RFC 1952) or zip (PKWARE APPNOTE 6.3): unpacked in memory, never beyond the limit.
//!
//! A small packed file may unpack to a huge one, so the output is counted while it grows, and what the
//! file itself says of its length is never reserved.

use std::io::{ErrorKind, Read};

use flate2::bufread::MultiGzDecoder;

use super::text::Lines;
use super::{Format, Header, ReadError, find, obj, ply, stl, zip};
use crate::run::{Run, Stopped};

/// What a file is packed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Packing {
    /// One stream, RFC 1952.
    Gzip,
    /// An archive, which must hold exactly one file that can be read.
    Zip,
}

impl Packing {
    /// What people call it.
    pub fn word(self) -> &'static str {
        match self {
            Packing::Gzip => "gzip",
            Packing::Zip => "zip",
        }
    }
}

/// What the bytes are packed in, by their first ones.
pub(super) fn packing(bytes: &[u8]) -> Option<Packing> {
    if bytes.starts_with(&[0x1F, 0x8B]) {
        Some(Packing::Gzip)
    } else if bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(b"PK\x05\x06") {
        Some(Packing::Zip)
    } else {
        None
    }
}

/// How much of a packed file is unpacked to find out what it is.
pub(super) const BEGINNING: usize = 1 << 20;

/// The first bytes of what is packed.
pub(super) struct Beginning {
    pub(super) bytes: Vec<u8>,
    /// Of all of it: known when that is within the beginning, else as announced or foretold.
    pub(super) length: u64,
}

impl Beginning {
    pub(super) fn whole(&self) -> bool {
        self.bytes.len() as u64 == self.length
    }
}

/// Deflate makes at most 1,032 bytes of one (zlib's technical details, "Maximum Compression Factor").
const MOST_PER_BYTE: u64 = 1032;

pub(super) fn beginning(bytes: &[u8], packing: Packing) -> Result<Beginning, ReadError> {
    let start = match packing {
        Packing::Zip => zip::beginning(bytes)?,
        Packing::Gzip => {
            let mut decoder = MultiGzDecoder::new(bytes);
            let (start, ended) = inflate(&mut decoder, BEGINNING, &|| Ok(())).map_err(|f| f.error("gzip"))?;
            let length = start.len() as u64;
            let length = if ended {
                length
            } else {
                // The last four bytes say the length of the last member, modulo 2^32.
                let tail = bytes.last_chunk::<4>().map_or(0, |b| u64::from(u32::from_le_bytes(*b)));
                let used = (bytes.len() - decoder.get_ref().len()).max(1) as u64;
                let foretold = length.saturating_mul(bytes.len() as u64) / used;
                let said = tail > length && tail <= MOST_PER_BYTE * bytes.len() as u64;
                if said { tail } else { foretold.max(length + 1) }
            };
            Beginning { bytes: start, length }
        }
    };
    refuse_nested(&start.bytes)?;
    Ok(start)
}

fn refuse_nested(content: &[u8]) -> Result<(), ReadError> {
    if packing(content).is_some() { Err(ReadError::Nested) } else { Ok(()) }
}

/// All that is packed.
pub(super) fn unpack(bytes: &[u8], packing: Packing, run: &Run) -> Result<Vec<u8>, ReadError> {
    let content = match packing {
        Packing::Zip => zip::unpack(bytes, run)?,
        Packing::Gzip => all(MultiGzDecoder::new(bytes), Packing::Gzip, run)?,
    };
    refuse_nested(&content)?;
    Ok(content)
}

/// Everything of a stream, within the run's limit.
pub(super) fn all(stream: impl Read, packing: Packing, run: &Run) -> Result<Vec<u8>, ReadError> {
    let limit = run.limits.file_bytes;
    let most = usize::try_from(limit).unwrap_or(usize::MAX);
    match inflate(stream, most, &|| run.check()) {
        Ok((content, true)) => Ok(content),
        Ok(_) => Err(ReadError::UnpacksTooLarge { limit }),
        Err(fault) => Err(fault.error(packing.word())),
    }
}

/// Why a stream ended.
pub(super) enum Fault {
    Stopped(Stopped),
    Damaged(std::io::Error),
}

impl Fault {
    pub(super) fn error(self, packing: &'static str) -> ReadError {
        match self {
            Fault::Stopped(stopped) => ReadError::Stopped(stopped),
            Fault::Damaged(e) if e.kind() == ErrorKind::UnexpectedEof => ReadError::Packed {
                packing,
                problem: "ends inside its packed data: it is cut short; send the whole file".into(),
            },
            Fault::Damaged(e) => {
                ReadError::Packed { packing, problem: format!("is damaged ({e}): pack it again") }
            }
        }
    }
}

/// Up to `most` bytes of a stream, and whether that was all of it.
pub(super) fn inflate(
    mut stream: impl Read,
    most: usize,
    go_on: &dyn Fn() -> Result<(), Stopped>,
) -> Result<(Vec<u8>, bool), Fault> {
    let mut content: Vec<u8> = Vec::new();
    let mut chunk = vec![0; 1 << 16];
    loop {
        go_on().map_err(Fault::Stopped)?;
        let got = match stream.read(&mut chunk) {
            Ok(0) => return Ok((content, true)),
            Ok(got) => got,
            Err(e) if e.kind() == ErrorKind::Interrupted => continue,
            Err(e) => return Err(Fault::Damaged(e)),
        };
        let taken = got.min(most - content.len());
        if content.capacity() - content.len() < taken {
            let wanted =
                content.capacity().saturating_mul(2).max(1 << 16).min(most).max(content.len() + taken);
            content.reserve_exact(wanted - content.len());
        }
        content.extend_from_slice(&chunk[..taken]);
        if taken < got {
            return Ok((content, false));
        }
    }
}

/// What a packed file announces of which only the beginning was unpacked.
pub(super) fn foretold(start: &Beginning, format: Format) -> Result<Header, ReadError> {
    let (bytes, length) = (&start.bytes, start.length);
    // As many in each later stretch as in the first one, and a few more.
    let more = |count: u64| {
        let share = length as f64 / bytes.len().max(1) as f64;
        (count as f64 * share * 1.1).ceil() as u64
    };
    let (points, triangles, normals) = match format {
        Format::Ply => {
            let layout = ply::parsed(bytes)?;
            (layout.vertex_count(), layout.face_count(), layout.has_normals())
        }
        Format::Stl => {
            let triangles = match stl::announced(bytes) {
                Some(n) if stl::is_binary(bytes, length) => n,
                _ => more(Lines::from(bytes, 0, 0).filter(|l| stl::is_facet(l)).count() as u64),
            };
            (3 * triangles, triangles, false)
        }
        Format::Obj => {
            let count = obj::count(bytes);
            (more(count.vertices), more(count.faces.max(count.vertices)), count.normals > 0)
        }
        Format::Text => {
            let found = find::find(bytes, &super::TextLayout::default())?;
            (more(find::most_points(bytes, &found)), 0, found.has_normals())
        }
        // Its description stands at its end: as if each point took three numbers of 16 bits.
        Format::E57 => (length / 6, 0, false),
    };
    Ok(Header { exact: false, ..Header::of(format, points, triangles, normals) })
}
