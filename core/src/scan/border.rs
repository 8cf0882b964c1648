//! The points at which a scan's own mesh ends.
//!
//! Round a vertex inside a mesh each neighbour ends one triangle and begins the next; at a border two of them do only one of
//! both. So over all triangles (v, a, b) about a vertex v the sum of h(b) - h(a), with a hash h of the neighbours, is zero
//! inside and, but for one chance in 2^64, not at a border. Sums that wrap do not depend on their order, and so not on the number
//! of threads. The idea of sums that cancel is that of Zobrist hashing (Zobrist, 1970, from memory).

use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;

use super::repeats::first_of_each;
use crate::run::{CHECK_EVERY, Run, Stopped};

/// A mesh of which more than this share ends everywhere is not one: its triangles do not hang together.
const MOST: f64 = 0.5;

/// Whether each point lies on the border; `None` without triangles, or where they do not hang together. Repeated points (with
/// the first at their place) count as one, told at the first.
pub(super) fn border(
    points: usize,
    triangles: &[[u32; 3]],
    repeated: &[(u32, u32)],
    run: &Run,
) -> Result<Option<Vec<bool>>, Stopped> {
    if triangles.is_empty() {
        return Ok(None);
    }
    let first = first_of_each(points, repeated);
    let sums: Vec<AtomicU64> = (0..points).map(|_| AtomicU64::new(0)).collect();
    triangles.par_chunks(CHECK_EVERY).try_for_each(|chunk| {
        run.check()?;
        for triangle in chunk {
            let [a, b, c] = triangle.map(|v| first[v as usize]);
            if a == b || b == c || c == a {
                continue;
            }
            for (v, from, to) in [(a, b, c), (b, c, a), (c, a, b)] {
                let turn = hash(to).wrapping_sub(hash(from));
                sums[v as usize].fetch_add(turn, Ordering::Relaxed);
            }
        }
        Ok(())
    })?;
    let border: Vec<bool> = sums.into_iter().map(|s| s.into_inner() != 0).collect();
    let count = border.iter().filter(|b| **b).count();
    Ok((count as f64 <= MOST * points as f64).then_some(border))
}

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
fn hash(v: u32) -> u64 {
    let mut x = u64::from(v).wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    x ^ (x >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::quiet;

    /// Squares of a sheet of `n` by `n`, without some.
    fn sheet(n: u32, without: impl Fn(u32, u32) -> bool) -> Vec<[u32; 3]> {
        let at = |i: u32, j: u32| j * (n + 1) + i;
        let squares = (0..n).flat_map(|j| (0..n).map(move |i| (i, j)));
        squares
            .filter(|&(i, j)| !without(i, j))
            .flat_map(|(i, j)| {
                let [a, b, c, d] = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
                [[a, b, c], [a, c, d]]
            })
            .collect()
    }

    #[test]
    fn a_sheet_ends_at_its_rim_and_round_its_holes() {
        let n = 8u32;
        let found = |triangles: &[[u32; 3]], points: usize| border(points, triangles, &[], &quiet()).unwrap();
        let whole = found(&sheet(n, |_, _| false), 81).unwrap();
        let hole = found(&sheet(n, |i, j| i == 3 && j == 4), 81).unwrap();
        for j in 0..=n {
            for i in 0..=n {
                let k = (j * (n + 1) + i) as usize;
                let rim = i == 0 || j == 0 || i == n || j == n;
                let of_hole = (3..=4).contains(&i) && (4..=5).contains(&j);
                assert_eq!(whole[k], rim, "{i} {j}");
                assert_eq!(hole[k], rim || of_hole, "{i} {j}");
            }
        }
        assert_eq!(found(&[], 3), None);
    }

    #[test]
    fn triangles_that_share_no_vertex_have_no_border_and_repeated_ones_are_joined() {
        let triangles: Vec<[u32; 3]> = sheet(8, |_, _| false);
        // Every triangle with vertices of its own, as STL has them.
        let soup: Vec<[u32; 3]> =
            (0..triangles.len() as u32).map(|t| [3 * t, 3 * t + 1, 3 * t + 2]).collect();
        let count = 3 * triangles.len();
        assert_eq!(border(count, &soup, &[], &quiet()).unwrap(), None);
        let flat: Vec<u32> = triangles.iter().flatten().copied().collect();
        let repeated: Vec<(u32, u32)> = flat
            .iter()
            .enumerate()
            .filter_map(|(k, v)| {
                let first = flat.iter().position(|w| w == v)?;
                (first != k).then_some((k as u32, first as u32))
            })
            .collect();
        let joined = border(count, &soup, &repeated, &quiet()).unwrap().unwrap();
        assert_eq!(joined.iter().filter(|b| **b).count(), 32);
    }
}
