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
/// A value that is no better than the mean of four points is none. Our own choice.
const MOST_LEVERAGE: f64 = 0.25;
/// Slopes are told within this many radii of a patch. Our own choice.
pub(super) const SLOPES: f64 = 2.0;
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
        // Wide enough that a stray does not draw its own surroundings to itself, and no wider than that needs.
        let nesting_mm = (2.0 * patch_mm).min(16.0 * spacing_mm).max(2.5 * spacing_mm);
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

    /// The local fit at a place of the nominal that faces `facing`, on the triangles of `piece` (ascending): the mean of
    /// the deviations within the patch, brought from the middle of its points to the place by the slope of the
    /// least-squares plane within twice its radius. Where points lie all round that is their mean, the best that white
    /// noise allows; at the end of a wall, where they lie to one side, the slope of the patch alone would double its noise.
    pub(super) fn fit(&self, at: &Point, facing: Direction, piece: &[u32], patch_mm: f64) -> Option<Fit> {
        let (u, v) = facing.frame();
        let mut members = Vec::new();
        self.grid.within(at, SLOPES * patch_mm, |i, d2| {
            if piece.binary_search(&self.points[i as usize].triangle).is_ok() {
                let off = self.feet[i as usize] - at;
                // In units of the patch, so that all sums are of a size.
                let (x, y) = (off.dot(&u) / patch_mm, off.dot(&v) / patch_mm);
                members.push(Member { index: i, x, y, inner: d2 <= patch_mm * patch_mm });
            }
        });
        let all = members.len() as f64;
        let (mut sum, mut inner, mut n) = ([0.0f64; 5], [0.0f64; 2], 0usize);
        for m in &members {
            for (sum, term) in sum.iter_mut().zip([m.x, m.y, m.x * m.x, m.x * m.y, m.y * m.y]) {
                *sum += term;
            }
            if m.inner {
                inner = [inner[0] + m.x, inner[1] + m.y];
                n += 1;
            }
        }
        if n < LEAST_POINTS {
            return None;
        }
        let middle = [sum[0] / all, sum[1] / all];
        let (xx, xy, yy) = (
            sum[2] - all * middle[0] * middle[0],
            sum[3] - all * middle[0] * middle[1],
            sum[4] - all * middle[1] * middle[1],
        );
        let det = xx * yy - xy * xy;
        // Points on a line do not hold a plane.
        if !(det > 1e-6 * all * all) {
            return None;
        }
        let slopes = [[yy / det, -xy / det], [-xy / det, xx / det]];
        let offset = inner.map(|s| s / n as f64);
        let mut fit = Fit {
            value_mm: 0.0,
            slope: [0.0; 2],
            farthest_mm: 0.0,
            members,
            n: n as f64,
            offset,
            middle,
            slopes,
            patch_mm,
        };
        let weights = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]].map(|along| fit.weights(along));
        let (mut values, mut leverage) = ([0.0; 3], 0.0);
        for m in &fit.members {
            let d = self.points[m.index as usize].deviation_mm;
            if m.inner {
                fit.farthest_mm = fit.farthest_mm.max(d.abs());
            }
            let of = weights.map(|w| w.of(m));
            leverage += of[0] * of[0];
            values.iter_mut().zip(of).for_each(|(v, w)| *v += w * d);
        }
        (fit.value_mm, fit.slope) = (values[0], [values[1], values[2]]);
        (leverage <= MOST_LEVERAGE).then_some(fit)
    }

    /// The points of a fit, each with the weight by which its deviation enters a value that changes `along` the fit's
    /// value (mm) and its two slopes (per mm).
    pub(super) fn weighted<'a>(
        &'a self,
        fit: &'a Fit,
        along: [f64; 3],
    ) -> impl Iterator<Item = (&'a MeasuredPoint, f64)> + 'a {
        let weights = fit.weights(along);
        fit.members.iter().map(move |m| (&self.points[m.index as usize], weights.of(m)))
    }

    /// Adds to `sum` what the noise of a fit's points does to `along` its value (mm) and its two slopes (per mm), for
    /// every draw; returns its variance, mm2. Exact in variance; points of one group share a draw.
    pub(super) fn rehearse(&self, fit: &Fit, along: [f64; 3], sum: &mut Draws) -> f64 {
        let weights = fit.weights(along);
        let (mut open, mut square, mut variance) = (u32::MAX, 0.0, 0.0);
        let close = |group: u32, square: f64, sum: &mut Draws| {
            if let Some(draws) = self.draws.get(group as usize) {
                let size = (square.sqrt() * self.noise_mm) as f32;
                sum.iter_mut().zip(draws).for_each(|(s, d)| *s += size * d);
            }
        };
        // Points of one group come one after the other, since groups are cells of the grid.
        for m in &fit.members {
            let weight = weights.of(m);
            let group = self.group[m.index as usize];
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

/// A point of a fit.
#[derive(Clone, Copy, Debug)]
struct Member {
    index: u32,
    /// From the place, in units of the patch's radius.
    x: f64,
    y: f64,
    /// Whether it lies within the patch, and not only within twice its radius.
    inner: bool,
}

/// The deviations about a place.
pub(super) struct Fit {
    /// Deviation at the place, mm.
    pub(super) value_mm: f64,
    /// Its slopes along the two directions of the frame of what the place faces, mm per mm.
    pub(super) slope: [f64; 2],
    /// The largest deviation of one of its points, mm, as a positive number.
    pub(super) farthest_mm: f64,
    members: Vec<Member>,
    /// Points within the patch.
    n: f64,
    /// Their middle, and that of all, in units of the patch.
    offset: [f64; 2],
    middle: [f64; 2],
    /// Inverse of the second moments of all about their middle.
    slopes: [[f64; 2]; 2],
    patch_mm: f64,
}

/// By how much the deviation of each point of a fit enters a value.
#[derive(Clone, Copy, Debug)]
struct Weights {
    /// Of those within the patch.
    inner: f64,
    /// Of all: `plane[0] + plane[1] x + plane[2] y`.
    plane: [f64; 3],
}

impl Weights {
    fn of(&self, m: &Member) -> f64 {
        let plane = self.plane[0] + self.plane[1] * m.x + self.plane[2] * m.y;
        if m.inner { plane + self.inner } else { plane }
    }
}

impl Fit {
    /// Of a value that changes `along` the fit's value (mm) and its two slopes (per mm).
    fn weights(&self, along: [f64; 3]) -> Weights {
        // The place lies as far from the middle of the patch's points as that from the place.
        let by: [f64; 2] = std::array::from_fn(|k| along[k + 1] / self.patch_mm - along[0] * self.offset[k]);
        let slope: [f64; 2] = std::array::from_fn(|j| by[0] * self.slopes[0][j] + by[1] * self.slopes[1][j]);
        let constant = -(slope[0] * self.middle[0] + slope[1] * self.middle[1]);
        Weights { inner: along[0] / self.n, plane: [constant, slope[0], slope[1]] }
    }
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
