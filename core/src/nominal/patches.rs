//! Flat patches: connected triangles of one region that lie in one plane. Every face is made of them.

use rayon::prelude::*;

use super::carrier::PlaneSums;
use crate::geometry::{Direction, Point, TriangleMesh, Vector};
use crate::run::{CHECK_EVERY, Run, Stopped};

/// A unit normal for every triangle, and its region.
pub(super) struct Regions {
    pub normals: Vec<Vector>,
    pub region_of: Vec<u32>,
    pub count: usize,
}

/// Surfaces that meet at more than 30 degrees meet at an edge. Common practice without a source: facets
/// of a round wall turn by up to 15 degrees each (24 to the circle), which must pass with a margin, and
/// drawn edges are far sharper.
const SMOOTH_COS: f64 = 0.866_025_403_784_438_6;

/// A triangle lower than this many times the welding tolerance has no normal of its own: rounding of its
/// corners turns it by more than half a degree.
const WEAK: f64 = 100.0;

/// Cuts the surface along its sharp edges.
pub(super) fn regions(
    mesh: &TriangleMesh,
    across: &[[Option<u32>; 3]],
    tolerance_mm: f64,
    run: &Run,
) -> Result<Regions, Stopped> {
    let normals = normals(mesh, across, tolerance_mm, run)?;
    const NONE: u32 = u32::MAX;
    let mut region_of = vec![NONE; normals.len()];
    let mut count = 0;
    let mut stack = Vec::new();
    let mut visited = 0;
    for seed in 0..normals.len() {
        if region_of[seed] != NONE {
            continue;
        }
        region_of[seed] = count;
        stack.push(seed);
        while let Some(t) = stack.pop() {
            visited += 1;
            if visited % CHECK_EVERY == 0 {
                run.check()?;
            }
            for other in across[t].iter().flatten().map(|&o| o as usize) {
                if region_of[other] == NONE && normals[t].dot(&normals[other]) >= SMOOTH_COS {
                    region_of[other] = count;
                    stack.push(other);
                }
            }
        }
        count += 1;
    }
    Ok(Regions { normals, region_of, count: count as usize })
}

/// Unit normals; slivers take that of the triangle across their longest edge, so that a row of them in a
/// plane does not cut it.
fn normals(
    mesh: &TriangleMesh,
    across: &[[Option<u32>; 3]],
    tolerance_mm: f64,
    run: &Run,
) -> Result<Vec<Vector>, Stopped> {
    let of = |t: u32| {
        let c = mesh.corners(t);
        let lengths: [f64; 3] = std::array::from_fn(|k| (c[(k + 1) % 3] - c[k]).norm());
        let longest = (0..3).fold(0, |best, k| if lengths[k] > lengths[best] { k } else { best });
        let double_area = mesh.area_vector(t);
        let weak = !(double_area.norm() > WEAK * tolerance_mm * lengths[longest]);
        (Direction::new(double_area).map_or(Vector::z(), Direction::vector), weak.then_some(longest as u8))
    };
    let count = mesh.triangles().len() as u32;
    let (mut normals, longest_of_weak): (Vec<Vector>, Vec<Option<u8>>) =
        (0..count).into_par_iter().with_min_len(CHECK_EVERY).map(of).unzip();
    run.check()?;
    let mut known: Vec<bool> = longest_of_weak.iter().map(Option::is_none).collect();
    let weak: Vec<(usize, usize)> =
        longest_of_weak.iter().enumerate().filter_map(|(t, l)| l.map(|l| (t, l as usize))).collect();
    // Slivers beside slivers: from the outside inwards, a few layers deep.
    for _ in 0..8 {
        let mut found = Vec::new();
        for &(t, longest) in weak.iter().filter(|&&(t, _)| !known[t]) {
            if let Some(other) = across[t][longest].map(|o| o as usize).filter(|&o| known[o]) {
                found.push((t, normals[other]));
            }
        }
        if found.is_empty() {
            break;
        }
        for (t, n) in found {
            normals[t] = n;
            known[t] = true;
        }
    }
    Ok(normals)
}

/// A flat patch.
#[derive(Clone, Debug)]
pub(super) struct Patch {
    pub triangles: Vec<u32>,
    pub region: u32,
    /// Of the fitted plane, on the side of the triangles' normals.
    pub normal: Vector,
    pub area_mm2: f64,
}

/// How far from a plane or a cylinder vertices may lie that belong to it: 0.2 micrometres, or 1e-6 of the
/// box diagonal where that is larger, since text files are often rounded to six digits.
pub(super) fn carrier_tolerance_mm(diagonal_mm: f64) -> f64 {
    (1e-6 * diagonal_mm).max(2e-4)
}

/// Triangles of one plane agree within one degree: more than rounding turns them, less than a facet of
/// a round wall turns.
const FLAT_COS: f64 = 0.999_847_695_156_391_2;

/// Grows patches, the largest triangle first; ties go to the lowest index.
pub(super) fn patches(
    mesh: &TriangleMesh,
    across: &[[Option<u32>; 3]],
    regions: &Regions,
    flat_mm: f64,
    run: &Run,
) -> Result<(Vec<u32>, Vec<Patch>), Stopped> {
    const NONE: u32 = u32::MAX;
    let count = mesh.triangles().len() as u32;
    let areas: Vec<f64> =
        (0..count).into_par_iter().with_min_len(CHECK_EVERY).map(|t| mesh.area(t)).collect();
    // Numbers that are not negative are in the order of their bits.
    let mut seeds: Vec<(std::cmp::Reverse<u64>, u32)> =
        areas.iter().zip(0..).map(|(a, t)| (std::cmp::Reverse(a.to_bits()), t)).collect();
    seeds.par_sort_unstable();
    run.check()?;
    let mut patch_of = vec![NONE; areas.len()];
    let mut patches: Vec<Patch> = Vec::new();
    let mut visited = 0;
    for (_, seed) in seeds {
        if patch_of[seed as usize] != NONE {
            continue;
        }
        let number = patches.len() as u32;
        let region = regions.region_of[seed as usize];
        let mut plane = GrowingPlane::from(mesh.corners(seed), regions.normals[seed as usize]);
        patch_of[seed as usize] = number;
        let mut members = vec![seed];
        let mut next = 0;
        let mut refit_at = 4;
        while next < members.len() {
            visited += 1;
            if visited % CHECK_EVERY == 0 {
                run.check()?;
            }
            let t = members[next];
            next += 1;
            for other in across[t as usize].iter().flatten().copied() {
                let o = other as usize;
                let fits = patch_of[o] == NONE
                    && regions.region_of[o] == region
                    && regions.normals[o].dot(&plane.normal) >= FLAT_COS
                    && mesh.corners(other).iter().all(|p| plane.distance_mm(p).abs() <= flat_mm);
                if fits {
                    patch_of[o] = number;
                    members.push(other);
                    mesh.corners(other).iter().for_each(|p| plane.sums.add(p));
                    // The plane of a few triangles is uncertain far out: fit again as the patch doubles.
                    if members.len() == refit_at {
                        refit_at *= 2;
                        plane.fit_again();
                    }
                }
            }
        }
        plane.fit_again();
        members.sort_unstable();
        let area_mm2 = members.iter().map(|&t| areas[t as usize]).sum();
        patches.push(Patch { triangles: members, region, normal: plane.normal, area_mm2 });
    }
    Ok((patch_of, patches))
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

    fn fit_again(&mut self) {
        if let Some((point, normal)) = self.sums.plane() {
            let normal = normal.vector();
            let agrees = normal.dot(&self.normal);
            // A fit across a sliver may stand at a right angle to the surface; keep the old one then.
            if agrees.abs() >= FLAT_COS {
                (self.point, self.normal) = (point, if agrees < 0.0 { -normal } else { normal });
            }
        }
    }
}
