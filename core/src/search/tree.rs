//! Closest point on a triangle mesh by a tree of boxes.

use crate::geometry::{Aabb, Direction, Foot, Point, TriangleMesh, Vector, closest_point_on_triangle};

/// Triangles of one leaf.
const LEAF: usize = 4;

/// A binary tree of axis-aligned boxes over triangles; answers are those of brute force: the nearest
/// triangle, and among equally near ones that with the lowest index. A subtree is left out only when
/// its box is strictly further than the best so far.
#[derive(Clone, Debug)]
pub struct SurfaceTree {
    nodes: Vec<Node>,
    triangles: Vec<Triangle>,
}

#[derive(Clone, Debug)]
struct Node {
    bounds: Aabb,
    /// Leaf: first triangle; otherwise the index of the right child (the left one follows its parent).
    first: u32,
    /// Leaf: how many triangles; 0 for an inner node.
    count: u32,
}

#[derive(Clone, Debug)]
struct Triangle {
    corners: [Point; 3],
    /// Zero for a triangle without area, which then faces nowhere and everywhere.
    normal: Vector,
    index: u32,
}

impl SurfaceTree {
    /// A tree over all triangles of `mesh`.
    pub fn new(mesh: &TriangleMesh) -> Self {
        let all: Vec<u32> = (0..mesh.triangles().len() as u32).collect();
        Self::of(mesh, &all)
    }

    /// A tree over some triangles of `mesh`; feet carry the mesh's triangle indices. May be empty.
    pub fn of(mesh: &TriangleMesh, triangles: &[u32]) -> Self {
        let mut items: Vec<Triangle> = triangles
            .iter()
            .map(|&index| Triangle {
                corners: mesh.corners(index),
                normal: mesh.normal(index).map_or_else(Vector::zeros, Direction::vector),
                index,
            })
            .collect();
        let mut nodes = Vec::with_capacity(2 * items.len() / LEAF + 1);
        if !items.is_empty() {
            let count = items.len();
            build(&mut items, 0, count, &mut nodes);
        }
        Self { nodes, triangles: items }
    }

    /// The closest point of the surface no further than `reach_mm`; `None` when there is none, and for a
    /// point that is not finite.
    pub fn nearest(&self, p: &Point, reach_mm: f64) -> Option<Foot> {
        self.search(p, reach_mm, |_| true)
    }

    /// As [`Self::nearest`], on triangles whose normal makes an angle with `normal` whose cosine is at
    /// least `min_cos`.
    pub fn nearest_facing(&self, p: &Point, normal: Direction, min_cos: f64, reach_mm: f64) -> Option<Foot> {
        let n = normal.vector();
        self.search(p, reach_mm, |t| t.normal.dot(&n) >= min_cos)
    }

    fn search(&self, p: &Point, reach_mm: f64, accept: impl Fn(&Triangle) -> bool) -> Option<Foot> {
        if self.nodes.is_empty() || !p.iter().all(|c| c.is_finite()) || !(reach_mm >= 0.0) {
            return None;
        }
        let mut best2 = reach_mm * reach_mm;
        let mut best: Option<(u32, Point)> = None;
        let mut stack = [(0u32, 0.0f64); 64];
        let mut depth = 1;
        stack[0] = (0, distance2(&self.nodes[0].bounds, p));
        while depth > 0 {
            depth -= 1;
            let (index, near2) = stack[depth];
            if near2 > best2 {
                continue;
            }
            let node = &self.nodes[index as usize];
            if node.count > 0 {
                for t in &self.triangles[node.first as usize..(node.first + node.count) as usize] {
                    if !accept(t) {
                        continue;
                    }
                    let foot = closest_point_on_triangle(p, &t.corners[0], &t.corners[1], &t.corners[2]);
                    let d2 = (foot - p).norm_squared();
                    let better = match best {
                        Some((i, _)) => d2 < best2 || (d2 == best2 && t.index < i),
                        None => d2 <= best2,
                    };
                    if better {
                        best2 = d2;
                        best = Some((t.index, foot));
                    }
                }
            } else {
                let (left, right) = (index + 1, node.first);
                let l2 = distance2(&self.nodes[left as usize].bounds, p);
                let r2 = distance2(&self.nodes[right as usize].bounds, p);
                let (near, far) =
                    if l2 <= r2 { ((left, l2), (right, r2)) } else { ((right, r2), (left, l2)) };
                for child in [far, near] {
                    if child.1 <= best2 {
                        stack[depth] = child;
                        depth += 1;
                    }
                }
            }
        }
        best.map(|(triangle, point)| Foot { point, triangle, distance: best2.sqrt() })
    }
}

/// Squared distance from a point to a box, 0 inside. Computed as the squared distance to a triangle is,
/// from differences of coordinates, so that rounding never makes it larger than the distance to a corner
/// within; a relative margin covers the foot's own rounding.
fn distance2(bounds: &Aabb, p: &Point) -> f64 {
    let mut sum = 0.0;
    for axis in 0..3 {
        let d = (bounds.low[axis] - p[axis]).max(p[axis] - bounds.high[axis]).max(0.0);
        sum += d * d;
    }
    sum * (1.0 - 1e-12)
}

fn centre2(t: &Triangle, axis: usize) -> f64 {
    let c = &t.corners;
    let low = c[0][axis].min(c[1][axis]).min(c[2][axis]);
    let high = c[0][axis].max(c[1][axis]).max(c[2][axis]);
    low + high
}

/// Splits at the median of the longest axis of the centres: balanced (depth at most 64 for any count
/// that fits u32) and independent of anything but the input.
fn build(items: &mut [Triangle], first: usize, count: usize, nodes: &mut Vec<Node>) {
    let range = &mut items[first..first + count];
    let mut bounds = Aabb::empty();
    let mut low = Vector::repeat(f64::INFINITY);
    let mut high = Vector::repeat(f64::NEG_INFINITY);
    for t in range.iter() {
        for c in &t.corners {
            bounds.add(c);
        }
        for axis in 0..3 {
            let c = centre2(t, axis);
            low[axis] = low[axis].min(c);
            high[axis] = high[axis].max(c);
        }
    }
    if count <= LEAF {
        range.sort_unstable_by_key(|t| t.index);
        nodes.push(Node { bounds, first: first as u32, count: count as u32 });
        return;
    }
    let size = high - low;
    let axis = if size.x >= size.y && size.x >= size.z {
        0
    } else if size.y >= size.z {
        1
    } else {
        2
    };
    let half = count / 2;
    range.select_nth_unstable_by(half, |a, b| {
        centre2(a, axis).total_cmp(&centre2(b, axis)).then(a.index.cmp(&b.index))
    });
    let me = nodes.len();
    nodes.push(Node { bounds, first: 0, count: 0 });
    build(items, first, half, nodes);
    nodes[me].first = nodes.len() as u32;
    build(items, first + half, count - half, nodes);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    fn soup(seed: u64, count: usize) -> TriangleMesh {
        let mut random = Random::seeded(seed);
        let mut vertices = Vec::new();
        let mut triangles = Vec::new();
        for i in 0..count {
            let centre =
                Point::new(random.range(-50.0, 50.0), random.range(-50.0, 50.0), random.range(-5.0, 5.0));
            for _ in 0..3 {
                vertices.push(centre + Vector::new(random.normal(), random.normal(), random.normal()) * 3.0);
            }
            let k = 3 * i as u32;
            // Every seventh is a sliver without area, every fifth stands twice.
            triangles.push(if i % 7 == 0 { [k, k + 1, k] } else { [k, k + 1, k + 2] });
            if i % 5 == 0 {
                triangles.push([k, k + 1, k + 2]);
            }
        }
        TriangleMesh::new(vertices, triangles).unwrap()
    }

    #[test]
    fn answers_are_those_of_brute_force_with_ties_to_the_lowest_index() {
        for seed in 0..5 {
            let mesh = soup(seed, 400);
            let tree = SurfaceTree::new(&mesh);
            let mut random = Random::seeded(100 + seed);
            for _ in 0..400 {
                let p =
                    Point::new(random.range(-60.0, 60.0), random.range(-60.0, 60.0), random.range(-9.0, 9.0));
                let normal = random.direction();
                let reach = random.range(0.5, 30.0);
                for facing in [false, true] {
                    let mut best: Option<(f64, u32)> = None;
                    for i in 0..mesh.triangles().len() as u32 {
                        let n = mesh.normal(i).map_or_else(Vector::zeros, Direction::vector);
                        if facing && n.dot(&normal.vector()) < 0.3 {
                            continue;
                        }
                        let [a, b, c] = mesh.corners(i);
                        let d2 = (closest_point_on_triangle(&p, &a, &b, &c) - p).norm_squared();
                        if d2 <= reach * reach && best.is_none_or(|(b2, _)| d2 < b2) {
                            best = Some((d2, i));
                        }
                    }
                    let found = if facing {
                        tree.nearest_facing(&p, normal, 0.3, reach)
                    } else {
                        tree.nearest(&p, reach)
                    };
                    assert_eq!(
                        found.map(|f| (f.distance, f.triangle)),
                        best.map(|(d2, i)| (d2.sqrt(), i)),
                        "seed {seed}"
                    );
                }
            }
        }
    }

    #[test]
    fn nothing_is_found_from_nowhere() {
        let mesh = soup(1, 10);
        let tree = SurfaceTree::new(&mesh);
        assert_eq!(tree.nearest(&Point::new(f64::NAN, 0.0, 0.0), 1e9), None);
        assert_eq!(tree.nearest(&Point::origin(), f64::NAN), None);
        assert_eq!(SurfaceTree::of(&mesh, &[]).nearest(&Point::origin(), 1e9), None);
    }
}
