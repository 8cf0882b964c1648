//! Closest point on a triangle mesh by a tree of boxes, eight to a node.
//!
//! Boxes are f32 and only ever leave out what is strictly further; the triangles themselves are tested in
//! f64 by the one routine of [`crate::geometry::closest_point_on_triangle`]. So answers are those of brute
//! force, bit for bit: the nearest triangle, and among equally near ones that with the lowest index.

mod build;
mod crossing;
mod cursor;
mod descent;
mod eight;
mod extent;
mod group;
mod members;
mod near;
mod node;
#[cfg(test)]
mod tests;
mod way;
mod window;

use std::sync::atomic::{AtomicBool, Ordering::Relaxed};

use rayon::prelude::*;

use crate::geometry::sum::CHUNK;
use crate::geometry::{
    Aabb, Direction, Foot, Point, TriangleMesh, Vector, closest_on_sliver, closest_on_well_shaped, is_sliver,
};

pub use crossing::Crossing;
pub use cursor::Cursor;
use extent::Item;
pub(super) use group::Groups;
use node::{Node, Probe};

/// Beyond this many mm from the origin, squares leave the range of f32: everything is tested there.
const FARTHEST_MM: f64 = 1e15;

/// A tree over the triangles of a mesh. Boxes are relative to the middle of the triangles, so that parts of
/// many metres lose nothing but pruning: half a micrometre at 12 m.
#[derive(Clone, Debug)]
pub struct SurfaceTree {
    origin: Point,
    nodes: Vec<Node>,
    /// In the tree's order.
    triangles: Vec<Triangle>,
    /// Those that triangles use, in the order of their first use.
    vertices: Vec<Point>,
    /// A hundred-thousandth of its size, mm: where guesses of distances begin.
    short: f64,
    /// How far feet may be off their triangle's box by rounding, mm.
    margin: f64,
    /// Some coordinate lies beyond [`FARTHEST_MM`].
    unbounded: bool,
}

/// Marks in [`Triangle::corner`] a triangle that only the slower routine meets.
const SLIVER: u32 = 1 << 31;

#[derive(Clone, Copy, Debug)]
struct Triangle {
    corner: [u32; 3],
    index: u32,
}

/// The best so far.
#[derive(Clone, Copy, Debug)]
struct Best {
    distance2: f64,
    /// In the mesh; none yet: the largest, so that equal distances are better.
    index: u32,
    /// In the tree's order.
    slot: usize,
    foot: Point,
}

/// No triangle of the tree.
const NO_SLOT: usize = usize::MAX;

impl Best {
    /// Nothing yet within a reach of `p`.
    #[inline(always)]
    fn none(p: &Point, reach_mm: f64) -> Self {
        Self { distance2: reach_mm * reach_mm, index: u32::MAX, slot: NO_SLOT, foot: *p }
    }

    /// The foot, where there is one.
    #[inline(always)]
    fn foot(&self) -> Option<Foot> {
        let foot = Foot { point: self.foot, triangle: self.index, distance: self.distance2.sqrt() };
        (self.slot != NO_SLOT).then_some(foot)
    }
}

impl SurfaceTree {
    /// A tree over all triangles of `mesh`.
    pub fn new(mesh: &TriangleMesh) -> Self {
        let all: Vec<u32> = (0..mesh.triangles().len() as u32).collect();
        Self::of(mesh, &all)
    }

    /// A tree over some triangles of `mesh`; feet carry the mesh's triangle indices. May be empty. Built in
    /// parallel; the same on any number of threads.
    pub fn of(mesh: &TriangleMesh, triangles: &[u32]) -> Self {
        let bounds = bounds(mesh, triangles);
        let origin = bounds.centre();
        let largest = bounds.low.iter().chain(bounds.high.iter()).fold(0.0f64, |m, c| m.max(c.abs()));
        let unbounded = !triangles.is_empty() && !(largest < FARTHEST_MM);
        let short = bounds.diagonal() * 1e-5;
        // A foot lies in the box of its triangle but for a few roundings of its coordinates.
        let margin = largest * 1e-12;
        let item = |&t: &u32| {
            let [a, b, c] = mesh.corners(t);
            let least = |x: f64, y: f64| if x < y { x } else { y };
            let most = |x: f64, y: f64| if x > y { x } else { y };
            let low = |k: usize| least(least(a[k], b[k]), c[k]) - origin[k] - margin;
            let high = |k: usize| most(most(a[k], b[k]), c[k]) - origin[k] + margin;
            let low = std::array::from_fn(|k| node::below(low(k)));
            let high = std::array::from_fn(|k| node::above(high(k)));
            Item::new(low, high, t, is_sliver(&a, &b, &c))
        };
        let mut items: Vec<Item> = triangles.par_iter().with_min_len(CHUNK).map(item).collect();
        let mut nodes = if unbounded { Vec::new() } else { build::build(&mut items) };
        let place = |item: &Item| {
            let index = item.which();
            let mut corner = mesh.triangles()[index as usize];
            corner[0] |= if item.sliver() { SLIVER } else { 0 };
            Triangle { corner, index }
        };
        let mut triangles: Vec<Triangle> = items.par_iter().with_min_len(CHUNK).map(place).collect();
        let used = number_in_order(&mut triangles, mesh.vertices().len());
        let vertex = |&v: &u32| mesh.vertices()[v as usize];
        let vertices: Vec<Point> = used.par_iter().with_min_len(CHUNK).map(vertex).collect();
        nodes.shrink_to_fit();
        Self { origin, nodes, triangles, vertices, short, margin, unbounded }
    }

    /// The closest point of the surface no further than `reach_mm`; `None` when there is none, and for a
    /// point that is not finite.
    pub fn nearest(&self, p: &Point, reach_mm: f64) -> Option<Foot> {
        self.cursor().nearest(p, reach_mm)
    }

    /// As [`Self::nearest`], on triangles whose normal makes an angle with `normal` whose cosine is at
    /// least `min_cos`.
    pub fn nearest_facing(&self, p: &Point, normal: Direction, min_cos: f64, reach_mm: f64) -> Option<Foot> {
        self.cursor().nearest_facing(p, normal, min_cos, reach_mm)
    }

    /// For many points one after the other, faster when each is near the one before.
    pub fn cursor(&self) -> Cursor<'_> {
        Cursor::new(self)
    }

    /// How much memory the tree holds, bytes.
    pub fn bytes(&self) -> usize {
        size_of::<Node>() * self.nodes.capacity()
            + size_of::<Triangle>() * self.triangles.capacity()
            + size_of::<Point>() * self.vertices.capacity()
    }

    /// What lies between two corners, in the nodes' axes.
    #[inline(always)]
    fn probe(&self, low: &Point, high: &Point) -> Probe {
        let local = |p: &Point| std::array::from_fn(|k| p[k] - self.origin[k]);
        Probe::new(local(low), local(high))
    }

    #[inline(always)]
    fn corners(&self, t: &Triangle) -> [&Point; 3] {
        let [a, b, c] = t.corner;
        [&self.vertices[(a & !SLIVER) as usize], &self.vertices[b as usize], &self.vertices[c as usize]]
    }

    /// Tests one triangle; `facing` is only asked about those that would be better.
    #[inline(always)]
    fn test(&self, slot: usize, p: &Point, best: &mut Best, facing: &impl Fn([&Point; 3]) -> bool) -> bool {
        let t = &self.triangles[slot];
        let [a, b, c] = self.corners(t);
        let (foot, _) = if t.corner[0] & SLIVER == 0 {
            closest_on_well_shaped(p, a, b, c)
        } else {
            closest_on_sliver(p, a, b, c)
        };
        let distance2 = (foot - p).norm_squared();
        let better = distance2 < best.distance2 || (distance2 == best.distance2 && t.index < best.index);
        if better && facing([a, b, c]) {
            *best = Best { distance2, index: t.index, slot, foot };
            return true;
        }
        false
    }
}

/// The unit normal of a triangle as the mesh says it; zero for one without area, which then faces nowhere
/// and everywhere.
#[inline(always)]
pub(super) fn normal([a, b, c]: [&Point; 3]) -> Vector {
    Direction::new((b - a).cross(&(c - a))).map_or_else(Vector::zeros, Direction::vector)
}

/// Whether squares of its coordinates stay in the range of f32.
fn in_range(p: &Point) -> bool {
    p.iter().all(|c| c.abs() < FARTHEST_MM)
}

/// Numbers the corners by their first use; returns the vertices so numbered.
fn number_in_order(triangles: &mut [Triangle], vertices: usize) -> Vec<u32> {
    let mut number = vec![u32::MAX; vertices];
    // One place more than there can be, which is written when there is nothing new: guessing which is which
    // would cost more.
    let mut used = vec![0; vertices.min(3 * triangles.len()) + 1];
    let mut count = 0;
    for t in triangles {
        for corner in &mut t.corner {
            let v = *corner & !SLIVER;
            let number = &mut number[v as usize];
            let new = *number == u32::MAX;
            *number = (*number).min(count);
            used[count as usize] = v;
            count += u32::from(new);
            *corner = *number | *corner & SLIVER;
        }
    }
    used.truncate(count as usize);
    used
}

/// Of the vertices that the triangles use.
fn bounds(mesh: &TriangleMesh, triangles: &[u32]) -> Aabb {
    let used: Vec<AtomicBool> = mesh.vertices().iter().map(|_| AtomicBool::new(false)).collect();
    triangles.par_iter().with_min_len(CHUNK).for_each(|&t| {
        for v in mesh.triangles()[t as usize] {
            used[v as usize].store(true, Relaxed);
        }
    });
    let mut bounds = Aabb::empty();
    for (p, used) in mesh.vertices().iter().zip(used) {
        if used.into_inner() {
            bounds.add(p);
        }
    }
    bounds
}
