//! A coarse table of the nearest surface: each look-up answers in a few nanoseconds where the exact
//! tree takes a microsecond, so that thousands of starts can be tried.

use super::sample::{SurfacePoint, surface};
use crate::geometry::{Direction, Point, TriangleMesh, Vector};
use rayon::prelude::*;

/// No surface of this side anywhere.
const NONE: u32 = u32::MAX;

/// A surface counts for the side it faces when its normal makes less than about 66 degrees with that
/// axis. A query takes the axis nearest its own normal (at most 54.7 degrees away), so neighbouring
/// sides overlap and a start that is turned by 20 or 30 degrees still finds its surface.
const FACES: f64 = 0.4;

/// For each cell of a grid round the nominal a surface point near to the cell's centre: one table for
/// points without normals, six (surface that faces +x, -x, +y ...) for points with.
#[derive(Clone, Debug)]
pub(super) struct DistanceField {
    low: Point,
    cell_mm: f64,
    size: [usize; 3],
    samples: Vec<SurfacePoint>,
    sides: Vec<Vec<u32>>,
}

impl DistanceField {
    /// A table of about `cells` cells that reaches `margin_mm` beyond the nominal's box; outside it the
    /// nearest cell answers.
    pub(super) fn new(mesh: &TriangleMesh, margin_mm: f64, cells: usize, with_normals: bool) -> Self {
        let bounds = mesh.bounds();
        let low = bounds.low - Vector::repeat(margin_mm);
        let span = bounds.size() + Vector::repeat(2.0 * margin_mm);
        let mut cell_mm = libm::cbrt(span.x * span.y * span.z / cells as f64).max(span.max() / 1000.0);
        // A surface without extent has one cell.
        if cell_mm <= 0.0 {
            cell_mm = 1.0;
        }
        let size = std::array::from_fn(|axis| (span[axis] / cell_mm) as usize + 1);
        // Two samples for each cell's worth of surface, so that hardly a cell on it stays without.
        let samples = surface(mesh, 0.5 * cell_mm * cell_mm);
        let mut field = Self { low, cell_mm, size, samples, sides: Vec::new() };
        field.sides = if with_normals {
            (0..6usize).into_par_iter().map(|side| field.spread(Some(side))).collect()
        } else {
            vec![field.spread(None)]
        };
        field
    }

    pub(super) fn cell_mm(&self) -> f64 {
        self.cell_mm
    }

    /// The surface point of the cell that holds `q`, on a side that agrees with `normal`.
    #[inline]
    pub(super) fn near(&self, q: &Point, normal: Option<&Vector>) -> Option<&SurfacePoint> {
        let side = normal.map_or(0, side_of);
        let found = self.sides[side][self.index(self.cell(q))];
        self.samples.get(found as usize)
    }

    #[inline]
    fn cell(&self, q: &Point) -> [usize; 3] {
        // `as` brings anything below 0, and NaN, to 0.
        std::array::from_fn(|axis| {
            (((q[axis] - self.low[axis]) / self.cell_mm) as usize).min(self.size[axis] - 1)
        })
    }

    #[inline]
    fn index(&self, c: [usize; 3]) -> usize {
        (c[2] * self.size[1] + c[1]) * self.size[0] + c[0]
    }

    fn centre(&self, c: [usize; 3]) -> Point {
        self.low + Vector::new(c[0] as f64 + 0.5, c[1] as f64 + 0.5, c[2] as f64 + 0.5) * self.cell_mm
    }

    /// Cells that hold surface are given their own sample; the others take the best of their
    /// neighbours' in one sweep forward and one back. Danielsson, "Euclidean distance mapping", CGIP 14,
    /// 1980, with the whole neighbourhood of 26: not always the nearest sample, but one nearly as near,
    /// which is all a start needs.
    fn spread(&self, side: Option<usize>) -> Vec<u32> {
        let mut table = vec![NONE; self.size[0] * self.size[1] * self.size[2]];
        let mut gap = vec![f64::INFINITY; table.len()];
        for (i, s) in self.samples.iter().enumerate() {
            if side.is_some_and(|side| s.normal.dot(&axis_of(side)) < FACES) {
                continue;
            }
            let cell = self.cell(&s.point);
            let at = self.index(cell);
            let d2 = (s.point - self.centre(cell)).norm_squared();
            if d2 < gap[at] {
                gap[at] = d2;
                table[at] = i as u32;
            }
        }
        let offsets: Vec<[isize; 3]> =
            (0..13).map(|k: isize| [k % 3 - 1, k / 3 % 3 - 1, k / 9 - 1]).collect();
        for back in [false, true] {
            let turn = if back { -1 } else { 1 };
            for n in 0..table.len() {
                let at = if back { table.len() - 1 - n } else { n };
                let cell =
                    [at % self.size[0], at / self.size[0] % self.size[1], at / (self.size[0] * self.size[1])];
                let centre = self.centre(cell);
                for o in &offsets {
                    let Some(other) = self.shifted(cell, [o[0] * turn, o[1] * turn, o[2] * turn]) else {
                        continue;
                    };
                    let candidate = table[self.index(other)];
                    if candidate == NONE || candidate == table[at] {
                        continue;
                    }
                    let d2 = (self.samples[candidate as usize].point - centre).norm_squared();
                    if d2 < gap[at] {
                        gap[at] = d2;
                        table[at] = candidate;
                    }
                }
            }
        }
        table
    }

    fn shifted(&self, cell: [usize; 3], by: [isize; 3]) -> Option<[usize; 3]> {
        let mut other = [0; 3];
        for axis in 0..3 {
            other[axis] = cell[axis].checked_add_signed(by[axis]).filter(|&c| c < self.size[axis])?;
        }
        Some(other)
    }
}

/// 0 to 5 for +x, -x, +y, -y, +z, -z: the axis nearest to `n`.
fn side_of(n: &Vector) -> usize {
    let (x, y, z) = (n.x.abs(), n.y.abs(), n.z.abs());
    let axis = if x >= y && x >= z {
        0
    } else if y >= z {
        1
    } else {
        2
    };
    2 * axis + usize::from(n[axis] < 0.0)
}

fn axis_of(side: usize) -> Vector {
    let d = [Direction::X, Direction::Y, Direction::Z][side / 2];
    if side.is_multiple_of(2) { d.vector() } else { -d.vector() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::search::SurfaceTree;

    /// A box of 60 x 40 x 4 mm, each side cut into squares.
    fn plate() -> TriangleMesh {
        super::super::bracket::slab([60.0, 40.0, 4.0], &[], 1.0)
    }

    #[test]
    fn a_look_up_is_nearly_as_near_as_the_exact_surface_on_the_same_side() {
        let mesh = plate();
        let tree = SurfaceTree::new(&mesh);
        let field = DistanceField::new(&mesh, 10.0, 20_000, true);
        let mut random = Random::seeded(5);
        for _ in 0..2000 {
            let q = Point::new(random.range(-9.0, 69.0), random.range(-9.0, 49.0), random.range(-9.0, 13.0));
            let axis = axis_of(random.below(6));
            let found = field.near(&q, Some(&axis)).unwrap();
            let exact = tree.nearest_facing(&q, Direction::new(axis).unwrap(), 0.5, 1e9).unwrap();
            assert!(found.normal.dot(&axis) > 0.99);
            let d = (found.point - q).norm();
            assert!(d <= exact.distance + 2.0 * field.cell_mm(), "{d} {} {q}", exact.distance);
        }
    }
}
