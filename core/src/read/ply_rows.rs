//! Binary PLY rows of one length, decoded in parallel into the arrays that are kept.
//!
//! Nothing is refused here: rows that are not plainly good are left (`None`) to the reader that goes
//! through them one by one and says what is wrong where.

use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use super::ReadError;
use super::ply::{Element, Kind, Role, Scalar};
use super::ply_ascii::usable;
use super::ply_binary::{number, take};
use crate::geometry::{Point, Vector};
use crate::run::Run;

/// Rows decoded between two looks at whether to stop: a few milliseconds of work.
const BLOCK: usize = 1 << 18;

type Vertices = Both<Point, Vector>;

/// Points and, where the rows have them, normals.
type Both<P, N> = (Vec<P>, Option<Vec<N>>);

/// Points and normals in single numbers.
pub(super) type Singles = Both<[f32; 3], [f32; 3]>;

/// The vertices of which `bytes` consist, as single numbers; `None` when they are of another type or anything else
/// is not plainly good.
pub(super) fn singles<const BIG: bool>(
    bytes: &[u8],
    element: &Element,
    run: &Run,
) -> Result<Option<Singles>, ReadError> {
    let Some(Rows { rows, stride, place, normal }) = rows_of(bytes, element) else { return Ok(None) };
    let whole = |columns: [(usize, Scalar); 3]| side_by_side(columns, Scalar::F32).then_some(columns[0].0);
    let (Some(place), normal) = (whole(place), normal.map(whole)) else { return Ok(None) };
    if normal == Some(None) || rows.len() != bytes.len() {
        return Ok(None);
    }
    let finite = |row: &[f32; 3]| row.iter().all(|c| c.is_finite());
    let normal = normal.flatten().map(|at| {
        move |row: &[u8]| {
            let n = triple::<BIG>(row, at);
            if finite(&n) { n } else { [0.0; 3] }
        }
    });
    decode(rows, stride, |row| triple::<BIG>(row, place), finite, normal.as_ref(), run)
}

/// The vertices at the beginning of `bytes`; `None` when their rows hold lists, are cut short, or hold a
/// coordinate that is not finite.
pub(super) fn vertices<const BIG: bool>(
    bytes: &[u8],
    element: &Element,
    run: &Run,
) -> Result<Option<Vertices>, ReadError> {
    let Some(Rows { rows, stride, place, normal }) = rows_of(bytes, element) else { return Ok(None) };
    let whole = side_by_side;
    // A sum of products with zero is zero unless one of them is infinite or no number.
    let finite = |p: &Point| p.x * 0.0 + p.y * 0.0 + p.z * 0.0 == 0.0;
    // The layouts that nearly all files have are decoded without a choice in each row.
    let start = |columns: [(usize, Scalar); 3]| columns[0].0;
    if whole(place, Scalar::F32) && normal.is_none_or(|n| whole(n, Scalar::F32)) {
        let place = |row: &[u8]| Point::from(single::<BIG>(row, start(place)));
        let normal = normal.map(|n| move |row: &[u8]| usable(single::<BIG>(row, start(n))));
        return decode(rows, stride, place, finite, normal.as_ref(), run);
    }
    if whole(place, Scalar::F64) && normal.is_none_or(|n| whole(n, Scalar::F64)) {
        let place = |row: &[u8]| Point::from(double::<BIG>(row, start(place)));
        let normal = normal.map(|n| move |row: &[u8]| usable(double::<BIG>(row, start(n))));
        return decode(rows, stride, place, finite, normal.as_ref(), run);
    }
    let any = |row: &[u8], columns: [(usize, Scalar); 3]| {
        columns.map(|(at, scalar)| number::<BIG>(row, at, scalar))
    };
    let place = |row: &[u8]| Point::from(any(row, place));
    let normal = normal.map(|n| move |row: &[u8]| usable(any(row, n)));
    decode(rows, stride, place, finite, normal.as_ref(), run)
}

/// Rows of one length, and where in them the coordinates are.
struct Rows<'a> {
    rows: &'a [u8],
    stride: usize,
    place: [(usize, Scalar); 3],
    normal: Option<[(usize, Scalar); 3]>,
}

fn rows_of<'a>(bytes: &'a [u8], element: &Element) -> Option<Rows<'a>> {
    let Role::Vertex { place, normal } = element.role else { return None };
    let mut columns = Vec::with_capacity(element.properties.len());
    let mut at = 0usize;
    for property in &element.properties {
        let Kind::One(scalar) = property.kind else { return None };
        columns.push((at, scalar));
        at += scalar.size();
    }
    let length = usize::try_from(element.count).ok().and_then(|n| n.checked_mul(at))?;
    let rows = bytes.get(..length)?;
    let of = |wanted: [usize; 3]| wanted.map(|i| columns[i]);
    Some(Rows { rows, stride: at, place: of(place), normal: normal.map(of) })
}

/// Whether three numbers are of this type and follow one another.
fn side_by_side(columns: [(usize, Scalar); 3], scalar: Scalar) -> bool {
    let next_to = |k: usize| columns[k].0 == columns[0].0 + k * scalar.size();
    columns.iter().all(|c| c.1 == scalar) && next_to(1) && next_to(2)
}

/// Three single numbers side by side; the caller has checked that the row holds them.
#[inline]
fn triple<const BIG: bool>(row: &[u8], at: usize) -> [f32; 3] {
    let b: [u8; 12] = row[at..at + 12].try_into().unwrap_or_default();
    std::array::from_fn(|k| f32::from_le_bytes(take::<BIG, 4>(&b, 4 * k)))
}

#[inline]
fn single<const BIG: bool>(row: &[u8], at: usize) -> [f64; 3] {
    triple::<BIG>(row, at).map(f64::from)
}

/// Three double numbers side by side.
#[inline]
fn double<const BIG: bool>(row: &[u8], at: usize) -> [f64; 3] {
    let b: [u8; 24] = row[at..at + 24].try_into().unwrap_or_default();
    std::array::from_fn(|k| f64::from_le_bytes(take::<BIG, 8>(&b, 8 * k)))
}

/// `None` where a place is not finite.
fn decode<P: Send, N: Send>(
    rows: &[u8],
    stride: usize,
    place: impl Fn(&[u8]) -> P + Sync,
    finite: impl Fn(&P) -> bool + Sync,
    normal: Option<&(impl Fn(&[u8]) -> N + Sync)>,
    run: &Run,
) -> Result<Option<Both<P, N>>, ReadError> {
    let count = rows.len() / stride.max(1);
    // The rows exist, so this is within 24 times the file's length.
    let mut both = (Vec::with_capacity(count), Vec::with_capacity(if normal.is_some() { count } else { 0 }));
    let strange = AtomicBool::new(false);
    let point = |row: &[u8]| {
        let p = place(row);
        if !finite(&p) {
            strange.store(true, Ordering::Relaxed);
        }
        p
    };
    for block in rows.chunks(BLOCK * stride.max(1)) {
        run.check()?;
        let rows = block.par_chunks_exact(stride);
        match normal {
            Some(normal) => both.par_extend(rows.map(|row| (point(row), normal(row)))),
            None => both.0.par_extend(rows.map(point)),
        }
        if strange.load(Ordering::Relaxed) {
            return Ok(None);
        }
    }
    Ok(Some((both.0, normal.is_some().then_some(both.1))))
}

/// Length of a row that is one triangle: a count in a byte and three indices of four.
pub(super) const TRIANGLE: usize = 13;

/// The triangles at the beginning of `bytes`; `None` when the faces are laid out otherwise or are not all
/// triangles of vertices that exist.
pub(super) fn triangles<const BIG: bool>(
    bytes: &[u8],
    element: &Element,
    vertices: usize,
    run: &Run,
) -> Result<Option<Vec<[u32; 3]>>, ReadError> {
    let [only] = element.properties.as_slice() else { return Ok(None) };
    let Kind::List { count: Scalar::U8 | Scalar::I8, item: Scalar::I32 | Scalar::U32 } = only.kind else {
        return Ok(None);
    };
    // The header was held against the limits; triangles are as many as faces here.
    let length = usize::try_from(element.count).ok().and_then(|n| n.checked_mul(TRIANGLE));
    let Some(rows) = length.and_then(|length| bytes.get(..length)) else { return Ok(None) };
    let mut triangles = Vec::with_capacity(rows.len() / TRIANGLE);
    let strange = AtomicBool::new(false);
    for block in rows.chunks(BLOCK * TRIANGLE) {
        run.check()?;
        triangles.par_extend(block.par_chunks_exact(TRIANGLE).map(|row| {
            let corners: [u32; 3] =
                std::array::from_fn(|k| u32::from_le_bytes(take::<BIG, 4>(row, 1 + 4 * k)));
            // Negative ones are beyond every count of vertices when read without sign.
            if row[0] != 3 || corners.iter().any(|&c| c as usize >= vertices) {
                strange.store(true, Ordering::Relaxed);
            }
            corners
        }));
        if strange.load(Ordering::Relaxed) {
            return Ok(None);
        }
    }
    Ok(Some(triangles))
}
