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

/// Points and, where the rows have them, normals.
type Vertices = (Vec<Point>, Option<Vec<Vector>>);

/// The vertices at the beginning of `bytes`; `None` when their rows hold lists, are cut short, or hold a
/// coordinate that is not finite.
pub(super) fn vertices<const BIG: bool>(
    bytes: &[u8],
    element: &Element,
    run: &Run,
) -> Result<Option<Vertices>, ReadError> {
    let Role::Vertex { place, normal } = element.role else { return Ok(None) };
    let mut starts = Vec::with_capacity(element.properties.len());
    let mut types = Vec::with_capacity(element.properties.len());
    let mut at = 0usize;
    for property in &element.properties {
        let Kind::One(scalar) = property.kind else { return Ok(None) };
        starts.push(at);
        types.push(scalar);
        at += scalar.size();
    }
    let length = usize::try_from(element.count).ok().and_then(|n| n.checked_mul(at));
    let Some(rows) = length.and_then(|length| bytes.get(..length)) else { return Ok(None) };
    let columns = |wanted: [usize; 3]| wanted.map(|i| (starts[i], types[i]));
    let (place, normal) = (columns(place), normal.map(columns));
    let whole = |columns: [(usize, Scalar); 3], scalar: Scalar| {
        let next_to = |k: usize| columns[k].0 == columns[0].0 + k * scalar.size();
        columns.iter().all(|c| c.1 == scalar) && next_to(1) && next_to(2)
    };
    // The layouts that nearly all files have are decoded without a choice in each row.
    let start = |columns: [(usize, Scalar); 3]| columns[0].0;
    if whole(place, Scalar::F32) && normal.is_none_or(|n| whole(n, Scalar::F32)) {
        let triple = |row: &[u8], at: usize| single::<BIG>(row, at);
        return decode(
            rows,
            at,
            |row| triple(row, start(place)),
            normal.map(|n| move |row: &[u8]| triple(row, start(n))).as_ref(),
            run,
        );
    }
    if whole(place, Scalar::F64) && normal.is_none_or(|n| whole(n, Scalar::F64)) {
        let triple = |row: &[u8], at: usize| double::<BIG>(row, at);
        return decode(
            rows,
            at,
            |row| triple(row, start(place)),
            normal.map(|n| move |row: &[u8]| triple(row, start(n))).as_ref(),
            run,
        );
    }
    let triple = |row: &[u8], columns: [(usize, Scalar); 3]| {
        columns.map(|(at, scalar)| number::<BIG>(row, at, scalar))
    };
    decode(rows, at, |row| triple(row, place), normal.map(|n| move |row: &[u8]| triple(row, n)).as_ref(), run)
}

/// Three single numbers side by side; the caller has checked that the row holds them.
#[inline]
fn single<const BIG: bool>(row: &[u8], at: usize) -> [f64; 3] {
    let b: [u8; 12] = row[at..at + 12].try_into().unwrap_or_default();
    std::array::from_fn(|k| f64::from(f32::from_le_bytes(take::<BIG, 4>(&b, 4 * k))))
}

/// Three double numbers side by side.
#[inline]
fn double<const BIG: bool>(row: &[u8], at: usize) -> [f64; 3] {
    let b: [u8; 24] = row[at..at + 24].try_into().unwrap_or_default();
    std::array::from_fn(|k| f64::from_le_bytes(take::<BIG, 8>(&b, 8 * k)))
}

fn decode(
    rows: &[u8],
    stride: usize,
    place: impl Fn(&[u8]) -> [f64; 3] + Sync,
    normal: Option<&(impl Fn(&[u8]) -> [f64; 3] + Sync)>,
    run: &Run,
) -> Result<Option<Vertices>, ReadError> {
    let count = rows.len() / stride.max(1);
    // The rows exist, so this is within 24 times the file's length.
    let mut both = (Vec::with_capacity(count), Vec::with_capacity(if normal.is_some() { count } else { 0 }));
    let strange = AtomicBool::new(false);
    let point = |row: &[u8]| {
        let p = place(row);
        // A sum of products with zero is zero unless one of them is infinite or no number.
        if p[0] * 0.0 + p[1] * 0.0 + p[2] * 0.0 != 0.0 {
            strange.store(true, Ordering::Relaxed);
        }
        Point::from(p)
    };
    for block in rows.chunks(BLOCK * stride.max(1)) {
        run.check()?;
        let rows = block.par_chunks_exact(stride);
        match normal {
            Some(normal) => {
                both.par_extend(rows.map(|row| (point(row), usable(normal(row)))));
            }
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
