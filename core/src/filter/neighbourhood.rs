//! The points around each point and what each of them weighs.
//!
//! Points are taken cell by cell of a grid: all points of a cell look at the same few cells, whose points are
//! laid out flat once.

use crate::geometry::{Direction, Point, Vector};
use crate::search::PointGrid;

/// sqrt(ln 2 / pi), the constant of the Gaussian filters of ISO 16610.
const ALPHA: f64 = 0.469_718_639_349_825_8;

/// Neighbours further than this many nesting indices weigh less than 3e-4 and are left out.
const CUT: f64 = 0.77;

/// A value is only given where so many points support it; fewer cannot average noise.
pub(super) const MIN_SUPPORT: usize = 5;

/// Neighbours are on the same face when their normals turn by less than 60 degrees from the point's own.
const LEAST_COSINE: f64 = 0.5;

/// Points by cell, with normals. A *position* is a point's place in this order.
pub(super) struct Neighbourhoods {
    grid: PointGrid,
    normals: Vec<[f64; 3]>,
    /// By position; a point that is not alive is nobody's neighbour.
    alive: Vec<bool>,
    reach_mm: f64,
    scale: f64,
}

/// The living points around a cell, by one index in all vectors.
#[derive(Default)]
pub(super) struct Around {
    position: Vec<u32>,
    place: [Vec<f64>; 3],
    normal: [Vec<f64>; 3],
}

/// The neighbours of a point and the factor by which each one's value enters the filtered value there.
#[derive(Default)]
pub(super) struct Factors {
    /// Positions of the neighbours.
    pub(super) position: Vec<u32>,
    /// Their factors.
    pub(super) factor: Vec<f64>,
    /// From the point, mm, then in its tangent plane in units of the reach.
    away: [Vec<f64>; 3],
}

impl Neighbourhoods {
    /// Sorts `points` (mm) with their `normals` for a nesting index in mm.
    pub(super) fn new(points: &[Point], normals: &[Direction], nesting_index_mm: f64) -> Self {
        let reach_mm = CUT * nesting_index_mm;
        // A hair more than half the reach, so that neighbours lie at most two cells away.
        let grid = PointGrid::new(points, 0.5 * reach_mm * (1.0 + 1e-9));
        let scale = std::f64::consts::PI / (ALPHA * nesting_index_mm * ALPHA * nesting_index_mm);
        let normals = grid.order().iter().map(|&i| normals[i as usize].vector().into()).collect();
        let alive = vec![true; grid.order().len()];
        Self { grid, normals, alive, reach_mm, scale }
    }

    /// The index of each position's point.
    pub(super) fn order(&self) -> &[u32] {
        self.grid.order()
    }

    /// The normal at a position.
    pub(super) fn normal(&self, position: usize) -> Vector {
        Vector::from(self.normals[position])
    }

    /// Number of cells.
    pub(super) fn cells(&self) -> usize {
        self.grid.cell_count()
    }

    /// The positions of a cell's points.
    pub(super) fn cell(&self, cell: usize) -> std::ops::Range<usize> {
        self.grid.cell(cell)
    }

    /// Whether the point at a position still counts.
    pub(super) fn alive(&self, position: usize) -> bool {
        self.alive[position]
    }

    /// The point at a position no longer counts.
    pub(super) fn leave_out(&mut self, position: usize) {
        self.alive[position] = false;
    }

    /// Lays out the living points that may be neighbours of a cell's points.
    pub(super) fn look_around(&self, cell: usize, around: &mut Around) {
        around.position.clear();
        around.place.iter_mut().chain(&mut around.normal).for_each(Vec::clear);
        let points = self.grid.sorted();
        let positions = self.grid.cells_around(cell, self.reach_mm).flatten().flat_map(|c| self.grid.cell(c));
        for i in positions.filter(|&i| self.alive[i]) {
            around.position.push(i as u32);
            for k in 0..3 {
                around.place[k].push(points[i][k]);
                around.normal[k].push(self.normals[i][k]);
            }
        }
    }

    /// The cells whose points may have neighbours in `cell`.
    pub(super) fn cells_around(&self, cell: usize, each: impl FnMut(usize)) {
        self.grid.cells_around(cell, self.reach_mm).flatten().for_each(each);
    }

    /// The positions within reach of the point at `position` that lie around its cell, itself left out.
    pub(super) fn within_reach<'a>(
        &'a self,
        position: usize,
        around: &'a Around,
    ) -> impl Iterator<Item = u32> + 'a {
        let points = self.grid.sorted();
        let near =
            move |j: usize| (points[j] - points[position]).norm_squared() <= self.reach_mm * self.reach_mm;
        around.position.iter().copied().filter(move |&j| j as usize != position && near(j as usize))
    }

    /// The neighbours of the point at `position`, which is one of the cell that `around` was laid out for, and
    /// their factors; false when too few support it.
    pub(super) fn factors(&self, position: usize, around: &Around, out: &mut Factors) -> bool {
        let count = self.choose(position, around, out);
        if count < MIN_SUPPORT {
            return false;
        }
        let Factors { factor, away: [x, y, _], .. } = out;
        // Weighted moments of the neighbours' places in the tangent plane.
        let mut m = [0.0f64; 6];
        for ((w, x), y) in factor.iter().zip(x.iter()).zip(y.iter()) {
            let (wx, wy) = (w * x, w * y);
            m[0] += w;
            m[1] += wx;
            m[2] += wy;
            m[3] += wx * x;
            m[4] += wx * y;
            m[5] += wy * y;
        }
        // First row of the inverse of the moment matrix [[m0 m1 m2] [m1 m3 m4] [m2 m4 m5]].
        let c0 = m[3] * m[5] - m[4] * m[4];
        let c1 = m[2] * m[4] - m[1] * m[5];
        let c2 = m[1] * m[4] - m[2] * m[3];
        let det = m[0] * c0 + m[1] * c1 + m[2] * c2;
        // Neighbours on a line cannot carry a plane; neither can far one-sided ones without blowing up noise.
        if !(c0 > 1e-6 * m[0] * m[0]) || !(det > 1e-7 * m[0] * m[0] * m[0]) {
            return false;
        }
        let (a, b, c) = (c0 / det, c1 / det, c2 / det);
        for ((w, x), y) in factor.iter_mut().zip(x.iter()).zip(y.iter()) {
            *w *= a + b * x + c * y;
        }
        true
    }

    /// Fills in the neighbours, their weights as factors and their places in the tangent plane.
    fn choose(&self, position: usize, around: &Around, out: &mut Factors) -> usize {
        let p = self.grid.sorted()[position];
        let n = self.normals[position];
        let (u, v) = Direction::new(n.into()).unwrap_or(Direction::Z).frame();
        let candidates = around.position.len();
        out.position.resize(candidates, 0);
        out.factor.resize(candidates, 0.0);
        out.away.iter_mut().for_each(|a| a.resize(candidates, 0.0));
        let [ax, ay, az] = &mut out.away;
        let [px, py, pz] = around.place.each_ref().map(|c| &c[..candidates]);
        let [nx, ny, nz] = around.normal.each_ref().map(|c| &c[..candidates]);
        let most = self.reach_mm * self.reach_mm;
        let mut count = 0;
        for c in 0..candidates {
            let (dx, dy, dz) = (px[c] - p.x, py[c] - p.y, pz[c] - p.z);
            let d2 = dx * dx + dy * dy + dz * dz;
            let cosine = nx[c] * n[0] + ny[c] * n[1] + nz[c] * n[2];
            out.position[count] = around.position[c];
            out.factor[count] = d2;
            (ax[count], ay[count], az[count]) = (dx, dy, dz);
            // Without a jump, which half of the candidates would take by surprise.
            count += usize::from((d2 <= most) & (cosine >= LEAST_COSINE));
        }
        out.position.truncate(count);
        out.factor.truncate(count);
        for w in &mut out.factor {
            *w = exp_of_minus(self.scale * *w);
        }
        let [ax, ay, az] = out.away.each_mut().map(|a| {
            a.truncate(count);
            &mut a[..]
        });
        let per = 1.0 / self.reach_mm;
        for ((x, y), z) in ax.iter_mut().zip(ay.iter_mut()).zip(az.iter()) {
            let (dx, dy, dz) = (*x * per, *y * per, *z * per);
            *x = dx * u.x + dy * u.y + dz * u.z;
            *y = dx * v.x + dy * v.y + dz * v.z;
        }
        count
    }
}

/// exp(-t) for 0 <= t <= 9 as exp(-t / 64)^64, the inner one by its Taylor series of degree 8: the relative
/// error is below 1e-11, and the processor takes several at once.
#[inline(always)]
fn exp_of_minus(t: f64) -> f64 {
    let s = t * (1.0 / 64.0);
    let mut e = 1.0 - s * (1.0 / 8.0);
    for k in [7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0] {
        e = 1.0 - s * e * (1.0 / k);
    }
    for _ in 0..6 {
        e *= e;
    }
    e
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::math;

    #[test]
    fn the_weights_are_the_exponential_over_the_whole_reach() {
        let most = std::f64::consts::PI * (CUT / ALPHA) * (CUT / ALPHA);
        assert!(most < 9.0);
        for i in 0..=9000 {
            let t = f64::from(i) * 1e-3;
            assert!((exp_of_minus(t) / math::exp(-t) - 1.0).abs() < 1e-11, "{t}");
        }
    }
}
