//! PLY data written as text: one row a line.

use super::ply::{Element, Kind, Layout, Role};
use super::text::{Lines, number, whole, words};
use super::{Place, RawScan, ReadError, add_polygon};
use crate::geometry::{Point, Vector};
use crate::run::{CHECK_EVERY, Run};

pub(super) fn read(bytes: &[u8], layout: &Layout, run: &Run) -> Result<RawScan, ReadError> {
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
        let mut at = [0.0; 3];
        let mut direction = [0.0; 3];
        read_row(line, lines.line, element, |i, word| {
            if let Some(axis) = place.iter().position(|&p| p == i) {
                at[axis] = number(word, lines.line)?;
            } else if let Some(axis) = normal.and_then(|n| n.iter().position(|&p| p == i)) {
                direction[axis] = number(word, lines.line)?;
            }
            Ok(())
        })?;
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
