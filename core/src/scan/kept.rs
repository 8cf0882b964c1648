//! Points and normals in the precision of their source: where a file has single numbers a scan keeps these, in half
//! the memory, and every number is what it would be in double ones. One file, although long: places and ways are kept and
//! seen alike.

use std::ops::Range;

use rayon::prelude::*;

use crate::geometry::{Direction, Point, Vector};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Three single numbers.
pub(crate) type Single = [f32; 3];

fn wide(row: &Single) -> [f64; 3] {
    row.map(f64::from)
}

/// The numbers as single ones; `None` where one of them is none. Block by block, each tested and copied while
/// it is in the cache.
fn narrowed<T: Copy + Into<[f64; 3]> + Send + Sync>(
    all: &[T],
    run: &Run,
) -> Result<Option<Vec<Single>>, Stopped> {
    let mut rows: Vec<Single> = Vec::new();
    for block in all.chunks(64 * CHECK_EVERY) {
        run.check()?;
        let row = |t: &T| -> [f64; 3] { (*t).into() };
        let single = |t: &T| row(t).iter().all(|&c| f64::from(c as f32) == c);
        if !block.par_iter().with_min_len(CHECK_EVERY).all(single) {
            return Ok(None);
        }
        if rows.is_empty() {
            rows.reserve_exact(all.len());
        }
        rows.par_extend(block.par_iter().with_min_len(CHECK_EVERY).map(|t| row(t).map(|c| c as f32)));
    }
    Ok(Some(rows))
}

/// Points, kept.
#[derive(Clone, Debug)]
pub(super) enum Places {
    /// In a unit of `mm`.
    Single { rows: Vec<Single>, mm: f64 },
    /// In mm, zeros without a sign.
    Double(Vec<Point>),
}

impl Places {
    /// Takes points in a unit of `mm`.
    pub(super) fn of(mut points: Vec<Point>, mm: f64, run: &Run) -> Result<Self, Stopped> {
        if let Some(rows) = narrowed(&points, run)? {
            return Ok(Self::Single { rows, mm });
        }
        points.par_chunks_mut(CHECK_EVERY).try_for_each(|chunk| {
            run.check()?;
            chunk.iter_mut().for_each(|p| *p = in_mm(*p, mm));
            Ok(())
        })?;
        Ok(Self::Double(points))
    }

    pub(super) fn view(&self) -> Points<'_> {
        Points(match self {
            Self::Single { rows, mm } => PointRows::Single(rows, *mm),
            Self::Double(points) => PointRows::Double(points),
        })
    }

    pub(super) fn retain(&mut self, keep: &[bool]) {
        match self {
            Self::Single { rows, .. } => super::retain(rows, keep),
            Self::Double(points) => super::retain(points, keep),
        }
    }

    /// All lengths times a factor.
    pub(super) fn scaled(&self, factor: f64) -> Self {
        match self {
            Self::Single { rows, mm } => Self::Single { rows: rows.clone(), mm: mm * factor },
            Self::Double(points) => Self::Double(points.iter().map(|p| in_mm(*p, factor)).collect()),
        }
    }

    pub(super) fn some(&self, indices: &[u32]) -> Self {
        match self {
            Self::Single { rows, mm } => {
                Self::Single { rows: indices.iter().map(|&i| rows[i as usize]).collect(), mm: *mm }
            }
            Self::Double(points) => Self::Double(indices.iter().map(|&i| points[i as usize]).collect()),
        }
    }
}

/// Adding zero turns -0 into 0, so that equal coordinates have equal bits.
pub(super) fn in_mm(p: Point, mm: f64) -> Point {
    Point::from((p.coords * mm).add_scalar(0.0))
}

/// Normals, kept.
#[derive(Clone, Debug)]
pub(super) enum Ways {
    /// Of any length, as in the file; zeros where there is none.
    Single(Vec<Single>),
    /// Of length 1; zeros where there is none.
    Double(Vec<Vector>),
}

impl Ways {
    /// Takes normals of any length.
    pub(super) fn of(normals: Vec<Vector>, run: &Run) -> Result<Self, Stopped> {
        Ok(narrowed(&normals, run)?.map_or(Self::Double(normals), Self::Single))
    }

    pub(super) fn len(&self) -> usize {
        match self {
            Self::Single(rows) => rows.len(),
            Self::Double(normals) => normals.len(),
        }
    }

    pub(super) fn view(&self) -> Normals<'_> {
        Normals(match self {
            Self::Single(rows) => NormalRows::Single(rows),
            Self::Double(normals) => NormalRows::Double(normals),
        })
    }

    pub(super) fn retain(&mut self, keep: &[bool]) {
        match self {
            Self::Single(rows) => super::retain(rows, keep),
            Self::Double(normals) => super::retain(normals, keep),
        }
    }

    pub(super) fn some(&self, indices: &[u32]) -> Self {
        match self {
            Self::Single(rows) => Self::Single(indices.iter().map(|&i| rows[i as usize]).collect()),
            Self::Double(normals) => Self::Double(indices.iter().map(|&i| normals[i as usize]).collect()),
        }
    }

    /// Whether point `i` has none.
    pub(super) fn lacks(&self, i: usize) -> bool {
        match self {
            Self::Single(rows) => rows[i] == [0.0; 3],
            Self::Double(normals) => normals[i] == Vector::zeros(),
        }
    }

    /// Point `to` takes the normal of point `from`.
    pub(super) fn copy(&mut self, from: usize, to: usize) {
        match self {
            Self::Single(rows) => rows[to] = rows[from],
            Self::Double(normals) => normals[to] = normals[from],
        }
    }

    /// Makes double normals unit length, in their place, and those without a use zeros: a sum of unit normals, or a
    /// file's normal, is usable when it is longer than what rounding leaves of normals that cancel (single
    /// precision). Whether any is usable.
    pub(super) fn make_usable(&mut self, run: &Run) -> Result<bool, Stopped> {
        let either = |a, b| Ok(a | b);
        match self {
            Self::Single(rows) => {
                let any = |chunk: &mut [Single]| {
                    run.check()?;
                    let mut any = false;
                    for row in chunk {
                        let has = usable(Vector::from(wide(row))).is_some();
                        *row = if has { *row } else { [0.0; 3] };
                        any |= has;
                    }
                    Ok(any)
                };
                rows.par_chunks_mut(CHECK_EVERY).map(any).try_reduce(|| false, either)
            }
            Self::Double(normals) => {
                let any = |chunk: &mut [Vector]| {
                    run.check()?;
                    let mut any = false;
                    for v in chunk {
                        let unit = usable(*v);
                        *v = unit.map_or(Vector::zeros(), Direction::vector);
                        any |= unit.is_some();
                    }
                    Ok(any)
                };
                normals.par_chunks_mut(CHECK_EVERY).map(any).try_reduce(|| false, either)
            }
        }
    }
}

/// A usable normal is longer than what single precision leaves of nothing.
pub(super) const LEAST_NORMAL: f64 = 1e-6;

fn usable(v: Vector) -> Option<Direction> {
    if v.norm() > LEAST_NORMAL { Direction::new(v) } else { None }
}

/// Points of a scan, mm. They are kept in the precision of their source and given out in double.
#[derive(Clone, Copy, Debug)]
pub struct Points<'a>(PointRows<'a>);

#[derive(Clone, Copy, Debug)]
enum PointRows<'a> {
    Single(&'a [Single], f64),
    Double(&'a [Point]),
}

impl<'a> Points<'a> {
    /// How many.
    pub fn len(&self) -> usize {
        match self.0 {
            PointRows::Single(rows, _) => rows.len(),
            PointRows::Double(points) => points.len(),
        }
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Point `i`, mm; it must be one of them.
    #[inline]
    pub fn at(&self, i: usize) -> Point {
        match self.0 {
            PointRows::Single(rows, mm) => in_mm(Point::from(wide(&rows[i])), mm),
            PointRows::Double(points) => points[i],
        }
    }

    /// Some that follow one another; they must be some of them.
    pub fn range(&self, range: Range<usize>) -> Self {
        Self(match self.0 {
            PointRows::Single(rows, mm) => PointRows::Single(&rows[range], mm),
            PointRows::Double(points) => PointRows::Double(&points[range]),
        })
    }

    /// All in order.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = Point> + DoubleEndedIterator + Clone + use<'a> {
        let all = *self;
        (0..all.len()).map(move |i| all.at(i))
    }

    /// All in order, for several threads.
    pub fn par_iter(&self) -> impl IndexedParallelIterator<Item = Point> + use<'a> {
        let all = *self;
        (0..all.len()).into_par_iter().map(move |i| all.at(i))
    }

    /// `size` at a time, in order.
    pub fn chunks(&self, size: usize) -> impl ExactSizeIterator<Item = Self> + use<'a> {
        let all = *self;
        (0..all.len().div_ceil(size)).map(move |c| all.range(c * size..all.len().min((c + 1) * size)))
    }

    /// `size` at a time, in order, for several threads.
    pub fn par_chunks(&self, size: usize) -> impl IndexedParallelIterator<Item = Self> + use<'a> {
        let all = *self;
        let count = all.len().div_ceil(size);
        (0..count).into_par_iter().map(move |c| all.range(c * size..all.len().min((c + 1) * size)))
    }

    /// A copy in double.
    pub fn to_vec(&self) -> Vec<Point> {
        self.par_iter().with_min_len(CHECK_EVERY).collect()
    }
}

impl<'a> From<&'a [Point]> for Points<'a> {
    fn from(points: &'a [Point]) -> Self {
        Self(PointRows::Double(points))
    }
}

impl<'a> From<&'a Vec<Point>> for Points<'a> {
    fn from(points: &'a Vec<Point>) -> Self {
        Self(PointRows::Double(points))
    }
}

impl PartialEq for Points<'_> {
    fn eq(&self, other: &Self) -> bool {
        self.len() == other.len() && self.iter().eq(other.iter())
    }
}

/// Normals of a scan, one a point. They are kept in the precision of their source and given out in double.
#[derive(Clone, Copy, Debug)]
pub struct Normals<'a>(NormalRows<'a>);

#[derive(Clone, Copy, Debug)]
enum NormalRows<'a> {
    Single(&'a [Single]),
    Double(&'a [Vector]),
    Given(&'a [Direction]),
}

impl<'a> Normals<'a> {
    /// How many.
    pub fn len(&self) -> usize {
        match self.0 {
            NormalRows::Single(rows) => rows.len(),
            NormalRows::Double(normals) => normals.len(),
            NormalRows::Given(normals) => normals.len(),
        }
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Normal `i`; it must be one of them.
    #[inline]
    pub fn at(&self, i: usize) -> Direction {
        match self.0 {
            // What has no direction was left out when the scan was made.
            NormalRows::Single(rows) => Direction::new(Vector::from(wide(&rows[i]))).unwrap_or(Direction::Z),
            NormalRows::Double(normals) => Direction::of_unit(normals[i]),
            NormalRows::Given(normals) => normals[i],
        }
    }

    /// All in order.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = Direction> + DoubleEndedIterator + Clone + use<'a> {
        let all = *self;
        (0..all.len()).map(move |i| all.at(i))
    }
}

impl<'a> From<&'a [Direction]> for Normals<'a> {
    fn from(normals: &'a [Direction]) -> Self {
        Self(NormalRows::Given(normals))
    }
}

impl PartialEq for Normals<'_> {
    fn eq(&self, other: &Self) -> bool {
        self.len() == other.len() && self.iter().eq(other.iter())
    }
}
