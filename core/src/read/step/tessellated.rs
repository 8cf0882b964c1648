//! Solids and shells that a file holds as triangles only (ISO 10303-42:2014, tessellated items, from memory).
//!
//! They are a nominal as a mesh is one: their faces have no exact surface behind them.

use std::collections::HashMap;

use super::graph::{Entity, EntityFault, Graph, real};
use super::part21::Value;
use super::shapes::LARGEST_MM;
use super::topology::{Allowance, Body};
use super::units::Units;
use crate::geometry::Point;

/// Coordinates of a list, read once for all faces that use it.
type Lists = HashMap<u64, Result<Vec<Point>, EntityFault>>;

/// Reads triangulated faces in the units of one representation.
pub(super) struct Tessellation<'a> {
    graph: Graph<'a>,
    units: Units,
    lists: Lists,
    /// The vertex that a place of a list became.
    place: HashMap<(u64, usize), u32>,
    pub vertices: Vec<Point>,
}

/// The body that an item of a representation is, where it is one of triangles.
pub(super) fn body(graph: &Graph, id: u64, allowance: &mut Allowance) -> Result<Option<Body>, EntityFault> {
    let first = graph.first(id)?;
    if !["TESSELLATED_SOLID", "TESSELLATED_SHELL"].contains(&first.name) {
        return Ok(None);
    }
    let items = first.instances(1)?;
    allowance.take(items.len(), id)?;
    // Edges and corners may stand beside the faces.
    let lines = ["TESSELLATED_EDGE", "TESSELLATED_CONNECTING_EDGE", "TESSELLATED_VERTEX", "TESSELLATED_WIRE"];
    let is_face = |item: &u64| !graph.first(*item).is_ok_and(|e| lines.contains(&e.name));
    let triangulated: Vec<u64> = items.into_iter().filter(is_face).collect();
    let solid = first.name == "TESSELLATED_SOLID";
    Ok(Some(Body { id, label: first.text(0), solid, faces: Vec::new(), triangulated }))
}

impl<'a> Tessellation<'a> {
    pub(super) fn new(graph: Graph<'a>, units: Units) -> Self {
        Self { graph, units, lists: HashMap::new(), place: HashMap::new(), vertices: Vec::new() }
    }

    /// The triangles of a face; those without three different corners are left out.
    pub(super) fn face(&mut self, id: u64) -> Result<Vec<[u32; 3]>, EntityFault> {
        let entity = self.graph.first(id)?;
        let Some(first) = corners_at(entity.name) else { return Err(self.graph.not_served(id)) };
        let index_at = first - 1;
        let mut triangles = Vec::new();
        if entity.name.starts_with("COMPLEX") {
            for strip in lists(&entity, first)? {
                for (n, w) in strip.windows(3).enumerate() {
                    // Every other one of a strip runs the other way round.
                    triangles.push(if n % 2 == 0 { [w[0], w[1], w[2]] } else { [w[1], w[0], w[2]] });
                }
            }
            for fan in lists(&entity, first + 1)? {
                let Some((middle, rim)) = fan.split_first() else { continue };
                triangles.extend(rim.windows(2).map(|w| [*middle, w[0], w[1]]));
            }
        } else {
            for t in lists(&entity, first)? {
                match t[..] {
                    [a, b, c] => triangles.push([a, b, c]),
                    _ => return Err(entity.senseless("a triangle has three corners")),
                }
            }
        }
        let list = entity.instance(1)?;
        let (graph, units) = (self.graph, self.units);
        let points = self.lists.entry(list).or_insert_with(|| coordinates(&graph, units, list));
        let points = points.as_ref().map_err(Clone::clone)?;
        // Empty or missing: corners count the coordinates themselves.
        let index = match entity.value(index_at) {
            Some(Value::List(_)) => entity.wholes(index_at)?,
            _ => Vec::new(),
        };
        let outside = || entity.senseless("a corner is counted that is not there");
        let place_of = |n: i64| -> Result<usize, EntityFault> {
            let one = |n: i64| usize::try_from(n).ok()?.checked_sub(1);
            let n = match index.is_empty() {
                true => one(n),
                false => one(n).and_then(|n| index.get(n)).and_then(|n| one(*n)),
            };
            n.filter(|n| *n < points.len()).ok_or_else(outside)
        };
        let mut out = Vec::with_capacity(triangles.len());
        for [a, b, c] in triangles {
            let [a, b, c] = [place_of(a)?, place_of(b)?, place_of(c)?];
            if a == b || b == c || c == a {
                continue;
            }
            out.push([a, b, c].map(|n| {
                // Fewer than 2^32: each costs bytes of the file.
                let next = self.vertices.len() as u32;
                *self.place.entry((list, n)).or_insert_with(|| {
                    self.vertices.push(points[n]);
                    next
                })
            }));
        }
        Ok(out)
    }
}

/// Where the corners of a face are listed, from its kind; `None` where that is not read.
fn corners_at(name: &str) -> Option<usize> {
    // (name, coordinates, pnmax, normals, link, pnindex, ...); a set of surfaces has no link.
    match name {
        "TRIANGULATED_FACE" | "COMPLEX_TRIANGULATED_FACE" => Some(6),
        "TRIANGULATED_SURFACE_SET" | "COMPLEX_TRIANGULATED_SURFACE_SET" => Some(5),
        _ => None,
    }
}

/// How many triangles a face may have, without making them.
pub(super) fn count(graph: &Graph, id: u64) -> usize {
    let of = |entity: Entity| {
        let first = corners_at(entity.name)?;
        let lengths = |at: usize| {
            let lists = entity.list(at).unwrap_or_default().iter();
            lists.map(|l| if let Value::List(l) = l { l.len().saturating_sub(2) } else { 0 }).sum::<usize>()
        };
        let strips = || lengths(first) + lengths(first + 1);
        Some(if entity.name.starts_with("COMPLEX") { strips() } else { entity.list(first).ok()?.len() })
    };
    graph.first(id).ok().and_then(of).unwrap_or(0)
}

fn lists(entity: &Entity, at: usize) -> Result<Vec<Vec<i64>>, EntityFault> {
    let senseless = || entity.senseless("triangles are lists of whole numbers");
    let one = |v: &Value| match v {
        Value::List(list) => list
            .iter()
            .map(|v| if let Value::Integer(n) = v { Ok(*n) } else { Err(senseless()) })
            .collect::<Result<Vec<i64>, _>>(),
        _ => Err(senseless()),
    };
    entity.list(at)?.iter().map(one).collect()
}

/// COORDINATES_LIST (name, how many, places).
fn coordinates(graph: &Graph, units: Units, id: u64) -> Result<Vec<Point>, EntityFault> {
    let list = graph.must(id, "COORDINATES_LIST")?;
    let one = |v: &Value| {
        let Value::List(c) = v else { return None };
        let c: Vec<f64> = c.iter().filter_map(real).map(|x| x * units.length_mm).collect();
        match c[..] {
            [x, y, z] if c.iter().all(|x| x.abs() < LARGEST_MM) => Some(Point::new(x, y, z)),
            _ => None,
        }
    };
    let points: Option<Vec<Point>> = list.list(2)?.iter().map(one).collect();
    points.ok_or(list.senseless("a place has three coordinates, none beyond 1000 km"))
}
