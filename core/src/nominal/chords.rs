//! Vertices within flat facets: a mesh that was made finer after it was made has some, and they lie on chords of a round wall, not
//! on the wall.

use super::carrier::CylinderFit;
use super::patches::Patches;
use crate::geometry::TriangleMesh;

/// A strip of a round wall is two triangles; regions of more a patch than this are looked at.
const TRIANGLES_A_PATCH: usize = 3;

/// Vertices of a region that only one of its flat patches uses, ascending. Empty where patches are strips of two triangles or single
/// ones, as of any mesh that nobody divided further.
pub(super) fn within_one_patch(mesh: &TriangleMesh, patches: &Patches, triangles: usize) -> Vec<u32> {
    let count = patches.count();
    if count < 2 || triangles < TRIANGLES_A_PATCH * count {
        return Vec::new();
    }
    let corners = |p: u32| patches.triangles(p).iter().flat_map(|&t| mesh.triangles()[t as usize]);
    let mut used: Vec<(u32, u32)> = (0..count as u32).flat_map(|p| corners(p).map(move |c| (c, p))).collect();
    used.sort_unstable();
    used.dedup();
    let alone = |users: &[(u32, u32)]| (users.len() == 1).then(|| users[0].0);
    used.chunk_by(|a, b| a.0 == b.0).filter_map(alone).collect()
}

/// By how much a flat facet lies within the cylinder that its borders lie on, at most: the sagitta of its turn, mm.
pub(super) fn sagitta_mm(mesh: &TriangleMesh, patches: &Patches, patch: u32, fit: &CylinderFit) -> f64 {
    let corners = patches.triangles(patch).iter().flat_map(|&t| mesh.corners(t));
    fit.sagitta_mm(fit.turn_rad(&corners.collect::<Vec<_>>()))
}
