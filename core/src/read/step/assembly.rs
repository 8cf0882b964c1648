//! Products, their shapes and where they lie: ISO 10303-41, -43, -44 (from memory).
//!
//! A part is a product with bodies. An assembly places products in products, by an occurrence whose
//! transformation takes one axis system to another, or by a mapped item that does the same within
//! representations. Long, because representations, products and occurrences are told apart only together.

use std::collections::{BTreeMap, BTreeSet};

use super::error::StepError;
use super::graph::{Entity, EntityFault, Graph};
use super::placement::{self, OPERATOR, Place};
use super::shapes::Shapes;
use super::tessellated;
use super::topology::{Allowance, Body, body};
use super::units::of_context;
use crate::geometry::{Matrix3, Vector};
use crate::run::{CHECK_EVERY, Run};

/// Where a part lies in the file as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// Among the parts.
    pub part: usize,
    /// The names of the occurrences on the way to it, the outermost first; empty for a part by itself.
    pub path: Vec<String>,
    /// Turns the part's axes into the file's; mirrors them too where its determinant is -1.
    pub rotation: Matrix3,
    /// After the turn, mm.
    pub shift: Vector,
}

impl Placed {
    /// The first part, once, in its own axes.
    pub(super) fn alone() -> Self {
        let Place { rotation, shift } = Place::none();
        Self { part: 0, path: Vec::new(), rotation, shift }
    }
}

/// The bodies of one representation.
#[derive(Clone, Debug)]
pub(super) struct Shape {
    pub context: u64,
    pub bodies: Vec<Body>,
}

/// A product with bodies.
#[derive(Clone, Debug)]
pub(super) struct Part {
    pub name: String,
    pub shapes: Vec<Shape>,
    /// What it is placed by: the representations that are its shape.
    own: BTreeSet<u64>,
}

/// Something placed in something, by ids of representations.
#[derive(Clone, Debug)]
struct Link {
    parent: u64,
    child: u64,
    name: String,
    place: Place,
    /// By a mapped item.
    mapped: bool,
}

/// Something whose place in something could not be understood.
#[derive(Clone, Debug)]
struct Unplaced {
    parent: Option<u64>,
    child: u64,
    fault: EntityFault,
}

/// All parts and how they are placed.
#[derive(Clone, Debug, Default)]
pub(super) struct Structure {
    pub parts: Vec<Part>,
    pub notes: Vec<String>,
    links: Vec<Link>,
    unplaced: Vec<Unplaced>,
    /// Shapes of products.
    products: BTreeSet<u64>,
    /// For each representation the first of those that are the same shape.
    same: BTreeMap<u64, u64>,
}

/// Assemblies within assemblies; deeper is a circle.
const DEEPEST: usize = 32;
/// Placed parts and assemblies at most.
const MOST_PLACED: usize = 100_000;
/// Letters at most in the names on the way to all of them.
const MOST_PATH: usize = 20_000_000;

/// (record, items, context) of a representation of shape; `None` for anything else, such as the plain
/// representations of properties, which may list the same bodies again.
fn representation<'a>(graph: &Graph<'a>, id: u64) -> Option<(Entity<'a>, Vec<u64>, u64)> {
    let records = &graph.instance(id).ok()?.records;
    let is = |name: &str| {
        name.ends_with("SHAPE_REPRESENTATION")
            || ["CONSTRUCTIVE_GEOMETRY_REPRESENTATION", "SHAPE_REPRESENTATION_WITH_PARAMETERS"]
                .contains(&name)
    };
    records.iter().find(|r| is(r.name))?;
    let name =
        records.iter().find(|r| (is(r.name) || r.name == "REPRESENTATION") && r.values.len() >= 3)?.name;
    let entity = graph.part(id, name).ok()??;
    Some((entity, entity.instances(1).ok()?, entity.maybe_instance(2)?))
}

/// Whether an item is a surface by itself, which has no end and bounds nothing.
fn is_bare_surface(graph: &Graph, id: u64) -> bool {
    let is = |name: &str| name.ends_with("_SURFACE") || name.starts_with("B_SPLINE_SURFACE");
    graph.instance(id).is_ok_and(|i| i.records.iter().any(|r| is(r.name)))
}

/// Whether an item is material or a surface that this reader does not know, and no axes, curves or notes.
fn is_unread_body(graph: &Graph, id: u64) -> bool {
    let is = |name: &str| {
        ["_SOLID", "_BREP", "_SURFACE_MODEL"].iter().any(|end| name.ends_with(end))
            || ["BOOLEAN_RESULT", "SOLID_REPLICA", "BLOCK", "SPHERE", "TORUS", "RIGHT_CIRCULAR_CYLINDER"]
                .contains(&name)
            || ["RIGHT_CIRCULAR_CONE", "RIGHT_ANGULAR_WEDGE", "HALF_SPACE_SOLID"].contains(&name)
    };
    graph.instance(id).is_ok_and(|i| i.records.iter().any(|r| is(r.name)))
}

impl Structure {
    pub(super) fn read(graph: &Graph, run: &Run) -> Result<Self, StepError> {
        let mut out = Self::default();
        // Every representation with what it holds.
        let mut shapes: BTreeMap<u64, (String, Shape)> = BTreeMap::new();
        let mut contexts: BTreeMap<u64, (u64, Vec<u64>)> = BTreeMap::new();
        let mut triangles_only = false;
        let mut allowance = Allowance::of(graph);
        for (n, instance) in graph.exchange.instances.iter().enumerate() {
            if n.is_multiple_of(CHECK_EVERY) {
                run.check()?;
            }
            triangles_only |= instance.records.iter().any(|r| r.name.starts_with("TESSELLATED_S"));
            let Some((entity, items, context)) = representation(graph, instance.id) else { continue };
            let mut bodies = Vec::new();
            for item in &items {
                let exact = body(graph, *item, &mut allowance);
                match exact.and_then(|b| match b {
                    Some(b) => Ok(Some(b)),
                    None => tessellated::body(graph, *item, &mut allowance),
                }) {
                    Ok(Some(body)) => bodies.push(body),
                    Ok(None) if is_bare_surface(graph, *item) => {
                        let kind = graph.kind(*item);
                        out.notes
                            .push(format!("left out: #{item} ({kind}) is a bare surface without a face"));
                    }
                    Ok(None) if is_unread_body(graph, *item) => {
                        out.notes.push(format!("left out: {}", graph.not_served(*item)));
                    }
                    Ok(None) => {}
                    Err(fault) => out.notes.push(format!("an item of #{} is left out: {fault}", instance.id)),
                }
            }
            contexts.insert(instance.id, (context, items));
            if !bodies.is_empty() {
                shapes.insert(instance.id, (entity.text(0), Shape { context, bodies }));
            }
        }
        if shapes.is_empty() {
            return Err(StepError::NoShape { tessellated: triangles_only });
        }
        out.join_same(graph, contexts.keys().copied());
        let shape_of = shapes_of_definitions(graph);
        let names = out.product_names(graph);
        out.prefer_exact(&mut shapes, &shape_of, &names);
        out.products = names.keys().copied().collect();
        let placed = out.link_occurrences(graph, &contexts, &shape_of);
        out.link_mapped(graph, &contexts, run)?;
        out.without_place(graph, &placed, &shape_of);
        let mut by_shape: BTreeMap<u64, usize> = BTreeMap::new();
        // A body that several representations hold belongs to the first of them that is a product's.
        let mut order: Vec<(bool, u64)> =
            shapes.keys().map(|id| (!names.contains_key(&out.root(*id)), *id)).collect();
        order.sort_unstable();
        let mut seen: BTreeSet<u64> = BTreeSet::new();
        for (_, id) in order {
            let Some((label, mut shape)) = shapes.remove(&id) else { continue };
            shape.bodies.retain(|b| seen.insert(b.id));
            if shape.bodies.is_empty() {
                continue;
            }
            let root = out.root(id);
            let n = *by_shape.entry(root).or_insert_with(|| {
                let name = names.get(&root).cloned().unwrap_or(label);
                out.parts.push(Part { name, shapes: Vec::new(), own: BTreeSet::from([root]) });
                out.parts.len() - 1
            });
            out.parts[n].shapes.push(shape);
        }
        Ok(out)
    }

    /// Triangles beside exact bodies of one product say the same less well; they are taken where it has nothing else.
    fn prefer_exact(
        &mut self,
        shapes: &mut BTreeMap<u64, (String, Shape)>,
        shape_of: &BTreeMap<u64, Vec<u64>>,
        names: &BTreeMap<u64, String>,
    ) {
        let exact = |b: &Body| b.triangulated.is_empty();
        // The first shape of a product stands for all of them; what belongs to none stands together.
        let mut product: BTreeMap<u64, u64> = BTreeMap::new();
        for of_one in shape_of.values() {
            if let Some(first) = of_one.first() {
                of_one.iter().for_each(|id| _ = product.entry(self.root(*id)).or_insert(self.root(*first)));
            }
        }
        let of = |id: &u64| product.get(&self.root(*id)).copied();
        let with_exact: BTreeSet<Option<u64>> =
            shapes.iter().filter(|(_, (_, s))| s.bodies.iter().any(exact)).map(|(id, _)| of(id)).collect();
        let mut aside: BTreeMap<String, usize> = BTreeMap::new();
        for (id, (label, shape)) in shapes.iter_mut() {
            let own = of(id);
            if with_exact.contains(&own) || (own.is_none() && !with_exact.is_empty()) {
                let before = shape.bodies.len();
                shape.bodies.retain(exact);
                let left_out = before - shape.bodies.len();
                if left_out > 0 {
                    let name = own.and_then(|p| names.get(&p)).unwrap_or(label).clone();
                    *aside.entry(name).or_default() += left_out;
                }
            }
        }
        shapes.retain(|_, (_, shape)| !shape.bodies.is_empty());
        for (name, count) in aside {
            let bodies =
                if count == 1 { "1 tessellated body".into() } else { format!("{count} tessellated bodies") };
            self.notes.push(format!("{bodies} of `{name}` beside exact ones left out"));
        }
    }

    fn root(&self, mut id: u64) -> u64 {
        while let Some(&next) = self.same.get(&id) {
            if next == id {
                break;
            }
            id = next;
        }
        id
    }

    fn join(&mut self, a: u64, b: u64) {
        let (a, b) = (self.root(a), self.root(b));
        self.same.insert(a.max(b), a.min(b));
    }

    /// Representations that are related without a transformation are one shape.
    fn join_same(&mut self, graph: &Graph, all: impl Iterator<Item = u64>) {
        for id in all {
            self.same.insert(id, id);
        }
        for instance in &graph.exchange.instances {
            let transformed =
                instance.records.iter().any(|r| r.name == "REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION");
            if transformed {
                continue;
            }
            for name in
                ["SHAPE_REPRESENTATION_RELATIONSHIP", "CONSTRUCTIVE_GEOMETRY_REPRESENTATION_RELATIONSHIP"]
            {
                if let Ok(Some(e)) = graph.part(instance.id, name)
                    && let (Some(a), Some(b)) = (e.maybe_instance(2), e.maybe_instance(3))
                    && self.same.contains_key(&a)
                    && self.same.contains_key(&b)
                {
                    self.join(a, b);
                }
            }
        }
    }

    /// The name of the product that each shape belongs to.
    fn product_names(&self, graph: &Graph) -> BTreeMap<u64, String> {
        let mut names = BTreeMap::new();
        for e in graph.all("SHAPE_DEFINITION_REPRESENTATION") {
            let (Ok(shape), Ok(representation)) = (e.instance(0), e.instance(1)) else { continue };
            // Aspects of a shape (a hole, a datum) have representations too, but no product of their own.
            let Ok(Some(shape)) = graph.part(shape, "PRODUCT_DEFINITION_SHAPE") else { continue };
            if let Some(name) = shape.maybe_instance(2).and_then(|id| product_name(graph, id)) {
                names.entry(self.root(representation)).or_insert(name);
            }
        }
        names
    }

    /// The occurrences (ids) whose place is told, or told to be unknown.
    fn link_occurrences(
        &mut self,
        graph: &Graph,
        contexts: &BTreeMap<u64, (u64, Vec<u64>)>,
        shape_of: &BTreeMap<u64, Vec<u64>>,
    ) -> BTreeSet<u64> {
        let mut told = BTreeSet::new();
        for e in graph.all("CONTEXT_DEPENDENT_SHAPE_REPRESENTATION") {
            // Which products it is about is told even where their place is not.
            let about = e.instance(1).and_then(|id| occurrence_of(graph, id));
            told.extend(about.as_ref().ok().map(|usage| usage.id));
            let product = |at: usize| {
                let definition = about.as_ref().ok()?.maybe_instance(at)?;
                shape_of.get(&definition)?.first().map(|id| self.root(*id))
            };
            let (parent, child) = (product(3), product(4));
            let link = about.clone().and_then(|usage| match usage.name {
                "NEXT_ASSEMBLY_USAGE_OCCURRENCE" => {
                    self.occurrence(graph, &e, usage.text(1), child, contexts)
                }
                _ => Err(graph.other_kind(usage.id, "NEXT_ASSEMBLY_USAGE_OCCURRENCE")),
            });
            match link {
                Ok(Some(link)) => self.links.push(link),
                Ok(None) => {}
                Err(fault) => {
                    self.notes.push(format!("the occurrence #{} is left out: {fault}", e.id));
                    self.unplaced.extend(child.map(|child| Unplaced { parent, child, fault }));
                }
            }
        }
        told
    }

    /// Occurrences of which no place is told: what lies somewhere unknown does not lie at the origin. One alone, where
    /// nothing else is placed, is a part with its product above it, and keeps its own axes. `told` are those whose place is.
    fn without_place(&mut self, graph: &Graph, told: &BTreeSet<u64>, shape_of: &BTreeMap<u64, Vec<u64>>) {
        let root = |definition: Option<u64>| {
            shape_of.get(&definition?).and_then(|s| s.first()).map(|id| self.root(*id))
        };
        // Those that mapped items place, one each.
        let mut mapped: BTreeMap<(u64, u64), usize> = BTreeMap::new();
        for link in self.links.iter().filter(|l| l.mapped) {
            *mapped.entry((link.parent, link.child)).or_default() += 1;
        }
        let mut nowhere = Vec::new();
        for e in graph.all("NEXT_ASSEMBLY_USAGE_OCCURRENCE").filter(|e| !told.contains(&e.id)) {
            let (parent, child) = (root(e.maybe_instance(3)), root(e.maybe_instance(4)));
            // Without a shape of its own there is nothing to place; with its parent's it lies as that does.
            let Some(child) = child.filter(|_| parent != child) else { continue };
            if let Some(left) = parent.and_then(|p| mapped.get_mut(&(p, child))).filter(|n| **n > 0) {
                *left -= 1;
                continue;
            }
            nowhere.push((e.id, Unplaced { parent, child, fault: EntityFault::Nowhere { id: e.id } }));
        }
        if let ([(id, _)], true) = (nowhere.as_slice(), self.links.is_empty() && self.unplaced.is_empty()) {
            self.notes
                .push(format!("the occurrence #{id} has no place: what it places is taken in its own axes"));
            return;
        }
        for (id, unplaced) in nowhere {
            self.notes.push(format!("the occurrence #{id} is left out: the file tells no place of it"));
            self.unplaced.push(unplaced);
        }
    }

    fn occurrence(
        &self,
        graph: &Graph,
        e: &Entity,
        name: String,
        child: Option<u64>,
        contexts: &BTreeMap<u64, (u64, Vec<u64>)>,
    ) -> Result<Option<Link>, EntityFault> {
        let relation = e.instance(0)?;
        let Some(pair) = graph.part(relation, "REPRESENTATION_RELATIONSHIP")? else { return Ok(None) };
        let with = graph.must(relation, "REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION")?;
        let (first, second) = (pair.instance(2)?, pair.instance(3)?);
        let transformation = with.instance(0)?;
        let axes = |representation: u64, item: u64| {
            let Some((context, _)) = contexts.get(&representation) else {
                return Err(graph.other_kind(representation, "SHAPE_REPRESENTATION"));
            };
            placement::axes(&Shapes { graph: *graph, units: of_context(graph, *context)? }, item)
        };
        let (from, to) = match graph.part(transformation, "ITEM_DEFINED_TRANSFORMATION")? {
            Some(items) => (axes(first, items.instance(2)?)?, axes(second, items.instance(3)?)?),
            None if graph.part(transformation, OPERATOR)?.is_some() => {
                (placement::still(), axes(second, transformation)?)
            }
            None => return Err(graph.other_kind(transformation, "ITEM_DEFINED_TRANSFORMATION")),
        };
        // The first is the placed one, but some files have it the other way round: the product tells.
        let swapped = child == Some(self.root(second)) && child != Some(self.root(first));
        let (parent, child, place) = if swapped {
            (first, second, Place::between(&to, &from))
        } else {
            (second, first, Place::between(&from, &to))
        };
        Ok(Some(Link { parent: self.root(parent), child: self.root(child), name, place, mapped: false }))
    }

    fn link_mapped(
        &mut self,
        graph: &Graph,
        contexts: &BTreeMap<u64, (u64, Vec<u64>)>,
        run: &Run,
    ) -> Result<(), StepError> {
        // Occurrences, of which each may be told by one mapped item too.
        let mut told: BTreeMap<(u64, u64), Vec<Place>> = BTreeMap::new();
        for link in &self.links {
            told.entry((link.parent, link.child)).or_default().push(link.place);
        }
        for (id, (context, items)) in contexts {
            let parent = self.root(*id);
            // Views and the like map whole products too and are no assemblies.
            if !self.of_product(parent) {
                continue;
            }
            for item in items {
                run.check()?;
                let Ok(Some(mapped)) = graph.part(*item, "MAPPED_ITEM") else { continue };
                let map = mapped.instance(1).and_then(|map| graph.must(map, "REPRESENTATION_MAP"));
                let Some(child) = map.as_ref().ok().and_then(|map| map.maybe_instance(1)) else { continue };
                let Some((inner, _)) = contexts.get(&child) else { continue };
                let child = self.root(child);
                let place = map.and_then(|map| {
                    let within = |context: u64| -> Result<Shapes, EntityFault> {
                        Ok(Shapes { graph: *graph, units: of_context(graph, context)? })
                    };
                    let from = placement::axes(&within(*inner)?, map.instance(0)?)?;
                    let to = placement::axes(&within(*context)?, mapped.instance(2)?)?;
                    Ok(Place::between(&from, &to))
                });
                match place {
                    Ok(place) => {
                        let of_both = told.get_mut(&(parent, child));
                        let again = of_both.and_then(|places| {
                            let at = places.iter().position(|p| p.near(&place))?;
                            Some(places.swap_remove(at))
                        });
                        if again.is_none() {
                            self.links.push(Link {
                                parent,
                                child,
                                name: mapped.text(0),
                                place,
                                mapped: true,
                            });
                        }
                    }
                    Err(fault) => {
                        self.notes.push(format!("the mapped item #{item} is left out: {fault}"));
                        self.unplaced.push(Unplaced { parent: Some(parent), child, fault });
                    }
                }
            }
        }
        Ok(())
    }

    /// Whether a representation is a product's, where the file has products.
    fn of_product(&self, id: u64) -> bool {
        self.products.is_empty() || self.products.contains(&id)
    }

    /// The parts (indices) asked for.
    pub(super) fn chosen(&self, wanted: Option<&str>) -> Result<Vec<usize>, StepError> {
        let Some(wanted) = wanted else { return Ok((0..self.parts.len()).collect()) };
        let found: Vec<usize> = (0..self.parts.len()).filter(|n| self.parts[*n].name == wanted).collect();
        match found.len() {
            1 => Ok(found),
            0 => Err(StepError::NoPart {
                wanted: wanted.to_string(),
                names: self.parts.iter().map(|p| p.name.clone()).collect(),
            }),
            count => Err(StepError::SeveralParts { wanted: wanted.to_string(), count }),
        }
    }

    /// Where the chosen parts lie; `part` counts among the chosen.
    ///
    /// # Errors
    /// A part that is scaled where it is placed, no part whose place is known; more placed parts, or more text in the
    /// names on the way to them, than allowed.
    pub(super) fn placed(&self, chosen: &[usize], run: &Run) -> Result<Vec<Placed>, StepError> {
        let mut out = Vec::new();
        let unplaced = || self.unplaced.iter().filter(|u| u.parent.is_none_or(|p| self.of_product(p)));
        if let Some(scaled) = unplaced().find(|u| matches!(u.fault, EntityFault::Scaled { .. })) {
            return Err(StepError::Entity(scaled.fault.clone()));
        }
        let mut children: BTreeMap<u64, Vec<&Link>> = BTreeMap::new();
        for link in self.links.iter().filter(|l| self.of_product(l.parent)) {
            children.entry(link.parent).or_default().push(link);
        }
        // What lies somewhere unknown does not lie at the origin.
        let mut placed: BTreeSet<u64> = unplaced().map(|u| u.child).collect();
        placed.extend(children.values().flatten().map(|l| l.child));
        let own = |n: &usize| self.parts[*n].own.iter().copied();
        let mut roots: BTreeSet<u64> = children.keys().copied().collect();
        roots.extend((0..self.parts.len()).collect::<Vec<_>>().iter().flat_map(own));
        roots.retain(|id| !placed.contains(id));
        // Views and the like map whole products too and are no assemblies.
        if roots.iter().any(|id| self.products.contains(id)) {
            roots.retain(|id| self.products.contains(id));
        }
        let mut part_of: BTreeMap<u64, usize> = BTreeMap::new();
        for (part, n) in chosen.iter().enumerate() {
            own(n).for_each(|id| {
                part_of.entry(id).or_insert(part);
            });
        }
        let mut open: Vec<(u64, Vec<String>, Place)> =
            roots.into_iter().rev().map(|id| (id, Vec::new(), Place::none())).collect();
        // Of what was ever put in line: a few lines of a file may ask for millions.
        let (mut count, mut text) = (0, 0);
        while let Some((id, path, place)) = open.pop() {
            run.check()?;
            for link in children.get(&id).into_iter().flatten().rev() {
                // A circle ends here.
                if path.len() >= DEEPEST {
                    break;
                }
                let mut path = path.clone();
                path.push(link.name.clone());
                count += 1;
                text += path.iter().map(String::len).sum::<usize>();
                let (placed, letters) = ("placed parts", "letters in the names of placed parts");
                if count > MOST_PLACED {
                    return Err(StepError::TooMany { what: placed, limit: MOST_PLACED as u64 });
                }
                if text > MOST_PATH {
                    return Err(StepError::TooMany { what: letters, limit: MOST_PATH as u64 });
                }
                open.push((link.child, path, place.after(&link.place)));
            }
            if let Some(part) = part_of.get(&id) {
                out.push(Placed { part: *part, path, rotation: place.rotation, shift: place.shift });
            }
        }
        match unplaced().next() {
            Some(first) if out.is_empty() => Err(StepError::Entity(first.fault.clone())),
            None if out.is_empty() && !chosen.is_empty() => Err(StepError::Circle),
            _ => Ok(out),
        }
    }
}

/// The representations that are the shape of each product definition, as the file has them.
fn shapes_of_definitions(graph: &Graph) -> BTreeMap<u64, Vec<u64>> {
    let mut shapes: BTreeMap<u64, Vec<u64>> = BTreeMap::new();
    for e in graph.all("SHAPE_DEFINITION_REPRESENTATION") {
        let (Ok(shape), Ok(representation)) = (e.instance(0), e.instance(1)) else { continue };
        if let Ok(Some(shape)) = graph.part(shape, "PRODUCT_DEFINITION_SHAPE")
            && let Some(definition) = shape.maybe_instance(2)
        {
            shapes.entry(definition).or_default().push(representation);
        }
    }
    shapes
}

/// The occurrence that a placed shape is about; some files write a plain property of it.
fn occurrence_of<'a>(graph: &Graph<'a>, shape: u64) -> Result<Entity<'a>, EntityFault> {
    let property = match graph.part(shape, "PROPERTY_DEFINITION")? {
        Some(property) => property,
        None => graph.must(shape, "PRODUCT_DEFINITION_SHAPE")?,
    };
    let usage = property.instance(2)?;
    let records = &graph.instance(usage)?.records;
    match records.iter().find(|r| r.name.ends_with("USAGE_OCCURRENCE")) {
        Some(record) => graph.part(usage, record.name)?.ok_or(EntityFault::NotThere { id: usage }),
        None => Err(graph.other_kind(usage, "NEXT_ASSEMBLY_USAGE_OCCURRENCE")),
    }
}

fn product_name(graph: &Graph, definition: u64) -> Option<String> {
    let definition = graph
        .part(definition, "PRODUCT_DEFINITION")
        .ok()?
        .or(graph.part(definition, "PRODUCT_DEFINITION_WITH_ASSOCIATED_DOCUMENTS").ok()?)?;
    let formation = graph.first(definition.maybe_instance(2)?).ok()?;
    let product = graph.part(formation.maybe_instance(2)?, "PRODUCT").ok()??;
    let name = product.text(1);
    Some(if name.is_empty() { product.text(0) } else { name })
}
