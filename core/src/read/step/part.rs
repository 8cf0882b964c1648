//! One part of the file: its bodies meshed and its faces put in the order of the file.

use super::assembly::{Part, Shape};
use super::error::StepError;
use super::fault::FaceFault;
use super::graph::{EntityFault, Graph};
use super::mesh::{PartMesh, mesh};
use super::open_edges;
use super::shapes::Shapes;
use super::tessellated::{Tessellation, count};
use super::topology::{Body, Face};
use super::units::{Units, of_context};
use super::{StepBody, StepFace, StepPart};
use crate::run::Run;

/// Reads a part with `most` triangles at most.
pub(super) fn read(
    run: &Run,
    graph: &Graph,
    part: &Part,
    chord_mm: f64,
    most: u64,
) -> Result<StepPart, StepError> {
    let mut out = StepPart {
        name: part.name.clone(),
        bodies: Vec::new(),
        faces: Vec::new(),
        vertices: Vec::new(),
        triangles: Vec::new(),
        edges: Vec::new(),
        edge_lines: Vec::new(),
        open_edges: 0,
        surface_gap_mm: 0.0,
        curve_gap_mm: 0.0,
    };
    for shape in &part.shapes {
        let units = of_context(graph, shape.context).map_err(StepError::Entity)?;
        let left = most.saturating_sub(out.triangles.len() as u64);
        exact(&mut out, run, graph, units, shape, chord_mm, left)?;
        for body in shape.bodies.iter().filter(|b| !b.triangulated.is_empty()) {
            triangulated(&mut out, run, graph, units, body, most)?;
        }
    }
    out.open_edges = open_edges::count(&out.vertices, &out.triangles);
    Ok(out)
}

/// The bodies of a representation whose faces have surfaces.
fn exact(
    out: &mut StepPart,
    run: &Run,
    graph: &Graph,
    units: Units,
    shape: &Shape,
    chord_mm: f64,
    most: u64,
) -> Result<(), StepError> {
    let shapes = Shapes { graph: *graph, units };
    let mut faces: Vec<Face> = Vec::new();
    // Faces that could not be read at all stand between the others.
    let mut order: Vec<Result<usize, (u64, EntityFault)>> = Vec::new();
    let first = out.faces.len();
    for body in shape.bodies.iter().filter(|b| b.triangulated.is_empty()) {
        let begin = first + order.len();
        for face in &body.faces {
            match face {
                Ok(face) => {
                    order.push(Ok(faces.len()));
                    faces.push(face.clone());
                }
                Err(fault) => order.push(Err(fault.clone())),
            }
        }
        out.bodies.push(told(body, begin..first + order.len()));
    }
    let PartMesh { vertices, triangles, faces: meshed, edge_faces, edge_lines, curve_gap_mm } =
        mesh(shapes, &mut faces, chord_mm, most, run)?;
    let (v0, t0) = (out.vertices.len() as u32, out.triangles.len());
    if v0 == 0 {
        (out.vertices, out.triangles) = (vertices, triangles);
    } else {
        out.vertices.extend(vertices);
        out.triangles.extend(triangles.into_iter().map(|t| t.map(|v| v + v0)));
    }
    out.curve_gap_mm = out.curve_gap_mm.max(curve_gap_mm);
    let mut place = vec![0; faces.len()];
    for entry in order {
        match entry {
            Ok(n) => {
                let meshed = &meshed[n];
                place[n] = out.faces.len();
                out.surface_gap_mm = out.surface_gap_mm.max(meshed.gap_mm);
                out.faces.push(StepFace {
                    id: faces[n].id,
                    label: faces[n].label.clone(),
                    surface: meshed.surface.clone(),
                    triangles: meshed.triangles.clone().map(|r| r.start + t0..r.end + t0),
                    gap_mm: meshed.gap_mm,
                    left_mm: meshed.left_mm,
                });
            }
            Err((id, fault)) => out.faces.push(plain(id, String::new(), Err(fault.into()))),
        }
    }
    out.edges.extend(edge_faces.into_iter().map(|(id, n)| (id, n.into_iter().map(|n| place[n]).collect())));
    for mut line in edge_lines {
        line.vertices.iter_mut().for_each(|v| *v += v0);
        line.sides.iter_mut().for_each(|s| s.face = place[s.face]);
        out.edge_lines.push(line);
    }
    Ok(())
}

/// A body of triangles only, with which the part has `most` at most.
fn triangulated(
    out: &mut StepPart,
    run: &Run,
    graph: &Graph,
    units: Units,
    body: &Body,
    most: u64,
) -> Result<(), StepError> {
    // Counted before any is made: one face may be named thousands of times.
    let mut more = 0;
    for id in &body.triangulated {
        run.check()?;
        more += count(graph, *id);
        if (out.triangles.len() + more) as u64 > most {
            return Err(StepError::TooMany { what: "triangles", limit: run.limits.triangles });
        }
    }
    out.triangles.reserve_exact(more);
    let mut tessellation = Tessellation::new(*graph, units);
    let first = out.faces.len();
    let v0 = out.vertices.len() as u32;
    for id in &body.triangulated {
        run.check()?;
        let label = graph.first(*id).map(|e| e.text(0)).unwrap_or_default();
        let begin = out.triangles.len();
        let range = tessellation.face(*id).map(|triangles| {
            out.triangles.extend(triangles.into_iter().map(|t| t.map(|v| v + v0)));
            begin..out.triangles.len()
        });
        out.faces.push(plain(*id, label, range.map_err(FaceFault::Entity)));
    }
    out.vertices.extend(tessellation.vertices);
    out.bodies.push(told(body, first..out.faces.len()));
    Ok(())
}

fn told(body: &Body, faces: std::ops::Range<usize>) -> StepBody {
    StepBody { id: body.id, label: body.label.clone(), solid: body.solid, faces }
}

/// A face without a surface.
fn plain(id: u64, label: String, triangles: Result<std::ops::Range<usize>, FaceFault>) -> StepFace {
    StepFace { id, label, surface: None, triangles, gap_mm: 0.0, left_mm: 0.0 }
}
