//! Flat patches: connected triangles of one region that lie in one plane. Every face is made of them.

use std::cmp::Reverse;
use std::sync::atomic::{AtomicU32, Ordering};

use rayon::prelude::*;

use super::carrier::PlaneSums;
use super::pieces::Pieces;
use crate::geometry::{Direction, Point, TriangleMesh, Vector};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// Surfaces that meet at more than 30 degrees meet at an edge. Common practice without a source: facets
/// of a round wall turn by up to 15 degrees each (24 to the circle), which must pass with a margin, and
/// drawn edges are far sharper.
const SMOOTH_COS: f64 = 0.866_025_403_784_438_6;

/// A triangle lower than this many times the welding tolerance has no normal of its own: rounding of its
/// corners turns it by more than half a degree.
const WEAK: f64 = 100.0;

/// The facets of the triangles, the region of each, and how many regions there are: the surface is cut along its
/// sharp edges.
pub(super) fn regions(
    mesh: &TriangleMesh,
    across: &[[Option<u32>; 3]],
    tolerance_mm: f64,
    run: &Run,
) -> Result<(Vec<Facet>, Vec<u32>, usize), Stopped> {
    let mut facets = facets(mesh, across, tolerance_mm, run)?;
    let mut pieces = Pieces::apart(facets.len());
    for (t, across) in (0u32..).zip(across) {
        if (t as usize).is_multiple_of(CHECK_EVERY) {
            run.check()?;
        }
        for &other in across.iter().flatten().filter(|&&other| other < t) {
            if facets[t as usize].normal.dot(&facets[other as usize].normal) >= SMOOTH_COS {
                pieces.join(t, other);
            }
        }
    }
    let (region_of, count) = pieces.numbered();
    facets.par_iter_mut().zip(&region_of).with_min_len(CHECK_EVERY).for_each(|(facet, own)| {
        let within = |other: u32| other != NONE && region_of[other as usize] == *own;
        facet.beside = facet.beside.map(|other| if within(other) { other } else { NONE });
    });
    Ok((facets, region_of, count))
}

/// Rows of slivers are gone through from their ends inwards, so many deep.
const MOST_LAYERS: usize = 256;

/// Facets with unit normals and all neighbours; slivers take the normal of the triangle across their longest edge, so
/// that a row of them in a plane does not cut it.
fn facets(
    mesh: &TriangleMesh,
    across: &[[Option<u32>; 3]],
    tolerance_mm: f64,
    run: &Run,
) -> Result<Vec<Facet>, Stopped> {
    let of = |t: u32| {
        let c = mesh.corners(t);
        let lengths: [f64; 3] = std::array::from_fn(|k| (c[(k + 1) % 3] - c[k]).norm());
        let mut edges = [0_u8, 1, 2];
        edges.sort_by(|&a, &b| lengths[b as usize].total_cmp(&lengths[a as usize]));
        let double_area = mesh.area_vector(t);
        let weak = !(double_area.norm() > WEAK * tolerance_mm * lengths[edges[0] as usize]);
        let facet = Facet {
            normal: Direction::new(double_area).map_or(Vector::z(), Direction::vector),
            corners: mesh.triangles()[t as usize],
            beside: across[t as usize].map(|other| other.unwrap_or(NONE)),
        };
        (facet, weak.then_some(edges))
    };
    let count = mesh.triangles().len() as u32;
    let (mut facets, edges_of_weak): (Vec<Facet>, Vec<Option<[u8; 3]>>) =
        (0..count).into_par_iter().with_min_len(CHECK_EVERY).map(of).unzip();
    run.check()?;
    let mut known: Vec<bool> = edges_of_weak.iter().map(Option::is_none).collect();
    let mut weak: Vec<(usize, [u8; 3])> =
        edges_of_weak.iter().enumerate().filter_map(|(t, e)| e.map(|edges| (t, edges))).collect();
    // Slivers beside slivers: from the outside inwards, over their longest edges; over shorter ones where none is told so.
    for _ in 0..MOST_LAYERS {
        let over = |edge: usize| {
            let known = &known;
            weak.iter().filter_map(move |(t, edges)| {
                let other = across[*t][edges[edge] as usize]? as usize;
                known[other].then_some((*t, other))
            })
        };
        let found: Vec<(usize, usize)> =
            (0..3).map(|edge| over(edge).collect::<Vec<_>>()).find(|f| !f.is_empty()).unwrap_or_default();
        if found.is_empty() {
            break;
        }
        run.check()?;
        // None of them is the neighbour of another: those were known before.
        for (t, other) in found {
            facets[t].normal = facets[other].normal;
            known[t] = true;
        }
        weak.retain(|&(t, _)| !known[t]);
    }
    Ok(facets)
}

/// Flat patches of one region.
#[derive(Clone, Debug, Default)]
pub(super) struct Patches {
    /// Patch by patch, ascending in each.
    triangles: Vec<u32>,
    /// Where the triangles of each end.
    ends: Vec<u32>,
    /// Of the fitted plane, on the side of the triangles' normals.
    pub normals: Vec<Vector>,
    pub areas_mm2: Vec<f64>,
}

impl Patches {
    pub(super) fn count(&self) -> usize {
        self.ends.len()
    }

    pub(super) fn triangles(&self, patch: u32) -> &[u32] {
        let begin = if patch == 0 { 0 } else { self.ends[patch as usize - 1] };
        &self.triangles[begin as usize..self.ends[patch as usize] as usize]
    }
}

/// How far from a plane or a cylinder vertices may lie that belong to it: 0.2 micrometres, or 1e-6 of the
/// box diagonal where that is larger, since text files are often rounded to six digits.
pub(super) fn carrier_tolerance_mm(diagonal_mm: f64) -> f64 {
    (1e-6 * diagonal_mm).max(2e-4)
}

/// Triangles of one plane agree within one degree: more than rounding turns them, less than a facet of
/// a round wall turns.
const FLAT_COS: f64 = 0.999_847_695_156_391_2;

/// What growing asks of a triangle, side by side in memory: the order of areas leads all over the mesh.
pub(super) struct Facet {
    pub normal: Vector,
    pub corners: [u32; 3],
    /// Neighbours of the same region; `NONE` for none.
    pub beside: [u32; 3],
}

pub(super) const NONE: u32 = u32::MAX;

/// So many seeds are looked at ahead, and so many planes are fitted, at once.
const TOGETHER: usize = 8;

/// Grows the patches of a region of the `triangles` given, the largest triangle first; ties go to the lowest index.
/// `patch_of`, which has a place for every triangle of the mesh, is `NONE` for these and becomes their patch's number.
pub(super) fn patches(
    mesh: &TriangleMesh,
    facets: &[Facet],
    triangles: &[u32],
    patch_of: &[AtomicU32],
    flat_mm: f64,
    run: &Run,
) -> Result<Patches, Stopped> {
    let open = |t: u32| patch_of[t as usize].load(Ordering::Relaxed) == NONE;
    let vertices = mesh.vertices();
    let mut patches = Patches { triangles: Vec::with_capacity(triangles.len()), ..Patches::default() };
    let mut unfitted: Vec<GrowingPlane> = Vec::with_capacity(TOGETHER);
    let mut visited = 0;
    for seeds in by_area(mesh, triangles).chunks(TOGETHER) {
        // Far apart in memory, and waited for together here.
        for &seed in seeds.iter().filter(|&&t| open(t)) {
            std::hint::black_box(facets[seed as usize].corners[0]);
        }
        for &seed in seeds {
            if !open(seed) {
                continue;
            }
            let number = patches.ends.len() as u32;
            let begin = patches.triangles.len();
            let members = &mut patches.triangles;
            let mut plane = GrowingPlane::from(mesh.corners(seed), facets[seed as usize].normal);
            patch_of[seed as usize].store(number, Ordering::Relaxed);
            members.push(seed);
            let mut next = begin;
            let mut refit_at = 4;
            while next < members.len() {
                visited += 1;
                if visited % CHECK_EVERY == 0 {
                    run.check()?;
                }
                let t = members[next];
                next += 1;
                for other in facets[t as usize].beside {
                    if other == NONE || !open(other) {
                        continue;
                    }
                    let facet = &facets[other as usize];
                    if !(facet.normal.dot(&plane.normal) >= FLAT_COS) {
                        continue;
                    }
                    let corners = facet.corners.map(|c| vertices[c as usize]);
                    if corners.iter().all(|p| plane.distance_mm(p).abs() <= flat_mm) {
                        patch_of[other as usize].store(number, Ordering::Relaxed);
                        members.push(other);
                        corners.iter().for_each(|p| plane.sums.add(p));
                        // The plane of a few triangles is uncertain far out: fit again as the patch doubles.
                        if members.len() - begin == refit_at {
                            refit_at *= 2;
                            plane.turn_to(plane.sums.plane());
                        }
                    }
                }
            }
            members[begin..].sort_unstable();
            patches.areas_mm2.push(members[begin..].iter().map(|&t| mesh.area(t)).sum());
            patches.ends.push(members.len() as u32);
            unfitted.push(plane);
            if unfitted.len() == TOGETHER {
                fit_last(&mut unfitted, &mut patches.normals);
            }
        }
    }
    fit_last(&mut unfitted, &mut patches.normals);
    Ok(patches)
}

/// Triangles by falling area, then by their index.
fn by_area(mesh: &TriangleMesh, triangles: &[u32]) -> Vec<u32> {
    // Numbers that are not negative are in the order of their bits.
    let key = |&t: &u32| (Reverse(mesh.area(t).to_bits()), t);
    let mut keyed: Vec<(Reverse<u64>, u32)> =
        triangles.par_iter().with_min_len(CHECK_EVERY).map(key).collect();
    keyed.par_sort_unstable();
    keyed.into_iter().map(|(_, t)| t).collect()
}

/// Fits planes that have grown, at most [`TOGETHER`], for the last time.
fn fit_last(planes: &mut Vec<GrowingPlane>, normals: &mut Vec<Vector>) {
    let Some(first) = planes.first() else { return };
    let sums: [&PlaneSums; TOGETHER] = std::array::from_fn(|i| &planes.get(i).unwrap_or(first).sums);
    let fitted = PlaneSums::planes(&sums);
    for (plane, fitted) in planes.iter_mut().zip(fitted) {
        plane.turn_to(fitted);
        normals.push(plane.normal);
    }
    planes.clear();
}

struct GrowingPlane {
    sums: PlaneSums,
    point: Point,
    normal: Vector,
}

impl GrowingPlane {
    fn from(corners: [Point; 3], normal: Vector) -> Self {
        let mut sums = PlaneSums::about(corners[0]);
        corners.iter().for_each(|p| sums.add(p));
        Self { sums, point: corners[0], normal }
    }

    fn distance_mm(&self, p: &Point) -> f64 {
        (p - self.point).dot(&self.normal)
    }

    fn turn_to(&mut self, fitted: Option<(Point, Direction)>) {
        if let Some((point, normal)) = fitted {
            let normal = normal.vector();
            let agrees = normal.dot(&self.normal);
            // A fit across a sliver may stand at a right angle to the surface; keep the old one then.
            if agrees.abs() >= FLAT_COS {
                (self.point, self.normal) = (point, if agrees < 0.0 { -normal } else { normal });
            }
        }
    }
}
