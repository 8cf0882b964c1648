//! Triangle meshes with shared vertices.

use super::{Aabb, Direction, Point, Vector};

/// Why some triangles are no mesh.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MeshError {
    /// No triangle at all.
    #[error("the mesh has no triangles")]
    Empty,
    /// More than can be searched.
    #[error("the mesh has {triangles} triangles; at most {limit} can be searched")]
    TooMany {
        /// How many there are.
        triangles: usize,
        /// The most there may be.
        limit: usize,
    },
    /// A corner number beyond the vertices.
    #[error("triangle {triangle} names vertex {vertex}, but there are {vertices} vertices")]
    VertexOutOfRange {
        /// Index of the triangle.
        triangle: usize,
        /// The number it names.
        vertex: u32,
        /// How many vertices there are.
        vertices: usize,
    },
    /// A coordinate that is no number.
    #[error("vertex {vertex} has a coordinate that is not a finite number")]
    NotFinite {
        /// Index of the vertex.
        vertex: usize,
    },
}

/// Triangles over shared vertices; indices are in range and coordinates finite by construction.
#[derive(Clone, Debug, PartialEq)]
pub struct TriangleMesh {
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
    /// Of the vertices that triangles use.
    bounds: Aabb,
}

/// Numbers of triangles stay below it, so that the search may keep one in the bits of an ordinary float.
const MOST_TRIANGLES: usize = 0x3f80_0000;

impl TriangleMesh {
    /// Checks indices and coordinates.
    pub fn new(vertices: Vec<Point>, triangles: Vec<[u32; 3]>) -> Result<Self, MeshError> {
        if triangles.is_empty() {
            return Err(MeshError::Empty);
        }
        if triangles.len() > MOST_TRIANGLES {
            return Err(MeshError::TooMany { triangles: triangles.len(), limit: MOST_TRIANGLES });
        }
        if let Some(vertex) = vertices.iter().position(|p| !p.iter().all(|c| c.is_finite())) {
            return Err(MeshError::NotFinite { vertex });
        }
        let mut bounds = Aabb::empty();
        for (triangle, corners) in triangles.iter().enumerate() {
            for &vertex in corners {
                let Some(p) = vertices.get(vertex as usize) else {
                    return Err(MeshError::VertexOutOfRange { triangle, vertex, vertices: vertices.len() });
                };
                bounds.add(p);
            }
        }
        Ok(Self { vertices, triangles, bounds })
    }

    /// All vertices, mm.
    pub fn vertices(&self) -> &[Point] {
        &self.vertices
    }

    /// Corner indices, counter-clockwise seen from outside the material.
    pub fn triangles(&self) -> &[[u32; 3]] {
        &self.triangles
    }

    /// The three corners of a triangle.
    #[inline]
    pub fn corners(&self, triangle: u32) -> [Point; 3] {
        self.triangles[triangle as usize].map(|v| self.vertices[v as usize])
    }

    /// Twice the area times the unit normal of a triangle.
    pub fn area_vector(&self, triangle: u32) -> Vector {
        let [a, b, c] = self.corners(triangle);
        (b - a).cross(&(c - a))
    }

    /// Area of a triangle, mm2.
    pub fn area(&self, triangle: u32) -> f64 {
        0.5 * self.area_vector(triangle).norm()
    }

    /// Unit normal; `None` for a triangle without area.
    pub fn normal(&self, triangle: u32) -> Option<Direction> {
        Direction::new(self.area_vector(triangle))
    }

    /// The box of the vertices that triangles use.
    pub fn bounds(&self) -> Aabb {
        self.bounds
    }

    /// The box of the vertices that triangles use, in coordinates along three axes of length 1.
    pub fn bounds_along(&self, axes: [Vector; 3]) -> Aabb {
        let mut all = Aabb::empty();
        for t in &self.triangles {
            for &v in t {
                all.add(&Point::from(axes.map(|a| self.vertices[v as usize].coords.dot(&a))));
            }
        }
        all
    }

    /// Every triangle turned round, so that its normal points the other way.
    pub fn reversed(&self) -> Self {
        let triangles = self.triangles.iter().map(|t| [t[0], t[2], t[1]]).collect();
        Self { vertices: self.vertices.clone(), triangles, bounds: self.bounds }
    }
}
