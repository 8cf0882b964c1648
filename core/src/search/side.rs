//! On which side of a surface a point lies, also where its foot is on an edge or a corner.
//!
//! There a triangle's own normal tells the wrong side for some points; the sum of the normals of all
//! triangles around, each weighted by its angle there, never does on a closed surface. Baerentzen and
//! Aanaes, "Signed distance computation using the angle weighted pseudonormal", IEEE TVCG 11(3), 2005,
//! section 3. On an open sheet the two sides are told by the same normals, and meet beyond the rim: a foot
//! on the rim is marked, because there neither side is true.

use std::collections::BTreeMap;

use crate::geometry::{Direction, Feature, Foot, Point, TriangleMesh, Vector, closest_on_triangle, math};

/// The directions outward at faces, edges and corners of a mesh with shared vertices. Vertices of the same
/// place with different numbers are different corners: weld the mesh first.
#[derive(Clone, Debug)]
pub struct Sides {
    edges: BTreeMap<[u32; 2], Edge>,
    vertices: Vec<Corner>,
}

#[derive(Clone, Copy, Debug)]
struct Edge {
    normals: Vector,
    triangles: u32,
}

#[derive(Clone, Copy, Debug)]
struct Corner {
    normals: Vector,
    rim: bool,
}

/// A foot with what lies around it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sided {
    /// On which part of its triangle the foot lies.
    pub feature: Feature,
    /// Outward there: the triangle's normal or the angle-weighted one; `None` where normals cancel or no
    /// triangle around has an area.
    pub outward: Option<Direction>,
    /// Whether the foot lies on the border of the surface, where the sign says little.
    pub rim: bool,
    /// Distance, mm, positive on the side that `outward` points to; `None` where that is not known.
    pub signed_mm: Option<f64>,
}

impl Sides {
    /// The directions of `mesh`.
    pub fn new(mesh: &TriangleMesh) -> Self {
        let mut edges: BTreeMap<[u32; 2], Edge> = BTreeMap::new();
        let none = Corner { normals: Vector::zeros(), rim: false };
        let mut vertices = vec![none; mesh.vertices().len()];
        for (t, corners) in mesh.triangles().iter().enumerate() {
            let Some(normal) = mesh.normal(t as u32) else { continue };
            let points = mesh.corners(t as u32);
            for k in 0..3 {
                let (p, q, r) = (points[k], points[(k + 1) % 3], points[(k + 2) % 3]);
                let angle = math::atan2((q - p).cross(&(r - p)).norm(), (q - p).dot(&(r - p)));
                vertices[corners[k] as usize].normals += normal.vector() * angle;
                // Both triangles meet the edge at half a turn, so both weigh the same.
                let edge = edges
                    .entry(edge_of(corners, k))
                    .or_insert(Edge { normals: Vector::zeros(), triangles: 0 });
                edge.normals += normal.vector();
                edge.triangles += 1;
            }
        }
        for (ends, edge) in &edges {
            if edge.triangles == 1 {
                for &v in ends {
                    vertices[v as usize].rim = true;
                }
            }
        }
        Self { edges, vertices }
    }

    /// The side of `p`, whose closest point on the same mesh is `foot`. `None` when the foot's triangle is
    /// not of this mesh.
    pub fn of(&self, mesh: &TriangleMesh, p: &Point, foot: &Foot) -> Option<Sided> {
        let corners = mesh.triangles().get(foot.triangle as usize)?;
        let [a, b, c] = mesh.corners(foot.triangle);
        let (point, feature) = closest_on_triangle(p, &a, &b, &c);
        let (outward, rim) = match feature {
            Feature::Face => (mesh.normal(foot.triangle), false),
            Feature::Edge(k) => match self.edges.get(&edge_of(corners, k as usize)) {
                Some(edge) => (Direction::new(edge.normals), edge.triangles == 1),
                None => (None, false),
            },
            Feature::Vertex(k) => {
                let corner = self.vertices.get(corners[k as usize] as usize)?;
                (Direction::new(corner.normals), corner.rim)
            }
        };
        let distance = (point - p).norm();
        let side = |n: Direction| if (p - point).dot(&n.vector()) < 0.0 { -distance } else { distance };
        Some(Sided { feature, outward, rim, signed_mm: outward.map(side) })
    }
}

/// The edge from corner `k` to the next one, the lower vertex first.
fn edge_of(corners: &[u32; 3], k: usize) -> [u32; 2] {
    let (a, b) = (corners[k], corners[(k + 1) % 3]);
    [a.min(b), a.max(b)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::search::SurfaceTree;

    /// A block from 0 to 1 with a notch, seen from above an L: its inner and outer edges are at right
    /// angles, and the truth is whether a point is in one of two boxes.
    fn bracket() -> TriangleMesh {
        let outline = [(0.0, 0.0), (3.0, 0.0), (3.0, 1.0), (1.0, 1.0), (1.0, 3.0), (0.0, 3.0)];
        let mut vertices = Vec::new();
        for z in [0.0, 1.0] {
            vertices.extend(outline.iter().map(|&(x, y)| Point::new(x, y, z)));
        }
        let mut triangles = Vec::new();
        for [a, b, c] in [[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5]] {
            triangles.push([a, c, b]);
            triangles.push([a + 6, b + 6, c + 6]);
        }
        for i in 0..6u32 {
            let j = (i + 1) % 6;
            triangles.push([i, j, j + 6]);
            triangles.push([i, j + 6, i + 6]);
        }
        TriangleMesh::new(vertices, triangles).unwrap()
    }

    #[test]
    fn points_around_a_closed_bracket_are_on_the_side_that_its_boxes_say() {
        let mesh = bracket();
        let (tree, sides) = (SurfaceTree::new(&mesh), Sides::new(&mesh));
        let mut random = Random::seeded(3);
        let mut kinds = [0; 3];
        for _ in 0..20_000 {
            let p = Point::new(random.range(-1.0, 4.0), random.range(-1.0, 4.0), random.range(-1.0, 2.0));
            let foot = tree.nearest(&p, f64::INFINITY).unwrap();
            let side = sides.of(&mesh, &p, &foot).unwrap();
            let within = |x: f64, y: f64| {
                (0.0..=x).contains(&p.x) && (0.0..=y).contains(&p.y) && (0.0..=1.0).contains(&p.z)
            };
            let inside = within(3.0, 1.0) || within(1.0, 3.0);
            assert_eq!(side.signed_mm.unwrap() < 0.0, inside, "{p} {side:?}");
            assert_eq!(side.signed_mm.unwrap().abs(), foot.distance);
            assert!(!side.rim);
            kinds[match side.feature {
                Feature::Face => 0,
                Feature::Edge(_) => 1,
                Feature::Vertex(_) => 2,
            }] += 1;
        }
        assert!(kinds.iter().all(|&k| k > 1000), "{kinds:?}");
    }

    #[test]
    fn the_rim_of_an_open_sheet_is_told() {
        let corners = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)];
        let vertices = corners.iter().map(|&(x, y)| Point::new(x, y, 0.0)).collect();
        let mesh = TriangleMesh::new(vertices, vec![[0, 1, 2], [0, 2, 3]]).unwrap();
        let (tree, sides) = (SurfaceTree::new(&mesh), Sides::new(&mesh));
        let at = |x: f64, y: f64, z: f64| {
            let p = Point::new(x, y, z);
            sides.of(&mesh, &p, &tree.nearest(&p, f64::INFINITY).unwrap()).unwrap()
        };
        let above = at(0.5, 0.25, 2.0);
        assert_eq!((above.feature, above.rim, above.signed_mm), (Feature::Face, false, Some(2.0)));
        assert_eq!(at(0.5, 0.25, -2.0).signed_mm, Some(-2.0));
        let between = at(0.5, 0.5, -2.0);
        assert_eq!((between.rim, between.signed_mm), (false, Some(-2.0)));
        assert!(matches!(at(0.5, -1.0, 0.1).feature, Feature::Edge(_)));
        assert!(at(0.5, -1.0, 0.1).rim);
        assert!(matches!(at(-1.0, -1.0, 0.1).feature, Feature::Vertex(0)));
        assert!(at(-1.0, -1.0, 0.1).rim);
        let stranger = Foot { point: Point::origin(), triangle: 9, distance: 0.0 };
        assert_eq!(sides.of(&mesh, &Point::origin(), &stranger), None);
    }
}
