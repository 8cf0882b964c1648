//! A nominal from a STEP file: its own faces, each with its exact surface.

use super::exact::Exact;
use super::orient::Bodies;
use super::weld::{self, Welded};
use super::{Carrier, FaceKey, Nominal, NominalError, Side, edges, faces, orient};
use crate::geometry::{Aabb, Foot, Matrix3, Point, TriangleMesh, Vector};
use crate::read::step::{Placed, StepBody, StepFile, StepPart};
use crate::run::Run;
use crate::scan::FURTHEST_MM;

/// Vertices of one body closer than this are one, mm: files that give each face its own edges repeat them to about the
/// rounding of their digits.
const WELD_MM: f64 = 1e-4;

/// Distances from the triangles are off those from the surface by the chord error, and that of a second face where the
/// nearest triangle is not the one under the point.
const SLACK: f64 = 2.0;

/// A face of the file in an instance of its part.
struct Source<'a> {
    key: FaceKey,
    label: &'a str,
    exact: Option<Exact>,
}

/// Bodies one after the other.
#[derive(Default)]
struct Whole<'a> {
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
    /// Of each triangle, among the sources.
    face: Vec<u32>,
    sources: Vec<Source<'a>>,
    missing: Vec<(u64, String)>,
    /// Faces whose edges lie off their surface in the file, by more than triangles do: `#id`, mm.
    off: Vec<(u64, f64)>,
    /// Of each triangle, among the bodies that were added.
    body: Vec<u32>,
    /// `#id` of each of those, and whether it is a solid.
    bodies: Vec<u64>,
    solid: Vec<bool>,
}

impl Nominal {
    /// Makes a nominal of a STEP file whose triangles lie within `chord_mm` of their surfaces: all parts that were read,
    /// each where it is placed. Of a part with solids those count; surfaces beside them are supplemental geometry and left
    /// out. Of a part without, its surfaces do. `side` is needed for surfaces, and used on solids only that are too open to
    /// tell their outside themselves.
    ///
    /// # Errors
    /// No face with triangles, an open sheet without its side, what lies too far out.
    pub fn from_step(
        file: &StepFile,
        chord_mm: f64,
        side: Option<Side>,
        run: &Run,
    ) -> Result<Self, NominalError> {
        let mut whole = Whole::default();
        let mut notes = file.notes.clone();
        let mut instances = vec![0u32; file.parts.len()];
        for placed in &file.placed {
            let Some(part) = file.parts.get(placed.part) else { continue };
            let instance = instances[placed.part];
            instances[placed.part] += 1;
            let solids = part.bodies.iter().any(|b| b.solid);
            let mut aside = Vec::new();
            for body in &part.bodies {
                run.check()?;
                if body.solid == solids {
                    whole.add(part, body, placed, instance, chord_mm, run)?;
                } else {
                    aside.push(body.id);
                }
            }
            if instance == 0 && !aside.is_empty() {
                notes.push(format!(
                    "{} of part `{}` beside its solids, supplemental geometry, left out: {}",
                    if aside.len() == 1 {
                        "1 surface".to_owned()
                    } else {
                        format!("{} surfaces", aside.len())
                    },
                    part.name,
                    some_of(&aside)
                ));
            }
        }
        if whole.triangles.is_empty() {
            whole.missing.sort();
            whole.missing.dedup();
            let first = whole.missing.iter().take(MOST_TOLD).cloned().collect();
            return Err(NominalError::NoFaces { missing: whole.missing.len(), first });
        }
        if let Some(vertex) = whole.vertices.iter().position(|p| !within_reach(p)) {
            return Err(NominalError::TooFar { vertex, limit_mm: FURTHEST_MM });
        }
        if !whole.off.is_empty() {
            let ids: Vec<u64> = whole.off.iter().map(|o| o.0).collect();
            let most = whole.off.iter().fold(0.0_f64, |most, o| most.max(o.1));
            notes.push(format!(
                "edges lie up to {most:.3} mm off the surfaces that they bound in the file; distances are those from the surfaces of the faces {}",
                some_of(&ids)
            ));
        }
        whole.nominal(side, notes, run)
    }
}

/// How many ids are named where there may be many.
const MOST_TOLD: usize = 5;

fn some_of(ids: &[u64]) -> String {
    let mut told: Vec<String> = ids.iter().take(MOST_TOLD).map(|id| format!("#{id}")).collect();
    if ids.len() > MOST_TOLD {
        told.push(format!("and {} more", ids.len() - MOST_TOLD));
    }
    told.join(", ")
}

fn within_reach(p: &Point) -> bool {
    p.coords.iter().all(|x| x.abs() <= FURTHEST_MM)
}

impl<'a> Whole<'a> {
    fn add(
        &mut self,
        part: &'a StepPart,
        body: &StepBody,
        placed: &Placed,
        instance: u32,
        chord_mm: f64,
        run: &Run,
    ) -> Result<(), NominalError> {
        let still = placed.rotation == Matrix3::identity() && placed.shift == Vector::zeros();
        let place = (!still).then_some((placed.rotation, placed.shift));
        let (mut triangles, mut face) = (Vec::new(), Vec::new());
        for of in &part.faces[body.faces.clone()] {
            let range = match &of.triangles {
                Ok(range) if !range.is_empty() => range.clone(),
                // Once, however often the part is placed.
                Ok(_) if instance > 0 => continue,
                Err(_) if instance > 0 => continue,
                Ok(_) => {
                    self.missing.push((of.id, "it has no area".to_owned()));
                    continue;
                }
                Err(fault) => {
                    self.missing.push((of.id, fault.to_string()));
                    continue;
                }
            };
            let slack_mm = SLACK * (chord_mm + of.left_mm);
            if instance == 0 && of.gap_mm > SLACK * chord_mm {
                self.off.push((of.id, of.gap_mm));
            }
            let exact = of.surface.clone().map(|surface| Exact::new(surface, place, false, slack_mm));
            face.extend(std::iter::repeat_n(self.sources.len() as u32, range.len()));
            self.sources.push(Source { key: FaceKey { id: of.id, instance }, label: &of.label, exact });
            triangles.extend_from_slice(&part.triangles[range]);
        }
        if triangles.is_empty() {
            return Ok(());
        }
        // The reader counts each part once, however often it is placed.
        let limit = run.limits.triangles;
        if (self.triangles.len() + triangles.len()) as u64 > limit {
            return Err(NominalError::TooMany { limit });
        }
        // Seen in a mirror, corners run the other way round.
        if placed.rotation.determinant() < 0.0 {
            triangles.iter_mut().for_each(|t: &mut [u32; 3]| t.swap(1, 2));
        }
        // Only the vertices of this body.
        let mut number = vec![u32::MAX; part.vertices.len()];
        let mut points = Vec::new();
        for corner in triangles.iter_mut().flatten() {
            let n = &mut number[*corner as usize];
            if *n == u32::MAX {
                *n = points.len() as u32;
                let p = part.vertices[*corner as usize];
                points.push(place.map_or(p, |(turn, shift)| Point::from(turn * p.coords + shift)));
            }
            *corner = *n;
        }
        let tolerance_mm = weld::tolerance_mm(&Aabb::of(&points)).max(WELD_MM);
        let mut welded = weld::weld(&points, &triangles, tolerance_mm, true, run)?;
        let Welded { source, triangles, .. } = &mut welded;
        weld::drop_folded(triangles, source, &face);
        weld::drop_repeated(triangles, source);
        let first = self.vertices.len() as u32;
        self.body.extend(std::iter::repeat_n(self.bodies.len() as u32, welded.triangles.len()));
        self.bodies.push(body.id);
        self.solid.push(body.solid);
        self.face.extend(welded.source.iter().map(|&t| face[t as usize]));
        self.vertices.extend(welded.vertices);
        self.triangles.extend(welded.triangles.iter().map(|t| t.map(|c| c + first)));
        Ok(())
    }

    fn nominal(self, side: Option<Side>, mut notes: Vec<String>, run: &Run) -> Result<Nominal, NominalError> {
        let Whole { vertices, mut triangles, face, mut sources, mut missing, body, bodies, solid, off: _ } =
            self;
        let mut edges = edges::edges(vertices.len(), &triangles, run)?;
        let before = triangles.clone();
        let of_bodies = Bodies { of_triangle: &body, solid: &solid };
        let outwards = orient::outwards(&vertices, &mut triangles, &mut edges, of_bodies, side, run)?;
        let closed = outwards.closed;
        let named = |which: &[u32]| {
            let mut ids: Vec<u64> = which.iter().map(|b| bodies[*b as usize]).collect();
            ids.sort_unstable();
            ids.dedup();
            (!ids.is_empty()).then(|| some_of(&ids))
        };
        if let Some(ids) = named(&outwards.turned) {
            notes.push(format!(
                "solids that lack a face and whose other faces point inwards in the file are turned, as their volume tells: {ids}"
            ));
        }
        if let Some(ids) = named(&outwards.unsure) {
            notes.push(format!(
                "solids that lack so much that their volume does not tell their outside are taken as the file has them; add `side_of_material` to the plan's nominal to say it: {ids}"
            ));
        }
        let mut turned = vec![None; sources.len()];
        for ((&f, before), after) in face.iter().zip(&before).zip(&triangles) {
            turned[f as usize].get_or_insert(before != after);
        }
        drop(before);
        for (source, _) in sources.iter().zip(&turned).filter(|(_, turned)| turned.is_none()) {
            missing.push((source.key.id, "its triangles have no area, or are another face's too".to_owned()));
        }
        missing.sort();
        missing.dedup();
        for (source, turned) in sources.iter_mut().zip(turned) {
            if let (Some(exact), Some(true)) = (&mut source.exact, turned) {
                exact.flip();
            }
        }
        let given = triangles.len();
        let mesh = TriangleMesh::new(vertices, triangles)
            .map_err(|_| NominalError::Inconsistent { triangle: given })?;
        let carriers: Vec<Option<Carrier>> =
            sources.iter().map(|s| s.exact.as_ref().and_then(Exact::carrier)).collect();
        let of_triangle = face.clone();
        let (mut found, face_of_triangle) = faces::gather(&mesh, &edges.across, face, &carriers);
        for own in &mut found {
            let source = &sources[of_triangle[own.triangles[0] as usize] as usize];
            own.key = Some(source.key);
            source.label.clone_into(&mut own.label);
            own.exact.clone_from(&source.exact);
            own.carrier = facing(own.carrier, own.exact.as_ref(), &mesh, &own.triangles);
        }
        Ok(Nominal { mesh, faces: found, face_of_triangle, across: edges.across, closed, missing, notes })
    }
}

/// The carrier with the side on which the material is, told by the largest of the face's triangles.
fn facing(
    carrier: Option<Carrier>,
    exact: Option<&Exact>,
    mesh: &TriangleMesh,
    triangles: &[u32],
) -> Option<Carrier> {
    let largest =
        triangles.iter().copied().max_by(|a, b| mesh.area(*a).total_cmp(&mesh.area(*b)).then(b.cmp(a)))?;
    let [a, b, c] = mesh.corners(largest);
    let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
    let own = mesh.normal(largest)?;
    let foot = Foot { point: middle, triangle: largest, distance: 0.0 };
    let outwards = exact.and_then(|e| e.foot(&middle, &foot)).map_or(own, |f| f.normal).vector();
    let square = |d: Vector, axis: Vector| d - axis * d.dot(&axis);
    Some(match carrier? {
        Carrier::Plane { point, normal } => {
            let normal = if normal.vector().dot(&own.vector()) < 0.0 { normal.reversed() } else { normal };
            Carrier::Plane { point, normal }
        }
        Carrier::Cylinder { point, axis, radius_mm, .. } => {
            let hollow = square(middle - point, axis.vector()).dot(&outwards) < 0.0;
            Carrier::Cylinder { point, axis, radius_mm, hollow }
        }
        Carrier::Cone { apex, axis, half_angle_rad, .. } => {
            let hollow = square(middle - apex, axis.vector()).dot(&outwards) < 0.0;
            Carrier::Cone { apex, axis, half_angle_rad, hollow }
        }
        Carrier::Sphere { centre, radius_mm, .. } => {
            Carrier::Sphere { centre, radius_mm, hollow: (middle - centre).dot(&outwards) < 0.0 }
        }
        Carrier::Torus { centre, axis, radius_mm, tube_radius_mm, .. } => {
            let out = square(middle - centre, axis.vector());
            let length = out.norm();
            let ring = if length > 0.0 { centre + out * (radius_mm / length) } else { centre };
            let hollow = (middle - ring).dot(&outwards) < 0.0;
            Carrier::Torus { centre, axis, radius_mm, tube_radius_mm, hollow }
        }
    })
}
