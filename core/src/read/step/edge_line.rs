//! The edges of a part as lines, with the faces on both sides: what trims and rims are measured along.

use crate::geometry::{Direction, Point, Vector};

/// An edge of the file: where two faces meet, or where one ends.
#[derive(Clone, Debug, PartialEq)]
pub struct EdgeLine {
    /// `#id` of the edge in the file.
    pub id: u64,
    /// Among those of the part, along the edge from the first of the file's two vertices to the second; both
    /// are one where the edge is closed. Between them the edge lies within the chord error of straight lines.
    pub vertices: Vec<u32>,
    /// The faces beside it: two where they meet, one where a sheet ends, more where several do. Both are one
    /// face where it closes upon itself.
    pub sides: Vec<EdgeSide>,
}

/// What lies on one side of an edge.
#[derive(Clone, Debug, PartialEq)]
pub struct EdgeSide {
    /// Among the faces of the part.
    pub face: usize,
    /// Whether the face lies to the left of who walks along the line, its outside up.
    pub left: bool,
    /// At each vertex of the line the face's outward normal, that of its exact surface. `None` at tips, where
    /// a surface has none, and everywhere where the face has no triangles.
    pub normals: Vec<Option<Direction>>,
}

impl EdgeLine {
    /// Whether a single face ends here, once.
    pub fn is_border(&self) -> bool {
        self.sides.len() == 1
    }

    /// Whether one face meets itself here, which is no edge of the material.
    pub fn is_seam(&self) -> bool {
        matches!(&self.sides[..], [a, b] if a.face == b.face)
    }

    /// Direction of the line at its vertex `n`: the mean of the chords before and after it. `None` where they
    /// have no length or there is no such vertex. `vertices` are those of the part.
    pub fn along(&self, vertices: &[Point], n: usize) -> Option<Direction> {
        let place = |n: usize| self.vertices.get(n).and_then(|v| vertices.get(*v as usize));
        let chord = |a: usize, b: usize| {
            let d = Direction::new(place(b)? - place(a)?)?;
            Some(d.vector())
        };
        let last = self.vertices.len().checked_sub(1)?;
        if n > last {
            return None;
        }
        let closed = last > 1 && self.vertices[0] == self.vertices[last];
        let before = match n {
            0 if closed => chord(last - 1, last),
            0 => None,
            n => chord(n - 1, n),
        };
        let after = match n {
            n if n < last => chord(n, n + 1),
            _ if closed => chord(0, 1),
            _ => None,
        };
        Direction::new(before.unwrap_or_else(Vector::zeros) + after.unwrap_or_else(Vector::zeros))
    }

    /// From the vertex `n` of the line into the face on the side `side`: along the face and across the line.
    /// `None` where either has no direction there, or there is no such side or vertex. `vertices` are those
    /// of the part.
    pub fn into_face(&self, vertices: &[Point], side: usize, n: usize) -> Option<Direction> {
        let side = self.sides.get(side)?;
        let normal = (*side.normals.get(n)?)?.vector();
        let left = normal.cross(&self.along(vertices, n)?.vector());
        Direction::new(if side.left { left } else { -left })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_has_a_direction_at_its_ends_and_none_without_length() {
        let vertices = [Point::origin(), Point::new(1.0, 0.0, 0.0), Point::new(1.0, 1.0, 0.0)];
        let line = |vertices: Vec<u32>| EdgeLine { id: 1, vertices, sides: Vec::new() };
        let open = line(vec![0, 1, 2]);
        assert_eq!(open.along(&vertices, 0), Some(Direction::X));
        assert_eq!(open.along(&vertices, 2), Some(Direction::Y));
        let closed = line(vec![0, 1, 2, 0]);
        assert_eq!(closed.along(&vertices, 0), closed.along(&vertices, 3));
        assert!(closed.along(&vertices, 0).unwrap().vector().y < 0.0);
        assert_eq!(line(vec![1, 1]).along(&vertices, 0), None);
        assert_eq!(line(vec![]).along(&vertices, 0), None);
        assert_eq!(open.along(&vertices, 3), None);
        assert_eq!(open.into_face(&vertices, 0, 1), None);
    }
}
