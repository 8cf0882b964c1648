//! A sheet with round holes: a grid of lines laid onto a surface, with a ring of triangles about each hole, and its thickness.

use scantling_core::geometry::{Direction, Point, TriangleMesh, Vector, math};
use scantling_core::nominal::Carrier;
use std::collections::{BTreeMap, BTreeSet};

/// A step for slopes of the surface, mm.
const STEP_MM: f64 = 1e-5;

/// A round hole. The surface must be flat where it is.
#[derive(Clone, Copy)]
pub(super) struct Hole {
    /// Its middle, on crossings of grid lines, mm.
    pub(super) at: [f64; 2],
    pub(super) radius_mm: f64,
    /// Half of the edge of the square about it that is triangulated by rings, mm: on grid lines.
    pub(super) half_mm: f64,
}

/// What is laid where.
pub(super) struct Sheet<'a> {
    /// Grid lines, ascending, mm.
    pub(super) u: Vec<f64>,
    pub(super) v: Vec<f64>,
    pub(super) holes: &'a [Hole],
    pub(super) thickness_mm: f64,
    /// The visible side; its normal is that along u times that along v.
    pub(super) place: &'a dyn Fn(f64, f64) -> Point,
}

impl Sheet<'_> {
    /// A place of the visible side and the normal out of it.
    pub(super) fn surface(&self, u: f64, v: f64) -> (Point, Direction) {
        let along = |du: f64, dv: f64| (self.place)(u + du, v + dv) - (self.place)(u - du, v - dv);
        let normal = along(STEP_MM, 0.0).cross(&along(0.0, STEP_MM));
        ((self.place)(u, v), Direction::new(normal / normal.norm()).expect("a sheet has slopes"))
    }

    /// The closed mesh, normals out of the material, and the exact surface under each triangle: the cylinders of the holes.
    pub(super) fn mesh(&self) -> (TriangleMesh, Vec<Option<Carrier>>) {
        let mut places: Vec<[f64; 2]> = Vec::new();
        let mut nodes: BTreeMap<[usize; 2], u32> = BTreeMap::new();
        let mut faces: Vec<[u32; 3]> = Vec::new();
        let inside = |i: usize, j: usize| {
            let (u, v) = (0.5 * (self.u[i] + self.u[i + 1]), 0.5 * (self.v[j] + self.v[j + 1]));
            self.holes.iter().any(|h| (u - h.at[0]).abs() < h.half_mm && (v - h.at[1]).abs() < h.half_mm)
        };
        let mut node = |i: usize, j: usize, places: &mut Vec<[f64; 2]>| {
            *nodes.entry([i, j]).or_insert_with(|| {
                places.push([self.u[i], self.v[j]]);
                places.len() as u32 - 1
            })
        };
        for i in 0..self.u.len() - 1 {
            for j in 0..self.v.len() - 1 {
                if !inside(i, j) {
                    let [a, b, c, d] = [[i, j], [i + 1, j], [i + 1, j + 1], [i, j + 1]]
                        .map(|[i, j]| node(i, j, &mut places));
                    faces.extend([[a, b, c], [a, c, d]]);
                }
            }
        }
        let mut of_hole: BTreeMap<u32, usize> = BTreeMap::new();
        for (h, hole) in self.holes.iter().enumerate() {
            let border: Vec<u32> =
                self.border(hole).into_iter().map(|[i, j]| node(i, j, &mut places)).collect();
            let turns: Vec<f64> = border
                .iter()
                .map(|&n| math::atan2(places[n as usize][1] - hole.at[1], places[n as usize][0] - hole.at[0]))
                .collect();
            let n = border.len();
            let first = places.len() as u32;
            for k in 0..n {
                let next = turns[(k + 1) % n];
                let step = (next - turns[k]).rem_euclid(std::f64::consts::TAU);
                for turn in [turns[k], turns[k] + 0.5 * step] {
                    of_hole.insert(places.len() as u32, h);
                    let (c, s) = (math::cos(turn), math::sin(turn));
                    places.push([hole.at[0] + hole.radius_mm * c, hole.at[1] + hole.radius_mm * s]);
                }
            }
            for k in 0..n {
                let (a, b) = (border[k], border[(k + 1) % n]);
                let round = |m: usize| first + ((2 * k + m) % (2 * n)) as u32;
                faces.extend([[a, b, round(1)], [a, round(1), round(0)], [b, round(2), round(1)]]);
            }
        }
        self.thick(&places, &faces, &of_hole)
    }

    /// Crossings on the border of a hole's square, in order round it.
    fn border(&self, hole: &Hole) -> Vec<[usize; 2]> {
        let line = |lines: &[f64], at: f64| {
            lines.iter().position(|l| (l - at).abs() < 1e-9).expect("a hole's square ends on grid lines")
        };
        let [i0, i1] = [-1.0, 1.0].map(|s| line(&self.u, hole.at[0] + s * hole.half_mm));
        let [j0, j1] = [-1.0, 1.0].map(|s| line(&self.v, hole.at[1] + s * hole.half_mm));
        let mut all: Vec<[usize; 2]> = (i0..i1).map(|i| [i, j0]).collect();
        all.extend((j0..j1).map(|j| [i1, j]));
        all.extend((i0 + 1..=i1).rev().map(|i| [i, j1]));
        all.extend((j0 + 1..=j1).rev().map(|j| [i0, j]));
        all
    }

    fn thick(
        &self,
        places: &[[f64; 2]],
        faces: &[[u32; 3]],
        of_hole: &BTreeMap<u32, usize>,
    ) -> (TriangleMesh, Vec<Option<Carrier>>) {
        let both: Vec<(Point, Direction)> = places.iter().map(|&[u, v]| self.surface(u, v)).collect();
        let hidden = both.iter().map(|(p, n)| p - n.vector() * self.thickness_mm);
        let count = both.len() as u32;
        let edges: BTreeSet<[u32; 2]> =
            faces.iter().flat_map(|t| [[t[0], t[1]], [t[1], t[2]], [t[2], t[0]]]).collect();
        let mut triangles = faces.to_vec();
        triangles.extend(faces.iter().map(|t| [t[0] + count, t[2] + count, t[1] + count]));
        let mut carriers = vec![None; triangles.len()];
        for &[a, b] in edges.iter().filter(|e| !edges.contains(&[e[1], e[0]])) {
            triangles.extend([[b, a, a + count], [b, a + count, b + count]]);
            let wall = match (of_hole.get(&a), of_hole.get(&b)) {
                (Some(h), Some(other)) if h == other => {
                    let hole = &self.holes[*h];
                    let (p, axis) = self.surface(hole.at[0], hole.at[1]);
                    let point = p - axis.vector() * (0.5 * self.thickness_mm);
                    Some(Carrier::Cylinder { point, axis, radius_mm: hole.radius_mm, hollow: true })
                }
                _ => None,
            };
            carriers.extend([wall, wall]);
        }
        let points = both.iter().map(|b| b.0).chain(hidden).map(rounded).collect();
        let mesh = TriangleMesh::new(points, triangles).expect("points are finite and numbered as added");
        (mesh, carriers)
    }
}

/// To a millionth of a millimetre: what is flat by formula is flat in every digit.
fn rounded(p: Point) -> Point {
    Point::from(p.coords.map(|c: f64| (c * 1e6).round() / 1e6 + 0.0))
}

/// Lines from `low` to `high`, `step` apart; the last step may be shorter.
pub(super) fn lines(low: f64, high: f64, step: f64) -> Vec<f64> {
    let count = ((high - low) / step - 1e-9).ceil().max(1.0) as u32;
    (0..=count).map(|i| (low + step * f64::from(i)).min(high)).collect()
}

/// Three numbers as a plan writes them.
pub(super) fn written(v: impl Into<[f64; 3]>) -> String {
    let all: [f64; 3] = v.into();
    format!("[{}]", all.map(|x| format!("{:?}", (x * 1e6).round() / 1e6 + 0.0)).join(", "))
}

/// A shift of this length in the plane of x and y.
pub(super) fn level(length: f64, turn: f64) -> Vector {
    Vector::new(math::cos(turn), math::sin(turn), 0.0) * length
}
