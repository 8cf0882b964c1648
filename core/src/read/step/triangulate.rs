//! Triangles between polygons in a chart, refined until their chords lie near enough to the surface.
//!
//! Constrained Delaunay triangulation (Chew, "Constrained Delaunay triangulations", Algorithmica 4, 1989) by
//! the crate `spade` with exact predicates; new corners in the middle of the worst edges.

use std::collections::{HashMap, HashSet};

use spade::handles::FixedVertexHandle;
use spade::{ConstrainedDelaunayTriangulation, HasPosition, Point2, PositionInTriangulation, Triangulation};

use super::chart::{Chart, Flat};
use super::loops::Corner;
use crate::geometry::Point;
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Why polygons could not be filled.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FillFault {
    /// Two edges of the boundary cross.
    #[error("edges of its boundary cross each other")]
    Crossing,
    /// A coordinate that is no number, or too large.
    #[error("a point of its boundary lies nowhere on its surface")]
    NotFinite,
    /// Nothing lies inside.
    #[error("its boundary encloses nothing")]
    Empty,
    /// More corners than allowed are needed.
    #[error("it needs more than {limit} points for its chord error")]
    TooFine {
        /// How many were allowed.
        limit: usize,
    },
    /// The caller stopped.
    #[error("stopped by the caller")]
    Stopped,
}

impl From<Stopped> for FillFault {
    fn from(_: Stopped) -> Self {
        Self::Stopped
    }
}

/// Corners in one face at most: some 200 MB while it is filled.
pub(super) const MOST: usize = 400_000;
/// Rounds of refinement at most; each halves the longest edges.
const ROUNDS: usize = 40;

#[derive(Clone, Copy)]
struct Placed(Flat);

impl HasPosition for Placed {
    type Scalar = f64;
    fn position(&self) -> Point2<f64> {
        Point2::new(self.0[0], self.0[1])
    }
}

/// How far triangles may lie off the surface.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limits {
    /// Their chords, where their corners lie on it, mm.
    pub chord_mm: f64,
    /// Chords and corners together, as far as can be had, mm.
    pub whole_mm: f64,
    /// Most corners in one face.
    pub corners: usize,
}

impl Limits {
    /// How far the middle between two corners may lie off that lie off by `a` and `b` themselves. At a share
    /// f of the way a chord of the height e, on the side of the corners, lies (1 - f) a + f b + 4 f (1 - f) e
    /// off; the largest of those is (a + b) / 2 + e + (a - b)^2 / (16 e) where that is no corner. It is
    /// `whole_mm` for the e below.
    fn middle(&self, a: f64, b: f64) -> f64 {
        let mean = 0.5 * (a + b);
        let rest = self.whole_mm - mean;
        let under = rest * rest - 0.25 * (a - b) * (a - b);
        // A corner that lies off by more than allowed cannot be made up for.
        let e = if rest > 0.0 && under >= 0.0 { 0.5 * (rest + under.sqrt()) } else { self.chord_mm };
        mean + e.min(self.chord_mm)
    }
}

/// What fills the polygons.
#[derive(Clone, Debug, Default)]
pub(super) struct Filling {
    /// Vertices inside; they follow those that the polygons name.
    pub inner: Vec<Point>,
    /// Counter-clockwise in the chart.
    pub triangles: Vec<[u32; 3]>,
}

struct Fill<'a, 's> {
    chart: &'a Chart<'s>,
    net: ConstrainedDelaunayTriangulation<Placed>,
    /// Of each corner of the net the vertex, its place and how far that lies off the surface, mm.
    vertices: Vec<(u32, Point, f64)>,
    /// How often the boundary runs along a pair of corners.
    walls: HashMap<(usize, usize), usize>,
    /// Of each edge of the net the pair of corners whose chord was found good, and of each triangle its
    /// three: while they are the same, nothing is looked at twice.
    good: Vec<(u32, u32)>,
    good_middles: Vec<[u32; 3]>,
}

/// Fills polygons. `vertices` are the places that they name and `gaps_mm` how far they lie off the surface (0
/// for those beyond its end); `seeds` are corners to begin with where they lie inside.
pub(super) fn fill(
    chart: &Chart,
    polygons: &[Vec<Corner>],
    vertices: &[Point],
    gaps_mm: &[f64],
    seeds: &[Flat],
    limits: Limits,
    run: &Run,
) -> Result<Filling, FillFault> {
    let mut fill = Fill {
        chart,
        net: ConstrainedDelaunayTriangulation::new(),
        vertices: Vec::new(),
        walls: HashMap::new(),
        good: Vec::new(),
        good_middles: Vec::new(),
    };
    let fits = |corners: usize| {
        let limit = limits.corners;
        if corners <= limit { Ok(()) } else { Err(FillFault::TooFine { limit }) }
    };
    fits(polygons.iter().map(Vec::len).sum())?;
    for polygon in polygons {
        run.check()?;
        fill.wall(polygon, vertices, gaps_mm)?;
    }
    let mut filling = Filling::default();
    let first = vertices.len();
    let inside = fill.inside();
    if !inside.iter().any(|i| *i) {
        return Err(FillFault::Empty);
    }
    let within = |flat: &&Flat| match fill.net.locate(Point2::new(flat[0], flat[1])) {
        PositionInTriangulation::OnFace(face) => inside[face.index()],
        _ => false,
    };
    let within: Vec<Flat> = seeds.iter().filter(within).copied().collect();
    for flat in within {
        fill.add(flat, None, first, &mut filling)?;
    }
    for _ in 0..ROUNDS {
        run.check()?;
        let inside = fill.inside();
        let wanted = fill.wanted(&inside, limits, run)?;
        if wanted.is_empty() {
            break;
        }
        for (n, (flat, hint)) in wanted.into_iter().enumerate() {
            if n.is_multiple_of(CHECK_EVERY) {
                run.check()?;
            }
            fill.add(flat, Some(hint), first, &mut filling)?;
            fits(fill.vertices.len())?;
        }
    }
    let inside = fill.inside();
    for face in fill.net.inner_faces() {
        if inside[face.fix().index()] {
            let t = face.vertices().map(|v| fill.vertices[v.fix().index()].0);
            // Two corners of a pole or of both sides of a seam may be one vertex.
            if t[0] != t[1] && t[1] != t[2] && t[2] != t[0] {
                filling.triangles.push(t);
            }
        }
    }
    if filling.triangles.is_empty() { Err(FillFault::Empty) } else { Ok(filling) }
}

impl Fill<'_, '_> {
    /// Inserts a corner; `hint` lies near it.
    fn insert(
        &mut self,
        flat: Flat,
        hint: Option<FixedVertexHandle>,
    ) -> Result<FixedVertexHandle, FillFault> {
        // Below what the net can hold lies nothing but zero.
        let placed = Placed(flat.map(|c| if c.abs() < 1e-30 { 0.0 } else { c }));
        match hint {
            Some(hint) => self.net.insert_with_hint(placed, hint),
            None => self.net.insert(placed),
        }
        .map_err(|_| FillFault::NotFinite)
    }

    fn wall(&mut self, polygon: &[Corner], vertices: &[Point], gaps_mm: &[f64]) -> Result<(), FillFault> {
        // Every other corner of those that are missing, each beside one that is there: one after the other
        // along a line, each would turn all triangles of those before it.
        let mut found: Vec<Option<FixedVertexHandle>> = vec![None; polygon.len()];
        let mut step = polygon.len().next_power_of_two();
        while step > 0 {
            let first = if found.first().is_some_and(Option::is_none) { 0 } else { step };
            for i in (first..polygon.len()).step_by(2 * step) {
                let c = &polygon[i];
                let hint = i.checked_sub(step).and_then(|h| found[h]);
                let handle = self.insert(c.flat, hint)?;
                if handle.index() == self.vertices.len() {
                    let gap = gaps_mm.get(c.vertex as usize).copied().unwrap_or(0.0);
                    self.vertices.push((c.vertex, vertices[c.vertex as usize], gap));
                }
                found[i] = Some(handle);
            }
            step /= 2;
        }
        let mut handles: Vec<FixedVertexHandle> = found.into_iter().flatten().collect();
        handles.dedup();
        for i in 0..handles.len() {
            let (a, b) = (handles[i], handles[(i + 1) % handles.len()]);
            if a == b {
                continue;
            }
            if !self.net.can_add_constraint(a, b) {
                return Err(FillFault::Crossing);
            }
            self.net.add_constraint(a, b);
            let (a, b) = (a.index(), b.index());
            *self.walls.entry((a.min(b), a.max(b))).or_insert(0) += 1;
        }
        Ok(())
    }

    /// For each face of the net, by its number, whether it lies inside: an odd number of walls from outside.
    /// Number 0 is the outside itself.
    fn inside(&self) -> Vec<bool> {
        let mut beside: Vec<[(usize, bool); 3]> = vec![[(0, false); 3]; self.net.num_all_faces()];
        let mut state: Vec<Option<bool>> = vec![None; self.net.num_all_faces()];
        state[0] = Some(false);
        let mut queue = Vec::new();
        for face in self.net.inner_faces() {
            let n = face.fix().index();
            beside[n] = face.adjacent_edges().map(|e| {
                let (a, b) = (e.from().fix().index(), e.to().fix().index());
                // A wall that is run along twice, as where a hole hangs on a thread, divides nothing.
                let twice = || self.walls.get(&(a.min(b), a.max(b))).is_some_and(|n| n % 2 == 0);
                (e.rev().face().fix().index(), e.is_constraint_edge() && !twice())
            });
            if let Some((_, wall)) = beside[n].iter().find(|(next, _)| *next == 0) {
                state[n] = Some(*wall);
                queue.push(n);
            }
        }
        while let Some(n) = queue.pop() {
            for (next, wall) in beside[n] {
                if state[next].is_none() {
                    state[next] = state[n].map(|s| s != wall);
                    queue.push(next);
                }
            }
        }
        state.into_iter().map(|s| s == Some(true)).collect()
    }

    /// Adds a corner inside; left out where one is already, or where it would cut a wall.
    fn add(
        &mut self,
        flat: Flat,
        hint: Option<FixedVertexHandle>,
        first: usize,
        filling: &mut Filling,
    ) -> Result<(), FillFault> {
        let place = Point2::new(flat[0], flat[1]);
        let found = match hint {
            Some(hint) => self.net.locate_with_hint(place, hint),
            None => self.net.locate(place),
        };
        let (free, beside) = match found {
            PositionInTriangulation::OnFace(f) => {
                (true, self.net.face(f).vertices().first().map(|v| v.fix()))
            }
            PositionInTriangulation::OnEdge(e) => (
                !self.net.is_constraint_edge(e.as_undirected()),
                Some(self.net.directed_edge(e).from().fix()),
            ),
            _ => (false, None),
        };
        let p = self.chart.lift(flat);
        if !free || !p.iter().all(|c| c.is_finite()) {
            return Ok(());
        }
        let handle = self.insert(flat, beside)?;
        if handle.index() == self.vertices.len() {
            // Fewer than `MOST` and those of the boundary.
            self.vertices.push(((first + filling.inner.len()) as u32, p, 0.0));
            filling.inner.push(p);
        }
        Ok(())
    }

    /// Places of new corners, each with a corner beside it: the middle of each edge that is the worst of a
    /// triangle inside and lies off the surface by more than allowed, or of the triangle where only its
    /// middle does.
    fn wanted(
        &mut self,
        inside: &[bool],
        limits: Limits,
        run: &Run,
    ) -> Result<Vec<(Flat, FixedVertexHandle)>, FillFault> {
        let mut wanted = Vec::new();
        // Corners are fewer than 2^32; a pair of one corner is none.
        self.good.resize(self.net.num_undirected_edges(), (0, 0));
        self.good_middles.resize(self.net.num_all_faces(), [0; 3]);
        let mut taken: HashSet<(u32, u32)> = HashSet::new();
        for (n, face) in self.net.inner_faces().enumerate() {
            if n.is_multiple_of(CHECK_EVERY) {
                run.check()?;
            }
            if !inside[face.fix().index()] {
                continue;
            }
            let mut worst = (0.0, None);
            for e in face.adjacent_edges() {
                let (a, b) = (e.from(), e.to());
                let (i, j) = (a.fix().index(), b.fix().index());
                let key = (i.min(j) as u32, i.max(j) as u32);
                let at = e.as_undirected().fix().index();
                if self.good[at] == key || e.is_constraint_edge() || self.vertices[i].0 == self.vertices[j].0
                {
                    continue;
                }
                let error = self.chart.chord_error(self.corner(a.data(), i), self.corner(b.data(), j));
                if !(error > limits.middle(self.vertices[i].2, self.vertices[j].2)) {
                    self.good[at] = key;
                } else if error > worst.0 {
                    let (p, q) = (a.data().0, b.data().0);
                    let middle = [0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])];
                    worst = (error, Some((key, middle, a.fix())));
                }
            }
            if let Some((key, flat, beside)) = worst.1 {
                if taken.insert(key) {
                    wanted.push((flat, beside));
                }
                continue;
            }
            let mut corners = face.vertices().map(|v| (v.fix().index(), v.data().0));
            corners.sort_by_key(|c| c.0);
            let key = corners.map(|c| c.0 as u32);
            if self.good_middles[face.fix().index()] == key {
                continue;
            }
            let triple = corners.map(|(i, flat)| (flat, self.vertices[i].1));
            let gaps = corners.map(|(i, _)| self.vertices[i].2);
            let mean = (gaps[0] + gaps[1] + gaps[2]) / 3.0;
            if self.chart.middle_error(triple) > limits.middle(mean, mean) {
                let mean = |k: usize| (corners[0].1[k] + corners[1].1[k] + corners[2].1[k]) / 3.0;
                wanted.push(([mean(0), mean(1)], face.vertices()[0].fix()));
            } else {
                self.good_middles[face.fix().index()] = key;
            }
        }
        Ok(wanted)
    }

    fn corner(&self, placed: &Placed, index: usize) -> (Flat, Point) {
        (placed.0, self.vertices[index].1)
    }
}

#[cfg(test)]
#[path = "triangulate_tests.rs"]
mod tests;
