//! PLY data in binary, little endian (`BIG = false`) or big endian.

use super::ply::{Element, Kind, Layout, Property, Role, Scalar};
use super::ply_ascii::{check, usable};
use super::{Place, RawScan, ReadError, add_polygon, ply_rows};
use crate::geometry::Point;
use crate::run::Run;

pub(super) fn read<const BIG: bool>(bytes: &[u8], layout: &Layout, run: &Run) -> Result<RawScan, ReadError> {
    if is_text_instead(&bytes[layout.body..], layout) {
        return Err(ReadError::TextInsteadOfBinary { at: Place::Byte(layout.body as u64) });
    }
    let mut raw = RawScan::default();
    let mut at = layout.body;
    let vertices = layout.vertex_count() as usize;
    for element in layout.elements.iter().filter(|e| !e.properties.is_empty()) {
        match element.role {
            Role::Vertex { place, normal } => match ply_rows::vertices::<BIG>(&bytes[at..], element, run)? {
                Some((points, normals)) => {
                    at += points.len() * stride(&element.properties).unwrap_or(0);
                    (raw.points, raw.normals) = (points, normals);
                }
                None => read_vertices::<BIG>(bytes, &mut at, element, place, normal, &mut raw, run)?,
            },
            Role::Face { corners } => {
                if let Some(triangles) = ply_rows::triangles::<BIG>(&bytes[at..], element, vertices, run)? {
                    at += triangles.len() * ply_rows::TRIANGLE;
                    raw.triangles = triangles;
                    continue;
                }
                raw.triangles.reserve(element.count as usize);
                let Kind::List { count, item } = element.properties[corners].kind else { continue };
                let mut starts = vec![0; element.properties.len()];
                let mut polygon = Vec::new();
                for face in 0..element.count {
                    check(face, run)?;
                    let begin = Place::Byte(at as u64);
                    at = row::<BIG>(bytes, at, &element.properties, &mut starts, "the faces")?;
                    let start = starts[corners];
                    // `row` has seen the whole list, so its length is one of bytes that exist.
                    let length = whole::<BIG>(bytes, start, count) as usize;
                    let first = start + count.size();
                    polygon.clear();
                    polygon.extend((0..length).map(|k| whole::<BIG>(bytes, first + k * item.size(), item)));
                    add_polygon(&mut raw.triangles, &polygon, vertices, face, begin, run)?;
                }
            }
            Role::Other => skip::<BIG>(bytes, &mut at, element, run)?,
        }
    }
    let rest = &bytes[at..];
    if rest.iter().all(|b| b.is_ascii_whitespace() || *b == 0) {
        Ok(raw)
    } else {
        Err(ReadError::Trailing { at: Place::Byte(at as u64), bytes: rest.len() as u64 })
    }
}

/// Whether the data begin like numbers written as text. Floating-point bytes never look so for long.
/// Whether numbers in text stand where the header promises binary ones.
pub(super) fn is_text_instead(body: &[u8], layout: &Layout) -> bool {
    is_text(body) && has_float_vertices(layout)
}

fn is_text(body: &[u8]) -> bool {
    let start = &body[..body.len().min(64)];
    start.len() >= 5
        && start.iter().any(u8::is_ascii_whitespace)
        && start.iter().all(|b| b.is_ascii_digit() || b.is_ascii_whitespace() || b"+-.eE".contains(b))
}

fn has_float_vertices(layout: &Layout) -> bool {
    layout.elements.first().is_some_and(|e| {
        let float = |i: usize| matches!(e.properties[i].kind, Kind::One(Scalar::F32 | Scalar::F64));
        matches!(e.role, Role::Vertex { place, .. } if place.iter().all(|&i| float(i)))
    })
}

/// Length of a row without lists.
pub(super) fn stride(properties: &[Property]) -> Option<usize> {
    properties.iter().map(|p| if let Kind::One(s) = p.kind { Some(s.size()) } else { None }).sum()
}

fn skip<const BIG: bool>(
    bytes: &[u8],
    at: &mut usize,
    element: &Element,
    run: &Run,
) -> Result<(), ReadError> {
    let what = "an element that is skipped";
    if let Some(stride) = stride(&element.properties) {
        let end = usize::try_from(element.count)
            .ok()
            .and_then(|n| n.checked_mul(stride)?.checked_add(*at))
            .filter(|&end| end <= bytes.len());
        *at = end.ok_or(ReadError::Truncated { at: Place::Byte(bytes.len() as u64), what })?;
        return Ok(());
    }
    let mut starts = vec![0; element.properties.len()];
    for i in 0..element.count {
        check(i, run)?;
        *at = row::<BIG>(bytes, *at, &element.properties, &mut starts, what)?;
    }
    Ok(())
}

fn read_vertices<const BIG: bool>(
    bytes: &[u8],
    at: &mut usize,
    element: &Element,
    place: [usize; 3],
    normal: Option<[usize; 3]>,
    raw: &mut RawScan,
    run: &Run,
) -> Result<(), ReadError> {
    // The count was held against the bytes of the file by the header.
    raw.points.reserve(element.count as usize);
    let mut normals = normal.map(|_| Vec::with_capacity(element.count as usize));
    let mut starts = vec![0; element.properties.len()];
    let scalar = |i: usize| if let Kind::One(s) = element.properties[i].kind { s } else { Scalar::U8 };
    let (place_types, normal_types) = (place.map(scalar), normal.map(|n| n.map(scalar)));
    for vertex in 0..element.count {
        check(vertex, run)?;
        let begin = *at;
        *at = row::<BIG>(bytes, begin, &element.properties, &mut starts, "the vertices")?;
        let take = |columns: [usize; 3], types: [Scalar; 3]| -> [f64; 3] {
            std::array::from_fn(|k| number::<BIG>(bytes, starts[columns[k]], types[k]))
        };
        let p = take(place, place_types);
        if !p.iter().all(|c| c.is_finite()) {
            return Err(ReadError::NotFinite { vertex, at: Place::Byte(begin as u64) });
        }
        raw.points.push(Point::from(p));
        if let (Some(normals), Some(columns), Some(types)) = (&mut normals, normal, normal_types) {
            normals.push(usable(take(columns, types)));
        }
    }
    raw.normals = normals;
    Ok(())
}

/// Notes where each property of the row at `at` begins and returns where the row ends. All of the row
/// is within the bytes when it succeeds.
#[inline]
fn row<const BIG: bool>(
    bytes: &[u8],
    mut at: usize,
    properties: &[Property],
    starts: &mut [usize],
    what: &'static str,
) -> Result<usize, ReadError> {
    let truncated = ReadError::Truncated { at: Place::Byte(bytes.len() as u64), what };
    for (property, start) in properties.iter().zip(starts) {
        *start = at;
        let length = match property.kind {
            Kind::One(s) => Some(s.size()),
            Kind::List { count, item } => {
                if bytes.len() - at < count.size() {
                    return Err(truncated);
                }
                let items = whole::<BIG>(bytes, at, count);
                if items < 0 {
                    return Err(ReadError::NegativeLength { at: Place::Byte(at as u64) });
                }
                usize::try_from(items)
                    .ok()
                    .and_then(|n| n.checked_mul(item.size())?.checked_add(count.size()))
            }
        };
        match length {
            Some(length) if length <= bytes.len() - at => at += length,
            _ => return Err(truncated),
        }
    }
    Ok(at)
}

/// `N` bytes in little-endian order; the caller has checked that they exist.
#[inline]
pub(super) fn take<const BIG: bool, const N: usize>(bytes: &[u8], at: usize) -> [u8; N] {
    let mut value: [u8; N] = std::array::from_fn(|i| bytes[at + i]);
    if BIG {
        value.reverse();
    }
    value
}

#[inline]
fn whole<const BIG: bool>(bytes: &[u8], at: usize, scalar: Scalar) -> i64 {
    match scalar {
        Scalar::I8 => i64::from(i8::from_le_bytes(take::<BIG, 1>(bytes, at))),
        Scalar::U8 => i64::from(bytes[at]),
        Scalar::I16 => i64::from(i16::from_le_bytes(take::<BIG, 2>(bytes, at))),
        Scalar::U16 => i64::from(u16::from_le_bytes(take::<BIG, 2>(bytes, at))),
        Scalar::I32 => i64::from(i32::from_le_bytes(take::<BIG, 4>(bytes, at))),
        Scalar::U32 => i64::from(u32::from_le_bytes(take::<BIG, 4>(bytes, at))),
        // The header lets no floating type count or name anything.
        Scalar::F32 | Scalar::F64 => -1,
    }
}

#[inline]
pub(super) fn number<const BIG: bool>(bytes: &[u8], at: usize, scalar: Scalar) -> f64 {
    match scalar {
        Scalar::F32 => f64::from(f32::from_le_bytes(take::<BIG, 4>(bytes, at))),
        Scalar::F64 => f64::from_le_bytes(take::<BIG, 8>(bytes, at)),
        // At most 32 bits, so the conversion is exact.
        other => whole::<BIG>(bytes, at, other) as f64,
    }
}
