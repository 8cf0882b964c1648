//! Closest point on the panel: building the tree, and a million queries.

use crate::brute::largest_difference;
use crate::cost::{Line, median};
use crate::{files, ours};
use anyhow::{Context, Result, bail};
use bvh::bounding_hierarchy::BoundingHierarchy;
use rayon::prelude::*;
use scantling_core::geometry::{Foot, Point, TriangleMesh};
use serde_json::Value;
use std::path::Path;

const TIMES: usize = 3;

pub fn run(dir: &Path, who: &str, name: &str, order: &str) -> Result<Value> {
    let (mesh, queries) = (files::mesh(dir, name)?, files::queries(dir, order)?);
    let mut line = Line::new();
    line.set("n", queries.len());
    line.set("triangles", mesh.triangles().len());
    let found = match who {
        "ours" => by_ours(&mesh, &queries, &mut line)?,
        "bvh" => by_bvh(&mesh, &queries, &mut line)?,
        "parry" => by_parry(&mesh, &queries, &mut line)?,
        _ => bail!("nobody is called {who}"),
    };
    let exact = files::exact(dir, name, order)?;
    line.set("error_mm", largest_difference(&files::chosen(&found, exact.len()), &exact));
    Ok(line.end())
}

fn by_ours(mesh: &TriangleMesh, queries: &[Point], line: &mut Line) -> Result<Vec<f64>> {
    let (tree, cost) = median(TIMES, || ours::tree(mesh));
    line.step("build", cost);
    let (feet, cost) = median(TIMES, || ours::closest(&tree, queries));
    line.step("query", cost);
    line.peak();
    let distance = |(p, foot): (&Point, &Option<Foot>)| {
        let foot = foot.as_ref()?;
        // What is said must hold: the distance is that to the foot, and the foot is on its triangle.
        let on = crate::brute::distances(
            &TriangleMesh::new(mesh.corners(foot.triangle).to_vec(), vec![[0, 1, 2]]).ok()?,
            &[foot.point],
        )[0];
        (on < 1e-9 && ((p - foot.point).norm() - foot.distance).abs() < 1e-9).then_some(foot.distance)
    };
    let exact = 10_000.min(queries.len());
    for (p, foot) in files::chosen(&queries.iter().zip(&feet).collect::<Vec<_>>(), exact) {
        distance((p, foot)).context("a foot that is not on its triangle or not at its distance")?;
    }
    Ok(feet.iter().map(|f| f.as_ref().map_or(f64::NAN, |f| f.distance)).collect())
}

/// One triangle of the baseline.
struct Triangle {
    corners: [Point; 3],
    node: usize,
}

impl bvh::aabb::Bounded<f64, 3> for Triangle {
    fn aabb(&self) -> bvh::aabb::Aabb<f64, 3> {
        let [a, b, c] = &self.corners;
        bvh::aabb::Aabb::with_bounds(a.inf(b).inf(c), a.sup(b).sup(c))
    }
}

impl bvh::bounding_hierarchy::BHShape<f64, 3> for Triangle {
    fn set_bh_node_index(&mut self, node: usize) {
        self.node = node;
    }
    fn bh_node_index(&self) -> usize {
        self.node
    }
}

impl bvh::point_query::PointDistance<f64, 3> for Triangle {
    /// By the Voronoi regions of corners, edges and face: Ericson, Real-Time Collision Detection, 2005, 5.1.5.
    fn distance_squared(&self, p: Point) -> f64 {
        let [a, b, c] = self.corners;
        let (ab, ac) = (b - a, c - a);
        let (pa, pb, pc) = (p - a, p - b, p - c);
        let (ab_a, ac_a) = (ab.dot(&pa), ac.dot(&pa));
        if ab_a <= 0.0 && ac_a <= 0.0 {
            return pa.norm_squared();
        }
        let (ab_b, ac_b) = (ab.dot(&pb), ac.dot(&pb));
        if ab_b >= 0.0 && ac_b <= ab_b {
            return pb.norm_squared();
        }
        let (ab_c, ac_c) = (ab.dot(&pc), ac.dot(&pc));
        if ac_c >= 0.0 && ab_c <= ac_c {
            return pc.norm_squared();
        }
        let over_c = ab_a * ac_b - ab_b * ac_a;
        if over_c <= 0.0 && ab_a >= 0.0 && ab_b <= 0.0 {
            return (pa - ab * (ab_a / (ab_a - ab_b))).norm_squared();
        }
        let over_b = ab_c * ac_a - ab_a * ac_c;
        if over_b <= 0.0 && ac_a >= 0.0 && ac_c <= 0.0 {
            return (pa - ac * (ac_a / (ac_a - ac_c))).norm_squared();
        }
        let over_a = ab_b * ac_c - ab_c * ac_b;
        let (from_b, from_c) = (ac_b - ab_b, ab_c - ac_c);
        if over_a <= 0.0 && from_b >= 0.0 && from_c >= 0.0 {
            return (pb - (c - b) * (from_b / (from_b + from_c))).norm_squared();
        }
        let whole = 1.0 / (over_a + over_b + over_c);
        (pa - ab * (over_b * whole) - ac * (over_c * whole)).norm_squared()
    }
}

fn by_bvh(mesh: &TriangleMesh, queries: &[Point], line: &mut Line) -> Result<Vec<f64>> {
    let count = mesh.triangles().len() as u32;
    let ((shapes, tree), cost) = median(TIMES, || {
        let triangle = |t: u32| Triangle { corners: mesh.corners(t), node: 0 };
        let mut shapes: Vec<Triangle> = (0..count).map(triangle).collect();
        let tree = bvh::bvh::Bvh::build_par(&mut shapes);
        (shapes, tree)
    });
    line.step("build", cost);
    let nearest = |p: &Point| tree.nearest_to(*p, &shapes).map_or(f64::NAN, |(_, distance)| distance);
    let (found, cost) =
        median(TIMES, || queries.par_iter().with_min_len(4096).map(nearest).collect::<Vec<_>>());
    line.step("query", cost);
    line.peak();
    Ok(found)
}

fn by_parry(mesh: &TriangleMesh, queries: &[Point], line: &mut Line) -> Result<Vec<f64>> {
    use parry3d_f64::{math::Vector, query::PointQuery, shape::TriMesh};
    let place = |p: &Point| Vector::new(p.x, p.y, p.z);
    let (tree, cost) = median(TIMES, || {
        TriMesh::new(mesh.vertices().iter().map(place).collect(), mesh.triangles().to_vec())
    });
    let tree = tree.context("the mesh")?;
    line.step("build", cost);
    let nearest = |p: &Point| {
        let p = place(p);
        (tree.project_local_point(p, false).point - p).length()
    };
    let (found, cost) =
        median(TIMES, || queries.par_iter().with_min_len(4096).map(nearest).collect::<Vec<_>>());
    line.step("query", cost);
    line.peak();
    Ok(found)
}
