//! Triangles to pixels: an orthographic z-buffer in f64, one thread, the same bits every time.
//!
//! Coverage by edge functions at pixel centres, after J. Pineda, "A parallel algorithm for polygon
//! rasterization", SIGGRAPH 1988. A pixel on an edge that two triangles share may be drawn twice; the
//! nearer or, when equal, the first triangle stays, so the picture does not depend on rounding elsewhere.

use scantling_core::geometry::{Direction, Point, TriangleMesh, Vector};

/// An orthographic view; the three axes are a right-handed triple.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct View {
    right: Vector,
    up: Vector,
    /// From the part to the eye.
    toward: Vector,
}

impl View {
    /// Looks at the part from direction `from`, with `up` upward as far as it can; `None` when the two are
    /// parallel.
    pub(super) fn new(from: Direction, up: Direction) -> Option<Self> {
        let right = Direction::new(up.vector().cross(&from.vector()))?;
        let upward = from.vector().cross(&right.vector());
        Some(Self { right: right.vector(), up: upward, toward: from.vector() })
    }

    /// To the right of the picture, length 1.
    pub(super) fn right(&self) -> Vector {
        self.right
    }

    /// Upward in the picture, length 1.
    pub(super) fn up(&self) -> Vector {
        self.up
    }

    /// From the part to the eye, length 1.
    pub(super) fn toward(&self) -> Vector {
        self.toward
    }

    /// Right, up and nearness of a place, mm.
    fn project(&self, p: &Point) -> Point {
        Point::new(p.coords.dot(&self.right), p.coords.dot(&self.up), p.coords.dot(&self.toward))
    }

    /// Right, up and nearness of the part's axis number `axis`: 0 x, 1 y, 2 z.
    pub(super) fn axis(&self, axis: usize) -> [f64; 3] {
        [self.right[axis], self.up[axis], self.toward[axis]]
    }
}

/// How millimetres of a view lie on the pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Canvas {
    /// Pixels across.
    pub(super) width: usize,
    /// Pixels down.
    pub(super) height: usize,
    /// Pixels per mm.
    pub(super) scale: f64,
    view: View,
    left: f64,
    top: f64,
}

impl Canvas {
    /// Fits the mesh into at most `widest` by `tallest` pixels with `margin` pixels round it.
    pub(super) fn fit(mesh: &TriangleMesh, view: View, widest: usize, tallest: usize, margin: usize) -> Self {
        let seen = mesh.bounds_along([view.right, view.up, view.toward]);
        // A part seen edge-on, or a mesh of one place, has no extent; a thousandth of a mm keeps the scale
        // finite.
        let (wide, tall) = (seen.size().x.max(1e-3), seen.size().y.max(1e-3));
        let room = |pixels: usize| pixels.saturating_sub(2 * margin).max(1) as f64;
        let scale = (room(widest) / wide).min(room(tallest) / tall);
        let pixels = |mm: f64, most: usize| ((mm * scale).ceil() as usize + 2 * margin).clamp(1, most);
        let (width, height) = (pixels(wide, widest), pixels(tall, tallest));
        let centre = seen.centre();
        Self {
            width,
            height,
            scale,
            view,
            left: centre.x - 0.5 * width as f64 / scale,
            top: centre.y + 0.5 * height as f64 / scale,
        }
    }

    /// Pixels from the left, pixels from the top, and nearness in mm.
    pub(super) fn place(&self, p: &Point) -> [f64; 3] {
        let seen = self.view.project(p);
        [(seen.x - self.left) * self.scale, (self.top - seen.y) * self.scale, seen.z]
    }
}

/// What a pixel shows: the triangle and where on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Hit {
    /// Index of the triangle.
    pub(super) triangle: u32,
    /// Weights of its second and third corner; the first has the rest.
    pub(super) weights: [f64; 2],
    /// Nearness to the eye, mm; more is nearer.
    pub(super) near_mm: f64,
}

impl Hit {
    /// Weights of the three corners.
    pub(super) fn corners(&self) -> [f64; 3] {
        [1.0 - self.weights[0] - self.weights[1], self.weights[0], self.weights[1]]
    }
}

/// The nearest triangle behind every pixel, row by row from the top; `None` where there is no part.
pub(super) fn rasterise(mesh: &TriangleMesh, canvas: &Canvas) -> Vec<Option<Hit>> {
    let mut hits: Vec<Option<Hit>> = vec![None; canvas.width * canvas.height];
    let placed: Vec<[f64; 3]> = mesh.vertices().iter().map(|p| canvas.place(p)).collect();
    for (index, triangle) in mesh.triangles().iter().enumerate() {
        let [a, b, c] = triangle.map(|v| placed[v as usize]);
        let whole = edge(a, b, c[0], c[1]);
        // Edge-on or without area: its neighbours show.
        if !(whole.is_finite() && whole != 0.0) {
            continue;
        }
        let Some((left, right)) = pixels([a[0], b[0], c[0]], canvas.width) else { continue };
        let Some((top, bottom)) = pixels([a[1], b[1], c[1]], canvas.height) else { continue };
        for row in top..=bottom {
            let y = row as f64 + 0.5;
            for column in left..=right {
                let x = column as f64 + 0.5;
                let second = edge(c, a, x, y) / whole;
                let third = edge(a, b, x, y) / whole;
                let first = 1.0 - second - third;
                if !(first >= 0.0 && second >= 0.0 && third >= 0.0) {
                    continue;
                }
                let near_mm = first * a[2] + second * b[2] + third * c[2];
                let slot = &mut hits[row * canvas.width + column];
                if slot.is_none_or(|old| near_mm > old.near_mm) {
                    *slot = Some(Hit { triangle: index as u32, weights: [second, third], near_mm });
                }
            }
        }
    }
    hits
}

/// Twice the signed area of the triangle `p`, `q`, (`x`, `y`).
fn edge(p: [f64; 3], q: [f64; 3], x: f64, y: f64) -> f64 {
    (q[0] - p[0]) * (y - p[1]) - (q[1] - p[1]) * (x - p[0])
}

/// First and last pixel whose centre may lie between the coordinates; `None` when all are outside.
fn pixels(at: [f64; 3], count: usize) -> Option<(usize, usize)> {
    let low = (at[0].min(at[1]).min(at[2]) - 0.5).ceil().max(0.0);
    let high = (at[0].max(at[1]).max(at[2]) - 0.5).floor().min(count as f64 - 1.0);
    (low <= high).then_some((low as usize, high as usize))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from_above() -> View {
        View::new(Direction::Z, Direction::Y).unwrap()
    }

    fn mesh(points: &[[f64; 3]], triangles: &[[u32; 3]]) -> TriangleMesh {
        let points = points.iter().map(|p| Point::new(p[0], p[1], p[2])).collect();
        TriangleMesh::new(points, triangles.to_vec()).unwrap()
    }

    #[test]
    fn from_above_x_is_right_and_y_is_up() {
        let view = from_above();
        assert_eq!(view.axis(0), [1.0, 0.0, 0.0]);
        assert_eq!(view.axis(1), [0.0, 1.0, 0.0]);
        assert_eq!(view.axis(2), [0.0, 0.0, 1.0]);
        assert!(View::new(Direction::Z, Direction::Z).is_none());
    }

    #[test]
    fn a_square_fills_its_pixels_once_and_no_more() {
        let square = mesh(
            &[[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [10.0, 10.0, 0.0], [0.0, 10.0, 0.0]],
            &[[0, 1, 2], [0, 2, 3]],
        );
        let canvas = Canvas::fit(&square, from_above(), 120, 120, 10);
        assert_eq!((canvas.width, canvas.height, canvas.scale), (120, 120, 10.0));
        let hits = rasterise(&square, &canvas);
        assert_eq!(hits.iter().flatten().count(), 100 * 100);
        assert!(hits[10 * 120 + 10].is_some() && hits[9 * 120 + 10].is_none());
    }

    #[test]
    fn the_nearer_triangle_shows_whatever_the_order() {
        let points = [
            [0.0, 0.0, 0.0],
            [9.0, 0.0, 0.0],
            [0.0, 9.0, 0.0],
            [0.0, 0.0, 1.0],
            [9.0, 0.0, 1.0],
            [0.0, 9.0, 1.0],
        ];
        for (order, top) in [([[0, 1, 2], [3, 4, 5]], 1), ([[3, 4, 5], [0, 1, 2]], 0)] {
            let both = mesh(&points, &order);
            let canvas = Canvas::fit(&both, from_above(), 50, 50, 2);
            let hits = rasterise(&both, &canvas);
            assert!(hits.iter().flatten().count() > 100);
            assert!(hits.iter().flatten().all(|h| h.triangle == top));
        }
    }

    #[test]
    fn weights_find_the_pixel_s_place_again() {
        let one = mesh(&[[0.0, 0.0, 2.0], [7.0, 1.0, 3.0], [2.0, 5.0, 5.0]], &[[0, 1, 2]]);
        let from = Direction::new(Vector::new(0.3, -0.4, 0.8)).unwrap();
        let canvas = Canvas::fit(&one, View::new(from, Direction::Z).unwrap(), 200, 200, 3);
        let corners = one.corners(0);
        for (i, hit) in rasterise(&one, &canvas).iter().enumerate() {
            let Some(hit) = hit else { continue };
            let w = hit.corners();
            let p =
                Point::from(corners[0].coords * w[0] + corners[1].coords * w[1] + corners[2].coords * w[2]);
            let [x, y, near] = canvas.place(&p);
            assert!((x - ((i % canvas.width) as f64 + 0.5)).abs() < 1e-9);
            assert!((y - ((i / canvas.width) as f64 + 0.5)).abs() < 1e-9);
            assert!((near - hit.near_mm).abs() < 1e-9);
        }
    }

    #[test]
    fn meshes_without_extent_give_a_small_picture_without_hits() {
        let dot = mesh(&[[1.0, 1.0, 1.0]], &[[0, 0, 0]]);
        let canvas = Canvas::fit(&dot, from_above(), 100, 100, 4);
        assert!(rasterise(&dot, &canvas).iter().all(Option::is_none));
        let upright = mesh(&[[0.0, 0.0, 0.0], [0.0, 0.0, 5.0], [3.0, 0.0, 0.0]], &[[0, 1, 2]]);
        let canvas = Canvas::fit(&upright, from_above(), 100, 100, 4);
        assert!(rasterise(&upright, &canvas).iter().all(Option::is_none));
    }
}
