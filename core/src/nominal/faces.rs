//! Faces: planes, cylinders and freeform surfaces made of flat patches.
//!
//! Sharp edges bound regions. A region is a plane, or a cylinder, or cylinders (fillets, ends of slots)
//! are grown in it from neighbouring strips, then large flat patches are split off; what is left is
//! freeform, one face for each connected piece. Long, because each step takes what the one before left.

use std::ops::Range;
use std::sync::atomic::{AtomicU32, Ordering};

use rayon::prelude::*;

use super::beside::Beside;
use super::carrier::{CylinderFit, PlaneSums, axis, cylinder};
use super::chords::{sagitta_mm, within_one_patch};
use super::patches::{NONE, Patches, carrier_tolerance_mm, patches, regions};
use super::pieces::{Dealt, Pieces};
use super::{Carrier, Face};
use crate::geometry::{Aabb, Direction, Matrix3, Point, TriangleMesh, Vector};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Fewer strips than this are no evidence of a cylinder: three meet four lines, through which a circle
/// passes by chance with one freedom left.
const FEWEST_STRIPS: usize = 4;
/// A facet whose normal leaves the radius by more than this is no part of the cylinder on which its
/// corners lie, but a chord of it: half of 30 degrees and a little.
const RADIAL_COS: f64 = 0.96;
/// Vertices must lie on the circle much more closely than it bends: within this part of its sagitta.
const OF_SAGITTA: f64 = 0.01;
/// The smallest arc that says anything: 12 degrees.
const LEAST_TURN_RAD: f64 = 0.21;
/// Cylinders are looked for from this many places of a region in vain before it counts as freeform.
const MOST_VAIN_SEEDS: usize = 4000;
/// A flat patch within a curved surface is a plane when it is this much larger than the patches there
/// are in the middle: facets of one surface differ less.
const PLANE_OVER_MEDIAN: f64 = 16.0;
/// ... and its vertices scatter by less than this part of the tolerance: rounding to single precision
/// gives about 0.03, a nearly flat place of a curved surface fills the tolerance with about 0.3.
const EXACT: f64 = 0.2;
/// A smooth piece of no more patches than this is made of planes, not of the facets of a curve.
const FEW_PATCHES: usize = 4;

/// Regions of at least so many triangles together are divided by one thread. A constant: it must not depend on the
/// number of threads.
const TOGETHER: usize = 1 << 14;

/// One region on its way to faces.
struct Segments<'a> {
    mesh: &'a TriangleMesh,
    patches: Patches,
    /// For each patch its neighbours and the length of the common border, the longest first.
    beside: Beside,
    tolerance_mm: f64,
    /// Vertices within flat facets, which may lie on chords; ascending.
    on_chords: Vec<u32>,
    /// What has been decided: the face of each patch and each face's carrier.
    face_of: Vec<u32>,
    carriers: Vec<Option<Carrier>>,
    /// For each patch when it was last come upon, and the latest time.
    marks: Vec<u32>,
    mark: u32,
}

/// The faces of a mesh, in the order of their lowest triangle, and the face of each triangle.
pub(super) fn faces(
    mesh: &TriangleMesh,
    across: &[[Option<u32>; 3]],
    weld_mm: f64,
    run: &Run,
) -> Result<(Vec<Face>, Vec<u32>), Stopped> {
    let tolerance_mm = carrier_tolerance_mm(mesh.bounds().diagonal());
    let (facets, region_of, count) = regions(mesh, across, weld_mm, run)?;
    let of_region = Dealt::by(&region_of, count);
    drop(region_of);
    let groups = groups(&of_region);
    // Regions have no triangle in common: each writes to its own places only, first the patch of each triangle in the
    // region, then its face in the group.
    let of_triangle: Vec<AtomicU32> = facets.par_iter().map(|_| AtomicU32::new(NONE)).collect();
    let divided = |regions: &Range<usize>| {
        let mut carriers = Vec::new();
        for region in regions.clone() {
            let triangles = of_region.of(region..region + 1);
            let patches = patches(mesh, &facets, triangles, &of_triangle, tolerance_mm, run)?;
            let patch_of = |t: u32| of_triangle[t as usize].load(Ordering::Relaxed);
            let beside = Beside::new(mesh, &facets, &patches, triangles, patch_of);
            let (face_of, marks) = (vec![NONE; patches.count()], vec![0; patches.count()]);
            let on_chords = within_one_patch(mesh, &patches, triangles.len());
            let mut segments = Segments {
                mesh,
                patches,
                beside,
                tolerance_mm,
                on_chords,
                face_of,
                carriers,
                marks,
                mark: 0,
            };
            segments.divide(run)?;
            for &t in triangles {
                let face = segments.face_of[patch_of(t) as usize];
                of_triangle[t as usize].store(face, Ordering::Relaxed);
            }
            carriers = segments.carriers;
        }
        Ok(carriers)
    };
    let carriers = groups.par_iter().map(divided).collect::<Result<Vec<_>, Stopped>>()?;
    drop(facets);
    let mut of_triangle: Vec<u32> = of_triangle.into_iter().map(AtomicU32::into_inner).collect();
    let mut before = carriers.first().map_or(0, Vec::len) as u32;
    for (group, carriers) in groups.into_iter().zip(&carriers).skip(1) {
        for &t in of_region.of(group) {
            of_triangle[t as usize] += before;
        }
        before += carriers.len() as u32;
    }
    drop(of_region);
    Ok(gather(mesh, across, of_triangle, &carriers.concat()))
}

/// Runs of regions, each of [`TOGETHER`] triangles or one region more.
fn groups(of_region: &Dealt) -> Vec<Range<usize>> {
    let mut groups = Vec::new();
    let (mut begin, mut size) = (0, 0);
    for region in 0..of_region.count() {
        size += of_region.of(region..region + 1).len();
        if size >= TOGETHER || region + 1 == of_region.count() {
            groups.push(begin..region + 1);
            (begin, size) = (region + 1, 0);
        }
    }
    groups
}

impl Segments<'_> {
    fn divide(&mut self, run: &Run) -> Result<(), Stopped> {
        run.check()?;
        if self.patches.count() == 1 {
            self.plane(0);
            return Ok(());
        }
        let all: Vec<u32> = (0..self.patches.count() as u32).collect();
        if let Some(carrier) = self.accepted(&all) {
            self.settle(&all, Some(carrier));
            return Ok(());
        }
        self.grow_cylinders(run)?;
        let pieces = self.pieces(run)?;
        for piece in (0..pieces.count()).map(|n| pieces.of(n..n + 1)) {
            if piece.len() <= FEW_PATCHES {
                piece.iter().for_each(|&p| self.plane(p));
                continue;
            }
            let area = |p: u32| self.patches.areas_mm2[p as usize];
            let mut areas: Vec<f64> = piece.iter().map(|&p| area(p)).collect();
            let (_, median, _) = areas.select_nth_unstable_by(piece.len() / 2, f64::total_cmp);
            let least = PLANE_OVER_MEDIAN * *median;
            let large: Vec<u32> = piece.iter().copied().filter(|&p| area(p) >= least).collect();
            for p in large {
                if self.is_exact(p) {
                    self.plane(p);
                }
            }
        }
        let rests = self.pieces(run)?;
        for n in 0..rests.count() {
            self.settle(rests.of(n..n + 1), None);
        }
        Ok(())
    }

    fn settle(&mut self, patches: &[u32], carrier: Option<Carrier>) {
        for &p in patches {
            self.face_of[p as usize] = self.carriers.len() as u32;
        }
        self.carriers.push(carrier);
    }

    /// Makes a patch a face of its own, on the plane of its vertices where that is one.
    fn plane(&mut self, patch: u32) {
        let points = self.vertices(&[patch]);
        let outwards = self.patches.normals[patch as usize];
        let mut sums = PlaneSums::about(points[0]);
        points.iter().for_each(|p| sums.add(p));
        let carrier = sums.plane().and_then(|(point, normal)| {
            let flat = |p: &Point| (p - point).dot(&normal.vector()).abs() <= 2.0 * self.tolerance_mm;
            let normal = if normal.vector().dot(&outwards) < 0.0 { normal.reversed() } else { normal };
            points.iter().all(flat).then_some(Carrier::Plane { point, normal })
        });
        self.settle(&[patch], carrier);
    }

    /// Whether the vertices of a patch scatter about its plane by rounding only, and do not fill the
    /// tolerance as they do where a curved surface is nearly flat.
    fn is_exact(&self, patch: u32) -> bool {
        let points = self.vertices(&[patch]);
        let mut sums = PlaneSums::about(points[0]);
        points.iter().for_each(|p| sums.add(p));
        sums.plane().is_some_and(|(point, normal)| {
            let square = |p: &Point| {
                let d = (p - point).dot(&normal.vector());
                d * d
            };
            let mean = points.iter().map(square).sum::<f64>() / points.len() as f64;
            mean.sqrt() <= EXACT * self.tolerance_mm
        })
    }

    /// The vertices of some patches, each once, in the order of the mesh.
    fn vertices(&self, patches: &[u32]) -> Vec<Point> {
        self.vertices_but(patches, &[])
    }

    /// The same without some, which are given in ascending order.
    fn vertices_but(&self, patches: &[u32], without: &[u32]) -> Vec<Point> {
        let triangles = patches.iter().flat_map(|&p| self.patches.triangles(p));
        let corners = triangles
            .flat_map(|&t| self.mesh.triangles()[t as usize])
            .filter(|c| without.is_empty() || without.binary_search(c).is_err());
        let all = self.mesh.vertices();
        if patches.len() > all.len() / 64 {
            // Of a good part of all it is quicker to tick them off.
            let mut used = vec![false; all.len()];
            corners.for_each(|c| used[c as usize] = true);
            return all.iter().zip(used).filter(|(_, used)| *used).map(|(p, _)| *p).collect();
        }
        let mut corners: Vec<u32> = corners.collect();
        corners.sort_unstable();
        corners.dedup();
        corners.iter().map(|&c| all[c as usize]).collect()
    }

    fn fit(&self, patches: &[u32]) -> Option<(CylinderFit, Vec<Point>)> {
        let mut scatter = Matrix3::zeros();
        for &p in patches {
            let (normal, area_mm2) = (self.patches.normals[p as usize], self.patches.areas_mm2[p as usize]);
            for row in 0..3 {
                for column in 0..3 {
                    scatter[(row, column)] += area_mm2 * normal[row] * normal[column];
                }
            }
        }
        let axis = axis(&scatter)?;
        let through = |points: Vec<Point>| cylinder(&points, axis).map(|fit| (fit, points));
        let found = through(self.vertices(patches));
        let lies = |(fit, _): &(CylinderFit, Vec<Point>)| fit.worst_mm <= self.tolerance_mm;
        if self.on_chords.is_empty() || found.as_ref().is_some_and(lies) {
            return found;
        }
        // Where facets are divided further their borders tell the cylinder; the rest lies on it or within by a sagitta.
        let (fit, points) = through(self.vertices_but(patches, &self.on_chords))?;
        patches.iter().all(|&p| self.lies_on(p, &fit)).then_some((fit, points))
    }

    /// Whether a patch is a facet of a cylinder: its vertices lie on it, those within it no further inside than its chord.
    fn lies_on(&self, patch: u32, fit: &CylinderFit) -> bool {
        let mut deepest = None;
        let corners = self.patches.triangles(patch).iter().flat_map(|&t| self.mesh.triangles()[t as usize]);
        for c in corners {
            let off = fit.distance_mm(&self.mesh.vertices()[c as usize]);
            if off.abs() <= self.tolerance_mm {
                continue;
            }
            if !(off < 0.0) || self.on_chords.binary_search(&c).is_err() {
                return false;
            }
            let deepest = *deepest.get_or_insert_with(|| sagitta_mm(self.mesh, &self.patches, patch, fit));
            if -off > deepest + self.tolerance_mm {
                return false;
            }
        }
        true
    }

    /// +1 where the normals of a patch point away from the axis all over, -1 where towards it, else
    /// `None`: the patch is no facet of this cylinder though its corners may lie on it.
    fn facing(&self, patch: u32, fit: &CylinderFit) -> Option<f64> {
        let normal = self.patches.normals[patch as usize];
        let mut sign: Option<f64> = None;
        for p in self.patches.triangles(patch).iter().flat_map(|&t| self.mesh.corners(t)) {
            let radial = fit.radial(&p);
            let cos = normal.dot(&radial) / radial.norm();
            if cos.is_nan() || cos.abs() < RADIAL_COS || sign.is_some_and(|s| s != cos.signum()) {
                return None;
            }
            sign = Some(cos.signum());
        }
        sign
    }

    /// The cylinder of some patches, when there is evidence enough that they are one.
    fn accepted(&self, patches: &[u32]) -> Option<Carrier> {
        if patches.len() < FEWEST_STRIPS {
            return None;
        }
        let (fit, points) = self.fit(patches)?;
        if fit.worst_mm > self.tolerance_mm {
            return None;
        }
        let sign = self.facing(patches[0], &fit)?;
        if !patches.iter().all(|&p| self.facing(p, &fit) == Some(sign)) {
            return None;
        }
        let turn = fit.turn_rad(&points);
        (turn >= LEAST_TURN_RAD && fit.worst_mm <= OF_SAGITTA * fit.sagitta_mm(turn)).then_some(
            Carrier::Cylinder {
                point: fit.point,
                axis: fit.axis,
                radius_mm: fit.radius_mm,
                hollow: sign < 0.0,
            },
        )
    }

    /// Grows cylinders from strips that bend evenly to both sides.
    fn grow_cylinders(&mut self, run: &Run) -> Result<(), Stopped> {
        let mut vain = 0;
        for seed in 0..self.patches.count() as u32 {
            if (seed as usize).is_multiple_of(CHECK_EVERY) {
                run.check()?;
            }
            if vain == MOST_VAIN_SEEDS {
                break;
            }
            if self.face_of[seed as usize] != NONE {
                continue;
            }
            let Some(start) = self.bend(seed) else { continue };
            vain += 1;
            run.check()?;
            if let Some((grown, fit)) = self.grow(start)
                && self.may_turn(&grown, &fit)
                && let Some(carrier) = self.accepted(&grown)
            {
                self.settle(&grown, Some(carrier));
                vain = 0;
            }
        }
        Ok(())
    }

    /// A strip with the two neighbours of the longest borders, when it turns towards both the same way
    /// about nearly the same axis (within 3 degrees).
    fn bend(&self, seed: u32) -> Option<[u32; 3]> {
        let [(a, _), (b, _), ..] = *self.beside.of(seed) else { return None };
        if self.face_of[a as usize] != NONE || self.face_of[b as usize] != NONE {
            return None;
        }
        let normal = |p: u32| self.patches.normals[p as usize];
        let turn = |from: Vector, to: Vector| Direction::new(from.cross(&to));
        let (first, second) = (turn(normal(a), normal(seed))?, turn(normal(seed), normal(b))?);
        (first.dot(second) >= 0.998_6).then_some([a, seed, b])
    }

    /// False when patches on this cylinder cannot span the least turn on any: their box is too small for its radius by
    /// a factor of four and more. (Where two cylinders differ so much in their bend, points of such a turn can lie
    /// on both within the tolerance only if they are within a hundred tolerances of each other.)
    fn may_turn(&self, patches: &[u32], fit: &CylinderFit) -> bool {
        let mut bounds = Aabb::empty();
        for &t in patches.iter().flat_map(|&p| self.patches.triangles(p)) {
            self.mesh.corners(t).iter().for_each(|p| bounds.add(p));
        }
        let size = bounds.diagonal();
        !(size < 0.25 * LEAST_TURN_RAD * fit.radius_mm && size > 1000.0 * self.tolerance_mm)
    }

    /// What lies on the cylinder of three strips, and that cylinder as it was when last fitted.
    fn grow(&mut self, start: [u32; 3]) -> Option<(Vec<u32>, CylinderFit)> {
        let mut grown = start.to_vec();
        let (mut fit, _) = self.fit(&grown)?;
        if fit.worst_mm > self.tolerance_mm {
            return None;
        }
        let sign = self.facing(start[1], &fit)?;
        self.mark += 1;
        start.iter().for_each(|&p| self.marks[p as usize] = self.mark);
        let mut next = 0;
        let mut refit_at = 4;
        while next < grown.len() {
            let patch = grown[next];
            next += 1;
            for &(other, _) in self.beside.of(patch) {
                let tried = std::mem::replace(&mut self.marks[other as usize], self.mark) == self.mark;
                if self.face_of[other as usize] != NONE || tried {
                    continue;
                }
                let fits = self.lies_on(other, &fit) && self.facing(other, &fit) == Some(sign);
                if fits {
                    grown.push(other);
                    if grown.len() >= refit_at {
                        refit_at *= 2;
                        fit = self.fit(&grown)?.0;
                    }
                }
            }
        }
        grown.sort_unstable();
        Some((grown, fit))
    }

    /// Connected pieces of what has no face yet.
    fn pieces(&self, run: &Run) -> Result<Dealt, Stopped> {
        let open = |p: u32| self.face_of[p as usize] == NONE;
        let mut pieces = Pieces::apart(self.patches.count());
        for p in 0..self.patches.count() as u32 {
            if (p as usize).is_multiple_of(CHECK_EVERY) {
                run.check()?;
            }
            if open(p) {
                self.beside
                    .of(p)
                    .iter()
                    .filter(|&&(o, _)| o < p && open(o))
                    .for_each(|&(o, _)| pieces.join(p, o));
            }
        }
        let (mut number, count) = pieces.numbered();
        // What has a face is a piece by itself; those are left out.
        let mut renumber = vec![NONE; count];
        let mut kept = 0;
        for (p, n) in (0u32..).zip(&mut number) {
            if open(p) {
                let new = &mut renumber[*n as usize];
                if *new == NONE {
                    *new = kept;
                    kept += 1;
                }
                *n = *new;
            } else {
                *n = NONE;
            }
        }
        Ok(Dealt::by(&number, kept as usize))
    }
}

/// Collects triangles, area, centroid and neighbours of each face. The faces given, one a triangle, come in any order.
pub(super) fn gather(
    mesh: &TriangleMesh,
    across: &[[Option<u32>; 3]],
    mut of_triangle: Vec<u32>,
    carriers: &[Option<Carrier>],
) -> (Vec<Face>, Vec<u32>) {
    let mut sizes = vec![0; carriers.len()];
    of_triangle.iter().for_each(|&f| sizes[f as usize] += 1);
    // Number the faces by their lowest triangle.
    let mut number = vec![NONE; carriers.len()];
    let mut faces: Vec<Face> = Vec::with_capacity(carriers.len());
    let mut moments: Vec<Vector> = Vec::with_capacity(carriers.len());
    let origin = mesh.bounds().centre();
    for (t, f) in of_triangle.iter_mut().enumerate() {
        let n = &mut number[*f as usize];
        if *n == NONE {
            *n = faces.len() as u32;
            faces.push(Face {
                triangles: Vec::with_capacity(sizes[*f as usize]),
                carrier: carriers[*f as usize],
                area_mm2: 0.0,
                centroid: origin,
                neighbours: vec![],
                key: None,
                label: String::new(),
                exact: None,
            });
            moments.push(Vector::zeros());
        }
        *f = *n;
        let face = &mut faces[*n as usize];
        let [a, b, c] = mesh.corners(t as u32).map(|p| p - origin);
        let area = mesh.area(t as u32);
        face.triangles.push(t as u32);
        face.area_mm2 += area;
        moments[*n as usize] += (a + b + c) * (area / 3.0);
    }
    for (face, moment) in faces.iter_mut().zip(moments) {
        if face.area_mm2 > 0.0 {
            face.centroid = origin + moment / face.area_mm2;
        } else {
            // Slivers only: no area to weigh with, so the first corner.
            face.centroid = mesh.corners(face.triangles[0])[0];
        }
    }
    let mut pairs: Vec<(u32, u32)> = Vec::new();
    for (t, across) in across.iter().enumerate() {
        for &o in across.iter().flatten() {
            let (f, g) = (of_triangle[t], of_triangle[o as usize]);
            if f != g {
                pairs.push((f, g));
            }
        }
    }
    pairs.sort_unstable();
    pairs.dedup();
    for (f, g) in pairs {
        faces[f as usize].neighbours.push(g);
    }
    (faces, of_triangle)
}
