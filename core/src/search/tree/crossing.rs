//! Where a line first crosses the surface.
//!
//! Boxes by slabs: Kay and Kajiya, "Ray tracing complex scenes", SIGGRAPH 1986. Triangles: Moeller and Trumbore, "Fast,
//! minimum storage ray/triangle intersection", Journal of Graphics Tools 2(1), 1997. Both from memory.

use super::node::Node;
use super::{SLIVER, SurfaceTree};
use crate::geometry::{Direction, Point, Vector};

/// A place where a line crosses the surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// Which triangle; of several at an edge the one that is met first, of equals the lowest.
    pub triangle: u32,
    /// How far along the line, mm.
    pub along_mm: f64,
    /// Whether the line leaves the material there: it goes with the triangle's normal.
    pub outwards: bool,
}

/// A triangle is hit a billionth of its size beyond its edges too, so that no line slips through between two.
const EDGE: f64 = 1e-9;
/// A triangle whose normal is nearer to square to the line than this sine is seen edge on and crosses nothing.
const EDGE_ON: f64 = 1e-9;

/// Places on triangle and line differ by rounding only, as a part of the distance (and of a millimetre).
const SAME_PLACE: f64 = 1e-6;

impl SurfaceTree {
    /// The first crossing of the line from `from` along `direction`, no nearer than `least_mm` and no further than
    /// `most_mm`; `None` where there is none. Triangles without area are not met.
    pub fn crossing(
        &self,
        from: &Point,
        direction: Direction,
        [least_mm, most_mm]: [f64; 2],
    ) -> Option<Crossing> {
        let finite = from.iter().all(|c| c.is_finite()) && least_mm.is_finite();
        if self.triangles.is_empty() || !finite || !(most_mm >= least_mm) {
            return None;
        }
        let line = Line { from: *from, along: direction.vector(), least_mm };
        let mut first: Option<Crossing> = None;
        if self.unbounded {
            (0..self.triangles.len()).for_each(|slot| self.cross(slot, &line, most_mm, &mut first));
            return first;
        }
        let local: [f64; 3] = std::array::from_fn(|k| from[k] - self.origin[k]);
        let way: [f64; 3] = line.along.into();
        // Node and how near the line comes upon it.
        let mut open: Vec<(f64, usize)> = vec![(least_mm, 0)];
        let mut boxes: Vec<(f64, usize)> = Vec::new();
        while let Some((near, node)) = open.pop() {
            if first.is_some_and(|f| near > f.along_mm) {
                continue;
            }
            let node: &Node = &self.nodes[node];
            let most = first.map_or(most_mm, |f| f.along_mm);
            boxes.clear();
            node.each_on_line(&local, &way, [least_mm, most], |near, place| boxes.push((near, place)));
            // The nearest comes last, so that it is visited next.
            boxes.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
            for &(near, place) in &boxes {
                let child = node.child(place);
                if child.is_leaf() {
                    child.triangles().for_each(|slot| self.cross(slot, &line, most_mm, &mut first));
                } else {
                    open.push((near, child.index()));
                }
            }
        }
        first
    }

    /// Tests one triangle.
    fn cross(&self, slot: usize, line: &Line, most_mm: f64, first: &mut Option<Crossing>) {
        let t = &self.triangles[slot];
        let [a, b, c] = self.corners(t);
        let (ab, ac) = (b - a, c - a);
        let p = line.along.cross(&ac);
        let det = ab.dot(&p);
        // A sliver's product of edges says nothing of its area.
        let area = if t.corner[0] & SLIVER == 0 { ab.norm() * ac.norm() } else { ab.cross(&ac).norm() };
        if !(det.abs() > EDGE_ON * area) {
            return;
        }
        let s = line.from - a;
        let q = s.cross(&ab);
        let (u, v, along_mm) = (s.dot(&p) / det, line.along.dot(&q) / det, ac.dot(&q) / det);
        let inside = u >= -EDGE && v >= -EDGE && u + v <= 1.0 + EDGE;
        // Of a sliver the numbers may be rounding: then the place on the triangle is not that on the line.
        let off = (a + ab * u + ac * v) - (line.from + line.along * along_mm);
        let inside = inside && off.norm() <= SAME_PLACE * (1.0 + s.norm());
        if !(inside && along_mm >= line.least_mm && along_mm <= most_mm) {
            return;
        }
        let better =
            first.is_none_or(|f| along_mm < f.along_mm || (along_mm == f.along_mm && t.index < f.triangle));
        if better {
            *first = Some(Crossing { triangle: t.index, along_mm, outwards: det < 0.0 });
        }
    }
}

/// From where, which way, and from how far on.
struct Line {
    from: Point,
    along: Vector,
    least_mm: f64,
}

#[cfg(test)]
mod tests {
    use crate::geometry::random::Random;
    use crate::geometry::{Direction, Point, TriangleMesh, Vector};
    use crate::search::SurfaceTree;

    /// A ball of radius 10 of flat facets about `centre`, outwards.
    fn ball(centre: Point) -> TriangleMesh {
        const N: u32 = 24;
        let mut vertices = Vec::new();
        for i in 0..=N {
            let e = std::f64::consts::PI * (f64::from(i) / f64::from(N) - 0.5);
            for k in 0..2 * N {
                let a = std::f64::consts::PI * f64::from(k) / f64::from(N);
                let (s, c) = (crate::geometry::math::sin(e), crate::geometry::math::cos(e));
                let (x, y) = (crate::geometry::math::cos(a), crate::geometry::math::sin(a));
                vertices.push(centre + Vector::new(c * x, c * y, s) * 10.0);
            }
        }
        let at = |i: u32, k: u32| i * 2 * N + k % (2 * N);
        let mut triangles = Vec::new();
        for i in 0..N {
            for k in 0..2 * N {
                triangles.push([at(i, k), at(i, k + 1), at(i + 1, k + 1)]);
                triangles.push([at(i, k), at(i + 1, k + 1), at(i + 1, k)]);
            }
        }
        TriangleMesh::new(vertices, triangles).unwrap()
    }

    /// By asking every triangle with the plane's equation and the sides of its edges.
    fn slow(mesh: &TriangleMesh, from: &Point, d: Vector, [least, most]: [f64; 2]) -> Option<(f64, bool)> {
        let mut best: Option<(f64, bool)> = None;
        for t in 0..mesh.triangles().len() as u32 {
            let Some(n) = mesh.normal(t).map(Direction::vector) else { continue };
            let corners = mesh.corners(t);
            let facing = n.dot(&d);
            let along = (corners[0] - from).dot(&n) / facing;
            if !(along >= least && along <= most) {
                continue;
            }
            let p = from + d * along;
            let side = |k: usize| (corners[(k + 1) % 3] - corners[k]).cross(&(p - corners[k])).dot(&n);
            if (0..3).all(|k| side(k) >= -1e-9) && best.is_none_or(|b| along < b.0) {
                best = Some((along, facing > 0.0));
            }
        }
        best
    }

    #[test]
    fn lines_meet_what_brute_force_meets() {
        let mut random = Random::seeded(5);
        for centre in [Point::origin(), Point::new(4500.0, -200.0, 30.0)] {
            let mesh = ball(centre);
            let tree = SurfaceTree::new(&mesh);
            let (mut met, mut missed) = (0, 0);
            for _ in 0..2000 {
                let from = centre + random.direction().vector() * random.range(0.0, 15.0);
                let d = random.direction();
                let range = [random.range(0.0, 3.0), random.range(3.0, 40.0)];
                let found = tree.crossing(&from, d, range).map(|c| (c.along_mm, c.outwards));
                match (found, slow(&mesh, &from, d.vector(), range)) {
                    (Some(a), Some(b)) => {
                        met += 1;
                        assert!((a.0 - b.0).abs() < 1e-8 && a.1 == b.1, "{a:?} {b:?}");
                    }
                    (None, None) => missed += 1,
                    other => panic!("{other:?} from {from} along {d:?}"),
                }
            }
            assert!(met > 500 && missed > 200, "{met} {missed}");
        }
    }

    #[test]
    fn a_line_along_an_axis_through_edges_and_corners_slips_through_nowhere() {
        let mesh = ball(Point::origin());
        let tree = SurfaceTree::new(&mesh);
        for d in [Direction::X, Direction::Y, Direction::Z, Direction::X.reversed()] {
            let out = tree.crossing(&Point::origin(), d, [0.0, 20.0]).unwrap();
            assert!(out.outwards && (out.along_mm - 10.0).abs() < 0.1, "{out:?}");
            let from = Point::origin() - d.vector() * 20.0;
            let into = tree.crossing(&from, d, [0.0, 40.0]).unwrap();
            assert!(!into.outwards && (into.along_mm - 10.0).abs() < 0.1, "{into:?}");
            let through = tree.crossing(&from, d, [into.along_mm + 1e-6, 40.0]).unwrap();
            assert!(through.outwards && (through.along_mm - 30.0).abs() < 0.1, "{through:?}");
        }
        assert_eq!(tree.crossing(&Point::origin(), Direction::X, [0.0, 9.0]), None);
        assert_eq!(tree.crossing(&Point::new(f64::NAN, 0.0, 0.0), Direction::X, [0.0, 9.0]), None);
        let none = SurfaceTree::of(&mesh, &[]);
        assert_eq!(none.crossing(&Point::origin(), Direction::X, [0.0, 20.0]), None);
    }
}
