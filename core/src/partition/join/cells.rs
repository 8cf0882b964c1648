//! Cells of a face, and what several scans tell of each other there.

use super::{JoinInput, Row, dot, row};
use crate::geometry::{Cholesky, Direction, Point, Vector};
use crate::partition::{MeasuredPoint, feet};
use crate::run::{CHECK_EVERY, Run, Stopped};
use crate::search::PointGrid;

/// Cells with fewer points of a scan tell nothing of it.
pub(super) const LEAST_IN_CELL: usize = 4;
/// Points of a cell that face less alike are of another face.
const SAME_FACE: f64 = 0.9;

/// A part of a face, and what each scan saw of it.
pub(super) struct Cell {
    pub(super) at: Point,
    pub(super) normal: Direction,
    pub(super) seen: Vec<Sums>,
}

/// Sums over the points of one scan in a cell, about its middle.
#[derive(Clone, Copy, Default)]
pub(super) struct Sums {
    pub(super) count: usize,
    /// Of 1, u, v times these and times the deviation: u and v are coordinates on the face.
    square: [[f64; 3]; 3],
    pub(super) deviation: [f64; 3],
}

impl Sums {
    fn add(&mut self, uv: [f64; 2], deviation_mm: f64) {
        let of = [1.0, uv[0], uv[1]];
        self.count += 1;
        for i in 0..3 {
            self.deviation[i] += of[i] * deviation_mm;
            for j in 0..3 {
                self.square[i][j] += of[i] * of[j];
            }
        }
    }
}

/// Points by cells of a grid, and in each by the way they face.
pub(super) fn cells(
    run: &Run,
    input: &JoinInput,
    placed: &[MeasuredPoint],
    scans: usize,
    edge_mm: f64,
) -> Result<Vec<Cell>, Stopped> {
    let feet = feet(input.nominal, placed);
    let normal = |i: u32| input.nominal.mesh().normal(placed[i as usize].triangle);
    let mut found = Vec::new();
    for (c, cell) in PointGrid::new(&feet, edge_mm).cells().enumerate() {
        if c % CHECK_EVERY == 0 {
            run.check()?;
        }
        let mut left: Vec<u32> = cell.to_vec();
        while let Some(&first) = left.first() {
            let Some(facing) = normal(first) else {
                left.swap_remove(0);
                continue;
            };
            let (mine, rest): (Vec<u32>, Vec<u32>) =
                left.into_iter().partition(|&i| normal(i).is_none_or(|n| n.dot(facing) > SAME_FACE));
            let middle = mine.iter().fold(Vector::zeros(), |m, &i| m + feet[i as usize].coords);
            let at = Point::from(middle / mine.len() as f64);
            let (u, v) = facing.frame();
            let mut seen = vec![Sums::default(); scans];
            for &i in &mine {
                let p = &placed[i as usize];
                let off = feet[i as usize] - at;
                seen[input.scan.piece_of(p.index as usize)].add([off.dot(&u), off.dot(&v)], p.deviation_mm);
            }
            found.push(Cell { at, normal: facing, seen });
            left = rest;
        }
    }
    Ok(found)
}

/// A cell that several scans saw, without its height and slopes.
pub(super) struct Shared {
    pub(super) at: Point,
    pub(super) normal: Direction,
    pub(super) row: Row,
    pub(super) scans: Vec<usize>,
    /// How the scans weigh against each other, over the variance of the noise; rows and columns sum to nothing.
    pub(super) weights: Vec<Vec<f64>>,
    /// What each lies off the common plane, in the same weights.
    off: Vec<f64>,
}

impl Shared {
    pub(super) fn new(cell: &Cell, centre: Point, noise_mm2: f64) -> Option<Self> {
        let scans: Vec<usize> =
            (0..cell.seen.len()).filter(|&k| cell.seen[k].count >= LEAST_IN_CELL).collect();
        if scans.len() < 2 {
            return None;
        }
        let (mut square, mut deviation) = ([[0.0; 3]; 3], [0.0; 3]);
        for &k in &scans {
            for i in 0..3 {
                deviation[i] += cell.seen[k].deviation[i];
                for j in 0..3 {
                    square[i][j] += cell.seen[k].square[i][j];
                }
            }
        }
        let common = Cholesky::new(&square)?;
        let plane = common.solve(&deviation);
        // First column of the sums: count, sums of u and of v.
        let solved: Vec<[f64; 3]> = scans.iter().map(|&k| common.solve(&cell.seen[k].square[0])).collect();
        let weights = scans
            .iter()
            .enumerate()
            .map(|(a, &k)| {
                let own = |b: usize| if a == b { cell.seen[k].square[0][0] } else { 0.0 };
                (0..scans.len())
                    .map(|b| (own(b) - dot(&cell.seen[k].square[0], &solved[b])) / noise_mm2)
                    .collect()
            })
            .collect();
        let off = scans
            .iter()
            .map(|&k| (cell.seen[k].deviation[0] - dot(&cell.seen[k].square[0], &plane)) / noise_mm2)
            .collect();
        let row = row(&cell.at, cell.normal, centre);
        Some(Self { at: cell.at, normal: cell.normal, row, scans, weights, off })
    }

    /// What is left over when all scans have moved so, squared and over the variance that noise gives it: in the mean as many as
    /// there are scans, less one.
    pub(super) fn left_over(&self, moved: &[f64]) -> f64 {
        let by: Vec<f64> = self.scans.iter().map(|&k| dot(&self.row, &moved[6 * k..6 * k + 6])).collect();
        let of = |a: usize| {
            let left = self.off[a] - dot(&self.weights[a], &by);
            if self.weights[a][a] > 0.0 { left * left / self.weights[a][a] } else { 0.0 }
        };
        let n = self.scans.len();
        (0..n).map(of).sum::<f64>() * (n - 1) as f64 / n as f64
    }
}

/// Normal equations of all scans.
pub(super) fn sums(shared: &[Shared], size: usize) -> (Vec<Vec<f64>>, Vec<f64>) {
    let mut matrix = vec![vec![0.0; size]; size];
    let mut right = vec![0.0; size];
    for s in shared {
        for (a, &k) in s.scans.iter().enumerate() {
            for i in 0..6 {
                right[6 * k + i] += s.off[a] * s.row[i];
                for (b, &l) in s.scans.iter().enumerate() {
                    for j in 0..6 {
                        matrix[6 * k + i][6 * l + j] += s.weights[a][b] * s.row[i] * s.row[j];
                    }
                }
            }
        }
    }
    (matrix, right)
}
