//! A scan in millimetres, with normals where they are known.

mod info;
mod normals;
mod repeats;
#[cfg(test)]
mod tests;

pub use info::{NormalsFrom, ScanInfo, TextInfo, info};

use crate::geometry::{Direction, Motion, Point, ScanFrame};
pub use crate::read::LengthUnit;
use crate::read::RawScan;
use crate::run::{CHECK_EVERY, Run, Stopped};

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
pub(crate) const FURTHEST_MM: f64 = 1e7;

/// Points of one acquisition in mm, in the scanner's axes.
#[derive(Clone, Debug, PartialEq)]
pub struct Scan {
    points: Vec<Point>,
    normals: Option<Vec<Direction>>,
    /// One a scan that went in: the end of its points and their spacing, mm.
    pieces: Vec<(usize, f64)>,
    dropped: usize,
}

/// A scan with fewer of a feature's points than this share of them has not seen it, but strayed onto it.
const LEAST_SHARE: f64 = 0.01;

impl Scan {
    /// Takes a file's points into mm. Of repeated points the first stays; normals come from the
    /// triangles where there are any, else from the file; where only some points have a usable normal,
    /// the others are dropped. A unit other than the one that the file's format fixes (E57: metres) is refused.
    pub fn new(raw: RawScan, unit: LengthUnit, run: &Run) -> Result<Self, ScanError> {
        let RawScan { mut points, normals, triangles, source } = raw;
        if let Some(file) = source.unit.filter(|&file| file != unit) {
            return Err(ScanError::UnitInFile { file, stated: unit });
        }
        if points.is_empty() {
            return Err(ScanError::NoPoints);
        }
        let given = points.len();
        let in_range = triangles.iter().flatten().all(|&c| (c as usize) < given);
        if !in_range || normals.as_ref().is_some_and(|n| n.len() != given) || given > u32::MAX as usize / 4 {
            return Err(ScanError::Inconsistent { points: given, normals: normals.map_or(0, |n| n.len()) });
        }
        let mm = unit.mm();
        for (i, p) in points.iter_mut().enumerate() {
            if i % CHECK_EVERY == 0 {
                run.check()?;
            }
            // Adding zero turns -0 into 0, so that equal coordinates have equal bits.
            *p = Point::from((p.coords * mm).add_scalar(0.0));
            if !p.iter().all(|c| c.abs() <= FURTHEST_MM) {
                return Err(ScanError::TooFar { point: i });
            }
        }
        let sorted = repeats::sorted(&points);
        run.check()?;
        let first = repeats::first_of_each(&points, &sorted);
        let spacing_mm = repeats::spacing_mm(&points, &sorted, &first, run)?;
        drop(sorted);
        let mut found = normals::of_triangles(&points, &triangles, &first, run)?;
        drop(triangles);
        if found.is_none()
            && let Some(file) = normals
        {
            found = normals::of_file(&file, &first);
        }
        let keep = |i: &usize| first[*i] as usize == *i && found.as_ref().is_none_or(|n| n[*i].is_some());
        let kept: Vec<usize> = (0..given).filter(keep).collect();
        let normals = found.map(|n| kept.iter().filter_map(|&i| n[i]).collect());
        let points: Vec<Point> = kept.iter().map(|&i| points[i]).collect();
        Ok(Self { dropped: given - points.len(), pieces: vec![(points.len(), spacing_mm)], points, normals })
    }

    /// Some of its points, by their indices, ascending. The spacing stays that of the whole.
    pub fn subset(&self, indices: &[u32]) -> Self {
        let of = |i: &u32| *i as usize;
        Self {
            points: indices.iter().map(|i| self.points[of(i)]).collect(),
            normals: self.normals.as_ref().map(|n| indices.iter().map(|i| n[of(i)]).collect()),
            pieces: {
                let end =
                    |&(end, spacing): &(usize, f64)| (indices.partition_point(|i| of(i) < end), spacing);
                self.pieces.iter().map(end).collect()
            },
            dropped: self.dropped,
        }
    }

    /// This scan and others brought into its axes. Normals stay only where all have them.
    pub fn with(&self, others: &[(&Scan, Motion<ScanFrame, ScanFrame>)]) -> Self {
        let mut all = self.clone();
        for (scan, motion) in others {
            all.points.extend(scan.points.iter().map(|p| motion.point(p)));
            all.normals = match (all.normals, &scan.normals) {
                (Some(mut mine), Some(theirs)) => {
                    mine.extend(theirs.iter().map(|n| motion.direction(*n)));
                    Some(mine)
                }
                _ => None,
            };
            let before = all.pieces.last().map_or(0, |p| p.0);
            all.pieces.extend(scan.pieces.iter().map(|(end, spacing)| (before + end, *spacing)));
            all.dropped += scan.dropped;
        }
        all
    }

    /// All points, mm.
    pub fn points(&self) -> &[Point] {
        &self.points
    }
    /// One unit normal a point, pointing out of the material; `None` when the file had neither normals
    /// nor triangles.
    pub fn normals(&self) -> Option<&[Direction]> {
        self.normals.as_deref()
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
