//! The edges and corners of a part as lines of vertices that all its faces share, so that no crack opens.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use rayon::prelude::*;

use super::edges::{Edge, MOST, Sampled, Unsampled};
use super::error::StepError;
use super::fault::FaceFault;
use super::graph::{EntityFault, MOST_CONTROL_POINTS};
use super::seat::seat;
use super::shapes::Shapes;
use super::surfaces::Surface;
use super::topology::{Face, Step};
use crate::geometry::Point;
use crate::run::{Run, Stopped};

/// Edges that follow each other within this distance are one boundary, mm.
const LARGEST_GAP_MM: f64 = 0.02;
/// Edges further off their surface, and vertices further off their edge, belong to something else, mm. Files
/// of those who export well have up to 0.033.
pub(super) const LARGEST_OFF_MM: f64 = 0.2;
/// Of the chord error edges may use this much, and chords inside a face the other: the middle of a triangle
/// may lie further off than its edges, and areas and volumes are better by the same factor.
pub(super) const EDGE_SHARE: f64 = 0.5;
pub(super) const FACE_SHARE: f64 = 0.6;
/// Of a small radius: chords turn by 0.155 rad at most, r (1 - cos(0.155 / 2)), so that thin rings keep their
/// volume.
const TURN_SHARE: f64 = 0.003;
/// Vertices that lie off a surface by more than this share of the chord error are brought onto it.
pub(super) const OFF_SHARE: f64 = 0.25;

/// The chord error beside a radius.
pub(super) fn allowed(chord_mm: f64, share: f64, radius: f64) -> f64 {
    // Whatever the radius, a twentieth of the error is fine enough: a file may tell one of nanometres.
    (share * chord_mm).min((TURN_SHARE * radius).max(0.05 * chord_mm))
}

/// Vertices along an edge, its two ends with it.
pub(super) type Line = Vec<u32>;

/// What a change of edges began from.
pub(super) struct Before {
    /// Places of vertices.
    places: Vec<(u32, Point)>,
    /// Vertices and chord errors of edges.
    lines: Vec<(u64, Line, f64)>,
    count: usize,
}

/// All edges and corners of a part.
pub(super) struct Lines<'a> {
    shapes: Shapes<'a>,
    chord_mm: f64,
    pub vertices: Vec<Point>,
    /// Of the ids of vertices and points.
    corners: HashMap<u64, u32>,
    edges: BTreeMap<u64, Result<Edge, EntityFault>>,
    lines: HashMap<u64, Result<Line, FaceFault>>,
    /// The chord error of each edge, mm.
    chord: HashMap<u64, f64>,
    /// Vertices at most.
    most: u64,
    /// Largest distance of a vertex from the curve of its edge, mm.
    pub curve_gap_mm: f64,
}

impl<'a> Lines<'a> {
    /// Reads and samples edges. With each stands the smallest radius of the surfaces beside it, infinite
    /// where none is round.
    pub(super) fn new(
        shapes: Shapes<'a>,
        chord_mm: f64,
        radii: &BTreeMap<u64, f64>,
        most: u64,
        run: &Run,
    ) -> Result<Self, StepError> {
        let read = |(id, _): (&u64, &f64)| -> Result<_, Stopped> {
            run.check()?;
            Ok((*id, Edge::read(&shapes, *id)))
        };
        let edges: Vec<_> = radii.par_iter().map(read).collect::<Result<_, Stopped>>()?;
        if shapes.graph.spent() {
            let limit = MOST_CONTROL_POINTS as u64;
            return Err(StepError::TooMany { what: "control points of curves and surfaces", limit });
        }
        // Beside a narrow round, chords that cut across it by the whole error would change its area.
        let chord = radii.iter().map(|(id, radius)| (*id, allowed(chord_mm, EDGE_SHARE, *radius))).collect();
        let mut lines = Self {
            shapes,
            chord_mm,
            vertices: Vec::new(),
            corners: HashMap::new(),
            edges: edges.into_iter().collect(),
            lines: HashMap::new(),
            chord,
            most,
            curve_gap_mm: 0.0,
        };
        lines.sample(&radii.keys().copied().collect::<Vec<_>>(), run)?;
        Ok(lines)
    }

    fn corner(&mut self, id: u64, place: Point) -> u32 {
        // Fewer than 2^32: each costs bytes of the file.
        let next = self.vertices.len() as u32;
        let index = *self.corners.entry(id).or_insert(next);
        if index == next {
            self.vertices.push(place);
        }
        index
    }

    /// Samples edges anew, each within its chord error.
    fn sample(&mut self, ids: &[u64], run: &Run) -> Result<(), StepError> {
        // A few at a time, so that the limit is met before there is no memory left.
        for ids in ids.chunks(32) {
            run.check()?;
            if !self.sample_some(ids) || self.vertices.len() as u64 > self.most {
                let limit = run.limits.triangles;
                return Err(StepError::TooMany { what: "points on edges", limit });
            }
        }
        Ok(())
    }

    /// Whether they are no more than allowed; else nothing is kept.
    fn sample_some(&mut self, ids: &[u64]) -> bool {
        let most = MOST.min(usize::try_from(self.most).unwrap_or(MOST));
        let sampled: Vec<_> = ids
            .par_iter()
            .map(|id| match &self.edges[id] {
                Ok(edge) => match edge.sample(self.chord[id], most) {
                    Ok(sampled) if sampled.gap_mm <= LARGEST_OFF_MM => Ok(sampled),
                    Err(Unsampled::TooFine) => Err(FaceFault::LongEdge { id: *id, limit: most }),
                    _ => Err(FaceFault::Edge { id: *id }),
                },
                Err(fault) => Err(fault.clone().into()),
            })
            .collect();
        let more: usize = sampled.iter().flatten().map(|s: &Sampled| s.between.len()).sum();
        let whole = self.vertices.len() + more;
        if whole as u64 > self.most {
            return false;
        }
        // A quarter more at a time: doubling would take as much again as there is.
        if whole > self.vertices.capacity() {
            self.vertices.reserve_exact(more.max(self.vertices.len() / 4));
        }
        for (id, sampled) in ids.iter().zip(sampled) {
            let line = match (sampled, &self.edges[id]) {
                (Ok(sampled), Ok(edge)) => {
                    let (ends, places) = (edge.ends, edge.places);
                    self.curve_gap_mm = self.curve_gap_mm.max(sampled.gap_mm);
                    let mut line = vec![self.corner(ends[0], places[0])];
                    for p in sampled.between {
                        line.push(self.vertices.len() as u32);
                        self.vertices.push(p);
                    }
                    line.push(self.corner(ends[1], places[1]));
                    Ok(line)
                }
                (Err(fault), _) => Err(fault),
                (_, Err(fault)) => Err(fault.clone().into()),
            };
            self.lines.insert(*id, line);
        }
        true
    }

    /// Samples edges four times finer than before.
    pub(super) fn finer(&mut self, ids: &BTreeSet<u64>, run: &Run) -> Result<(), StepError> {
        for id in ids {
            if let Some(chord) = self.chord.get_mut(id) {
                *chord *= 0.25;
            }
        }
        self.sample(&ids.iter().copied().collect::<Vec<_>>(), run)
    }

    /// Corners of faces that are no ends of edges; those that cannot be read are missed when the face is made.
    pub(super) fn add_corners(&mut self, face: &Face) {
        for step in face.loops.iter().flatten() {
            if let Step::Corner { point } = step
                && let Ok(place) = self.shapes.point(*point)
            {
                self.corner(*point, place);
            }
        }
    }

    /// The vertices of an edge from its first to its last, where it could be followed.
    pub(super) fn line(&self, id: u64) -> Option<&Line> {
        self.lines.get(&id)?.as_ref().ok()
    }

    /// The vertices along a loop, each once.
    pub(super) fn along(&self, steps: &[Step]) -> Result<Vec<u32>, FaceFault> {
        let mut all: Vec<u32> = Vec::new();
        let mut last: Option<(u64, u32)> = None;
        let mut first = None;
        for step in steps {
            let (id, line): (u64, Line) = match step {
                Step::Corner { point } => {
                    let vertex = self.corners.get(point).ok_or(EntityFault::NotThere { id: *point })?;
                    all.push(*vertex);
                    continue;
                }
                Step::Edge { id, forward } => match &self.lines[id] {
                    Ok(line) if *forward => (*id, line.clone()),
                    Ok(line) => (*id, line.iter().rev().copied().collect()),
                    Err(fault) => return Err(fault.clone()),
                },
            };
            let (begin, end) = (line[0], line[line.len() - 1]);
            if let Some((before, at)) = last {
                self.meets(before, at, begin)?;
            }
            first = first.or(Some(begin));
            last = Some((id, end));
            all.extend(&line[..line.len() - 1]);
        }
        if let (Some((id, at)), Some(first)) = (last, first) {
            self.meets(id, at, first)?;
        }
        Ok(all)
    }

    fn meets(&self, id: u64, at: u32, next: u32) -> Result<(), FaceFault> {
        let gap_mm = (self.vertices[at as usize] - self.vertices[next as usize]).norm();
        if at == next || gap_mm < LARGEST_GAP_MM { Ok(()) } else { Err(FaceFault::Gap { id, gap_mm }) }
    }

    /// Brings the vertices `off`, each with the surfaces it bounds, onto those surfaces, and so the vertices
    /// between the ends of every edge that has one of them. `beside` answers an edge's surfaces. Edges that
    /// lie between surfaces which do not meet are sampled finer, so that what is left and the chord error
    /// together are no more than that error. Answers the edges that changed, and what [`Self::restore`]
    /// needs.
    pub(super) fn seat<'s>(
        &mut self,
        off: &BTreeMap<u32, Vec<&'s Surface>>,
        beside: &(dyn Fn(u64) -> Vec<&'s Surface> + Sync),
        run: &Run,
    ) -> Result<(BTreeSet<u64>, Before), StepError> {
        let mut before = Before { places: Vec::new(), lines: Vec::new(), count: self.vertices.len() };
        let corners: BTreeSet<u32> = self.corners.values().copied().collect();
        let has = |line: &Line| line.iter().any(|v| off.contains_key(v));
        let changed: BTreeSet<u64> =
            self.edges.keys().copied().filter(|id| self.line(*id).is_some_and(has)).collect();
        // Those with a corner off, and nothing else, stay as they are but for that corner.
        let inner = |line: &Line| line[1..line.len() - 1].iter().any(|v| off.contains_key(v));
        let loose: Vec<u64> =
            changed.iter().copied().filter(|id| self.line(*id).is_some_and(inner)).collect();
        let placed: Vec<(u32, Point)> = off
            .par_iter()
            .filter(|(v, _)| corners.contains(v))
            .map(|(v, surfaces)| (*v, seat(&self.vertices[*v as usize], surfaces, None).place))
            .collect();
        self.put(placed, &mut before);
        run.check()?;
        let first: Vec<_> = loose.par_iter().map(|id| self.seated(*id, &beside(*id))).collect();
        let mut finer = Vec::new();
        for (id, (left_mm, places)) in loose.iter().zip(first) {
            let wanted = (0.9 * (self.chord_mm - left_mm)).max(0.05 * self.chord_mm);
            let chord = self.chord[id];
            // What cannot be had is not asked for.
            if left_mm < self.chord_mm && wanted < chord {
                let line = self.line(*id).cloned().unwrap_or_default();
                before.lines.push((*id, line, chord));
                self.chord.insert(*id, wanted);
                finer.push(*id);
            } else {
                self.put(places, &mut before);
            }
        }
        self.sample(&finer, run)?;
        let second: Vec<_> = finer.par_iter().map(|id| self.seated(*id, &beside(*id))).collect();
        for (_, places) in second {
            self.put(places, &mut before);
        }
        Ok((changed, before))
    }

    /// Where the vertices between the ends of an edge would come to lie on these surfaces, and how far off
    /// what is left.
    fn seated(&self, id: u64, surfaces: &[&Surface]) -> (f64, Vec<(u32, Point)>) {
        let (mut near, mut left_mm, mut places) = (None, 0.0_f64, Vec::new());
        for v in self.line(id).into_iter().flat_map(|l| &l[1..l.len() - 1]) {
            let seated = seat(&self.vertices[*v as usize], surfaces, near.as_deref());
            left_mm = left_mm.max(seated.left_mm);
            near = Some(seated.near);
            places.push((*v, seated.place));
        }
        (left_mm, places)
    }

    fn put(&mut self, places: Vec<(u32, Point)>, before: &mut Before) {
        for (v, place) in places {
            before.places.push((v, self.vertices[v as usize]));
            self.vertices[v as usize] = place;
        }
    }

    /// Takes back what [`Self::seat`] did.
    pub(super) fn restore(&mut self, before: Before) {
        for (v, place) in before.places.into_iter().rev() {
            self.vertices[v as usize] = place;
        }
        for (id, line, chord) in before.lines {
            self.lines.insert(id, Ok(line));
            self.chord.insert(id, chord);
        }
        self.vertices.truncate(before.count);
    }
}
