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

/// Rows that one thread takes at least.
const LEAST: usize = 4096;

type Vertices = Both<Point, Vector>;

/// Points and, where the rows have them, normals.
type Both<P, N> = (Vec<P>, Option<Vec<N>>);

/// Points and normals in single numbers.
pub(super) type Singles = Both<[f32; 3], [f32; 3]>;

/// Rows of single numbers, and nothing else, as a header tells of them.
pub(super) struct SingleRows {
    big: bool,
    /// Length of a row, bytes.
    pub(super) stride: usize,
    place: usize,
    normal: Option<usize>,
}

impl SingleRows {
    /// `None` where the rows are of another type.
    pub(super) fn of(element: &Element, big: bool) -> Option<Self> {
        let Columns { stride, place, normal } = columns_of(element)?;
        let whole =
            |columns: [(usize, Scalar); 3]| side_by_side(columns, Scalar::F32).then_some(columns[0].0);
        let normal = match normal {
            Some(normal) => Some(whole(normal)?),
            None => None,
        };
        Some(Self { big, stride, place: whole(place)?, normal })
    }

    /// Nothing yet, with room for so many rows.
    pub(super) fn room(&self, rows: usize) -> Singles {
        (Vec::with_capacity(rows), self.normal.map(|_| Vec::with_capacity(rows)))
    }

    /// Appends whole rows; false where a place is not finite.
    pub(super) fn add(&self, rows: &[u8], to: &mut Singles) -> bool {
        if self.big { self.add_as::<true>(rows, to) } else { self.add_as::<false>(rows, to) }
    }

    fn add_as<const BIG: bool>(&self, rows: &[u8], to: &mut Singles) -> bool {
        let finite = |row: &[f32; 3]| row.iter().all(|c| c.is_finite());
        let normal = self.normal.map(|at| {
            move |row: &[u8]| {
                let n = triple::<BIG>(row, at);
                if finite(&n) { n } else { [0.0; 3] }
            }
        });
        let place = |row: &[u8]| triple::<BIG>(row, self.place);
        add_rows(rows, self.stride, place, finite, normal.as_ref(), to)
    }
}

/// The vertices at the beginning of `bytes`; `None` when their rows hold lists, are cut short, or hold a
/// coordinate that is not finite.
pub(super) fn vertices<const BIG: bool>(
    bytes: &[u8],
    element: &Element,
    run: &Run,
) -> Result<Option<Vertices>, ReadError> {
    let Some(Columns { stride, place, normal }) = columns_of(element) else { return Ok(None) };
    let length = usize::try_from(element.count).ok().and_then(|n| n.checked_mul(stride));
    let Some(rows) = length.and_then(|length| bytes.get(..length)) else { return Ok(None) };
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
struct Columns {
    stride: usize,
    place: [(usize, Scalar); 3],
    normal: Option<[(usize, Scalar); 3]>,
}

/// `None` of rows that hold lists.
fn columns_of(element: &Element) -> Option<Columns> {
    let Role::Vertex { place, normal } = element.role else { return None };
    let mut columns = Vec::with_capacity(element.properties.len());
    let mut at = 0usize;
    for property in &element.properties {
        let Kind::One(scalar) = property.kind else { return None };
        columns.push((at, scalar));
        at += scalar.size();
    }
    let of = |wanted: [usize; 3]| wanted.map(|i| columns[i]);
    Some(Columns { stride: at, place: of(place), normal: normal.map(of) })
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
    let mut both = (Vec::with_capacity(count), normal.map(|_| Vec::with_capacity(count)));
    for block in rows.chunks(BLOCK * stride.max(1)) {
        run.check()?;
        if !add_rows(block, stride, &place, &finite, normal, &mut both) {
            return Ok(None);
        }
    }
    Ok(Some(both))
}

/// Appends rows, in parallel; false where a place is not finite.
fn add_rows<P: Send, N: Send>(
    rows: &[u8],
    stride: usize,
    place: impl Fn(&[u8]) -> P + Sync,
    finite: impl Fn(&P) -> bool + Sync,
    normal: Option<&(impl Fn(&[u8]) -> N + Sync)>,
    to: &mut Both<P, N>,
) -> bool {
    let strange = AtomicBool::new(false);
    let point = |row: &[u8]| {
        let p = place(row);
        if !finite(&p) {
            strange.store(true, Ordering::Relaxed);
        }
        p
    };
    let rows = rows.par_chunks_exact(stride).with_min_len(LEAST);
    match (normal, to.1.take()) {
        (Some(normal), Some(normals)) => {
            let mut pair = (std::mem::take(&mut to.0), normals);
            pair.par_extend(rows.map(|row| (point(row), normal(row))));
            *to = (pair.0, Some(pair.1));
        }
        _ => to.0.par_extend(rows.map(point)),
    }
    !strange.into_inner()
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
