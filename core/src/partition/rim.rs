//! The rim of a feature and the distance to it.

use crate::geometry::{Point, TriangleMesh};
use crate::nominal::Nominal;
use crate::search::SurfaceTree;

/// The edges at which a feature ends.
#[derive(Clone, Debug)]
pub struct Rim {
    /// Segments as triangles with two equal corners; `None` when the feature has no rim (a whole sphere).
    tree: Option<SurfaceTree>,
}

impl Rim {
    /// The rim of a set of triangles of the nominal.
    pub fn new(nominal: &Nominal, triangles: &[u32]) -> Self {
        let mut corners = Vec::new();
        let mut segments = Vec::new();
        for [a, b] in nominal.rim(triangles) {
            let k = corners.len() as u32;
            corners.extend([a, b]);
            segments.push([k, k + 1, k + 1]);
        }
        Self { tree: TriangleMesh::new(corners, segments).ok().map(|mesh| SurfaceTree::new(&mesh)) }
    }

    /// The open borders and sharp edges of the whole nominal: where its surface turns by more than 30 degrees.
    pub fn sharp(nominal: &Nominal) -> Self {
        const SHARP_RAD: f64 = std::f64::consts::PI / 6.0;
        let mesh = nominal.mesh();
        let (mut corners, mut segments) = (Vec::new(), Vec::new());
        for (t, across) in nominal.across().iter().enumerate() {
            let normal = mesh.normal(t as u32);
            for (k, next) in across.iter().enumerate() {
                let smooth = next.and_then(|n| Some(mesh.normal(n)?.angle_to(normal?) <= SHARP_RAD));
                // Each edge once; one beside a triangle without area counts as sharp.
                if smooth == Some(true) || next.is_some_and(|n| (n as usize) < t) {
                    continue;
                }
                let ends = mesh.corners(t as u32);
                let first = corners.len() as u32;
                corners.extend([ends[k], ends[(k + 1) % 3]]);
                segments.push([first, first + 1, first + 1]);
            }
        }
        Self { tree: TriangleMesh::new(corners, segments).ok().map(|mesh| SurfaceTree::new(&mesh)) }
    }

    /// Whether `p` is nearer to the rim than `margin_mm`.
    pub fn nearer_than(&self, p: &Point, margin_mm: f64) -> bool {
        margin_mm > 0.0 && self.tree.as_ref().is_some_and(|t| t.nearest(p, margin_mm).is_some())
    }
}
