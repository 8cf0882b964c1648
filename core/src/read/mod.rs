//! Bytes of a file become points, normals and triangles, within limits and without trust.
//!
//! [`read`] takes the whole file as bytes. Every count is held against the bytes that follow and the
//! caller's limits before anything is reserved; every error names a byte or a line. Long, because the errors of all readers stand here.

mod crc32c;
mod delimited;
mod e57;
mod e57_packets;
mod e57_pages;
mod e57_xml;
mod error;
mod find;
mod layout;
mod merge;
mod obj;
mod packed;
mod pieces;
mod ply;
mod ply_ascii;
mod ply_binary;
mod ply_rows;
pub mod step;
mod stl;
mod taken;
#[cfg(test)]
mod tests;
mod text;
mod unit;
mod zip;

pub use error::{Place, ReadError};
pub use find::TextFound;
pub(crate) use find::is_utf16;
pub use layout::{Column, LayoutError, TextLayout};
pub use packed::Packing;
pub use taken::{TakeError, Taken, take, take_from};
pub use unit::LengthUnit;

use crate::geometry::{Point, Vector};
use crate::run::{Run, Stage};

/// What a file holds, in the file's own length unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RawScan {
    /// Points or mesh vertices; all finite.
    pub points: Vec<Point>,
    /// One normal a point where the file has them; finite, not necessarily of unit length, may be zero.
    pub normals: Option<Vec<Vector>>,
    /// Corner indices, all in range; empty for a point cloud.
    pub triangles: Vec<[u32; 3]>,
    /// What else the file tells.
    pub source: Source,
}

/// What a file tells beside its points.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Source {
    /// Which format it is, unpacked; `None` for points that come from no file.
    pub format: Option<Format>,
    /// The length unit that the file tells: metres for E57, that of a heading such as `x_mm y_mm z_mm`. `None`
    /// where it tells none.
    pub unit: Option<LengthUnit>,
    /// Points that the file itself marks as not measured (E57's invalid states); left out.
    pub invalid_points: u64,
    /// Scans that the file holds; each was brought into the file's axes by its pose.
    pub scans: u64,
    /// Smallest and largest intensity, as the file has them; `None` without one.
    pub intensity: Option<[f64; 2]>,
    /// How a text file of points was read.
    pub text: Option<TextFound>,
    /// What was left aside, in words.
    pub notes: Vec<String>,
}

impl Source {
    /// Takes an intensity in; one that is no number is unknown.
    fn add_intensity(&mut self, value: f64) {
        if value.is_finite() {
            let [low, high] = self.intensity.unwrap_or([value; 2]);
            self.intensity = Some([low.min(value), high.max(value)]);
        }
    }
}

/// The file formats that are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Format {
    /// Polygon file format: ascii, binary little endian, binary big endian.
    Ply,
    /// Stereolithography: ascii or binary.
    Stl,
    /// Wavefront object: vertices, normals, polygons.
    Obj,
    /// Points as text, one a line: XYZ, CSV, TXT, PTS, ASC.
    Text,
    /// 3D imaging data exchange, ASTM E2807; lengths are metres.
    E57,
}

impl Format {
    /// The length unit that the format fixes. ASTM E2807-11 (from memory): coordinates are metres.
    pub fn unit(self) -> Option<LengthUnit> {
        match self {
            Format::E57 => Some(LengthUnit::Metre),
            Format::Ply | Format::Stl | Format::Obj | Format::Text => None,
        }
    }

    /// What people call it.
    pub fn word(self) -> &'static str {
        match self {
            Format::Ply => "PLY",
            Format::Stl => "STL",
            Format::Obj => "OBJ",
            Format::Text => "points as text",
            Format::E57 => "E57",
        }
    }
}

/// What a file announces, read without its data.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Which format it is, unpacked.
    pub format: Format,
    /// What it is packed in.
    pub packing: Option<Packing>,
    /// Points; for STL the corners of all triangles, before equal ones are merged; for text the lines.
    pub points: u64,
    /// Triangles; for PLY and OBJ the faces, of which a polygon of `k` corners makes `k - 2`.
    pub triangles: u64,
    /// Whether each point has a normal.
    pub has_normals: bool,
    /// The length unit that the format fixes.
    pub unit: Option<LengthUnit>,
    /// False where the counts are foretold from the beginning of a packed file, rather too high.
    pub exact: bool,
}

impl Header {
    fn of(format: Format, points: u64, triangles: u64, has_normals: bool) -> Self {
        Self { format, packing: None, points, triangles, has_normals, unit: format.unit(), exact: true }
    }
}

/// Indices are 32 bits wide and three edges of each triangle are numbered, whatever the limits say.
const MOST: u64 = (u32::MAX / 4) as u64;

/// What the bytes are packed in, by their first ones; `None` for a plain file.
pub fn packing(bytes: &[u8]) -> Option<Packing> {
    packed::packing(bytes)
}

/// Which format the bytes are in, by their first words; binary STL has none and is known by its length.
/// Of a packed file the beginning is unpacked, 1 MiB at most.
pub fn sniff(bytes: &[u8]) -> Option<Format> {
    match packed::packing(bytes) {
        Some(packing) => {
            let start = packed::beginning(bytes, packing).ok()?;
            sniff_start(&start.bytes, start.length)
        }
        None => sniff_start(bytes, bytes.len() as u64),
    }
}

/// The same for the first bytes of a file of this length.
fn sniff_start(start: &[u8], length: u64) -> Option<Format> {
    if ply::is_ply(start) {
        Some(Format::Ply)
    } else if e57::is_e57(start) {
        Some(Format::E57)
    } else if stl::is_binary(start, length) || stl::is_solid(start) {
        Some(Format::Stl)
    } else if obj::is_obj(start) {
        Some(Format::Obj)
    } else if find::is_text(start) {
        Some(Format::Text)
    } else {
        None
    }
}

fn known(start: &[u8], length: u64) -> Result<Format, ReadError> {
    if start.is_empty() {
        return Err(ReadError::Empty);
    }
    sniff_start(start, length).ok_or_else(|| {
        if packed::packing(start).is_some() {
            return ReadError::Nested;
        }
        if is_utf16(start) {
            return ReadError::Utf16;
        }
        match stl::announced(start) {
            // Text at byte 80 says nothing about triangles.
            Some(triangles) if start[..84].contains(&0) || std::str::from_utf8(&start[..84]).is_err() => {
                ReadError::UnknownFormat { bytes: length, triangles, needed: stl::binary_length(triangles) }
            }
            _ => ReadError::NoFormat { bytes: length },
        }
    })
}

/// What the file announces. Counts that the bytes cannot hold are an error already here. Cheap: it
/// reads the header; of text, which has none, it counts the lines. Of a packed file it unpacks the
/// beginning only, so that a small file which unpacks to a huge one costs nothing; where that beginning
/// is not all, [`Header::exact`] is false.
pub fn header(bytes: &[u8]) -> Result<Header, ReadError> {
    let Some(packing) = packed::packing(bytes) else {
        return plain_header(bytes, known(bytes, bytes.len() as u64)?);
    };
    let start = packed::beginning(bytes, packing)?;
    let format = known(&start.bytes, start.length)?;
    let header =
        if start.whole() { plain_header(&start.bytes, format)? } else { packed::foretold(&start, format)? };
    Ok(Header { packing: Some(packing), ..header })
}

/// What a plain file announces, from its first bytes (1 MiB tells it) and its length, so that the rest need
/// not be read. The counts of PLY and binary STL are those of the header, not held against the data; others
/// are foretold, rather too high. Packed files are for [`header`].
///
/// # Errors
/// A format that is not read, a header that is damaged or longer than the bytes given, a packed file.
pub fn foretell(start: &[u8], length: u64) -> Result<Header, ReadError> {
    if start.len() as u64 >= length && packing(start).is_none() {
        return header(start);
    }
    let format = known(start, length)?;
    packed::foretold(&packed::Beginning { bytes: start.to_vec(), length }, format)
}

fn plain_header(bytes: &[u8], format: Format) -> Result<Header, ReadError> {
    Ok(match format {
        Format::Ply => {
            let layout = ply::layout(bytes)?;
            Header::of(format, layout.vertex_count(), layout.face_count(), layout.has_normals())
        }
        Format::Stl => {
            let triangles = stl::count(bytes)?;
            Header::of(format, 3 * triangles, triangles, false)
        }
        Format::Obj => {
            let count = obj::count(bytes);
            Header::of(format, count.vertices, count.faces, count.normals > 0)
        }
        Format::Text => {
            let found = find::find(bytes, &TextLayout::default())?;
            Header::of(format, find::most_points(bytes, &found), 0, found.has_normals())
        }
        Format::E57 => {
            let (points, normals) = e57::announced(bytes)?;
            Header::of(format, points, 0, normals)
        }
    })
}

/// Reads a whole file; of text files of points, what is found in them.
pub fn read(bytes: &[u8], run: &Run) -> Result<RawScan, ReadError> {
    read_with(bytes, &TextLayout::default(), run)
}

/// Reads a whole file. `layout` says what a text file of points does not tell by itself; stated for a file
/// of another format it is refused, since the file was taken for another.
pub fn read_with(bytes: &[u8], layout: &TextLayout, run: &Run) -> Result<RawScan, ReadError> {
    run.check()?;
    run.tell(Stage::Read, 0.0);
    if bytes.len() as u64 > run.limits.file_bytes {
        return Err(ReadError::FileTooLarge { bytes: bytes.len() as u64, limit: run.limits.file_bytes });
    }
    let raw = match packed::packing(bytes) {
        Some(packing) => read_plain(&packed::unpack(bytes, packing, run)?, layout, run)?,
        None => read_plain(bytes, layout, run)?,
    };
    if raw.points.is_empty() {
        return Err(ReadError::NoPoints);
    }
    run.tell(Stage::Read, 1.0);
    Ok(raw)
}

/// What gzip or zip hold, `None` where the bytes are packed in neither.
pub(crate) fn unpacked(bytes: &[u8], run: &Run) -> Result<Option<Vec<u8>>, ReadError> {
    run.check()?;
    if bytes.len() as u64 > run.limits.file_bytes {
        return Err(ReadError::FileTooLarge { bytes: bytes.len() as u64, limit: run.limits.file_bytes });
    }
    packed::packing(bytes).map(|packing| packed::unpack(bytes, packing, run)).transpose()
}

fn read_plain(bytes: &[u8], layout: &TextLayout, run: &Run) -> Result<RawScan, ReadError> {
    // Who states the columns says that it is text, also where its first lines don't look so.
    let format = match known(bytes, bytes.len() as u64) {
        Err(ReadError::NoFormat { .. }) if *layout != TextLayout::default() => Format::Text,
        known => known?,
    };
    if format != Format::Text && *layout != TextLayout::default() {
        return Err(ReadError::LayoutNotNeeded { format: format.word() });
    }
    let mut raw = match format {
        Format::Ply => ply::read(bytes, run)?,
        Format::Stl => stl::read(bytes, run)?,
        Format::Obj => obj::read(bytes, run)?,
        Format::Text => delimited::read(bytes, layout, run)?,
        Format::E57 => e57::read(bytes, run)?,
    };
    raw.source.format = Some(format);
    raw.source.unit = format.unit().or_else(|| raw.source.text.as_ref()?.unit);
    Ok(raw)
}

/// Refuses more of something than the caller allows, before anything is reserved for it.
fn allowed(what: &'static str, count: u64, limit: u64) -> Result<(), ReadError> {
    let limit = limit.min(MOST);
    if count > limit { Err(ReadError::TooMany { what, count, limit }) } else { Ok(()) }
}

/// Adds a polygon as a fan of triangles about its first corner, each corner checked.
fn add_polygon(
    triangles: &mut Vec<[u32; 3]>,
    corners: &[i64],
    vertices: usize,
    face: u64,
    at: Place,
    run: &Run,
) -> Result<(), ReadError> {
    if corners.len() < 3 {
        return Err(ReadError::FewCorners { face, corners: corners.len(), at });
    }
    allowed("triangles", triangles.len() as u64 + corners.len() as u64 - 2, run.limits.triangles)?;
    if let Some(&vertex) = corners.iter().find(|&&c| c < 0 || c as u64 >= vertices as u64) {
        return Err(ReadError::IndexOutOfRange { face, vertex, vertices, at });
    }
    // In range of `vertices`, which is at most `MOST`, so the narrowing loses nothing.
    let first = corners[0] as u32;
    triangles.extend(corners[1..].windows(2).map(|w| [first, w[0] as u32, w[1] as u32]));
    Ok(())
}
