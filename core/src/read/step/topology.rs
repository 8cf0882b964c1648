//! Solids, shells, faces and loops: ISO 10303-42 (from memory).

use super::graph::{EntityFault, Graph};

/// One step along a loop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Along an edge, or back along it.
    Edge { id: u64, forward: bool },
    /// Straight from this point to the next (POLY_LOOP).
    Corner { point: u64 },
}

/// A face as the file tells it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Face {
    pub id: u64,
    pub label: String,
    pub surface: u64,
    /// Whether its own normal is that of its surface.
    pub same_sense: bool,
    /// Whether its shell turns it round.
    pub turned: bool,
    /// Counter-clockwise seen from its own normal.
    pub loops: Vec<Vec<Step>>,
    /// Vertices that bound it alone (VERTEX_LOOP): tips and poles.
    pub tips: Vec<u64>,
}

/// A solid or a model of surfaces.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Body {
    pub id: u64,
    pub label: String,
    /// Whether it encloses material.
    pub solid: bool,
    /// Its faces; those that cannot be understood are told by id.
    pub faces: Vec<Result<Face, (u64, EntityFault)>>,
    /// Ids of triangulated faces, where it consists of those.
    pub triangulated: Vec<u64>,
}

/// How many faces and edges of loops are still taken. A file of a few bytes may name the same shell a thousand
/// times, and that shell the same face.
pub(super) struct Allowance(usize);

impl Allowance {
    /// A sound file names each of its instances in one face or loop, and a body in a few representations.
    pub(super) fn of(graph: &Graph) -> Self {
        Self(16 * graph.exchange.instances.len() + 1000)
    }

    pub(super) fn take(&mut self, count: usize, id: u64) -> Result<(), EntityFault> {
        let problem = "the file names its faces and edges many times over";
        self.0 = self.0.checked_sub(count).ok_or(EntityFault::Senseless { id, problem })?;
        Ok(())
    }
}

/// The body that an item of a representation is; `None` for anything else.
pub(super) fn body(graph: &Graph, id: u64, allowance: &mut Allowance) -> Result<Option<Body>, EntityFault> {
    let mut shells: Vec<(u64, bool)> = Vec::new();
    let label = |at: u64| graph.first(at).map(|e| e.text(0));
    let first = graph.first(id)?;
    let kind = ["MANIFOLD_SOLID_BREP", "BREP_WITH_VOIDS", "FACETED_BREP"];
    let solid = graph.instance(id)?.records.iter().any(|r| kind.contains(&r.name));
    if solid {
        // (name, outer, voids) in a simple instance; each by itself in a complex one.
        let outer = graph.part(id, "MANIFOLD_SOLID_BREP")?.unwrap_or(first);
        shells.push((outer.instance(outer.maybe_instance(0).map_or(1, |_| 0))?, false));
        if let Some(voids) = graph.part(id, "BREP_WITH_VOIDS")? {
            let list = voids.instances(voids.length().saturating_sub(1))?;
            shells.extend(list.into_iter().map(|s| (s, false)));
        }
    } else if ["SHELL_BASED_SURFACE_MODEL", "FACE_BASED_SURFACE_MODEL"].contains(&first.name) {
        shells.extend(first.instances(1)?.into_iter().map(|s| (s, false)));
    } else {
        return Ok(None);
    }
    let mut faces = Vec::new();
    for (shell, turned) in shells {
        let (list, turned) = faces_of_shell(graph, shell, turned)?;
        allowance.take(list.len(), shell)?;
        for id in list {
            faces.push(face(graph, id, turned, allowance).map_err(|fault| (id, fault)));
        }
    }
    Ok(Some(Body { id, label: label(id)?, solid, faces, triangulated: Vec::new() }))
}

fn faces_of_shell(graph: &Graph, id: u64, turned: bool) -> Result<(Vec<u64>, bool), EntityFault> {
    let shell = graph.first(id)?;
    match shell.name {
        "CLOSED_SHELL" | "OPEN_SHELL" | "CONNECTED_FACE_SET" => Ok((shell.instances(1)?, turned)),
        "ORIENTED_CLOSED_SHELL" | "ORIENTED_OPEN_SHELL" => {
            let inner = graph.first(shell.instance(2)?)?;
            if !["CLOSED_SHELL", "OPEN_SHELL"].contains(&inner.name) {
                return Err(graph.other_kind(inner.id, "CLOSED_SHELL"));
            }
            Ok((inner.instances(1)?, turned == shell.flag(3)?))
        }
        _ => Err(graph.other_kind(id, "CLOSED_SHELL")),
    }
}

fn face(graph: &Graph, id: u64, turned: bool, allowance: &mut Allowance) -> Result<Face, EntityFault> {
    let mut face = graph.first(id)?;
    let label = face.text(0);
    let mut turned = turned;
    if face.name == "ORIENTED_FACE" {
        turned = turned == face.flag(3)?;
        face = graph.first(face.instance(2)?)?;
    }
    if !["ADVANCED_FACE", "FACE_SURFACE"].contains(&face.name) {
        return Err(graph.other_kind(face.id, "ADVANCED_FACE"));
    }
    let (mut loops, mut tips) = (Vec::new(), Vec::new());
    for bound in face.instances(1)? {
        let bound = graph.first(bound)?;
        if !["FACE_BOUND", "FACE_OUTER_BOUND"].contains(&bound.name) {
            return Err(graph.other_kind(bound.id, "FACE_BOUND"));
        }
        let forward = bound.flag(2)?;
        let l = graph.first(bound.instance(1)?)?;
        let mut steps = match l.name {
            "EDGE_LOOP" => edge_loop(graph, &l.instances(1)?)?,
            "POLY_LOOP" => l.instances(1)?.into_iter().map(|point| Step::Corner { point }).collect(),
            "VERTEX_LOOP" => {
                tips.push(l.instance(1)?);
                continue;
            }
            _ => return Err(graph.other_kind(l.id, "EDGE_LOOP")),
        };
        if steps.is_empty() {
            return Err(l.senseless("a loop without edges"));
        }
        allowance.take(steps.len(), l.id)?;
        if !forward {
            reverse(&mut steps);
        }
        loops.push(steps);
    }
    Ok(Face { id, label, surface: face.instance(2)?, same_sense: face.flag(3)?, turned, loops, tips })
}

fn edge_loop(graph: &Graph, edges: &[u64]) -> Result<Vec<Step>, EntityFault> {
    let one = |id: &u64| {
        let edge = graph.must(*id, "ORIENTED_EDGE")?;
        Ok(Step::Edge { id: edge.instance(3)?, forward: edge.flag(4)? })
    };
    edges.iter().map(one).collect()
}

/// The same loop the other way round.
pub(super) fn reverse(steps: &mut [Step]) {
    steps.reverse();
    for step in steps {
        if let Step::Edge { forward, .. } = step {
            *forward = !*forward;
        }
    }
}

/// Whether every edge is run along there and back: then the loops bound nothing and are seams only.
pub(super) fn only_seams(loops: &[Vec<Step>]) -> bool {
    let mut net: std::collections::BTreeMap<u64, i64> = std::collections::BTreeMap::new();
    for step in loops.iter().flatten() {
        match step {
            Step::Edge { id, forward } => *net.entry(*id).or_default() += if *forward { 1 } else { -1 },
            Step::Corner { .. } => return false,
        }
    }
    net.values().all(|n| *n == 0)
}
