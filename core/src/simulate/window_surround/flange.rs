//! The flat flange: rows of vertices from the shaped ring outwards, round holes and the slot cut into them.

use super::outline::{Outline, Place};
use super::sheet::Sheet;
use crate::geometry::{Point, Vector, math};
use std::f64::consts::{PI, TAU};

/// Rows of vertices, as fractions of the flange's width; the trimmed edge follows with its own spacing.
const ROWS: [f64; 5] = [0.0, 0.2, 0.4, 0.6, 0.8];
/// Facets of a round wall; vertices lie on the circle, so that 12 mm lose 0.003 mm at a chord.
const FACETS: usize = 96;
/// The block of cells that a hole replaces keeps this far from it, mm, where the flange is wide enough.
const CLEARANCE_MM: f64 = 1.5;

/// A hole or a slot: all points within `radius` of the line from `a` to `b`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cut {
    pub(super) a: Point,
    pub(super) b: Point,
    pub(super) radius: f64,
}

impl Cut {
    pub(super) fn round(centre: Point, diameter: f64) -> Self {
        Self { a: centre, b: centre, radius: 0.5 * diameter }
    }

    fn centre(&self) -> Point {
        nalgebra::center(&self.a, &self.b)
    }

    /// The outline, counter-clockwise; its vertices lie on the arcs.
    fn outline(&self) -> Vec<Point> {
        let along = self.b - self.a;
        let first = if along.norm() > 0.0 { math::atan2(along.y, along.x) - 0.5 * PI } else { 0.0 };
        let arc = |centre: Point, from: f64, i: usize| {
            let angle = from + TAU * i as f64 / FACETS as f64;
            centre + Vector::new(math::cos(angle), math::sin(angle), 0.0) * self.radius
        };
        if along.norm() == 0.0 {
            return (0..FACETS).map(|i| arc(self.a, first, i)).collect();
        }
        let half = FACETS / 2;
        let mut points = Vec::new();
        for (centre, from, next) in [(self.b, first, self.a), (self.a, first + PI, self.b)] {
            points.extend((0..=half).map(|i| arc(centre, from, i)));
            // The straight part up to the other arc.
            let (p, step) = (arc(centre, from, half), next - centre);
            let parts = (step.norm() / 1.5).ceil().max(1.0) as usize;
            points.extend((1..parts).map(|i| p + step * (i as f64 / parts as f64)));
        }
        points
    }

    /// Distance of a segment from the cut's middle line, mm, by its ends and middle: the segments are short.
    fn distance(&self, p: &Point, q: &Point) -> f64 {
        [*p, nalgebra::center(p, q), *q]
            .iter()
            .map(|x| {
                let (v, d) = (self.b - self.a, x - self.a);
                let f =
                    if v.norm_squared() > 0.0 { (d.dot(&v) / v.norm_squared()).clamp(0.0, 1.0) } else { 0.0 };
                (d - v * f).norm()
            })
            .fold(f64::INFINITY, f64::min)
    }
}

/// Adds the flange to `sheet`, whose first `ring.len()` vertices are the places of `ring`.
pub(super) fn add_flange(
    sheet: &mut Sheet,
    ring: &[Place],
    inner: &Outline,
    outer: &Outline,
    edge: &[Place],
    cuts: &[Cut],
    thickness: f64,
) {
    let flat = |sheet: &mut Sheet, p: Point| sheet.add(p, p - Vector::z() * thickness);
    let n = ring.len();
    let widths: Vec<f64> = ring.iter().map(|place| outer.ahead(place)).collect();
    let mut rows: Vec<Vec<u32>> = vec![(0..n as u32).collect()];
    for fraction in &ROWS[1..] {
        let row = ring.iter().zip(&widths);
        rows.push(row.map(|(p, w)| flat(sheet, p.point - p.inward * (w * fraction))).collect());
    }
    let mut taken = vec![[false; ROWS.len() - 1]; n];
    for cut in cuts {
        let block = Block::around(cut, sheet, &rows, ring, inner, &widths);
        for i in block.columns.0..block.columns.1 {
            taken[i % n][block.rows.0..block.rows.1].fill(true);
        }
        let angle = |p: &Point| {
            let d = p - cut.centre();
            math::atan2(d.y, d.x)
        };
        let around: Vec<(u32, f64)> =
            block.border(&rows).into_iter().map(|v| (v, angle(&sheet.visible[v as usize]))).collect();
        let hole: Vec<(u32, f64)> = cut.outline().into_iter().map(|p| (flat(sheet, p), angle(&p))).collect();
        sheet.zip(&around, &hole, TAU);
    }
    for i in 0..n {
        for j in 0..ROWS.len() - 1 {
            if !taken[i][j] {
                let k = (i + 1) % n;
                sheet.quad([rows[j][i], rows[j + 1][i], rows[j + 1][k], rows[j][k]]);
            }
        }
    }
    let last: Vec<(u32, f64)> = rows[ROWS.len() - 1].iter().zip(ring).map(|(&v, p)| (v, p.at)).collect();
    let trimmed: Vec<(u32, f64)> =
        edge.iter().map(|p| (flat(sheet, p.point), inner.parameter(&p.point))).collect();
    sheet.zip(&trimmed, &last, 8.0);
}

/// A block of cells between two columns and two rows of the flange.
#[derive(Clone, Copy, Debug)]
struct Block {
    /// First and last column of vertices; the numbers go round.
    columns: (usize, usize),
    rows: (usize, usize),
}

impl Block {
    /// The smallest block that keeps clear of the cut.
    fn around(
        cut: &Cut,
        sheet: &Sheet,
        rows: &[Vec<u32>],
        ring: &[Place],
        inner: &Outline,
        widths: &[f64],
    ) -> Self {
        let n = ring.len();
        let at = inner.parameter(&cut.centre());
        let column = ring.partition_point(|p| p.at <= at).saturating_sub(1);
        let share = inner.distance(&cut.centre()) / widths[column];
        let row = ROWS.partition_point(|&f| f <= share).clamp(1, ROWS.len() - 1) - 1;
        // One turn up, so that going down never passes zero.
        let mut block = Self { columns: (column + n, column + n + 1), rows: (row, row + 1) };
        let point = |i: usize, j: usize| sheet.visible[rows[j][i % n] as usize];
        let near = |p: Point, q: Point| cut.distance(&p, &q) < cut.radius + CLEARANCE_MM;
        loop {
            let before = block.columns.1 - block.columns.0 + block.rows.1 - block.rows.0;
            let (mut c, mut r) = (block.columns, block.rows);
            let beside = |i: usize| (r.0..r.1).any(|j| near(point(i, j), point(i, j + 1)));
            let along = |j: usize| (c.0..c.1).any(|i| near(point(i, j), point(i + 1, j)));
            let (left, right) = (beside(c.0), beside(c.1));
            let (below, above) = (r.0 > 0 && along(r.0), r.1 < ROWS.len() - 1 && along(r.1));
            c.0 -= usize::from(left);
            c.1 += usize::from(right);
            r.0 -= usize::from(below);
            r.1 += usize::from(above);
            block = Self { columns: c, rows: r };
            if c.1 - c.0 + r.1 - r.0 == before || c.1 - c.0 >= n {
                return block;
            }
        }
    }

    /// Vertices of the border, counter-clockwise seen from the visible side.
    fn border(&self, rows: &[Vec<u32>]) -> Vec<u32> {
        let n = rows[0].len();
        let v = |i: usize, j: usize| rows[j][i % n];
        let ((c0, c1), (r0, r1)) = (self.columns, self.rows);
        let mut border: Vec<u32> = (r0..r1).map(|j| v(c0, j)).collect();
        border.extend((c0..c1).map(|i| v(i, r1)));
        border.extend((r0 + 1..=r1).rev().map(|j| v(c1, j)));
        border.extend((c0 + 1..=c1).rev().map(|i| v(i, r0)));
        border
    }
}
