//! The faces of a part become triangles over shared vertices.
//!
//! Edges are sampled once, so that faces share their vertices and no crack opens. A face whose boundary
//! crosses itself in the chart at this fineness has its edges sampled finer, a few times; its neighbours
//! follow. Where an edge lies off the surfaces that it bounds, its vertices are then brought onto them, and
//! the faces beside it made again.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;

use super::carrier::FaceSurface;
use super::edge_line::{EdgeLine, EdgeSide};
use super::error::StepError;
use super::face::{Own, make, smallest_radius};
use super::fault::FaceFault;
use super::graph::EntityFault;
use super::lines::{Lines, OFF_SHARE};
use super::loops::LayoutFault;
use super::shapes::Shapes;
use super::surfaces::Surface;
use super::topology::{Face, Step};
use super::triangulate::{FillFault, MOST};
use crate::geometry::{Direction, Point};
use crate::run::{Run, Stopped};

/// A face with its triangles.
#[derive(Clone, Debug)]
pub(super) struct Meshed {
    /// What it lies on; `None` where that could not be understood.
    pub surface: Option<FaceSurface>,
    /// Among the triangles of the part.
    pub triangles: Result<Range<usize>, FaceFault>,
    /// Largest distance of the file's boundary from the surface, mm.
    pub gap_mm: f64,
    /// What of it is left in the vertices of its triangles, mm.
    pub left_mm: f64,
}

/// All faces of a part.
#[derive(Clone, Debug, Default)]
pub(super) struct PartMesh {
    pub vertices: Vec<Point>,
    pub triangles: Vec<[u32; 3]>,
    pub faces: Vec<Meshed>,
    /// The faces (indices) that each edge lies between, by the edge's id.
    pub edge_faces: BTreeMap<u64, Vec<usize>>,
    /// Of the edges beside which a face was made, in the order of their ids.
    pub edge_lines: Vec<EdgeLine>,
    /// Largest distance of a vertex from the curve of its edge, mm.
    pub curve_gap_mm: f64,
}

/// How often edges of a face that crosses itself are sampled finer.
const FINER: usize = 2;

type Made = Vec<Option<Result<Own, FaceFault>>>;

struct Mesher<'a> {
    faces: &'a [Face],
    surfaces: &'a [Result<Arc<Surface>, EntityFault>],
    edge_faces: BTreeMap<u64, Vec<usize>>,
    chord_mm: f64,
    /// Triangles at most.
    most: u64,
    run: &'a Run<'a>,
}

/// Makes triangles of faces, `most` at most. Faces whose surface was read with its normal turned are told so.
///
/// # Errors
/// More triangles; stopped by the caller.
pub(super) fn mesh(
    shapes: Shapes,
    faces: &mut [Face],
    chord_mm: f64,
    most: u64,
    run: &Run,
) -> Result<PartMesh, StepError> {
    // Faces may share a surface.
    let ids: BTreeSet<u64> = faces.iter().map(|f| f.surface).collect();
    let ids: Vec<u64> = ids.into_iter().collect();
    let read_one = |id: &u64| -> Result<_, Stopped> {
        run.check()?;
        Ok((*id, shapes.surface(*id).map(|(surface, turned)| (Arc::new(surface), turned))))
    };
    let read: BTreeMap<u64, Result<(Arc<Surface>, bool), EntityFault>> =
        ids.par_iter().map(read_one).collect::<Result<_, Stopped>>()?;
    let mut surfaces: Vec<Result<Arc<Surface>, EntityFault>> = Vec::new();
    for f in &mut *faces {
        surfaces.push(read[&f.surface].clone().map(|(surface, turned)| {
            f.same_sense ^= turned;
            surface
        }));
    }
    drop(read);
    let faces = &*faces;
    let mut edge_faces: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
    let mut radii: BTreeMap<u64, f64> = BTreeMap::new();
    for (n, f) in faces.iter().enumerate() {
        for step in f.loops.iter().flatten() {
            if let Step::Edge { id, .. } = step {
                edge_faces.entry(*id).or_default().push(n);
                let radius = radii.entry(*id).or_insert(f64::INFINITY);
                if let Ok(surface) = &surfaces[n] {
                    *radius = radius.min(smallest_radius(surface));
                }
            }
        }
    }
    let mut lines = Lines::new(shapes, chord_mm, &radii, most, run)?;
    for f in faces {
        lines.add_corners(f);
    }
    let mesher = Mesher { faces, surfaces: &surfaces, edge_faces, chord_mm, most, run };
    let mut own: Made = vec![None; faces.len()];
    mesher.make_all(&mut lines, &mut own)?;
    let gaps: Vec<f64> =
        own.iter().map(|o| o.as_ref().and_then(|o| o.as_ref().ok()).map_or(0.0, Own::gap_mm)).collect();
    mesher.seat(&mut lines, &mut own)?;
    Ok(mesher.gather(&lines, own, &gaps))
}

impl Mesher<'_> {
    /// Makes the faces that are not made yet.
    fn make_open(&self, lines: &Lines, own: &mut Made) -> Result<Vec<usize>, StepError> {
        self.run.check()?;
        let open: Vec<usize> = (0..self.faces.len()).filter(|n| own[*n].is_none()).collect();
        let corners = MOST.min(usize::try_from(self.most).unwrap_or(MOST));
        // Whichever face passes the limit first, the whole is refused: no triangle is ever taken away.
        let triangles = AtomicU64::new(0);
        let one = |n: &usize| {
            let surface = match &self.surfaces[*n] {
                Ok(surface) => surface,
                Err(fault) => return Ok(Err(fault.clone().into())),
            };
            let made = make(lines, &self.faces[*n], surface, self.chord_mm, corners, self.run);
            match &made {
                Ok(own) => {
                    let own = own.triangles.len() as u64;
                    if triangles.fetch_add(own, Ordering::Relaxed) + own > self.most {
                        return Err(StepError::TooMany {
                            what: "triangles",
                            limit: self.run.limits.triangles,
                        });
                    }
                }
                Err(FaceFault::Fill(FillFault::Stopped) | FaceFault::Layout(LayoutFault::Stopped)) => {
                    return Err(Stopped.into());
                }
                Err(_) => {}
            }
            Ok(made)
        };
        let made: Vec<Result<Own, FaceFault>> = open.par_iter().map(one).collect::<Result<_, StepError>>()?;
        for (n, made) in open.iter().zip(made) {
            own[*n] = Some(made);
        }
        Ok(open)
    }

    /// Makes all faces, those that cross themselves again with finer edges.
    fn make_all(&self, lines: &mut Lines, own: &mut Made) -> Result<(), StepError> {
        for round in 0..=FINER {
            let made = self.make_open(lines, own)?;
            if round == FINER {
                break;
            }
            let crossing = |n: &&usize| matches!(own[**n], Some(Err(FaceFault::Fill(FillFault::Crossing))));
            let mut finer: BTreeSet<u64> = BTreeSet::new();
            for n in made.iter().filter(crossing) {
                finer.extend(self.edges_of(*n));
            }
            if finer.is_empty() {
                break;
            }
            self.forget(own, &finer);
            lines.finer(&finer, self.run)?;
        }
        Ok(())
    }

    fn edges_of(&self, face: usize) -> impl Iterator<Item = u64> {
        self.faces[face].loops.iter().flatten().filter_map(|s| match s {
            Step::Edge { id, .. } => Some(*id),
            Step::Corner { .. } => None,
        })
    }

    fn forget(&self, own: &mut Made, edges: &BTreeSet<u64>) {
        for n in edges.iter().flat_map(|id| &self.edge_faces[id]) {
            own[*n] = None;
        }
    }

    /// Brings vertices that lie off the surfaces onto them and makes the faces beside them again. A face that
    /// this would spoil keeps its edges as the file has them.
    fn seat(&self, lines: &mut Lines, own: &mut Made) -> Result<(), StepError> {
        let mut kept: BTreeSet<usize> = BTreeSet::new();
        // Seldom any is spoilt; the last time nothing is left to spoil.
        for _ in 0..3 {
            let off = self.off(own, &kept);
            if off.is_empty() {
                return Ok(());
            }
            let beside = |id: u64| -> Vec<&Surface> {
                let mut faces = self.edge_faces[&id].clone();
                faces.dedup();
                faces
                    .iter()
                    .filter(|n| matches!(own[**n], Some(Ok(_))))
                    .filter_map(|n| self.surface(*n))
                    .collect()
            };
            let (edges, before) = lines.seat(&off, &beside, self.run)?;
            let touched = |n: &usize| match &own[*n] {
                Some(Ok(face)) => face.boundary.iter().any(|v| off.contains_key(v)),
                _ => false,
            };
            let mut again: BTreeSet<usize> = (0..own.len()).filter(touched).collect();
            again.extend(edges.iter().flat_map(|id| &self.edge_faces[id]));
            let old: Vec<(usize, Option<Result<Own, FaceFault>>)> =
                again.into_iter().map(|n| (n, own[n].take())).collect();
            self.make_open(lines, own)?;
            let spoilt = |(n, old): &&(usize, Option<_>)| {
                matches!(old, Some(Ok(_))) && !matches!(own[*n], Some(Ok(_)))
            };
            let spoilt: Vec<usize> = old.iter().filter(spoilt).map(|(n, _)| *n).collect();
            if spoilt.is_empty() {
                return Ok(());
            }
            lines.restore(before);
            old.into_iter().for_each(|(n, old)| own[n] = old);
            kept.extend(spoilt);
        }
        Ok(())
    }

    fn surface(&self, face: usize) -> Option<&Surface> {
        self.surfaces[face].as_ref().ok().map(|s| &**s)
    }

    /// The vertices that lie off a surface by more than counts, each with all surfaces it bounds; without
    /// those of the faces `kept`.
    fn off(&self, own: &Made, kept: &BTreeSet<usize>) -> BTreeMap<u32, Vec<&Surface>> {
        let made = || own.iter().enumerate().filter_map(|(n, o)| Some((n, o.as_ref()?.as_ref().ok()?)));
        let mut off: BTreeMap<u32, Vec<&Surface>> = BTreeMap::new();
        for (_, face) in made() {
            for (v, gap) in face.boundary.iter().zip(&face.gaps_mm) {
                if *gap > OFF_SHARE * self.chord_mm {
                    off.insert(*v, Vec::new());
                }
            }
        }
        if off.is_empty() {
            return off;
        }
        for (n, face) in made() {
            for v in &face.boundary {
                if kept.contains(&n) {
                    off.remove(v);
                } else if let (Some(surfaces), Some(surface)) = (off.get_mut(v), self.surface(n)) {
                    surfaces.push(surface);
                }
            }
        }
        off
    }

    fn gather(self, lines: &Lines, mut own: Made, gaps: &[f64]) -> PartMesh {
        let mut part = PartMesh { curve_gap_mm: lines.curve_gap_mm, ..PartMesh::default() };
        let made = || own.iter().filter_map(|o| o.as_ref()?.as_ref().ok());
        part.triangles.reserve_exact(made().map(|o| o.triangles.len()).sum());
        part.vertices.reserve(made().map(|o| o.inner.len()).sum());
        // Only vertices in use, in the order of their first use.
        let mut place: Vec<Option<u32>> = vec![None; lines.vertices.len()];
        for (n, own) in own.iter_mut().enumerate() {
            let face = &self.faces[n];
            let surface = self.surfaces[n].as_ref().ok();
            let surface =
                surface.map(|s| FaceSurface { surface: s.clone(), turned: face.same_sense == face.turned });
            let (triangles, left_mm) = match own {
                Some(Ok(own)) => {
                    let begin = part.triangles.len();
                    let mut map = Vec::with_capacity(own.boundary.len() + own.inner.len());
                    for v in &own.boundary {
                        map.push(*place[*v as usize].get_or_insert_with(|| {
                            part.vertices.push(lines.vertices[*v as usize]);
                            (part.vertices.len() - 1) as u32
                        }));
                    }
                    // The face's own go as the part's come, so that both are not held at once.
                    for p in std::mem::take(&mut own.inner) {
                        map.push(part.vertices.len() as u32);
                        part.vertices.push(p);
                    }
                    let triangles = std::mem::take(&mut own.triangles);
                    part.triangles.extend(triangles.into_iter().map(|t| t.map(|v| map[v as usize])));
                    (Ok(begin..part.triangles.len()), own.gap_mm())
                }
                Some(Err(fault)) => (Err(fault.clone()), 0.0),
                // Every face was made in the last round.
                None => (Err(FaceFault::Endless), 0.0),
            };
            part.faces.push(Meshed { surface, triangles, gap_mm: gaps[n], left_mm });
        }
        part.edge_lines = self.edge_lines(lines, &own, &place);
        part.edge_faces = self.edge_faces;
        part
    }

    /// Of every edge all of whose vertices are in use.
    fn edge_lines(&self, lines: &Lines, own: &Made, place: &[Option<u32>]) -> Vec<EdgeLine> {
        // Which way each face runs along its edges, with its outside up; a seam has both.
        let mut sides: BTreeMap<u64, Vec<(usize, bool)>> = BTreeMap::new();
        for (n, face) in self.faces.iter().enumerate() {
            for step in face.loops.iter().flatten() {
                if let Step::Edge { id, forward } = step {
                    sides.entry(*id).or_default().push((n, *forward != face.turned));
                }
            }
        }
        let normals = |n: usize, line: &[u32]| -> Vec<Option<Direction>> {
            let Some(Ok(own)) = &own[n] else { return vec![None; line.len()] };
            let turned = self.faces[n].same_sense == self.faces[n].turned;
            let at = |v: &u32| own.boundary.binary_search(v).ok().and_then(|i| own.normals[i]);
            line.iter().map(at).map(|d| if turned { d.map(Direction::reversed) } else { d }).collect()
        };
        let line = |(id, sides): (u64, Vec<(usize, bool)>)| {
            let line = lines.line(id)?;
            let vertices = line.iter().map(|v| place[*v as usize]).collect::<Option<Vec<u32>>>()?;
            let side = |(face, left): (usize, bool)| EdgeSide { face, left, normals: normals(face, line) };
            Some(EdgeLine { id, vertices, sides: sides.into_iter().map(side).collect() })
        };
        sides.into_iter().filter_map(line).collect()
    }
}
