//! A scan in millimetres, with normals where they are known.

mod border;
mod info;
mod kept;
mod normals;
mod repeats;
mod spacing;
#[cfg(test)]
mod tests;

pub use info::{NormalsFrom, ScanInfo, TextInfo, info};
pub use kept::{Normals, Points};

use rayon::prelude::*;

use crate::geometry::{Direction, Motion, Point, ScanFrame, Vector};
pub use crate::read::LengthUnit;
use crate::read::{RawScan, Source, Taken};
use crate::run::{CHECK_EVERY, Run, Stopped};
use kept::{Places, Ways};

/// Why a file's points are no scan.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ScanError {
    /// Nothing to measure.
    #[error("the scan has no points: check what was exported")]
    NoPoints,
    /// Lists of the raw scan that do not belong together. Readers do not make such.
    #[error("the scan has {points} points but {normals} normals, or triangles beyond its points")]
    Inconsistent {
        /// How many points.
        points: usize,
        /// How many normals.
        normals: usize,
    },
    /// The file tells its unit, and it is another one.
    #[error("the file's lengths are {file} by its format or heading, but {stated} are stated: state {file}")]
    UnitInFile {
        /// The unit of the file.
        file: LengthUnit,
        /// What was stated.
        stated: LengthUnit,
    },
    /// A coordinate that is no number or too far out for anything that is scanned.
    #[error(
        "point {point} (from 0) lies more than {FURTHEST_MM} mm from the origin or nowhere: check the length unit, and move the scan to its origin"
    )]
    TooFar {
        /// Number of the point.
        point: usize,
    },
    /// The caller asked to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// Ten kilometres: coordinates beyond it hold no micrometre detail in 32 bits, and squares and products
/// of anything below are far from the limits of 64 bits.
pub const FURTHEST_MM: f64 = 1e7;

/// Brings lengths into mm in place; the answer is the first point beyond [`FURTHEST_MM`] or nowhere.
pub(crate) fn into_mm(points: &mut [Point], mm: f64, run: &Run) -> Result<Option<usize>, Stopped> {
    let of_chunk = |(chunk, points): (usize, &mut [Point])| {
        run.check()?;
        let mut far = None;
        for (i, p) in points.iter_mut().enumerate() {
            *p = kept::in_mm(*p, mm);
            if far.is_none() && !p.iter().all(|c| c.abs() <= FURTHEST_MM) {
                far = Some(chunk * CHECK_EVERY + i);
            }
        }
        Ok(far)
    };
    let first = |a: Option<usize>, b: Option<usize>| Ok(a.into_iter().chain(b).min());
    points.par_chunks_mut(CHECK_EVERY).enumerate().map(of_chunk).try_reduce(|| None, first)
}

/// The first point beyond [`FURTHEST_MM`] or nowhere.
fn too_far(points: Points, run: &Run) -> Result<Option<usize>, Stopped> {
    let of_chunk = |(chunk, points): (usize, Points)| {
        run.check()?;
        let far = |p: Point| !p.iter().all(|c| c.abs() <= FURTHEST_MM);
        Ok(points.iter().position(far).map(|i| chunk * CHECK_EVERY + i))
    };
    let first = |a: Option<usize>, b: Option<usize>| Ok(a.into_iter().chain(b).min());
    points.par_chunks(CHECK_EVERY).enumerate().map(of_chunk).try_reduce(|| None, first)
}

/// Refuses what does not belong together.
fn check(
    points: usize,
    normals: Option<usize>,
    triangles: &[[u32; 3]],
    source: &Source,
    unit: LengthUnit,
) -> Result<(), ScanError> {
    if let Some(file) = source.unit.filter(|&file| file != unit) {
        return Err(ScanError::UnitInFile { file, stated: unit });
    }
    if points == 0 {
        return Err(ScanError::NoPoints);
    }
    let in_range = triangles.iter().flatten().all(|&c| (c as usize) < points);
    if !in_range || normals.is_some_and(|n| n != points) || points > u32::MAX as usize / 4 {
        return Err(ScanError::Inconsistent { points, normals: normals.unwrap_or(0) });
    }
    Ok(())
}

/// Keeps the items that are marked.
fn retain<T>(items: &mut Vec<T>, keep: &[bool]) {
    let mut marks = keep.iter();
    items.retain(|_| marks.next() == Some(&true));
    if items.len() < items.capacity() / 2 {
        items.shrink_to_fit();
    }
}

/// Points of one acquisition in mm, in the scanner's axes.
#[derive(Clone, Debug)]
pub struct Scan {
    points: Places,
    normals: Option<Ways>,
    /// Whether the normals were worked out from where the points lie, and not taken.
    derived: bool,
    /// One a scan that went in: the end of its points and their spacing, mm.
    pieces: Vec<(usize, f64)>,
    dropped: usize,
    /// Points at which the file's own mesh ends, ascending; `None` where it has none.
    border: Option<Vec<u32>>,
}

impl PartialEq for Scan {
    /// The same numbers, in whatever precision they are kept.
    fn eq(&self, other: &Self) -> bool {
        let told = |s: &Self| (s.pieces.clone(), s.dropped, s.border.clone());
        self.points() == other.points() && self.normals() == other.normals() && told(self) == told(other)
    }
}

/// A scan with fewer of a feature's points than this share of them has not seen it, but strayed onto it.
const LEAST_SHARE: f64 = 0.01;

impl Scan {
    /// Takes a file's points into mm. Of repeated points the first stays; normals come from the
    /// triangles where there are any, else from the file; where only some points have a usable normal,
    /// the others are dropped. A unit other than the one that the file's format fixes (E57: metres) is refused.
    pub fn new(taken: impl Into<Taken>, unit: LengthUnit, run: &Run) -> Result<Self, ScanError> {
        let mm = unit.mm();
        match taken.into() {
            Taken::Raw(RawScan { points, normals, triangles, source }) => {
                let (points_given, normals_given) = (points.len(), normals.as_ref().map(Vec::len));
                check(points_given, normals_given, &triangles, &source, unit)?;
                let points = Places::of(points, mm, run)?;
                let normals = normals.map(|n| Ways::of(n, run)).transpose()?;
                Self::of(points, normals, &triangles, run)
            }
            Taken::Single { points, normals, source } => {
                check(points.len(), normals.as_ref().map(Vec::len), &[], &source, unit)?;
                Self::of(Places::Single { rows: points, mm }, normals.map(Ways::Single), &[], run)
            }
        }
    }

    fn of(
        mut points: Places,
        normals: Option<Ways>,
        triangles: &[[u32; 3]],
        run: &Run,
    ) -> Result<Self, ScanError> {
        let all = points.view();
        let given = all.len();
        if let Some(point) = too_far(all, run)? {
            return Err(ScanError::TooFar { point });
        }
        let bounds = spacing::bounds(all);
        let dealt = spacing::dealt(all, &bounds);
        let repeated = repeats::repeated(all, &dealt, run)?;
        let mut found = normals::of_triangles(all, triangles, &repeated, run)?;
        if found.is_none()
            && let Some(file) = normals
        {
            found = normals::of_file(file, &repeated, run)?;
        }
        let mut border = border::border(given, triangles, &repeated, run)?;
        // All in place: a second copy of a large scan would be more than all the rest together.
        if !repeated.is_empty() {
            let mut keep = vec![true; given];
            repeated.iter().for_each(|&(i, _)| keep[i as usize] = false);
            points.retain(&keep);
            found.iter_mut().for_each(|n| n.retain(&keep));
            border.iter_mut().for_each(|b| retain(b, &keep));
        }
        let spacing_mm = spacing::spacing_mm(points.view(), &dealt, run)?;
        if let Some(normals) = &mut found
            && (0..normals.len()).into_par_iter().with_min_len(CHECK_EVERY).any(|i| normals.lacks(i))
        {
            let keep: Vec<bool> = (0..normals.len()).map(|i| !normals.lacks(i)).collect();
            points.retain(&keep);
            normals.retain(&keep);
            border.iter_mut().for_each(|b| retain(b, &keep));
        }
        let count = points.view().len();
        let border = border.map(|b| (0u32..).zip(b).filter(|(_, on)| *on).map(|(i, _)| i).collect());
        Ok(Self {
            dropped: given - count,
            pieces: vec![(count, spacing_mm)],
            points,
            normals: found,
            derived: false,
            border,
        })
    }

    /// Some of its points, by their indices, ascending. The spacing stays that of the whole.
    pub fn subset(&self, indices: &[u32]) -> Self {
        let of = |i: &u32| *i as usize;
        Self {
            points: self.points.some(indices),
            normals: self.normals.as_ref().map(|n| n.some(indices)),
            derived: self.derived,
            pieces: {
                let end =
                    |&(end, spacing): &(usize, f64)| (indices.partition_point(|i| of(i) < end), spacing);
                self.pieces.iter().map(end).collect()
            },
            dropped: self.dropped,
            border: self.border.as_ref().map(|border| {
                let kept = (0u32..).zip(indices);
                kept.filter(|(_, i)| border.binary_search(i).is_ok()).map(|(k, _)| k).collect()
            }),
        }
    }

    /// Some of its points, by their indices, ascending, each moved to the place given, mm. Normals and spacing stay.
    pub fn displaced(&self, indices: &[u32], to: Vec<Point>) -> Self {
        Self { points: Places::Double(to), ..self.subset(indices) }
    }

    /// With a unit normal for each point, out of the material, that was worked out from where the points lie: what asks for
    /// taken ones still finds none ([`Scan::took_normals`]). `normals` has as many as there are points.
    pub fn with_normals(&self, normals: Vec<Vector>) -> Self {
        debug_assert_eq!(normals.len(), self.points().len());
        Self { normals: Some(Ways::Double(normals)), derived: true, ..self.clone() }
    }

    /// All lengths times a factor, about the origin of its axes: as it would be at another temperature.
    pub fn scaled(&self, factor: f64) -> Self {
        Self {
            points: self.points.scaled(factor),
            normals: self.normals.clone(),
            derived: self.derived,
            pieces: self.pieces.iter().map(|(end, spacing)| (*end, spacing * factor)).collect(),
            dropped: self.dropped,
            border: self.border.clone(),
        }
    }

    /// This scan and others brought into its axes. Normals stay only where all have them.
    pub fn with(&self, others: &[(&Scan, Motion<ScanFrame, ScanFrame>)]) -> Self {
        let mut points = self.points().to_vec();
        let mut normals: Option<Vec<Vector>> =
            self.normals().map(|n| n.iter().map(Direction::vector).collect());
        let (mut pieces, mut dropped) = (self.pieces.clone(), self.dropped);
        let derived = self.derived || others.iter().any(|(scan, _)| scan.derived);
        for (scan, motion) in others {
            points.extend(scan.points().iter().map(|p| motion.point(&p)));
            normals = match (normals, scan.normals()) {
                (Some(mut mine), Some(theirs)) => {
                    mine.extend(theirs.iter().map(|n| motion.direction(n).vector()));
                    Some(mine)
                }
                _ => None,
            };
            let before = pieces.last().map_or(0, |p| p.0);
            pieces.extend(scan.pieces.iter().map(|(end, spacing)| (before + end, *spacing)));
            dropped += scan.dropped;
        }
        // Where the mesh of one ends another may go on.
        let border = if others.is_empty() { self.border.clone() } else { None };
        let normals = normals.map(Ways::Double);
        Self { points: Places::Double(points), normals, derived, pieces, dropped, border }
    }

    /// With each of the scans that went in moved by its own motion, in their order; one without a motion stays.
    pub fn moved_by_piece(&self, motions: &[Motion<ScanFrame, ScanFrame>]) -> Self {
        let motion = |i: usize| motions.get(self.piece_of(i));
        let points = self.points().iter().enumerate();
        let points = points.map(|(i, p)| motion(i).map_or(p, |m| m.point(&p))).collect();
        let normals = self.normals().map(|n| {
            let turned = n.iter().enumerate();
            let turned = turned.map(|(i, n)| motion(i).map_or(n, |m| m.direction(n)).vector());
            Ways::Double(turned.collect())
        });
        Self {
            points: Places::Double(points),
            normals,
            derived: self.derived,
            pieces: self.pieces.clone(),
            dropped: self.dropped,
            border: self.border.clone(),
        }
    }

    /// All points, mm.
    pub fn points(&self) -> Points<'_> {
        self.points.view()
    }
    /// One unit normal a point, pointing out of the material; `None` when the file had neither normals
    /// nor triangles.
    pub fn normals(&self) -> Option<Normals<'_>> {
        self.normals.as_ref().map(Ways::view)
    }
    /// Whether it has normals of its own: from the file, or from its triangles.
    pub fn took_normals(&self) -> bool {
        self.normals.is_some() && !self.derived
    }

    /// Points at which the file's own mesh ends, ascending; `None` where it has no mesh, and for several scans together.
    pub fn border(&self) -> Option<&[u32]> {
        self.border.as_deref()
    }
    /// Median distance from a point to its nearest other point, mm, over a fixed sample; 0 for a single
    /// point, which has no neighbour. Of several scans together that of the densest, so that a sparse one
    /// beside it does not stand for what the dense one would have had to see.
    pub fn spacing_mm(&self) -> f64 {
        let least = self.pieces.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
        if least.is_finite() { least } else { 0.0 }
    }
    /// Spacing of the scan that a point came with, mm.
    pub fn spacing_of(&self, index: usize) -> f64 {
        let piece = self.pieces.partition_point(|p| p.0 <= index);
        self.pieces.get(piece).map_or_else(|| self.spacing_mm(), |p| p.1)
    }
    /// How many scans went in.
    pub fn piece_count(&self) -> usize {
        self.pieces.len()
    }
    /// Which of the scans that went in a point came with, in their order.
    pub fn piece_of(&self, index: usize) -> usize {
        self.pieces.partition_point(|p| p.0 <= index).min(self.pieces.len().saturating_sub(1))
    }
    /// Spacing of the densest scan that has seen what these points, by their indices, lie on, mm: of a face
    /// that only the sparser one of two scans shows, that one's.
    pub fn spacing_among(&self, indices: impl Iterator<Item = u32>) -> f64 {
        let mut counts = vec![0usize; self.pieces.len()];
        for i in indices {
            let piece = self.pieces.partition_point(|p| p.0 <= i as usize);
            if let Some(count) = counts.get_mut(piece) {
                *count += 1;
            }
        }
        let all: usize = counts.iter().sum();
        let has_seen = |c: usize| c > 0 && c as f64 >= LEAST_SHARE * all as f64;
        let seen = self.pieces.iter().zip(&counts).filter(|(_, c)| has_seen(**c)).map(|(p, _)| p.1);
        let least = seen.fold(f64::INFINITY, f64::min);
        if least.is_finite() { least } else { self.spacing_mm() }
    }
    /// Points of the file left out: repeated, or without a usable normal where others have one.
    pub fn dropped(&self) -> usize {
        self.dropped
    }
}
