//! Which patches lie beside which.

use super::patches::{Facet, NONE, Patches};
use crate::geometry::TriangleMesh;

/// The neighbours of each patch of a region.
#[derive(Debug, Default)]
pub(super) struct Beside {
    /// Where the neighbours of each patch begin, and how many there are.
    places: Vec<(u32, u32)>,
    all: Vec<(u32, f64)>,
}

/// A border is looked for among so many that were last added to; those further back are put together at the end.
const LOOK_BACK: usize = 8;

impl Beside {
    /// `triangles` are those of the region, ascending, and `patch_of` tells the patch of each.
    pub(super) fn new(
        mesh: &TriangleMesh,
        facets: &[Facet],
        patches: &Patches,
        triangles: &[u32],
        patch_of: impl Fn(u32) -> u32,
    ) -> Self {
        let count = patches.count();
        // Patches hang together: of the sides of `m` triangles at most `m + 2` are not between them.
        let mut places = vec![(0u32, 0u32); count];
        let mut sum = 0;
        for (patch, (begin, _)) in (0u32..).zip(&mut places) {
            *begin = sum;
            sum += patches.triangles(patch).len() as u32 + 2;
        }
        let mut all = vec![(NONE, 0.0); sum as usize];
        for &t in triangles {
            let facet = &facets[t as usize];
            let own = patch_of(t);
            let (begin, added) = &mut places[own as usize];
            for k in 0..3 {
                let other = facet.beside[k];
                let patch = if other == NONE { own } else { patch_of(other) };
                if patch == own {
                    continue;
                }
                let [a, b] = [k, (k + 1) % 3].map(|k| mesh.vertices()[facet.corners[k] as usize]);
                let length = (b - a).norm();
                let end = (*begin + *added) as usize;
                let list = &mut all[*begin as usize..end];
                match list.iter_mut().rev().take(LOOK_BACK).find(|(p, _)| *p == patch) {
                    Some((_, sum)) => *sum += length,
                    None => {
                        all[end] = (patch, length);
                        *added += 1;
                    }
                }
            }
        }
        for (begin, added) in &mut places {
            let list = &mut all[*begin as usize..(*begin + *added) as usize];
            list.sort_by_key(|&(p, _)| p);
            let mut kept = 0;
            for i in 0..list.len() {
                if kept > 0 && list[kept - 1].0 == list[i].0 {
                    list[kept - 1].1 += list[i].1;
                } else {
                    list[kept] = list[i];
                    kept += 1;
                }
            }
            list[..kept].sort_by(|a, b| b.1.total_cmp(&a.1));
            *added = kept as u32;
        }
        Self { places, all }
    }

    /// The neighbours of a patch and the length of the common border, mm, the longest first.
    pub(super) fn of(&self, patch: u32) -> &[(u32, f64)] {
        let (begin, count) = self.places[patch as usize];
        &self.all[begin as usize..(begin + count) as usize]
    }
}
