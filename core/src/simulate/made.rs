//! A made part: the nominal moved by known deviations. Its truth is at hand, free of noise.

use super::deviation::{Deviation, Warp};
use crate::geometry::{Direction, Point, TriangleMesh, Vector, sum};
use crate::nominal::{Carrier, Nominal};
use rayon::prelude::*;

/// A step for slopes of the displacement, mm: fields change over millimetres, and the difference of two
/// places a step apart keeps ten digits.
const STEP_MM: f64 = 1e-3;

/// A nominal and what was made otherwise.
#[derive(Clone, Debug)]
pub struct Made {
    nominal: TriangleMesh,
    /// The exact surface under each triangle, where it has one.
    carriers: Vec<Option<Carrier>>,
    deviations: Vec<Deviation>,
    /// Mean of all warps over the surface: it is no part of the shape.
    mean_warp: Vector,
}

impl Made {
    /// A part made after `nominal`.
    pub fn new(nominal: &Nominal, deviations: Vec<Deviation>) -> Self {
        let faces = nominal.face_of_triangle().iter();
        let carriers = faces.map(|&f| nominal.faces()[f as usize].carrier).collect();
        Self::of_mesh(nominal.mesh().clone(), carriers, deviations)
    }

    /// A part made after a mesh; `carriers` holds the exact surface under each triangle where there is one,
    /// and may be shorter than the triangles.
    pub fn of_mesh(
        nominal: TriangleMesh,
        mut carriers: Vec<Option<Carrier>>,
        deviations: Vec<Deviation>,
    ) -> Self {
        carriers.resize(nominal.triangles().len(), None);
        let warps: Vec<&Warp> = deviations
            .iter()
            .filter_map(|d| if let Deviation::Warp(warp) = d { Some(warp) } else { None })
            .collect();
        let mean_warp = if warps.is_empty() { Vector::zeros() } else { mean(&nominal, &deviations) };
        Self { nominal, carriers, deviations, mean_warp }
    }

    /// The same nominal with more made otherwise.
    pub fn with(self, more: Vec<Deviation>) -> Self {
        let mut deviations = self.deviations;
        deviations.extend(more);
        Self::of_mesh(self.nominal, self.carriers, deviations)
    }

    /// The exact surface under each triangle, where it has one.
    pub fn carriers(&self) -> &[Option<Carrier>] {
        &self.carriers
    }

    /// The nominal's mesh, mm.
    pub fn nominal(&self) -> &TriangleMesh {
        &self.nominal
    }

    /// What was made otherwise.
    pub fn deviations(&self) -> &[Deviation] {
        &self.deviations
    }

    /// The made point of a nominal one, mm.
    pub fn point(&self, p: &Point) -> Point {
        let sum = self.deviations.iter().fold(-self.mean_warp, |sum, d| sum + d.displacement(p));
        p + sum
    }

    /// The made surface's normal at a nominal point with its nominal normal, by central differences along
    /// two directions of the surface.
    pub fn normal(&self, p: &Point, nominal: Direction) -> Direction {
        let (a, b) = nominal.frame();
        let slope = |v: Vector| self.point(&(p + v * STEP_MM)) - self.point(&(p - v * STEP_MM));
        // Parallel only where a deviation folds the surface up; then the nominal's is as good as any.
        Direction::new(slope(a).cross(&slope(b))).unwrap_or(nominal)
    }

    /// The exact nominal point and normal for a point `p` of a triangle: on a cylinder it is brought from
    /// the facet to the cylinder, so that facets make no hole smaller; elsewhere it stays on the facet.
    /// `None` for a triangle without area.
    pub fn exact(&self, triangle: u32, p: &Point) -> Option<(Point, Direction)> {
        if let Some(Carrier::Cylinder { point, axis, radius_mm, hollow }) = self.carriers[triangle as usize] {
            let along = axis.vector() * (p - point).dot(&axis.vector());
            let out = Direction::new(p - point - along)?;
            let normal = if hollow { out.reversed() } else { out };
            return Some((point + along + out.vector() * radius_mm, normal));
        }
        Some((*p, self.nominal.normal(triangle)?))
    }

    /// The made part as a mesh: the nominal's with every vertex moved.
    pub fn mesh(&self) -> TriangleMesh {
        let vertices = self.nominal.vertices().par_iter().map(|p| self.point(p)).collect();
        TriangleMesh::new(vertices, self.nominal.triangles().to_vec())
            .expect("deviations of finite sizes move vertices by finite lengths")
    }
}

/// Mean displacement by the warps over the surface, each triangle by its middle.
fn mean(mesh: &TriangleMesh, deviations: &[Deviation]) -> Vector {
    let warp = |p: &Point| {
        let warps = deviations.iter().filter(|d| matches!(d, Deviation::Warp(_)));
        warps.fold(Vector::zeros(), |sum, d| sum + d.displacement(p))
    };
    let work = |first: usize, triangles: &[[u32; 3]]| {
        let mut sum = (Vector::zeros(), 0.0);
        for i in 0..triangles.len() {
            let t = (first + i) as u32;
            let [a, b, c] = mesh.corners(t);
            let area = mesh.area(t);
            sum.0 += warp(&Point::from((a.coords + b.coords + c.coords) / 3.0)) * area;
            sum.1 += area;
        }
        sum
    };
    let (sum, area) =
        sum::chunked(mesh.triangles(), (Vector::zeros(), 0.0), work, |a, b| (a.0 + b.0, a.1 + b.1));
    if area > 0.0 { sum / area } else { Vector::zeros() }
}
