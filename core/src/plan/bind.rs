//! Binds the plan's picks to triangles of the nominal: once, so that a feature cannot move silently. Long,
//! because each kind of feature is found in its own way and judged in one.

use super::domain::{DatumFrom, DatumSource, DatumSystem, Feature, FeatureKind, Place, Plan, Situation};
use super::edge::{self, BoundEdge};
use super::faces as by_faces;
use super::fault::Fault;
use super::hole;
use super::lie;
use super::neighbour::BoundNeighbour;
use super::on_skin;
use super::round_face;
use super::slot;
use super::tree::short;
use crate::geometry::{Direction, Point, TriangleMesh, closest_point_on_triangle};
use crate::nominal::{Carrier, Nominal};
use std::collections::VecDeque;
use std::f64::consts::PI;

/// A pick further from everything than this is a slip of the pen. Coordinates come off a drawing or a
/// screen; common practice, no source.
pub(super) const REACH_MM: f64 = 10.0;

/// The second best must be further than the best by this and by [`CLEARLY_PART`] of the best's distance,
/// or the pick could mean either. Half a millimetre is finer than a coordinate off a drawing.
const CLEARLY_MM: f64 = 0.5;
const CLEARLY_PART: f64 = 0.1;

/// How far a surface may turn from `facing`, which is given roughly, and still be meant: 30 degrees.
const FACING_RAD: f64 = PI / 6.0;

/// Hole datums stand square on the plane datum, or they hold other freedoms than a plan's reader thinks:
/// 5 degrees, ten times what drilling by hand leaves.
const SQUARE_RAD: f64 = PI / 36.0;

/// Closer than this two hole datums give no turn.
const APART_MM: f64 = 1.0;

/// Where every feature of a plan lies on its nominal.
#[derive(Clone, Debug, PartialEq)]
pub struct FaceMap {
    /// In the order of [`Plan::features`].
    pub features: Vec<BoundFeature>,
    /// The edges of neighbours, in the order of [`Plan::neighbours`]; none until [`FaceMap::with_neighbours`].
    pub neighbours: Vec<BoundNeighbour>,
    /// What there is to tell about how they were found: a face that has another number now.
    pub remarks: Vec<String>,
}

/// Where one feature lies: on the nominal, where it was picked there. Two features may share triangles.
#[derive(Clone, Debug, PartialEq)]
pub struct BoundFeature {
    /// Id in the plan.
    pub id: String,
    /// Kind.
    pub kind: FeatureKind,
    /// Its triangles, ascending; none where it is placed by its own numbers.
    pub triangles: Vec<u32>,
    /// The exact surface, where there is one: always for a picked plane and a picked hole.
    pub carrier: Option<Carrier>,
    /// By what it is placed.
    pub situation: Situation,
    /// Area, mm2; 0 where it has no triangles.
    pub area_mm2: f64,
    /// Centroid of its area, mm, or its place.
    pub centroid: Point,
    /// Indices in the plan of the features that it is made of; none for most.
    pub of: Vec<usize>,
    /// The line of a trimmed edge; its triangles are then those of the skin that touch it.
    pub edge: Option<BoundEdge>,
}

impl BoundFeature {
    fn stated(feature: &Feature, situation: Situation) -> Self {
        let centroid = match situation {
            Situation::Plane { at, .. }
            | Situation::Hole { at, .. }
            | Situation::Slot { at, .. }
            | Situation::Cylinder { at, .. }
            | Situation::Cone { at, .. }
            | Situation::Sphere { at, .. }
            | Situation::Torus { at, .. }
            | Situation::Width { at, .. }
            | Situation::Point { at, .. } => at,
            Situation::Surface | Situation::Group | Situation::Edge => Point::origin(),
        };
        Self {
            id: feature.id.clone(),
            kind: feature.kind,
            triangles: Vec::new(),
            carrier: None,
            situation,
            area_mm2: 0.0,
            centroid,
            of: Vec::new(),
            edge: None,
        }
    }
}

/// What a pick means, in short.
pub(super) struct Pick {
    pub(super) kind: FeatureKind,
    pub(super) near: Point,
    pub(super) facing: Option<Direction>,
    grow_to_angle_rad: Option<f64>,
    /// The faces that are named instead of a place, by index.
    pub(super) faces: Vec<u32>,
}

impl Pick {
    /// What lies near a place, facing roughly so.
    pub(super) fn at(kind: FeatureKind, near: Point, facing: Option<Direction>) -> Self {
        Self { kind, near, facing, grow_to_angle_rad: None, faces: Vec::new() }
    }
}

/// What of a plan was found on a nominal, and what not.
#[derive(Clone, Debug, PartialEq)]
pub struct Binding {
    /// In the order of [`Plan::features`]; `None` for one that was not found, or that is made of such a one.
    pub features: Vec<Option<BoundFeature>>,
    /// As in [`FaceMap::remarks`].
    pub remarks: Vec<String>,
    /// Why [`bind`] refuses it; none where it does not.
    pub faults: Vec<Fault>,
}

/// Finds every feature of a plan on its nominal; those that say their own place need none. Neighbours have nominals of their
/// own: [`FaceMap::with_neighbours`].
///
/// # Errors
/// A fault for every pick that is near nothing of its kind or could mean two things, and for every datum
/// system whose features cannot hold it.
pub fn bind(plan: &Plan, nominal: Option<&Nominal>) -> Result<FaceMap, Vec<Fault>> {
    let Binding { features, remarks, faults } = bind_each(plan, nominal);
    match features.into_iter().collect() {
        Some(features) if faults.is_empty() => Ok(FaceMap { features, neighbours: Vec::new(), remarks }),
        _ => Err(faults),
    }
}

/// As [`bind`], and keeps the features that were found beside the faults of the others: for telling what became of a plan on
/// another nominal, never for measuring.
pub fn bind_each(plan: &Plan, nominal: Option<&Nominal>) -> Binding {
    let mut faults = Vec::new();
    let mut remarks = Vec::new();
    let mut bound: Vec<Option<BoundFeature>> = plan
        .features
        .iter()
        .enumerate()
        .map(|(i, feature)| {
            bind_one(feature, nominal, &mut remarks)
                .map_err(|problem| faults.push(of_pick(i, feature, &problem)))
                .ok()
        })
        .collect();
    for (i, feature) in plan.features.iter().enumerate() {
        let Place::Of(members) = &feature.place else { continue };
        // A member that is bound to nothing has its own fault.
        let Some(parts) = members.iter().map(|&m| bound[m].as_ref()).collect::<Option<Vec<_>>>() else {
            bound[i] = None;
            continue;
        };
        bound[i] = made_of(feature, members, &parts)
            .map_err(|problem| {
                let key = feature.kind.word();
                let problem = format!("feature {}: {problem}", short(&feature.id));
                faults.push(Fault { place: format!("feature[{i}].{key}.of"), problem });
            })
            .ok();
    }
    for (i, feature) in plan.features.iter().enumerate() {
        let Place::Edge(place) = &feature.place else { continue };
        // A skin that is bound to nothing has its own fault.
        let skin = bound[place.of].as_ref();
        bound[i] = skin.zip(nominal).and_then(|(skin, nominal)| {
            edge::bind(feature, place, skin, nominal)
                .map_err(|(key, problem)| {
                    let problem = format!("feature {}: {problem}", short(&feature.id));
                    faults.push(Fault { place: format!("feature[{i}].edge{key}"), problem });
                })
                .ok()
        });
    }
    for (i, feature) in plan.features.iter().enumerate() {
        let Place::Countersink(place) = &feature.place else { continue };
        // A hole that is bound to nothing has its own fault.
        let hole = bound[place.of].as_ref();
        bound[i] = hole.and_then(|hole| {
            on_skin::bind_sink(feature, place, hole, nominal)
                .map_err(|problem| {
                    let problem = format!("feature {}: {problem}", short(&feature.id));
                    faults.push(Fault { place: format!("feature[{i}].countersink.of"), problem });
                })
                .ok()
        });
    }
    for (i, system) in plan.datum_systems.iter().enumerate() {
        datum_system(i, system, &bound, &mut faults);
    }
    faults.extend(lie::orientations(plan, &bound));
    Binding { features: bound, remarks, faults }
}

pub(super) fn bind_one(
    feature: &Feature,
    nominal: Option<&Nominal>,
    remarks: &mut Vec<String>,
) -> Result<BoundFeature, String> {
    let pick = match &feature.place {
        Place::Pick { near, facing, grow_to_angle_rad } => Pick {
            kind: feature.kind,
            near: *near,
            facing: *facing,
            grow_to_angle_rad: *grow_to_angle_rad,
            faces: Vec::new(),
        },
        Place::Faces { keys, prints } => {
            let nominal = nominal.ok_or("it is on a nominal, and none was sent")?;
            let (faces, told) = by_faces::found(keys, prints, nominal)?;
            remarks.extend(told.iter().map(|r| format!("feature {}: {r}", short(&feature.id))));
            let Some(&first) = faces.first() else { return Err("it names no face".to_owned()) };
            let near = nominal.faces()[first as usize].centroid;
            Pick { kind: feature.kind, near, facing: None, grow_to_angle_rad: None, faces }
        }
        Place::Stated(situation) => return Ok(BoundFeature::stated(feature, *situation)),
        Place::Of(_) => return Ok(BoundFeature::stated(feature, Situation::Group)),
        Place::Edge(_) => return Ok(BoundFeature::stated(feature, Situation::Edge)),
        Place::Countersink(_) => return Ok(BoundFeature::stated(feature, Situation::Surface)),
    };
    found(&pick, nominal).and_then(|(found, mesh)| found.bound(feature, mesh))
}

fn of_pick(index: usize, feature: &Feature, problem: &str) -> Fault {
    let problem = format!("feature {}: {problem}", short(&feature.id));
    let key = if matches!(feature.place, Place::Faces { .. }) { "face" } else { "pick" };
    Fault { place: format!("feature[{index}].{key}"), problem }
}

/// What is wrong with where one feature is picked.
pub(super) fn pick_fault(index: usize, feature: &Feature, nominal: &Nominal) -> Option<Fault> {
    bind_one(feature, Some(nominal), &mut Vec::new()).err().map(|problem| of_pick(index, feature, &problem))
}

fn found<'a>(pick: &Pick, nominal: Option<&'a Nominal>) -> Result<(Found, &'a TriangleMesh), String> {
    let Some(nominal) = nominal else {
        return Err("it is picked on a nominal, and none was sent".to_owned());
    };
    let found = match pick.kind {
        FeatureKind::Plane if !pick.faces.is_empty() => by_faces::plane(pick, nominal),
        FeatureKind::Surface if !pick.faces.is_empty() => Ok(by_faces::surface(pick, nominal)),
        FeatureKind::Plane => plane(pick, nominal),
        FeatureKind::Hole => hole::bind(pick, nominal),
        FeatureKind::Surface => surface(pick, nominal),
        FeatureKind::Slot => slot::bind(pick, nominal),
        FeatureKind::Cylinder => hole::bind_cylinder(pick, nominal),
        FeatureKind::Sphere => {
            by_faces::round(pick, nominal).unwrap_or_else(|| round_face::bind_sphere(pick, nominal))
        }
        FeatureKind::Cone => {
            by_faces::round(pick, nominal).unwrap_or_else(|| round_face::bind_cone(pick, nominal))
        }
        FeatureKind::Torus => by_faces::round(pick, nominal)
            .unwrap_or_else(|| Err("a torus is found on a nominal from STEP only".to_owned())),
        FeatureKind::Point
        | FeatureKind::Width
        | FeatureKind::Group
        | FeatureKind::Edge
        | FeatureKind::Countersink => Err(format!("a {} is not picked", pick.kind.word())),
    };
    Ok((found?, nominal.mesh()))
}

/// What a pick was found to mean.
pub(super) struct Found {
    pub(super) triangles: Vec<u32>,
    pub(super) carrier: Option<Carrier>,
    pub(super) situation: Situation,
}

impl Found {
    pub(super) fn bound(mut self, feature: &Feature, mesh: &TriangleMesh) -> Result<BoundFeature, String> {
        self.triangles.sort_unstable();
        let (mut area, mut moment) = (0.0, crate::geometry::Vector::zeros());
        for &t in &self.triangles {
            let [a, b, c] = mesh.corners(t);
            let share = mesh.area(t);
            area += share;
            moment += (a.coords + b.coords + c.coords) * (share / 3.0);
        }
        if !(area.is_finite() && area > 0.0) {
            return Err("what lies there has no area; pick another place".to_owned());
        }
        Ok(BoundFeature {
            id: feature.id.clone(),
            kind: feature.kind,
            triangles: self.triangles,
            carrier: self.carrier,
            situation: self.situation,
            area_mm2: area,
            centroid: Point::from(moment / area),
            of: Vec::new(),
            edge: None,
        })
    }
}

/// A feature that is made of others.
fn made_of(feature: &Feature, members: &[usize], parts: &[&BoundFeature]) -> Result<BoundFeature, String> {
    let mut triangles: Vec<u32> = parts.iter().flat_map(|p| p.triangles.iter().copied()).collect();
    triangles.sort_unstable();
    if let Some(twice) = triangles.windows(2).find(|w| w[0] == w[1]) {
        return Err(format!("its features share triangle {} of the nominal; pick them apart", twice[0]));
    }
    let situation = match feature.kind {
        FeatureKind::Width => width(parts)?,
        _ => Situation::Group,
    };
    let area_mm2: f64 = parts.iter().map(|p| p.area_mm2).sum();
    let (weights, total) = if area_mm2 > 0.0 {
        (parts.iter().map(|p| p.area_mm2).collect::<Vec<_>>(), area_mm2)
    } else {
        (vec![1.0; parts.len()], parts.len() as f64)
    };
    let moment = parts
        .iter()
        .zip(&weights)
        .fold(crate::geometry::Vector::zeros(), |m, (p, w)| m + p.centroid.coords * *w);
    Ok(BoundFeature {
        id: feature.id.clone(),
        kind: feature.kind,
        triangles,
        carrier: None,
        situation,
        area_mm2,
        centroid: Point::from(moment / total),
        of: members.to_vec(),
        edge: None,
    })
}

/// Two planes make a width when they are parallel to within this, rad: a twentieth of a degree, the draft of a mould is
/// none.
const PARALLEL_RAD: f64 = PI / 3600.0;

/// The plane in the middle of two that are parallel and opposite.
fn width(parts: &[&BoundFeature]) -> Result<Situation, String> {
    let [first, second] = parts else { return Err("a width has two planes".to_owned()) };
    let (Situation::Plane { at: a, normal: n }, Situation::Plane { at: b, normal: m }) =
        (first.situation, second.situation)
    else {
        return Err("a width has two planes".to_owned());
    };
    let off = n.reversed().angle_to(m);
    if off > PARALLEL_RAD {
        return Err(format!(
            "its planes are {:.2} degrees from parallel and opposite; name two that face each other or away from each \
             other",
            off.to_degrees()
        ));
    }
    // Square to the mean of both, between the middles of the faces.
    let across = Direction::new(n.vector() - m.vector()).unwrap_or(n);
    let height = |p: Point| p.coords.dot(&across.vector());
    let between = height(a) - height(b);
    if between.abs() < APART_MM * 1e-3 {
        return Err("its planes lie in one; name two with a distance".to_owned());
    }
    let middle = nalgebra::center(&first.centroid, &second.centroid);
    let at = middle + across.vector() * (0.5 * (height(a) + height(b)) - height(middle));
    Ok(Situation::Width { at, across, width_mm: between.abs(), hollow: between < 0.0 })
}

/// The two nearest of some candidates; equal distances go to the first.
pub(super) fn two_nearest(
    distances: impl Iterator<Item = (usize, f64)>,
) -> (Option<(usize, f64)>, Option<f64>) {
    let (mut best, mut second): (Option<(usize, f64)>, Option<f64>) = (None, None);
    for (i, d) in distances {
        // A place beyond what numbers can hold is infinitely far from everything.
        let d = if d.is_nan() { f64::INFINITY } else { d };
        if best.is_none_or(|(_, least)| d < least) {
            second = best.map(|(_, least)| least);
            best = Some((i, d));
        } else if second.is_none_or(|least| d < least) {
            second = Some(d);
        }
    }
    (best, second)
}

/// Refuses a pick that lies too far from what is meant, or about as near to something else.
pub(super) fn judge(
    kind: FeatureKind,
    best: f64,
    second: Option<f64>,
    reach_mm: f64,
    what: &str,
) -> Result<(), String> {
    let kind = kind.word();
    if best > reach_mm {
        return Err(format!(
            "no {kind} lies within {reach_mm:.1} mm of `near_mm`; the nearest{what} is {best:.1} mm away. \
             Write a place on the feature"
        ));
    }
    match second {
        Some(second) if second - best <= CLEARLY_MM.max(CLEARLY_PART * best) => Err(format!(
            "`near_mm` could mean two: one {kind} is {best:.2} mm away, another {second:.2} mm. \
             Write a place nearer to the one and further from the other, or `facing`"
        )),
        _ => Ok(()),
    }
}

pub(super) fn faces(direction: Option<Direction>, facing: Option<Direction>) -> bool {
    match (direction, facing) {
        (_, None) => true,
        (Some(d), Some(f)) => d.angle_to(f) <= FACING_RAD,
        (None, Some(_)) => false,
    }
}

fn toward(facing: Option<Direction>) -> &'static str {
    if facing.is_some() { " that faces so" } else { "" }
}

pub(super) fn distance_to(mesh: &TriangleMesh, triangle: u32, p: &Point) -> f64 {
    let [a, b, c] = mesh.corners(triangle);
    (closest_point_on_triangle(p, &a, &b, &c) - p).norm()
}

fn plane(feature: &Pick, nominal: &Nominal) -> Result<Found, String> {
    let mesh = nominal.mesh();
    let candidates = nominal.faces().iter().enumerate().filter(|(_, face)| match face.carrier {
        Some(Carrier::Plane { normal, .. }) => faces(Some(normal), feature.facing),
        _ => false,
    });
    let distances = candidates.map(|(i, face)| {
        (i, face.triangles.iter().map(|&t| distance_to(mesh, t, &feature.near)).fold(f64::INFINITY, f64::min))
    });
    let (best, second) = two_nearest(distances);
    let Some((index, distance)) = best else {
        return Err(format!("the nominal has no plane{}; mend the pick or the kind", toward(feature.facing)));
    };
    judge(feature.kind, distance, second, REACH_MM, toward(feature.facing))?;
    let face = &nominal.faces()[index];
    let Some(Carrier::Plane { point, normal }) = face.carrier else {
        return Err("the face there is no plane".to_owned());
    };
    let situation = Situation::Plane { at: point, normal };
    Ok(Found { triangles: face.triangles.clone(), carrier: face.carrier, situation })
}

fn surface(feature: &Pick, nominal: &Nominal) -> Result<Found, String> {
    let mesh = nominal.mesh();
    let distances: Vec<(usize, f64)> = (0..mesh.triangles().len())
        .filter(|&t| {
            let normal = mesh.normal(t as u32);
            normal.is_some() && faces(normal, feature.facing)
        })
        .map(|t| (t, distance_to(mesh, t as u32, &feature.near)))
        .collect();
    let (Some((seed, distance)), _) = two_nearest(distances.iter().copied()) else {
        return Err(format!("the nominal has no surface{}; mend the pick", toward(feature.facing)));
    };
    let face = nominal.face_of_triangle()[seed];
    let triangles = match feature.grow_to_angle_rad {
        Some(angle) => grow(seed as u32, angle, nominal),
        None => nominal.faces()[face as usize].triangles.clone(),
    };
    let mut inside = vec![false; mesh.triangles().len()];
    for &t in &triangles {
        inside[t as usize] = true;
    }
    let (other, _) = two_nearest(distances.into_iter().filter(|&(t, _)| !inside[t]));
    judge(feature.kind, distance, other.map(|(_, d)| d), REACH_MM, toward(feature.facing))?;
    // Grown, it may still be one whole face, and then that face's exact surface is its own.
    let whole = &nominal.faces()[face as usize];
    let same =
        triangles.len() == whole.triangles.len() && whole.triangles.iter().all(|&t| inside[t as usize]);
    Ok(Found { triangles, carrier: whole.carrier.filter(|_| same), situation: Situation::Surface })
}

/// Everything reached from `seed` across edges at which the surface turns by at most `angle` rad. A
/// triangle without area lets through: it takes its normal from the one it was reached from.
fn grow(seed: u32, angle: f64, nominal: &Nominal) -> Vec<u32> {
    let mesh = nominal.mesh();
    let mut reached = vec![false; mesh.triangles().len()];
    reached[seed as usize] = true;
    let mut region = vec![seed];
    let mut queue = VecDeque::new();
    if let Some(normal) = mesh.normal(seed) {
        queue.push_back((seed, normal));
    }
    while let Some((t, normal)) = queue.pop_front() {
        for next in nominal.across()[t as usize].iter().flatten().copied() {
            if reached[next as usize] {
                continue;
            }
            let next_normal = mesh.normal(next).unwrap_or(normal);
            if normal.angle_to(next_normal) <= angle {
                reached[next as usize] = true;
                region.push(next);
                queue.push_back((next, next_normal));
            }
        }
    }
    region
}

/// Holes and slots of a datum system stand square on its plane, and apart.
fn datum_system(index: usize, system: &DatumSystem, bound: &[Option<BoundFeature>], faults: &mut Vec<Fault>) {
    let DatumSource::Datums(datums) = &system.source else { return };
    let get = |d: usize| match &datums.get(d)?.from {
        DatumFrom::Features { features, .. } => match features.as_slice() {
            [feature] => bound.get(*feature)?.as_ref(),
            _ => None,
        },
        DatumFrom::Targets(_) => None,
    };
    let Some(Situation::Plane { normal, .. }) = get(0).map(|f| f.situation) else { return };
    let mut across: Vec<(usize, crate::geometry::Vector)> = Vec::new();
    for (i, datum) in datums.iter().enumerate().skip(1) {
        let Some(feature) = get(i) else { continue };
        let (Situation::Hole { at, axis, .. } | Situation::Slot { at, axis, .. }) = feature.situation else {
            continue;
        };
        let tilt = axis.angle_to(normal).min(axis.reversed().angle_to(normal));
        if tilt > SQUARE_RAD {
            faults.push(Fault {
                place: format!("datum_system[{index}].datum[{i}].feature"),
                problem: format!(
                    "datum system {}: the axis of {} {} leans {:.1} degrees from square on plane {}; at most {:.0} \
                     can be, name another feature or plane",
                    short(&system.id),
                    feature.kind.word(),
                    short(&feature.id),
                    tilt.to_degrees(),
                    datums[0].letter,
                    SQUARE_RAD.to_degrees()
                ),
            });
        }
        let place = at.coords - normal.vector() * at.coords.dot(&normal.vector());
        if let Some((other, _)) = across.iter().find(|(_, there)| (there - place).norm() <= APART_MM) {
            faults.push(Fault {
                place: format!("datum_system[{index}].datum[{i}].feature"),
                problem: format!(
                    "datum system {}: datums {} and {} stand less than {APART_MM} mm apart, which gives no turn; name \
                     one further away",
                    short(&system.id),
                    datums[*other].letter,
                    datum.letter,
                ),
            });
        }
        across.push((i, place));
    }
}
