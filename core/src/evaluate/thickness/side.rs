//! One side of a wall as it was measured, and its local fits.

use std::collections::BTreeSet;

use super::super::Context;
use crate::filter::{Draws, FilterError, Gaussian, drawn_noise};
use crate::geometry::{Direction, Point};
use crate::nominal::Nominal;
use crate::partition::{MeasuredPoint, feet, normals_under};
use crate::run::Stopped;
use crate::search::PointGrid;

/// Fewer points in a patch do not tell its plane from its noise.
const LEAST_POINTS: usize = 6;
/// A plane that is held so one-sidedly that its middle is no better than the mean of four points is none. Our own choice.
const MOST_LEVERAGE: f64 = 0.25;
/// Points of one side of a wall face within 60 degrees of its place.
const LEAST_COSINE: f64 = 0.5;
/// Noise is rehearsed in groups of points this part of a patch's radius wide, each with one draw.
const GROUP: f64 = 0.5;

/// The points of one side.
pub(super) struct Side {
    pub(super) points: Vec<MeasuredPoint>,
    /// Under each point, on the nominal, mm.
    pub(super) feet: Vec<Point>,
    grid: PointGrid,
    /// Of each point the group whose draw of the noise it takes.
    group: Vec<u32>,
    draws: Vec<Draws>,
    pub(super) spacing_mm: f64,
    pub(super) noise_mm: f64,
    /// Points that gave no value: spikes, and those with too few others around.
    pub(super) rest: Vec<MeasuredPoint>,
    pub(super) spikes: usize,
}

impl Side {
    /// Of points of one side, without its spikes. `seed` tells its noise from that of the other side.
    pub(super) fn new(
        context: &Context,
        points: Vec<MeasuredPoint>,
        patch_mm: f64,
        spacing_mm: f64,
        seed: u64,
    ) -> Result<Self, Stopped> {
        let normals = normals_under(context.nominal, &points);
        let deviations: Vec<f64> = points.iter().map(|p| p.deviation_mm).collect();
        let places = points.iter().map(|p| p.point).collect();
        let nesting_mm = patch_mm.max(2.5 * spacing_mm);
        let (points, rest, own_noise, spikes) =
            match Gaussian::new(places, &normals, nesting_mm).apply(context.run, &deviations) {
                Ok(filtered) => {
                    let mut values = filtered.value.iter();
                    let (kept, rest): (Vec<_>, Vec<_>) =
                        points.into_iter().partition(|_| values.next().is_some_and(Option::is_some));
                    (kept, rest, filtered.noise_mm, filtered.spikes)
                }
                Err(FilterError::Stopped(stopped)) => return Err(stopped),
                // Too few to tell spikes stay as they are.
                Err(FilterError::TooSparse { .. }) => (points, Vec::new(), 0.0, 0),
            };
        let feet = feet(context.nominal, &points);
        let grid = PointGrid::new(&feet, GROUP * patch_mm);
        let mut group = vec![0u32; points.len()];
        for cell in 0..grid.cell_count() {
            for &i in &grid.order()[grid.cell(cell)] {
                group[i as usize] = cell as u32;
            }
        }
        let draws = drawn_noise(grid.cell_count(), 1.0, seed);
        let noise_mm = own_noise.max(context.noise_mm);
        Ok(Self { points, feet, grid, group, draws, spacing_mm, noise_mm, rest, spikes })
    }

    /// The local fit at a place of the nominal that faces `facing`, on the triangles of `piece` (ascending).
    pub(super) fn fit(&self, at: &Point, facing: Direction, piece: &[u32], patch_mm: f64) -> Option<Fit> {
        let (u, v) = facing.frame();
        let mut members = Vec::new();
        self.grid.within(at, patch_mm, |i, _| {
            if piece.binary_search(&self.points[i as usize].triangle).is_ok() {
                let off = self.feet[i as usize] - at;
                // In units of the patch, so that all sums are of a size.
                members.push((i, off.dot(&u) / patch_mm, off.dot(&v) / patch_mm));
            }
        });
        if members.len() < LEAST_POINTS {
            return None;
        }
        let mut m = [0.0f64; 6];
        for (_, x, y) in &members {
            for (sum, term) in m.iter_mut().zip([1.0, *x, *y, x * x, x * y, y * y]) {
                *sum += term;
            }
        }
        let inverse = inverse(&m)?;
        if !(inverse[0][0] <= MOST_LEVERAGE) {
            return None;
        }
        let mut row = [0.0; 3];
        let mut farthest: f64 = 0.0;
        for (i, x, y) in &members {
            let d = self.points[*i as usize].deviation_mm;
            farthest = farthest.max(d.abs());
            for (sum, term) in row.iter_mut().zip([d, x * d, y * d]) {
                *sum += term;
            }
        }
        let of = |k: usize| (0..3).map(|j| inverse[k][j] * row[j]).sum::<f64>();
        Some(Fit {
            value_mm: of(0),
            slope: [of(1) / patch_mm, of(2) / patch_mm],
            farthest_mm: farthest,
            members,
            inverse,
            patch_mm,
        })
    }

    /// The points of a fit, each with the weight by which its deviation enters a value that changes `along` the fit's
    /// value (mm) and its two slopes (per mm).
    pub(super) fn weighted<'a>(
        &'a self,
        fit: &'a Fit,
        along: [f64; 3],
    ) -> impl Iterator<Item = (&'a MeasuredPoint, f64)> + 'a {
        let of = fit.weights(along);
        fit.members.iter().map(move |(i, x, y)| (&self.points[*i as usize], of[0] + of[1] * x + of[2] * y))
    }

    /// Adds to `sum` what the noise of a fit's points does to `along` its value (mm) and its two slopes (per mm), for
    /// every draw; returns its variance, mm2. Exact in variance; points of one group share a draw.
    pub(super) fn rehearse(&self, fit: &Fit, along: [f64; 3], sum: &mut Draws) -> f64 {
        let of = fit.weights(along);
        let (mut open, mut square, mut variance) = (u32::MAX, 0.0, 0.0);
        let close = |group: u32, square: f64, sum: &mut Draws| {
            if let Some(draws) = self.draws.get(group as usize) {
                let size = (square.sqrt() * self.noise_mm) as f32;
                sum.iter_mut().zip(draws).for_each(|(s, d)| *s += size * d);
            }
        };
        // Points of one group come one after the other, since groups are cells of the grid.
        for (i, x, y) in &fit.members {
            let weight = of[0] + of[1] * x + of[2] * y;
            let group = self.group[*i as usize];
            if group != open {
                close(open, square, sum);
                (open, square) = (group, 0.0);
            }
            square += weight * weight;
            variance += weight * weight;
        }
        close(open, square, sum);
        variance * self.noise_mm * self.noise_mm
    }
}

/// The least-squares plane of the deviations about a place.
pub(super) struct Fit {
    /// Deviation at the place, mm.
    pub(super) value_mm: f64,
    /// Its slopes along the two directions of the frame of what the place faces.
    pub(super) slope: [f64; 2],
    /// The largest deviation of one of its points, mm, as a positive number.
    pub(super) farthest_mm: f64,
    /// Index of each point with its place in units of the patch.
    members: Vec<(u32, f64, f64)>,
    inverse: [[f64; 3]; 3],
    patch_mm: f64,
}

impl Fit {
    /// A point at x, y (in units of the patch) has the weight `w[0] + w[1] x + w[2] y`.
    fn weights(&self, along: [f64; 3]) -> [f64; 3] {
        let scale = [along[0], along[1] / self.patch_mm, along[2] / self.patch_mm];
        std::array::from_fn(|j| (0..3).map(|k| scale[k] * self.inverse[k][j]).sum())
    }
}

/// Of the symmetric matrix [[m0 m1 m2] [m1 m3 m4] [m2 m4 m5]]; `None` where the places lie on a line.
fn inverse(m: &[f64; 6]) -> Option<[[f64; 3]; 3]> {
    let c00 = m[3] * m[5] - m[4] * m[4];
    let c01 = m[2] * m[4] - m[1] * m[5];
    let c02 = m[1] * m[4] - m[2] * m[3];
    let c11 = m[0] * m[5] - m[2] * m[2];
    let c12 = m[1] * m[2] - m[0] * m[4];
    let c22 = m[0] * m[3] - m[1] * m[1];
    let det = m[0] * c00 + m[1] * c01 + m[2] * c02;
    if !(det > 1e-6 * m[0] * m[0] * m[0]) {
        return None;
    }
    Some([[c00, c01, c02], [c01, c11, c12], [c02, c12, c22]].map(|row| row.map(|c| c / det)))
}

/// The triangles of the nominal that hang together with `start` about a place, face as it does and have a part within
/// reach; ascending. So a patch never takes points of another skin that lies near.
pub(super) fn piece(nominal: &Nominal, at: &Point, facing: Direction, start: u32, reach_mm: f64) -> Vec<u32> {
    let mesh = nominal.mesh();
    let mut found = BTreeSet::from([start]);
    let mut open = vec![start];
    while let Some(t) = open.pop() {
        for other in nominal.across()[t as usize].iter().flatten().copied() {
            let faces = mesh.normal(other).is_none_or(|n| n.dot(facing) >= LEAST_COSINE);
            if faces && !found.contains(&other) {
                let [a, b, c] = mesh.corners(other);
                let foot = crate::geometry::closest_point_on_triangle(at, &a, &b, &c);
                if (foot - at).norm() <= reach_mm {
                    found.insert(other);
                    open.push(other);
                }
            }
        }
    }
    found.into_iter().collect()
}
