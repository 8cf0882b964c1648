//! The faces of a part become triangles over shared vertices.
//!
//! Edges are sampled once, so that faces share their vertices and no crack opens. A face whose boundary crosses
//! itself in the chart at this fineness has its edges sampled four times finer, a few times; its neighbours follow.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Range;
use std::sync::Arc;

use rayon::prelude::*;

use super::carrier::FaceSurface;
use super::chart::{Chart, sphere_axes};
use super::edges::Edge;
use super::graph::EntityFault;
use super::loops::{Corner, Layout, LayoutFault, lay_out};
use super::shapes::Shapes;
use super::surfaces::Surface;
use super::topology::{Face, Step, only_seams, reverse};
use super::triangulate::{FillFault, fill};
use super::whole::whole;
use crate::geometry::Point;
use crate::run::{Run, Stopped};

/// Why a face has no triangles. Its id stands beside it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FaceFault {
    /// Something it needs cannot be understood.
    #[error(transparent)]
    Entity(#[from] EntityFault),
    /// An edge whose curve and vertices have nothing to do with each other.
    #[error("edge #{id} cannot be followed from vertex to vertex")]
    Edge {
        /// The edge.
        id: u64,
    },
    /// Edges that do not follow each other.
    #[error("edge #{id} ends {gap_mm} mm from where the next begins")]
    Gap {
        /// The edge.
        id: u64,
        /// How far, mm.
        gap_mm: f64,
    },
    /// A boundary that belongs to another surface.
    #[error("its boundary lies up to {gap_mm} mm off its surface")]
    OffSurface {
        /// How far, mm.
        gap_mm: f64,
    },
    /// Its loops cannot be laid out.
    #[error(transparent)]
    Layout(#[from] LayoutFault),
    /// Its loops cannot be filled.
    #[error(transparent)]
    Fill(FillFault),
    /// No loops, on a surface that has no end.
    #[error("it has no boundary, and its surface no end")]
    Endless,
}

/// A face with its triangles.
#[derive(Clone, Debug)]
pub(super) struct Meshed {
    /// What it lies on; `None` where that could not be understood.
    pub surface: Option<FaceSurface>,
    /// Among the triangles of the part.
    pub triangles: Result<Range<usize>, FaceFault>,
    /// Largest distance of a vertex of its boundary from the surface, mm.
    pub gap_mm: f64,
}

/// All faces of a part.
#[derive(Clone, Debug, Default)]
pub(super) struct PartMesh {
    pub vertices: Vec<Point>,
    pub triangles: Vec<[u32; 3]>,
    pub faces: Vec<Meshed>,
    /// The faces (indices) that each edge lies between, by the edge's id.
    pub edge_faces: BTreeMap<u64, Vec<usize>>,
    /// Largest distance of a vertex from the curve of its edge, mm.
    pub curve_gap_mm: f64,
}

/// Edges that follow each other within this distance are one boundary, mm.
const LARGEST_GAP_MM: f64 = 0.02;
/// Edges further off their surface, and vertices further off their edge, belong to something else, mm. Files of those who
/// export well have up to 0.033.
const LARGEST_OFF_MM: f64 = 0.2;
/// How often edges of a face that crosses itself are sampled finer.
const FINER: usize = 2;
/// Of the chord error edges may use this much, and chords inside a face this much: the middle of a triangle may lie
/// further off than its edges, and areas and volumes are better by the same factor.
const EDGE_SHARE: f64 = 0.5;
const FACE_SHARE: f64 = 0.6;
/// Of a small radius: chords turn by 0.155 rad at most, r (1 - cos(0.155 / 2)), so that thin rings keep their volume.
const TURN_SHARE: f64 = 0.003;

/// A line of vertices along an edge, its two ends with it.
struct Line {
    vertices: Vec<u32>,
}

struct Builder<'a> {
    shapes: Shapes<'a>,
    chord_mm: f64,
    vertices: Vec<Point>,
    /// Of the ids of vertices and points.
    corners: HashMap<u64, u32>,
    edges: HashMap<u64, Result<Edge, EntityFault>>,
    lines: HashMap<u64, Result<Line, FaceFault>>,
    level: HashMap<u64, usize>,
    /// Of the surfaces beside an edge, mm; where that is so small that it asks for finer steps.
    radius: HashMap<u64, f64>,
    gap_mm: f64,
}

/// What one face has of its own: vertices inside, triangles over boundary vertices and those.
struct Own {
    boundary: Vec<u32>,
    inner: Vec<Point>,
    triangles: Vec<[u32; 3]>,
    gap_mm: f64,
}

/// Makes triangles of faces.
pub(super) fn mesh(shapes: Shapes, faces: &[Face], chord_mm: f64, run: &Run) -> Result<PartMesh, Stopped> {
    let mut builder = Builder {
        shapes,
        chord_mm,
        vertices: Vec::new(),
        corners: HashMap::new(),
        edges: HashMap::new(),
        lines: HashMap::new(),
        level: HashMap::new(),
        radius: HashMap::new(),
        gap_mm: 0.0,
    };
    let surfaces: Vec<Result<Arc<Surface>, EntityFault>> =
        faces.par_iter().map(|f| shapes.surface(f.surface).map(Arc::new)).collect();
    let mut edge_faces: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
    for (n, f) in faces.iter().enumerate() {
        for step in f.loops.iter().flatten() {
            if let Step::Edge { id, .. } = step {
                edge_faces.entry(*id).or_default().push(n);
                if let Ok(surface) = &surfaces[n] {
                    let radius = builder.radius.entry(*id).or_insert(f64::INFINITY);
                    *radius = radius.min(smallest_radius(surface));
                }
            }
        }
    }
    let ids: Vec<u64> = edge_faces.keys().copied().collect();
    let edges: Vec<_> = ids.par_iter().map(|id| (*id, Edge::read(&shapes, *id))).collect();
    builder.edges = edges.into_iter().collect();
    builder.sample(&ids, run)?;
    for f in faces {
        builder.add_corners(f);
    }
    let mut own: Vec<Option<Result<Own, FaceFault>>> = faces.iter().map(|_| None).collect();
    for round in 0..=FINER {
        run.check()?;
        let open: Vec<usize> = (0..faces.len()).filter(|n| own[*n].is_none()).collect();
        let made: Vec<(usize, Result<Own, FaceFault>)> = open
            .par_iter()
            .map(|&n| {
                let made = match &surfaces[n] {
                    Ok(surface) => builder.face(&faces[n], surface, run),
                    Err(fault) => Err(fault.clone().into()),
                };
                (n, made)
            })
            .collect();
        let mut finer: BTreeSet<u64> = BTreeSet::new();
        for (n, made) in made {
            if made.as_ref().is_err_and(|f| *f == FaceFault::Fill(FillFault::Stopped)) {
                return Err(Stopped);
            }
            if round < FINER && matches!(made, Err(FaceFault::Fill(FillFault::Crossing))) {
                let steps = faces[n].loops.iter().flatten();
                finer.extend(steps.filter_map(|s| match s {
                    Step::Edge { id, .. } => Some(*id),
                    Step::Corner { .. } => None,
                }));
            }
            own[n] = Some(made);
        }
        if finer.is_empty() {
            break;
        }
        for id in &finer {
            *builder.level.entry(*id).or_default() += 1;
            for n in &edge_faces[id] {
                own[*n] = None;
            }
        }
        builder.sample(&finer.into_iter().collect::<Vec<_>>(), run)?;
    }
    Ok(builder.gather(faces, surfaces, own, edge_faces))
}

impl Builder<'_> {
    /// The chord error beside a radius.
    fn allowed(&self, share: f64, radius: f64) -> f64 {
        // Whatever the radius, a twentieth of the error is fine enough: a file may tell one of nanometres.
        (share * self.chord_mm).min((TURN_SHARE * radius).max(0.05 * self.chord_mm))
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

    /// Samples edges, each as finely as its level says.
    fn sample(&mut self, ids: &[u64], run: &Run) -> Result<(), Stopped> {
        run.check()?;
        let sampled: Vec<_> = ids
            .par_iter()
            .map(|id| {
                // Beside a narrow round, chords that cut across it by the whole error would change its area.
                let radius = self.radius.get(id).copied().unwrap_or(f64::INFINITY);
                let mut chord = self.allowed(EDGE_SHARE, radius);
                for _ in 0..self.level.get(id).copied().unwrap_or(0) {
                    chord *= 0.25;
                }
                match &self.edges[id] {
                    Ok(edge) => {
                        let sampled = edge.sample(chord).filter(|s| s.gap_mm <= LARGEST_OFF_MM);
                        sampled.ok_or(FaceFault::Edge { id: *id })
                    }
                    Err(fault) => Err(fault.clone().into()),
                }
            })
            .collect();
        for (id, sampled) in ids.iter().zip(sampled) {
            let line = match (sampled, &self.edges[id]) {
                (Ok(sampled), Ok(edge)) => {
                    let (ends, places) = (edge.ends, edge.places);
                    self.gap_mm = self.gap_mm.max(sampled.gap_mm);
                    let mut line = vec![self.corner(ends[0], places[0])];
                    for p in sampled.between {
                        line.push(self.vertices.len() as u32);
                        self.vertices.push(p);
                    }
                    line.push(self.corner(ends[1], places[1]));
                    Ok(Line { vertices: line })
                }
                (Err(fault), _) => Err(fault),
                (_, Err(fault)) => Err(fault.clone().into()),
            };
            self.lines.insert(*id, line);
        }
        Ok(())
    }

    /// Corners of faces that are no ends of edges; those that cannot be read are missed when the face is made.
    fn add_corners(&mut self, face: &Face) {
        for step in face.loops.iter().flatten() {
            if let Step::Corner { point } = step
                && let Ok(place) = self.shapes.point(*point)
            {
                self.corner(*point, place);
            }
        }
    }

    /// The vertices along a loop, each once.
    fn along(&self, steps: &[Step]) -> Result<Vec<u32>, FaceFault> {
        let mut all: Vec<u32> = Vec::new();
        let mut last: Option<(u64, u32)> = None;
        let mut first = None;
        for step in steps {
            let (id, line): (u64, Vec<u32>) = match step {
                Step::Corner { point } => {
                    let vertex = self.corners.get(point).ok_or(EntityFault::NotThere { id: *point })?;
                    all.push(*vertex);
                    continue;
                }
                Step::Edge { id, forward } => match &self.lines[id] {
                    Ok(line) if *forward => (*id, line.vertices.clone()),
                    Ok(line) => (*id, line.vertices.iter().rev().copied().collect()),
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

    fn face(&self, face: &Face, surface: &Surface, run: &Run) -> Result<Own, FaceFault> {
        run.check().map_err(|s| FaceFault::Fill(s.into()))?;
        if face.loops.is_empty() || only_seams(&face.loops) && matches!(surface, Surface::Sphere { .. }) {
            let (inner, triangles) = whole(surface, self.chord_mm).ok_or(FaceFault::Endless)?;
            return Ok(Own {
                boundary: Vec::new(),
                inner,
                triangles: self.sided(face, triangles),
                gap_mm: 0.0,
            });
        }
        // From here on loops have the face to their left as seen from the surface's own normal.
        let mut loops = Vec::new();
        for l in &face.loops {
            let mut steps = l.clone();
            if !face.same_sense {
                reverse(&mut steps);
            }
            loops.push(self.along(&steps)?);
        }
        // Boundary vertices get numbers of their own, so that a face knows nothing of the others.
        let mut boundary: Vec<u32> = loops.iter().flatten().copied().collect();
        boundary.sort_unstable();
        boundary.dedup();
        let mut vertices: Vec<Point> = boundary.iter().map(|v| self.vertices[*v as usize]).collect();
        for l in &mut loops {
            for v in l {
                // Each was put in just above.
                *v = boundary.partition_point(|b| b < v) as u32;
            }
        }
        let (chart, layout) = match surface {
            Surface::Sphere { axes, radius } => on_sphere(axes.origin, *radius, &loops, &vertices)?,
            _ => lay_out(surface, &loops, &vertices, EDGE_SHARE * self.chord_mm)?,
        };
        let gap_mm = layout.gaps_mm.iter().copied().fold(0.0, f64::max);
        if !(gap_mm <= LARGEST_OFF_MM) {
            return Err(FaceFault::OffSurface { gap_mm });
        }
        let begin = vertices.len();
        vertices.extend(&layout.added);
        let allowed = self.allowed(FACE_SHARE, smallest_radius(surface));
        let seeds = seeds(&chart);
        let filling = fill(&chart, &layout.polygons, &vertices, &layout.gaps_mm, &seeds, allowed, run)
            .map_err(FaceFault::Fill)?;
        let mut inner = vertices.split_off(begin);
        inner.extend(filling.inner);
        Ok(Own { boundary, inner, triangles: self.sided(face, filling.triangles), gap_mm })
    }

    /// Triangles counter-clockwise from outside the material.
    fn sided(&self, face: &Face, mut triangles: Vec<[u32; 3]>) -> Vec<[u32; 3]> {
        if face.same_sense == face.turned {
            triangles.iter_mut().for_each(|t| t.swap(1, 2));
        }
        triangles
    }

    fn gather(
        &self,
        faces: &[Face],
        surfaces: Vec<Result<Arc<Surface>, EntityFault>>,
        own: Vec<Option<Result<Own, FaceFault>>>,
        edge_faces: BTreeMap<u64, Vec<usize>>,
    ) -> PartMesh {
        let mut part = PartMesh { edge_faces, curve_gap_mm: self.gap_mm, ..PartMesh::default() };
        // Only vertices in use, in the order of their first use.
        let mut place: Vec<Option<u32>> = vec![None; self.vertices.len()];
        for ((face, surface), own) in faces.iter().zip(surfaces).zip(own) {
            let surface =
                surface.ok().map(|surface| FaceSurface { surface, turned: face.same_sense == face.turned });
            let (triangles, gap_mm) = match own {
                Some(Ok(own)) => {
                    let begin = part.triangles.len();
                    let mut map = Vec::with_capacity(own.boundary.len() + own.inner.len());
                    for v in &own.boundary {
                        map.push(*place[*v as usize].get_or_insert_with(|| {
                            part.vertices.push(self.vertices[*v as usize]);
                            (part.vertices.len() - 1) as u32
                        }));
                    }
                    for p in &own.inner {
                        map.push(part.vertices.len() as u32);
                        part.vertices.push(*p);
                    }
                    part.triangles.extend(own.triangles.iter().map(|t| t.map(|v| map[v as usize])));
                    (Ok(begin..part.triangles.len()), own.gap_mm)
                }
                Some(Err(fault)) => (Err(fault), 0.0),
                // Every face was made in the last round.
                None => (Err(FaceFault::Endless), 0.0),
            };
            part.faces.push(Meshed { surface, triangles, gap_mm });
        }
        part
    }
}

/// Of surfaces that are round with one; else infinite.
fn smallest_radius(surface: &Surface) -> f64 {
    match surface {
        Surface::Cylinder { radius, .. } | Surface::Sphere { radius, .. } => *radius,
        Surface::Torus { minor, .. } => *minor,
        _ => f64::INFINITY,
    }
}

fn on_sphere<'s>(
    centre: Point,
    radius: f64,
    loops: &[Vec<u32>],
    vertices: &[Point],
) -> Result<(Chart<'s>, Layout), FaceFault> {
    let places: Vec<Vec<Point>> =
        loops.iter().map(|l| l.iter().map(|v| vertices[*v as usize]).collect()).collect();
    let axes = sphere_axes(centre, radius, &places).ok_or(LayoutFault::NoPlace)?;
    let mut layout = Layout { gaps_mm: vec![0.0; vertices.len()], ..Layout::default() };
    for l in loops {
        let mut polygon = Vec::new();
        for v in l {
            let p = &vertices[*v as usize];
            let flat = Chart::on_sphere(&axes, radius, p).ok_or(LayoutFault::NoPlace)?;
            layout.gaps_mm[*v as usize] = ((p - centre).norm() - radius).abs();
            polygon.push(Corner { flat, vertex: *v });
        }
        layout.polygons.push(polygon);
    }
    Ok((Chart::Stereographic { axes, radius }, layout))
}

/// Corners inside a freeform face to begin with, so that no wave between them is missed.
fn seeds(chart: &Chart) -> Vec<[f64; 2]> {
    let Chart::Parameters { surface, scale } = chart else { return Vec::new() };
    let Surface::Spline(spline) = surface else { return Vec::new() };
    let periods = surface.periods();
    let grid = |knots: &super::bspline::Knots, period: Option<f64>| {
        let breaks = knots.breaks();
        // Two in each piece of a curved direction, 60 at most.
        let each = if knots.degree < 2 { 1 } else { 2 };
        let pieces = (breaks.len() - 1) * each;
        let step = pieces.div_ceil(60);
        let mut at = Vec::new();
        for (i, w) in breaks.windows(2).enumerate() {
            for k in 0..each {
                if (i * each + k).is_multiple_of(step) {
                    at.push(w[0] + (w[1] - w[0]) * ((k as f64 + 0.5) / each as f64));
                }
            }
        }
        let turns = if period.is_some() { -1..=1 } else { 0..=0 };
        let period = period.unwrap_or(0.0);
        turns.flat_map(|t| at.iter().map(move |x| x + f64::from(t) * period)).collect::<Vec<f64>>()
    };
    let (us, vs) = (grid(&spline.surface.u, periods[0]), grid(&spline.surface.v, periods[1]));
    if us.len() * vs.len() <= 4 {
        return Vec::new();
    }
    us.iter().flat_map(|u| vs.iter().map(move |v| [u * scale[0], v * scale[1]])).collect()
}
