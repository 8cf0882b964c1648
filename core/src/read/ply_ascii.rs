//! PLY data written as text: one row a line.

use rayon::prelude::*;

use super::ply::{Element, Kind, Layout, Role};
use super::text::{Lines, number, whole, words};
use super::{Place, RawScan, ReadError, add_polygon, allowed, pieces};
use crate::geometry::{Point, Vector};
use crate::run::{CHECK_EVERY, Run};

pub(super) fn read(bytes: &[u8], layout: &Layout, run: &Run) -> Result<RawScan, ReadError> {
    if let Some(raw) = read_in_pieces(bytes, layout, run)? {
        return Ok(raw);
    }
    let mut raw = RawScan::default();
    let mut lines = Lines::from(bytes, layout.body, layout.lines);
    // Faces may come before the vertices that they name, so the count is taken from the header; it was
    // held against the bytes there, and the vertices are read before anything is answered.
    let vertices = layout.vertex_count() as usize;
    for element in layout.elements.iter().filter(|e| !e.properties.is_empty()) {
        match element.role {
            Role::Vertex { place, normal } => {
                read_vertices(&mut lines, element, place, normal, &mut raw, run)?;
            }
            Role::Face { corners } => {
                raw.triangles.reserve(element.count as usize);
                let mut polygon = Vec::new();
                for face in 0..element.count {
                    check(face, run)?;
                    let line = row(&mut lines, "the faces")?;
                    read_row(line, lines.line, element, |i, word| {
                        if i == corners {
                            polygon.push(whole(word, lines.line)?);
                        }
                        Ok(())
                    })?;
                    let at = Place::Line(lines.line);
                    add_polygon(&mut raw.triangles, &polygon, vertices, face, at, run)?;
                    polygon.clear();
                }
            }
            Role::Other => {
                for i in 0..element.count {
                    check(i, run)?;
                    let line = row(&mut lines, "an element that is skipped")?;
                    read_row(line, lines.line, element, |_, _| Ok(()))?;
                }
            }
        }
    }
    let end = lines.at;
    match lines.next_filled() {
        Some(rest) if rest.iter().any(|&b| b != 0) => {
            Err(ReadError::Trailing { at: Place::Line(lines.line), bytes: (bytes.len() - end) as u64 })
        }
        _ => Ok(raw),
    }
}

fn read_vertices(
    lines: &mut Lines,
    element: &Element,
    place: [usize; 3],
    normal: Option<[usize; 3]>,
    raw: &mut RawScan,
    run: &Run,
) -> Result<(), ReadError> {
    raw.points.reserve(element.count as usize);
    let mut normals = normal.map(|_| Vec::with_capacity(element.count as usize));
    for vertex in 0..element.count {
        check(vertex, run)?;
        let line = row(lines, "the vertices")?;
        let (at, direction) = vertex_row(line, lines.line, element, place, normal)?;
        if !at.iter().all(|c| c.is_finite()) {
            return Err(ReadError::NotFinite { vertex, at: Place::Line(lines.line) });
        }
        raw.points.push(Point::from(at));
        if let Some(normals) = &mut normals {
            normals.push(usable(direction));
        }
    }
    raw.normals = normals;
    Ok(())
}

/// Place and normal of a vertex; the normal is zero where the rows have none.
fn vertex_row(
    line: &[u8],
    line_number: u64,
    element: &Element,
    place: [usize; 3],
    normal: Option<[usize; 3]>,
) -> Result<([f64; 3], [f64; 3]), ReadError> {
    let (mut at, mut direction) = ([0.0; 3], [0.0; 3]);
    read_row(line, line_number, element, |i, word| {
        if let Some(axis) = place.iter().position(|&p| p == i) {
            at[axis] = number(word, line_number)?;
        } else if let Some(axis) = normal.and_then(|n| n.iter().position(|&p| p == i)) {
            direction[axis] = number(word, line_number)?;
        }
        Ok(())
    })?;
    Ok((at, direction))
}

/// The whole, read in parallel; `None` when any line has a fault, or lines are too many or too few.
fn read_in_pieces(bytes: &[u8], layout: &Layout, run: &Run) -> Result<Option<RawScan>, ReadError> {
    let elements: Vec<&Element> = layout.elements.iter().filter(|e| !e.properties.is_empty()).collect();
    // Where the rows of each element end, counted from the first row of all.
    let mut end = 0u64;
    let ends: Vec<u64> = elements
        .iter()
        .map(|e| {
            end = end.saturating_add(e.count);
            end
        })
        .collect();
    let pieces = pieces::cut(bytes, layout.body, |_| true);
    let rows = |piece: &std::ops::Range<usize>| {
        let mut lines = Lines::from(&bytes[piece.clone()], 0, 0);
        std::iter::from_fn(|| lines.next_filled()).count() as u64
    };
    let rows: Vec<u64> = pieces.par_iter().map(rows).collect();
    let mut first = 0;
    let firsts: Vec<u64> = rows
        .iter()
        .map(|rows| {
            first += rows;
            first - rows
        })
        .collect();
    if first != end {
        return Ok(None);
    }
    // The header held both counts against the bytes.
    let (vertices, faces) = (layout.vertex_count() as usize, layout.face_count() as usize);
    let mut all = RawScan { points: Vec::with_capacity(vertices), ..RawScan::default() };
    all.normals = layout.has_normals().then(|| Vec::with_capacity(vertices));
    all.triangles.reserve(faces);
    let parse = |piece: usize| {
        let mut part = RawScan::default();
        let mut normals = Vec::new();
        let mut polygon = Vec::new();
        let mut lines = Lines::from(&bytes[pieces[piece].clone()], 0, 0);
        let mut row = firsts[piece];
        while let Some(line) = lines.next_filled() {
            check(row, run)?;
            let element = elements[ends.partition_point(|&end| end <= row)];
            row += 1;
            match element.role {
                Role::Vertex { place, normal } => {
                    let (at, direction) = vertex_row(line, lines.line, element, place, normal)?;
                    if !at.iter().all(|c| c.is_finite()) {
                        return Err(ReadError::NoPoints);
                    }
                    part.points.push(Point::from(at));
                    normals.push(usable(direction));
                }
                Role::Face { corners } => {
                    polygon.clear();
                    read_row(line, lines.line, element, |i, word| {
                        if i == corners {
                            polygon.push(whole(word, lines.line)?);
                        }
                        Ok(())
                    })?;
                    let at = Place::Line(lines.line);
                    add_polygon(&mut part.triangles, &polygon, vertices, row, at, run)?;
                }
                Role::Other => read_row(line, lines.line, element, |_, _| Ok(()))?,
            }
        }
        part.normals = Some(normals);
        Ok(part)
    };
    let add = |part: RawScan| {
        all.points.extend_from_slice(&part.points);
        if let (Some(all), Some(normals)) = (&mut all.normals, &part.normals) {
            all.extend_from_slice(normals);
        }
        all.triangles.extend_from_slice(&part.triangles);
        allowed("triangles", all.triangles.len() as u64, run.limits.triangles).is_ok()
    };
    Ok(pieces::read(&pieces, parse, add, run)?.then_some(all))
}

/// A normal that is no number is an unknown one, which is written as zero.
pub(super) fn usable(normal: [f64; 3]) -> Vector {
    if normal.iter().all(|c| c.is_finite()) { Vector::from(normal) } else { Vector::zeros() }
}

pub(super) fn check(item: u64, run: &Run) -> Result<(), ReadError> {
    if item.is_multiple_of(CHECK_EVERY as u64) {
        run.check()?;
    }
    Ok(())
}

fn row<'a>(lines: &mut Lines<'a>, what: &'static str) -> Result<&'a [u8], ReadError> {
    lines.next_filled().ok_or(ReadError::Truncated { at: Place::Line(lines.line), what })
}

/// Hands each word of a row to `each` with the number of its property; the lengths of lists are used here.
fn read_row(
    line: &[u8],
    number: u64,
    element: &Element,
    mut each: impl FnMut(usize, &[u8]) -> Result<(), ReadError>,
) -> Result<(), ReadError> {
    let fault = |problem: &str| ReadError::BadLine { line: number, problem: problem.into() };
    let few = || fault("fewer values than the header's properties; is the line cut short?");
    let mut word = words(line);
    for (i, property) in element.properties.iter().enumerate() {
        match property.kind {
            Kind::One(_) => each(i, word.next().ok_or_else(few)?)?,
            Kind::List { .. } => {
                let length = whole(word.next().ok_or_else(few)?, number)?;
                if length < 0 {
                    return Err(ReadError::NegativeLength { at: Place::Line(number) });
                }
                for _ in 0..length {
                    each(i, word.next().ok_or_else(few)?)?;
                }
            }
        }
    }
    match word.next() {
        Some(_) => {
            Err(fault("more values than the header's properties; do header and data belong together?"))
        }
        None => Ok(()),
    }
}
