//! The borders of a set of triangles: closed lines of edges, in the direction of the triangles.

use super::Nominal;

/// An edge between a triangle of a set and whatever is not in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BorderEdge {
    /// The vertex at which it begins; the set lies to the left of it, seen from outside the material.
    pub from: u32,
    /// The vertex at which it ends.
    pub to: u32,
    /// The triangle of the set.
    pub triangle: u32,
    /// The triangle on the other side; `None` where the surface is open.
    pub beyond: Option<u32>,
}

impl Nominal {
    /// The borders of some triangles, each from its first edge round to it again; in the order of the triangles. Numbers
    /// beyond the mesh are left out. Where a set touches itself in a vertex its borders do not cross there.
    pub fn borders(&self, triangles: &[u32]) -> Vec<Vec<BorderEdge>> {
        let count = self.across.len();
        let mut inside = vec![false; count];
        for &t in triangles {
            if let Some(i) = inside.get_mut(t as usize) {
                *i = true;
            }
        }
        let is_border = |t: usize, k: usize| {
            self.across[t][k].is_none_or(|o| !inside.get(o as usize).is_some_and(|i| *i))
        };
        let mut done = vec![[false; 3]; count];
        let mut all = Vec::new();
        for t in (0..count).filter(|&t| inside[t]) {
            for k in 0..3 {
                if done[t][k] || !is_border(t, k) {
                    continue;
                }
                let mut line = Vec::new();
                let (mut here, mut edge) = (t, k);
                while !done[here][edge] {
                    done[here][edge] = true;
                    line.push(self.border_edge(here, edge));
                    let Some(next) = self.next_border(here, edge, &is_border) else { break };
                    (here, edge) = next;
                }
                all.push(line);
            }
        }
        all
    }

    fn border_edge(&self, triangle: usize, edge: usize) -> BorderEdge {
        let corners = self.mesh.triangles()[triangle];
        BorderEdge {
            from: corners[edge],
            to: corners[(edge + 1) % 3],
            triangle: triangle as u32,
            beyond: self.across[triangle][edge],
        }
    }

    /// The border's next edge: about the vertex at which this one ends, through the triangles of the set.
    fn next_border(
        &self,
        triangle: usize,
        edge: usize,
        is_border: &impl Fn(usize, usize) -> bool,
    ) -> Option<(usize, usize)> {
        let (mut t, mut k) = (triangle, (edge + 1) % 3);
        let vertex = self.mesh.triangles()[t][k];
        // No more triangles than there are meet in a vertex.
        for _ in 0..=self.across.len() {
            if is_border(t, k) {
                return Some((t, k));
            }
            let next = self.across[t][k]? as usize;
            k = self.mesh.triangles()[next].iter().position(|v| *v == vertex)?;
            t = next;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use crate::geometry::Point;
    use crate::nominal::{Nominal, Side};
    use crate::read::RawScan;
    use crate::run::quiet;
    use crate::scan::LengthUnit;

    /// A sheet of `n` by `n` squares of 1 mm that face up.
    fn sheet(n: u32) -> Nominal {
        let at = |i: u32, j: u32| j * (n + 1) + i;
        let points =
            (0..=n).flat_map(|j| (0..=n).map(move |i| Point::new(f64::from(i), f64::from(j), 0.0))).collect();
        let squares = (0..n).flat_map(|j| (0..n).map(move |i| (i, j)));
        let triangles = squares
            .flat_map(|(i, j)| {
                let [a, b, c, d] = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
                [[a, b, c], [a, c, d]]
            })
            .collect();
        let raw = RawScan { points, triangles, ..RawScan::default() };
        Nominal::from_mesh(raw, LengthUnit::Millimetre, Some(Side::BehindNormal), &quiet()).expect("a sheet")
    }

    fn length(nominal: &Nominal, line: &[super::BorderEdge]) -> f64 {
        let p = |v: u32| nominal.mesh().vertices()[v as usize];
        line.iter().map(|e| (p(e.to) - p(e.from)).norm()).sum()
    }

    #[test]
    fn a_ring_has_two_borders_which_close_and_keep_it_to_their_left() {
        let nominal = sheet(5);
        // Without the square in the middle.
        let ring: Vec<u32> = (0..50).filter(|t| !(24..=25).contains(t)).collect();
        let borders = nominal.borders(&ring);
        let mut lengths: Vec<f64> = borders.iter().map(|b| length(&nominal, b)).collect();
        lengths.sort_by(f64::total_cmp);
        assert_eq!(lengths, [4.0, 20.0]);
        for border in &borders {
            for (a, b) in border.iter().zip(border.iter().cycle().skip(1)) {
                assert_eq!(a.to, b.from);
            }
            let p = |v: u32| nominal.mesh().vertices()[v as usize];
            let twice: f64 = border.iter().map(|e| p(e.from).x * p(e.to).y - p(e.to).x * p(e.from).y).sum();
            // Round the whole counter-clockwise, round what is left out clockwise.
            assert_eq!(0.5 * twice, if border.len() == 4 { -1.0 } else { 25.0 });
        }
    }

    #[test]
    fn parts_that_touch_in_a_vertex_have_borders_of_their_own() {
        let nominal = sheet(2);
        // Two squares across a corner.
        let borders = nominal.borders(&[0, 1, 6, 7]);
        assert_eq!(borders.iter().map(Vec::len).collect::<Vec<_>>(), [4, 4]);
        assert!(nominal.borders(&[]).is_empty());
        assert_eq!(nominal.borders(&[3, 900]).len(), 1);
    }
}
