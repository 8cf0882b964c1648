//! Which patches lie beside which.

use super::patches::{Facet, NONE};
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
    /// `triangles` are those of the region, ascending, and `patch_of` tells the patch of each, of `count`.
    pub(super) fn new(
        mesh: &TriangleMesh,
        facets: &[Facet],
        triangles: &[u32],
        patch_of: impl Fn(u32) -> u32,
        count: usize,
    ) -> Self {
        // Edges between patches, dealt to the patch that they are of.
        let borders = |t: u32| {
            let facet = &facets[t as usize];
            let own = patch_of(t);
            let border = |k: usize| {
                let other = facet.beside[k];
                let patch = if other == NONE { own } else { patch_of(other) };
                (patch != own).then_some((k, patch))
            };
            (own, [border(0), border(1), border(2)])
        };
        let mut places = vec![(0u32, 0u32); count];
        for &t in triangles {
            let (own, borders) = borders(t);
            places[own as usize].1 += borders.iter().flatten().count() as u32;
        }
        let mut sum = 0;
        for (begin, edges) in &mut places {
            *begin = sum;
            sum += std::mem::take(edges);
        }
        let mut all = vec![(NONE, 0.0); sum as usize];
        for &t in triangles {
            let (own, borders) = borders(t);
            let (begin, added) = &mut places[own as usize];
            for (k, patch) in borders.into_iter().flatten() {
                let [a, b] = [k, (k + 1) % 3]
                    .map(|k| mesh.vertices()[facets[t as usize].corners[k] as usize]);
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
