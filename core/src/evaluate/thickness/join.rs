//! How several scans of one part lie to each other, told by what they both saw.
//!
//! Each scan was brought onto the nominal by itself, so a wall whose sides were seen by different scans would be as thick
//! as their best fits make it. Where both saw the same faces the differences of their deviations tell how they lie to
//! each other: a small motion by weighted least squares (the linear step of point to plane, Chen and Medioni, Image and
//! Vision Computing 10(3), 1992), with the covariance that its residuals give. What they do not tell leaves the wall
//! without a thickness.

use super::super::Context;
use crate::geometry::{Direction, Point, Vector, symmetric_eigen};
use crate::partition::{MeasuredPoint, Partition, feet};
use crate::run::{CHECK_EVERY, Stopped};
use crate::search::PointGrid;

/// Turns are weighed against shifts at this distance from the middle, mm.
const LEVER_MM: f64 = 100.0;
/// Cells with fewer points of either scan tell nothing.
const LEAST_IN_CELL: usize = 4;
/// So few shared cells are no overlap.
const LEAST_CELLS: usize = 12;
/// A motion that the cells hold this much more weakly than the best held one is not known.
const WEAK: f64 = 1e-6;

/// Turn and shift, or what a value is changed by either.
type Row = [f64; 6];

/// How one scan lies to the first.
#[derive(Clone, Debug)]
struct Piece {
    motion: Row,
    /// Directions of motion, with the variance of each; `None` for one that is not known.
    axes: [(Row, Option<f64>); 6],
}

/// How all scans lie to the one that saw most of the wall's own side.
#[derive(Clone, Debug)]
pub(super) struct Joined {
    centre: Point,
    /// One a scan; `None` for the first, by which the others are told.
    pieces: Vec<Option<Piece>>,
}

impl Joined {
    /// `None` where there is one scan only.
    pub(super) fn new(
        context: &Context,
        partition: &Partition,
        own: &[MeasuredPoint],
    ) -> Result<Option<Self>, Stopped> {
        let scan = context.scan;
        let count = scan.piece_count();
        if count < 2 {
            return Ok(None);
        }
        let mut of_wall = vec![0usize; count];
        own.iter().for_each(|p| of_wall[scan.piece_of(p.index as usize)] += 1);
        let first = (0..count).rev().max_by_key(|&k| of_wall[k]).unwrap_or(0);
        let placed: Vec<MeasuredPoint> = partition.placed(scan).collect();
        let feet = feet(context.nominal, &placed);
        let centre = crate::geometry::Aabb::of(&feet).centre();
        let widest = placed.iter().map(|p| scan.spacing_of(p.index as usize)).fold(0.0, f64::max);
        let cells = cells(context, &placed, &feet, count, (3.0 * widest).max(2.0))?;
        let pieces = (0..count)
            .map(|k| (k != first).then(|| Piece::new(&cells, [first, k], centre, context.noise_mm)));
        Ok(Some(Self { centre, pieces: pieces.collect() }))
    }

    /// Takes points to where the first scan would have seen them.
    pub(super) fn correct(&self, context: &Context, points: &mut [MeasuredPoint]) {
        for p in points {
            let Some(piece) = self.piece(context, p) else { continue };
            let Some(n) = context.nominal.mesh().normal(p.triangle) else { continue };
            let off = dot(&piece.motion, &row(&p.point, n, self.centre));
            p.deviation_mm -= off;
            p.point -= n.vector() * off;
        }
    }

    fn piece(&self, context: &Context, p: &MeasuredPoint) -> Option<&Piece> {
        self.pieces.get(context.scan.piece_of(p.index as usize))?.as_ref()
    }

    /// Variance, mm2, of a sum of deviations with these weights, by how the scans lie to each other; infinite where that
    /// is not known.
    pub(super) fn variance(&self, context: &Context, weighted: &[(&MeasuredPoint, f64)]) -> f64 {
        let mut sums = vec![[0.0; 6]; self.pieces.len()];
        for (p, weight) in weighted {
            let Some(n) = context.nominal.mesh().normal(p.triangle) else { continue };
            let of = row(&p.point, n, self.centre);
            let sum = &mut sums[context.scan.piece_of(p.index as usize)];
            sum.iter_mut().zip(of).for_each(|(s, r)| *s += weight * r);
        }
        let of_piece = |(piece, sum): (&Option<Piece>, &Row)| -> f64 {
            let Some(piece) = piece else { return 0.0 };
            // What moves both sides alike, as a scan does that saw both, changes nothing.
            let along = |(axis, variance): &(Row, Option<f64>)| {
                let part = dot(axis, sum);
                match variance {
                    Some(v) => part * part * v,
                    None if part.abs() <= 1e-3 => 0.0,
                    None => f64::INFINITY,
                }
            };
            piece.axes.iter().map(along).sum()
        };
        self.pieces.iter().zip(&sums).map(of_piece).sum()
    }

    /// The largest correction of a point of these, mm.
    pub(super) fn largest_mm(&self, context: &Context, points: &[MeasuredPoint]) -> f64 {
        let of = |p: &MeasuredPoint| {
            let piece = self.piece(context, p)?;
            let n = context.nominal.mesh().normal(p.triangle)?;
            Some(dot(&piece.motion, &row(&p.point, n, self.centre)).abs())
        };
        points.iter().filter_map(of).fold(0.0, f64::max)
    }
}

fn dot(a: &Row, b: &Row) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// How a deviation along `n` at `p` changes with a turn (in levers) and a shift.
fn row(p: &Point, n: Direction, centre: Point) -> Row {
    let n = n.vector();
    let turn = (p - centre).cross(&n) / LEVER_MM;
    [turn.x, turn.y, turn.z, n.x, n.y, n.z]
}

/// A part of a face that scans saw.
struct Cell {
    at: Point,
    normal: Direction,
    /// Count and sum of deviations, one a scan.
    seen: Vec<(usize, f64)>,
}

/// Points by cells of a grid, and in each by the way they face.
fn cells(
    context: &Context,
    placed: &[MeasuredPoint],
    feet: &[Point],
    scans: usize,
    edge_mm: f64,
) -> Result<Vec<Cell>, Stopped> {
    let mut found = Vec::new();
    for (c, cell) in PointGrid::new(feet, edge_mm).cells().enumerate() {
        if c % CHECK_EVERY == 0 {
            context.run.check()?;
        }
        let mut left: Vec<u32> = cell.to_vec();
        while let Some(&first) = left.first() {
            let normal = |i: u32| context.nominal.mesh().normal(placed[i as usize].triangle);
            let Some(facing) = normal(first) else { break };
            let (mine, rest): (Vec<u32>, Vec<u32>) =
                left.into_iter().partition(|&i| normal(i).is_none_or(|n| n.dot(facing) > 0.9));
            let mut one = Cell { at: Point::origin(), normal: facing, seen: vec![(0, 0.0); scans] };
            let mut middle = Vector::zeros();
            for &i in &mine {
                let p = &placed[i as usize];
                let seen = &mut one.seen[context.scan.piece_of(p.index as usize)];
                *seen = (seen.0 + 1, seen.1 + p.deviation_mm);
                middle += feet[i as usize].coords;
            }
            one.at = Point::from(middle / mine.len() as f64);
            found.push(one);
            left = rest;
        }
    }
    Ok(found)
}

impl Piece {
    fn new(cells: &[Cell], [a, b]: [usize; 2], centre: Point, noise_mm: f64) -> Self {
        let noise = (noise_mm * noise_mm).max(1e-12);
        let mut rows: Vec<(Row, f64, f64)> = Vec::new();
        for cell in cells {
            let (na, sa) = cell.seen[a];
            let (nb, sb) = cell.seen[b];
            if na < LEAST_IN_CELL || nb < LEAST_IN_CELL {
                continue;
            }
            let apart = sb / nb as f64 - sa / na as f64;
            let variance = noise * (1.0 / na as f64 + 1.0 / nb as f64);
            rows.push((row(&cell.at, cell.normal, centre), apart, 1.0 / variance));
        }
        let mut normal = [[0.0; 6]; 6];
        let mut right = [0.0; 6];
        for (r, apart, weight) in &rows {
            for i in 0..6 {
                right[i] += weight * r[i] * apart;
                for j in 0..6 {
                    normal[i][j] += weight * r[i] * r[j];
                }
            }
        }
        let (values, vectors) = symmetric_eigen(&normal);
        let largest = values.iter().fold(0.0f64, |m, v| m.max(*v));
        let known = |k: usize| rows.len() >= LEAST_CELLS && largest > 0.0 && values[k] > WEAK * largest;
        let mut motion = [0.0; 6];
        for k in (0..6).filter(|&k| known(k)) {
            let along = dot(&vectors[k], &right) / values[k];
            motion.iter_mut().zip(vectors[k]).for_each(|(m, v)| *m += along * v);
        }
        let freedoms = (0..6).filter(|&k| known(k)).count();
        let left = |(r, apart, weight): &(Row, f64, f64)| {
            let off = apart - dot(r, &motion);
            weight * off * off
        };
        // What is left over beyond the noise (form between points, warp) widens all (Birge, Physical Review 40, 1932).
        let chi2 = rows.iter().map(left).sum::<f64>() / (rows.len().saturating_sub(freedoms).max(1)) as f64;
        let wider = chi2.max(1.0);
        let axes = std::array::from_fn(|k| (vectors[k], known(k).then(|| wider / values[k])));
        Self { motion, axes }
    }
}
