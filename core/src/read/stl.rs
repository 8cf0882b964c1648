//! STL, ascii and binary. Facet normals are not used: the order of the corners says the same, always.
//!
//! Binary: 80 bytes of anything (also `solid`), a 32-bit count, 50 bytes a facet, little endian.
//! Ascii: `solid`, `facet normal`, `outer loop`, three `vertex`, `endloop`, `endfacet`, `endsolid`.
//! From memory; there is no standard.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::merge::equal;
use super::ply_ascii::check;
use super::text::{self, Lines, shown, words};
use super::{Place, RawScan, ReadError, allowed, pieces};
use crate::geometry::Point;
use crate::run::Run;

const HEAD: usize = 84;
const FACET: usize = 50;

/// Triangles that byte 80 announces, if the file is a binary STL.
pub(super) fn announced(bytes: &[u8]) -> Option<u64> {
    let count = bytes.get(80..HEAD)?;
    Some(u64::from(u32::from_le_bytes([count[0], count[1], count[2], count[3]])))
}

/// Length of a binary STL.
pub(super) fn binary_length(triangles: u64) -> u64 {
    HEAD as u64 + FACET as u64 * triangles
}

/// Whether the length is that of a binary STL. Text at byte 80 would announce at least 151 million
/// triangles (four tabs), so a text file of less than 7 GB is never taken for a binary one.
pub(super) fn is_binary(start: &[u8], length: u64) -> bool {
    announced(start).is_some_and(|n| binary_length(n) == length)
}

/// Whether the file begins with `solid`; binary files may do so too.
pub(super) fn is_solid(bytes: &[u8]) -> bool {
    let start = bytes.trim_ascii_start();
    start.get(..5).is_some_and(|w| w.eq_ignore_ascii_case(b"solid"))
        && start.get(5).is_none_or(u8::is_ascii_whitespace)
}

/// Refuses a damaged binary file that begins with `solid`: text has no zero bytes.
fn expect_text(bytes: &[u8]) -> Result<(), ReadError> {
    if bytes[..bytes.len().min(1024)].contains(&0) {
        return Err(ReadError::UnknownFormat {
            bytes: bytes.len() as u64,
            triangles: announced(bytes).unwrap_or(0),
            needed: binary_length(announced(bytes).unwrap_or(0)),
        });
    }
    Ok(())
}

/// How many triangles.
pub(super) fn count(bytes: &[u8]) -> Result<u64, ReadError> {
    let triangles = if is_binary(bytes, bytes.len() as u64) {
        announced(bytes).unwrap_or(0)
    } else {
        expect_text(bytes)?;
        let facets = |piece: &[u8]| Lines::from(piece, 0, 0).filter(|l| is_facet(l)).count();
        pieces::sum(bytes, &pieces::cut(bytes, 0, |_| true), facets) as u64
    };
    if triangles == 0 { Err(ReadError::NoPoints) } else { Ok(triangles) }
}

pub(super) fn read(bytes: &[u8], run: &Run) -> Result<RawScan, ReadError> {
    if is_binary(bytes, bytes.len() as u64) {
        read_binary(bytes, run)
    } else {
        expect_text(bytes)?;
        read_ascii(bytes, run)
    }
}

fn read_binary(bytes: &[u8], run: &Run) -> Result<RawScan, ReadError> {
    let triangles = announced(bytes).unwrap_or(0);
    allowed("triangles", triangles, run.limits.triangles)?;
    if triangles == 0 {
        return Err(ReadError::NoPoints);
    }
    // `is_binary` held the count against the length, so this many corners exist.
    let facets = &bytes[HEAD..];
    let corner = |c: usize| -> [f32; 3] {
        let at = FACET * (c / 3) + 12 + 12 * (c % 3);
        let b: [u8; 12] = facets[at..at + 12].try_into().unwrap_or_default();
        // Adding zero turns -0 into 0.
        std::array::from_fn(|k| {
            f32::from_le_bytes([b[4 * k], b[4 * k + 1], b[4 * k + 2], b[4 * k + 3]]) + 0.0
        })
    };
    let strange = AtomicUsize::new(usize::MAX);
    let (corner_vertex, firsts) = equal(
        3 * triangles as usize,
        |c| {
            let coordinate = corner(c);
            if !coordinate.iter().all(|c| c.is_finite()) {
                strange.fetch_min(c, Ordering::Relaxed);
            }
            coordinate.map(f32::to_bits)
        },
        run,
    )?;
    let strange = strange.into_inner();
    if strange != usize::MAX {
        return Err(ReadError::NotFinite {
            vertex: strange as u64,
            at: Place::Byte((HEAD + FACET * (strange / 3) + 12 + 12 * (strange % 3)) as u64),
        });
    }
    let points = firsts.par_iter().map(|&c| Point::from(corner(c as usize).map(f64::from))).collect();
    finish(&corner_vertex, points, run)
}

fn finish(corner_vertex: &[u32], points: Vec<Point>, run: &Run) -> Result<RawScan, ReadError> {
    allowed("points", points.len() as u64, run.limits.points)?;
    let triangles = corner_vertex.par_chunks_exact(3).map(|c| [c[0], c[1], c[2]]).collect();
    Ok(RawScan { points, triangles, ..RawScan::default() })
}

/// Whether a line begins a facet.
pub(super) fn is_facet(line: &[u8]) -> bool {
    keyword(line.trim_ascii_start(), b"facet")
}

/// Whether a line begins with this word, in any case.
fn keyword(line: &[u8], word: &[u8]) -> bool {
    line.get(..word.len()).is_some_and(|w| w.eq_ignore_ascii_case(word))
        && line.get(word.len()).is_none_or(u8::is_ascii_whitespace)
}

/// Reads a text from line to line.
struct Solids {
    corners: Vec<[f64; 3]>,
    /// Corners of the open facet; `None` between facets.
    open: Option<usize>,
    in_solid: bool,
}

impl Solids {
    fn new(in_solid: bool) -> Self {
        Self { corners: Vec::new(), open: None, in_solid }
    }

    fn read(&mut self, lines: &mut Lines, run: &Run) -> Result<(), ReadError> {
        while let Some(line) = lines.next_filled() {
            check(lines.line, run)?;
            self.take(line.trim_ascii(), lines.line, run)?;
        }
        Ok(())
    }

    fn take(&mut self, line: &[u8], number: u64, run: &Run) -> Result<(), ReadError> {
        let fault = |problem: String| Err(ReadError::BadLine { line: number, problem });
        if keyword(line, b"vertex") {
            let Some(n) = self.open.as_mut() else {
                return fault("a vertex outside of a facet".into());
            };
            *n += 1;
            let mut at = [0.0; 3];
            let mut word = words(line).skip(1);
            for c in &mut at {
                let Some(w) = word.next() else {
                    return fault("a vertex needs three coordinates; is the line cut short?".into());
                };
                *c = text::number(w, number)? + 0.0;
            }
            if word.next().is_some() {
                return fault("a vertex has more than three coordinates".into());
            }
            if !at.iter().all(|c| c.is_finite()) {
                let vertex = self.corners.len() as u64;
                return Err(ReadError::NotFinite { vertex, at: Place::Line(number) });
            }
            self.corners.push(at);
        } else if keyword(line, b"facet") {
            if self.open.is_some() || !self.in_solid {
                return fault("a facet begins inside another one or outside of a solid".into());
            }
            allowed("triangles", self.corners.len() as u64 / 3 + 1, run.limits.triangles)?;
            self.open = Some(0);
        } else if keyword(line, b"endfacet") {
            if self.open != Some(3) {
                let corners = self.open.unwrap_or(0);
                return fault(format!("a facet ends with {corners} corners; it has three"));
            }
            self.open = None;
        } else if keyword(line, b"outer") || keyword(line, b"endloop") {
            if self.open.is_none() {
                return fault("a loop outside of a facet".into());
            }
        } else if keyword(line, b"solid") {
            if self.in_solid {
                return fault("a solid begins inside another one".into());
            }
            self.in_solid = true;
        } else if keyword(line, b"endsolid") {
            if self.open.is_some() || !self.in_solid {
                return fault("a solid ends inside a facet or was not begun".into());
            }
            self.in_solid = false;
        } else {
            return fault(format!("`{}` begins no line of an ascii STL", shown(line)));
        }
        Ok(())
    }
}

/// All corners, read in parallel; `None` when any line has a fault. Pieces begin with a facet: there the
/// solid is open and no facet is.
fn corners_in_pieces(bytes: &[u8], run: &Run) -> Result<Option<Vec<[f64; 3]>>, ReadError> {
    let pieces = pieces::cut(bytes, 0, is_facet);
    let parse = |piece: usize| {
        let mut solids = Solids::new(piece > 0);
        solids.read(&mut Lines::from(&bytes[pieces[piece].clone()], 0, 0), run)?;
        if solids.open.is_some() || solids.in_solid != (piece + 1 < pieces.len()) {
            return Err(ReadError::NoPoints);
        }
        Ok(solids.corners)
    };
    let mut corners: Vec<[f64; 3]> = Vec::new();
    let add = |part: Vec<[f64; 3]>| {
        corners.extend_from_slice(&part);
        allowed("triangles", corners.len() as u64 / 3, run.limits.triangles).is_ok()
    };
    let good = pieces::read(&pieces, parse, add, run)?;
    Ok((good && !corners.is_empty()).then_some(corners))
}

fn read_ascii(bytes: &[u8], run: &Run) -> Result<RawScan, ReadError> {
    let corners = match corners_in_pieces(bytes, run)? {
        Some(corners) => corners,
        None => {
            let mut solids = Solids::new(false);
            let mut lines = Lines::from(bytes, 0, 0);
            solids.read(&mut lines, run)?;
            if solids.in_solid {
                return Err(ReadError::Truncated {
                    at: Place::Line(lines.line),
                    what: "a solid, which has no `endsolid`",
                });
            }
            solids.corners
        }
    };
    if corners.is_empty() {
        return Err(ReadError::NoPoints);
    }
    // Equal bits are equal numbers here: no NaN, and -0 became 0.
    let (corner_vertex, firsts) = equal(corners.len(), |c| corners[c].map(f64::to_bits), run)?;
    let points = firsts.iter().map(|&c| Point::from(corners[c as usize])).collect();
    finish(&corner_vertex, points, run)
}
