//! What a view sees: a depth buffer over a mesh, by an own small rasteriser in the view's plane.

use super::lattice::crossed;
use crate::geometry::{Direction, Point, TriangleMesh, Vector};

/// A surface hides what lies deeper than this behind it, mm: above the rounding of `f32` depths, far below
/// any wall.
const BEHIND_MM: f64 = 0.05;

/// Depths over a grid of pixels, parallel projection.
pub(super) struct Depth {
    /// Right and up in the view's plane, and towards the scanner.
    pub(super) right: Vector,
    pub(super) up: Vector,
    towards: Vector,
    pixel_mm: f64,
    low: [f64; 2],
    columns: usize,
    rows: usize,
    /// Nearest to the scanner; minus infinity where nothing is.
    depths: Vec<f32>,
}

impl Depth {
    /// Draws `meshes` seen from far along `view`, with pixels of `pixel_mm`, or larger ones where that would
    /// make more than `most` of them.
    pub(super) fn new(meshes: &[TriangleMesh], view: Direction, pixel_mm: f64, most: usize) -> Self {
        let (right, up) = view.frame();
        let mut low = [f64::INFINITY; 2];
        let mut high = [f64::NEG_INFINITY; 2];
        for p in meshes.iter().flat_map(TriangleMesh::vertices) {
            for (k, v) in [p.coords.dot(&right), p.coords.dot(&up)].into_iter().enumerate() {
                low[k] = low[k].min(v);
                high[k] = high[k].max(v);
            }
        }
        let area = (high[0] - low[0]) * (high[1] - low[1]);
        let pixel_mm = pixel_mm.max((area / most as f64).sqrt());
        let count = |k: usize| ((high[k] - low[k]) / pixel_mm).ceil() as usize + 2;
        let (columns, rows) = (count(0), count(1));
        // One pixel of border all round.
        let low = low.map(|v| v - pixel_mm);
        let depths = vec![f32::NEG_INFINITY; columns * rows];
        let mut all = Self { right, up, towards: view.vector(), pixel_mm, low, columns, rows, depths };
        for mesh in meshes {
            for t in 0..mesh.triangles().len() as u32 {
                all.draw(mesh.corners(t));
            }
        }
        all
    }

    /// Column, row (pixel centres at whole numbers) and depth of a point.
    fn project(&self, p: &Point) -> [f64; 3] {
        [
            (p.coords.dot(&self.right) - self.low[0]) / self.pixel_mm - 0.5,
            (p.coords.dot(&self.up) - self.low[1]) / self.pixel_mm - 0.5,
            p.coords.dot(&self.towards),
        ]
    }

    fn draw(&mut self, corners: [Point; 3]) {
        let [a, b, c] = corners.map(|p| self.project(&p));
        let twice = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
        // Seen edge on it hides nothing.
        if twice == 0.0 {
            return;
        }
        let low = |k: usize| a[k].min(b[k]).min(c[k]);
        let high = |k: usize| a[k].max(b[k]).max(c[k]);
        let range = |low: f64, high: f64, count: usize| {
            let first = low.ceil().max(0.0) as usize;
            let last = high.floor().min(count as f64 - 1.0);
            first..(last + 1.0).max(0.0) as usize
        };
        let flat = [a, b, c].map(|p| [p[0], p[1]]);
        for row in range(low(1), high(1), self.rows) {
            let (from, to) = crossed(&flat, row as f64);
            for column in range(low(0).max(from - 1.0), high(0).min(to + 1.0), self.columns) {
                let (x, y) = (column as f64, row as f64);
                let u = ((b[0] - x) * (c[1] - y) - (b[1] - y) * (c[0] - x)) / twice;
                let v = ((c[0] - x) * (a[1] - y) - (c[1] - y) * (a[0] - x)) / twice;
                let w = 1.0 - u - v;
                if u >= 0.0 && v >= 0.0 && w >= 0.0 {
                    let depth = (u * a[2] + v * b[2] + w * c[2]) as f32;
                    let pixel = &mut self.depths[row * self.columns + column];
                    *pixel = pixel.max(depth);
                }
            }
        }
    }

    /// Whether nothing stands before `p`. It is hidden only when all four pixels round it are nearer, so
    /// that leaning surfaces never hide themselves; borders of shadows are true to a pixel.
    pub(super) fn sees(&self, p: &Point) -> bool {
        let [x, y, depth] = self.project(p);
        let (column, row) = (x.floor().max(0.0) as usize, y.floor().max(0.0) as usize);
        [(0, 0), (1, 0), (0, 1), (1, 1)].into_iter().any(|(i, j)| {
            let (i, j) = ((column + i).min(self.columns - 1), (row + j).min(self.rows - 1));
            f64::from(self.depths[j * self.columns + i]) <= depth + BEHIND_MM
        })
    }
}
