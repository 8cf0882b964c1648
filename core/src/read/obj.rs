//! OBJ: vertices, vertex normals and polygons. Texture coordinates, groups, materials, lines and points
//! are passed over; free-form curves and surfaces are refused.
//!
//! After the Wavefront Advanced Visualizer manual, appendix B1 "Object files", from memory: `v x y z`
//! (with a weight, or with a colour, which is common practice and in no manual), `vn x y z`,
//! `f v/vt/vn ...` counting from 1, negative numbers back from the latest. Long, because what a number names depends
//! on all that came before.

use super::ply_ascii::{check, usable};
use rayon::prelude::*;

use super::text::{Lines, number, shown, whole, words};
use super::{Place, RawScan, ReadError, add_polygon, allowed, pieces};
use crate::geometry::{Point, Vector};
use crate::run::Run;

/// How many of each there are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Count {
    pub(super) vertices: u64,
    pub(super) normals: u64,
    pub(super) faces: u64,
}

/// Words that begin lines which say nothing about shape, or about its look only.
const PASSED: [&[u8]; 22] = [
    b"vt",
    b"vp",
    b"o",
    b"g",
    b"s",
    b"mg",
    b"l",
    b"p",
    b"mtllib",
    b"usemtl",
    b"usemap",
    b"maplib",
    b"bevel",
    b"c_interp",
    b"d_interp",
    b"lod",
    b"shadow_obj",
    b"trace_obj",
    b"ctech",
    b"stech",
    b"end",
    b"deg",
];
/// Words of free-form geometry.
const FREE_FORM: [&[u8]; 9] =
    [b"cstype", b"curv", b"curv2", b"surf", b"parm", b"trim", b"bmat", b"call", b"csh"];

/// Whether the first line that says anything begins with one of the format's words, and is no heading of
/// columns: a vertex has three numbers.
pub(super) fn is_obj(start: &[u8]) -> bool {
    if start[..start.len().min(1024)].contains(&0) {
        return false;
    }
    let first = Lines::from(start, 0, 0).map(significant).find(|line| !line.is_empty());
    let Some(mut word) = first.map(words) else { return false };
    match word.next() {
        Some(b"v" | b"vn") => word.next().is_some_and(|w| number(w, 0).is_ok()),
        Some(b"o" | b"g" | b"s" | b"mtllib" | b"usemtl" | b"vt" | b"f") => {
            // Names may be anything, so a vertex must follow.
            Lines::from(start, 0, 0).take(1000).any(|line| {
                let mut word = words(line);
                word.next() == Some(b"v") && word.next().is_some_and(|w| number(w, 0).is_ok())
            })
        }
        _ => false,
    }
}

/// A line without its comment and the white space about it.
fn significant(line: &[u8]) -> &[u8] {
    line.split(|&b| b == b'#').next().unwrap_or_default().trim_ascii()
}

/// Counts the lines.
pub(super) fn count(bytes: &[u8]) -> Count {
    let of = |piece: &[u8]| {
        let mut count = Count::default();
        for line in Lines::from(piece, 0, 0) {
            match words(line).next() {
                Some(b"v") => count.vertices += 1,
                Some(b"vn") => count.normals += 1,
                Some(b"f" | b"fo") => count.faces += 1,
                _ => {}
            }
        }
        count
    };
    let parts: Vec<Count> =
        pieces::cut(bytes, 0, |_| true).into_par_iter().map(|piece| of(&bytes[piece])).collect();
    parts.iter().fold(Count::default(), |all, part| Count {
        vertices: all.vertices + part.vertices,
        normals: all.normals + part.normals,
        faces: all.faces + part.faces,
    })
}

/// Which normal a vertex has: none yet, the one of this number, or several.
const NONE: u32 = u32::MAX;
const SEVERAL: u32 = u32::MAX - 1;

pub(super) fn read(bytes: &[u8], run: &Run) -> Result<RawScan, ReadError> {
    let count = count(bytes);
    allowed("points", count.vertices, run.limits.points)?;
    allowed("vertex normals", count.normals, run.limits.points.max(run.limits.triangles).saturating_mul(3))?;
    allowed("triangles", count.faces, run.limits.triangles)?;
    run.check()?;
    let shape = match in_pieces(bytes, count, run)? {
        Some(shape) => shape,
        None => {
            let mut shape = Shape::within(count);
            shape.read(bytes, run)?;
            shape
        }
    };
    Ok(shape.finish())
}

/// The whole, read in parallel; `None` when any line has a fault or counts back from the latest vertex.
fn in_pieces(bytes: &[u8], count: Count, run: &Run) -> Result<Option<Shape>, ReadError> {
    let pieces = pieces::cut(bytes, 0, |_| true);
    let parse = |piece: usize| {
        let mut shape = Shape { piece: true, count, ..Shape::default() };
        shape.read(&bytes[pieces[piece].clone()], run)?;
        Ok(shape)
    };
    let mut all = Shape::within(count);
    let add = |part: Shape| {
        all.points.extend_from_slice(&part.points);
        all.normals.extend_from_slice(&part.normals);
        all.triangles.extend_from_slice(&part.triangles);
        part.named.iter().for_each(|&(vertex, normal)| all.name(vertex, normal));
        allowed("triangles", all.triangles.len() as u64, run.limits.triangles).is_ok()
    };
    Ok(pieces::read(&pieces, parse, add, run)?.then_some(all))
}

/// What the lines so far hold.
#[derive(Default)]
struct Shape {
    /// Whether this is a piece, which does not know how many vertices come before it.
    piece: bool,
    count: Count,
    points: Vec<Point>,
    normals: Vec<Vector>,
    triangles: Vec<[u32; 3]>,
    faces: u64,
    /// Of a piece, each vertex with a normal that a face gives it.
    named: Vec<(u32, u32)>,
    /// Of the whole, which normal each vertex has; empty when no face can name one.
    normal_of: Vec<u32>,
}

impl Shape {
    /// Room for what the lines were counted to hold. Each line counted has two bytes or more, so this is
    /// within eighty times the file's length, and within the limits.
    fn within(count: Count) -> Self {
        let named = if count.normals > 0 && count.faces > 0 { count.vertices as usize } else { 0 };
        Self {
            count,
            points: Vec::with_capacity(count.vertices as usize),
            normals: Vec::with_capacity(count.normals as usize),
            triangles: Vec::with_capacity(count.faces as usize),
            normal_of: vec![NONE; named],
            ..Self::default()
        }
    }

    fn name(&mut self, vertex: u32, normal: u32) {
        if let Some(of) = self.normal_of.get_mut(vertex as usize) {
            *of = if *of == NONE || *of == normal { normal } else { SEVERAL };
        }
    }

    fn read(&mut self, bytes: &[u8], run: &Run) -> Result<(), ReadError> {
        let (mut corners, mut corner_normals) = (Vec::new(), Vec::new());
        let mut lines = Lines::from(bytes, 0, 0);
        while let Some(line) = lines.next() {
            check(lines.line, run)?;
            let line = significant(line);
            let fault = |problem: String| Err(ReadError::BadLine { line: lines.line, problem });
            if line.last() == Some(&b'\\') {
                return fault("a line that goes on in the next one is not read; write it as one line".into());
            }
            let mut word = words(line);
            match word.next() {
                None => {}
                Some(b"v") => {
                    let (at, more) = coordinates(word, lines.line)?;
                    if !matches!(more, 0 | 1 | 3 | 4) {
                        return fault(format!(
                            "a vertex of {} numbers; it has x y z, then perhaps a weight, or a colour of three or four",
                            3 + more
                        ));
                    }
                    if !at.iter().all(|c| c.is_finite()) {
                        let vertex = self.points.len() as u64;
                        return Err(ReadError::NotFinite { vertex, at: Place::Line(lines.line) });
                    }
                    self.points.push(Point::from(at));
                }
                Some(b"vn") => self.normals.push(usable(coordinates(word, lines.line)?.0)),
                Some(b"f" | b"fo") => {
                    corners.clear();
                    corner_normals.clear();
                    let so_far = |count: usize| (!self.piece).then_some(count);
                    for word in word {
                        let mut part = word.split(|&b| b == b'/');
                        let vertex = index(part.next(), so_far(self.points.len()), lines.line)?;
                        corners.push(vertex.unwrap_or(-1));
                        corner_normals.push(index(part.nth(1), so_far(self.normals.len()), lines.line)?);
                        if part.next().is_some() {
                            return fault(format!(
                                "`{}` is no corner, which is v, v/vt, v//vn or v/vt/vn",
                                shown(word)
                            ));
                        }
                    }
                    self.face(&corners, &corner_normals, lines.line, run)?;
                }
                Some(other) if PASSED.contains(&other) => {}
                Some(other) if FREE_FORM.contains(&other) => {
                    return fault(format!(
                        "`{}`: free-form curves and surfaces are not read; export triangles",
                        shown(other)
                    ));
                }
                Some(other) => return fault(format!("`{}` begins no line of an OBJ file", shown(other))),
            }
        }
        Ok(())
    }

    fn face(
        &mut self,
        corners: &[i64],
        normals: &[Option<i64>],
        line: u64,
        run: &Run,
    ) -> Result<(), ReadError> {
        let (at, vertices) = (Place::Line(line), self.count.vertices as usize);
        add_polygon(&mut self.triangles, corners, vertices, self.faces, at, run)?;
        for (&vertex, normal) in corners.iter().zip(normals) {
            let Some(normal) = normal else { continue };
            let Some(n) = u32::try_from(*normal).ok().filter(|&n| u64::from(n) < self.count.normals) else {
                return Err(ReadError::BadLine {
                    line,
                    problem: format!(
                        "face {} (from 0) names normal {}, but there are {}",
                        self.faces,
                        normal + 1,
                        self.count.normals
                    ),
                });
            };
            // In range: `add_polygon` has checked every corner.
            if self.piece { self.named.push((vertex as u32, n)) } else { self.name(vertex as u32, n) }
        }
        self.faces += 1;
        Ok(())
    }

    fn finish(self) -> RawScan {
        let Self { points, normals, triangles, normal_of, .. } = self;
        let mut raw = RawScan { points, triangles, ..RawScan::default() };
        let several = normal_of.iter().filter(|&&n| n == SEVERAL).count();
        if !normal_of.is_empty() {
            if several > 0 {
                raw.source.notes.push(format!(
                    "{several} vertices have several normals (sharp edges): theirs are left out"
                ));
            }
            let of = |&n: &u32| normals.get(n as usize).copied().unwrap_or_else(Vector::zeros);
            if normal_of.iter().any(|&n| n < SEVERAL) {
                raw.normals = Some(normal_of.iter().map(of).collect());
            }
        } else if !normals.is_empty() {
            // A cloud: nothing names the normals, so they belong together by their order.
            if normals.len() == raw.points.len() {
                raw.normals = Some(normals);
            } else {
                raw.source.notes.push(format!(
                    "{} vertex normals for {} vertices, named by no face: left out",
                    normals.len(),
                    raw.points.len()
                ));
            }
        }
        raw
    }
}

/// Three numbers and how many more there are, all of which must be numbers.
fn coordinates<'a>(
    mut word: impl Iterator<Item = &'a [u8]>,
    line: u64,
) -> Result<([f64; 3], usize), ReadError> {
    let mut at = [0.0; 3];
    for c in &mut at {
        let Some(w) = word.next() else {
            return Err(ReadError::BadLine {
                line,
                problem: "three coordinates are needed; is the line cut short?".into(),
            });
        };
        *c = number(w, line)?;
    }
    let mut more = 0;
    for w in word {
        number(w, line)?;
        more += 1;
    }
    Ok((at, more))
}

/// A number of the file as one from 0, negative ones counted back from the `so_far`; `None` where it is
/// left out. Without `so_far` a negative number is a fault.
fn index(word: Option<&[u8]>, so_far: Option<usize>, line: u64) -> Result<Option<i64>, ReadError> {
    let Some(word) = word.filter(|w| !w.is_empty()) else { return Ok(None) };
    match whole(word, line)? {
        0 => Err(ReadError::BadLine { line, problem: "vertices count from 1, or back from -1".into() }),
        n if n > 0 => Ok(Some(n - 1)),
        back => match (so_far.unwrap_or(0) as i64).checked_add(back).filter(|n| *n >= 0) {
            Some(n) => Ok(Some(n)),
            None => Err(ReadError::BadLine {
                line,
                problem: format!("{back} counts back beyond the first of the {} so far", so_far.unwrap_or(0)),
            }),
        },
    }
}
