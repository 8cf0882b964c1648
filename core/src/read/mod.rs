//! Bytes of a file become points, normals and triangles, within limits and without trust.
//!
//! [`read`] takes the whole file as bytes. Every count is held against the bytes that follow and the
//! caller's limits before anything is reserved; every error names a byte or a line.

mod error;
mod merge;
mod ply;
mod ply_ascii;
mod ply_binary;
mod stl;
#[cfg(test)]
mod tests;
mod text;

pub use error::{Place, ReadError};

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
}

/// The file formats that are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Polygon file format: ascii, binary little endian, binary big endian.
    Ply,
    /// Stereolithography: ascii or binary.
    Stl,
}

/// What a file announces, read without its data.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Which format it is.
    pub format: Format,
    /// Points; for STL the corners of all triangles, before equal ones are merged.
    pub points: u64,
    /// Triangles; for PLY the faces, of which a polygon of `k` corners makes `k - 2`.
    pub triangles: u64,
    /// Whether each point has a normal.
    pub has_normals: bool,
}

/// Indices are 32 bits wide and three edges of each triangle are numbered, whatever the limits say.
const MOST: u64 = (u32::MAX / 4) as u64;

/// Which format the bytes are in, by their first word; binary STL has none and is known by its length.
pub fn sniff(bytes: &[u8]) -> Option<Format> {
    if ply::is_ply(bytes) {
        Some(Format::Ply)
    } else if stl::is_binary(bytes) || stl::is_solid(bytes) {
        Some(Format::Stl)
    } else {
        None
    }
}

fn known(bytes: &[u8]) -> Result<Format, ReadError> {
    if bytes.is_empty() {
        return Err(ReadError::Empty);
    }
    sniff(bytes).ok_or_else(|| match stl::announced(bytes) {
        Some(triangles) => ReadError::UnknownFormat {
            bytes: bytes.len() as u64,
            triangles,
            needed: stl::binary_length(triangles),
        },
        None => ReadError::NoFormat { bytes: bytes.len() as u64 },
    })
}

/// What the file announces. Counts that the bytes cannot hold are an error already here. Cheap: it
/// reads the header; of an ascii STL, which has none, it counts the facets.
pub fn header(bytes: &[u8]) -> Result<Header, ReadError> {
    match known(bytes)? {
        Format::Ply => {
            let layout = ply::layout(bytes)?;
            Ok(Header {
                format: Format::Ply,
                points: layout.vertex_count(),
                triangles: layout.face_count(),
                has_normals: layout.has_normals(),
            })
        }
        Format::Stl => {
            let triangles = stl::count(bytes)?;
            Ok(Header { format: Format::Stl, points: 3 * triangles, triangles, has_normals: false })
        }
    }
}

/// Reads a whole file.
pub fn read(bytes: &[u8], run: &Run) -> Result<RawScan, ReadError> {
    run.check()?;
    run.tell(Stage::Read, 0.0);
    if bytes.len() as u64 > run.limits.file_bytes {
        return Err(ReadError::FileTooLarge { bytes: bytes.len() as u64, limit: run.limits.file_bytes });
    }
    let raw = match known(bytes)? {
        Format::Ply => ply::read(bytes, run)?,
        Format::Stl => stl::read(bytes, run)?,
    };
    if raw.points.is_empty() {
        return Err(ReadError::NoPoints);
    }
    run.tell(Stage::Read, 1.0);
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
