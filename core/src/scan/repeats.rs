//! Points at the place of an earlier one.
//!
//! Nearly all scans have none, or few. So places are first entered in a table of single bits by a hash of their
//! coordinates (Bloom, "Space/time trade-offs in hash coding with allowable errors", Communications of the
//! ACM 13(7), 1970, with one hash); only the points whose bit was set before, or later again, are compared.

use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;

use super::kept::Points;
use crate::geometry::{Aabb, Point};
use crate::run::{Run, Stopped};

/// Bits for each point, at least: about one in twenty points is compared for nothing.
const BITS: usize = 16;
/// Words of a block of bits, which is a line of the processor's cache. Points of one cell of space share a block
/// (Putze, Sanders and Singler, "Cache-, hash-, and space-efficient Bloom filters", ACM JEA 14, 2009, section 3),
/// so that points that follow one another in a scan seldom wait for memory.
const BLOCK: usize = 8;
/// Points looked at by one thread at a time.
const CHUNK: usize = 1 << 16;

/// Each point that has the coordinates of an earlier one, with the first of these; ascending. Zeros must not
/// have a sign. `dealt` is where most of them lie.
pub(super) fn repeated(points: Points, dealt: &Aabb, run: &Run) -> Result<Vec<(u32, u32)>, Stopped> {
    let blocks = (points.len() * BITS / (64 * BLOCK)).next_power_of_two();
    let table = || -> Vec<AtomicU64> { (0..blocks * BLOCK).map(|_| AtomicU64::new(0)).collect() };
    let (once, again) = (table(), table());
    // As many cells on a surface as large as the largest side of the box.
    let size = dealt.size();
    let side = (size.x * size.y).max(size.y * size.z).max(size.z * size.x).sqrt();
    let scale = (blocks as f64).sqrt() / side;
    let scale = if scale.is_finite() { scale } else { 0.0 };
    let bit_of = |p: &Point| {
        let cell = (p - dealt.low).map(|along| (along * scale) as i64 as u64);
        let block = hash([cell.x, cell.y, cell.z]) as usize & (blocks - 1);
        let bit = hash(p.coords.map(f64::to_bits).into()) as usize % (64 * BLOCK);
        (BLOCK * block + bit / 64, 1u64 << (bit % 64))
    };
    points.par_chunks(CHUNK).try_for_each(|chunk| {
        run.check()?;
        for p in chunk.iter() {
            // Whoever comes first: the bit is in both tables in the end when two came.
            let (word, bit) = bit_of(&p);
            if once[word].fetch_or(bit, Ordering::Relaxed) & bit != 0 {
                again[word].fetch_or(bit, Ordering::Relaxed);
            }
        }
        Ok(())
    })?;
    drop(once);
    let suspects = |(chunk, points): (usize, Points)| {
        run.check()?;
        let shared = |p: &Point| {
            let (word, bit) = bit_of(p);
            again[word].load(Ordering::Relaxed) & bit != 0
        };
        let numbered = (0u32..).zip(points.iter()).filter(|(_, p)| shared(p));
        Ok(numbered.map(|(i, _)| i + (chunk * CHUNK) as u32).collect::<Vec<u32>>())
    };
    let found: Vec<Vec<u32>> =
        points.par_chunks(CHUNK).enumerate().map(suspects).collect::<Result<_, Stopped>>()?;
    drop(again);
    let mut suspects = found.concat();
    let place = |i: &u32| points.at(*i as usize).coords.map(f64::to_bits);
    // The number decides last, so an unstable sort has one possible result.
    suspects.par_sort_unstable_by(|i, j| {
        let (p, q) = (place(i), place(j));
        p.as_slice().cmp(q.as_slice()).then(i.cmp(j))
    });
    run.check()?;
    let mut repeated = Vec::new();
    for same in suspects.chunk_by(|i, j| place(i) == place(j)) {
        repeated.extend(same[1..].iter().map(|&i| (i, same[0])));
    }
    repeated.sort_unstable();
    Ok(repeated)
}

/// For each of some points the first at its place.
pub(super) fn first_of_each(points: usize, repeated: &[(u32, u32)]) -> Vec<u32> {
    let mut first: Vec<u32> = (0..points as u32).collect();
    repeated.iter().for_each(|&(i, f)| first[i as usize] = f);
    first
}

/// Steele et al., "Fast splittable pseudorandom number generators", OOPSLA 2014, figure 17 (`mix64`), over the
/// numbers one after the other.
fn hash(of: [u64; 3]) -> u64 {
    of.into_iter().fold(0, |h: u64, c| {
        let h = (h ^ c).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let h = (h ^ (h >> 29)).wrapping_mul(0x94D0_49BB_1331_11EB);
        h ^ (h >> 32)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::quiet;
    use std::collections::BTreeMap;

    #[test]
    fn repeated_points_are_those_of_a_map() {
        let mut random = Random::seeded(9);
        for (count, places) in [(1usize, 1), (2, 1), (500, 20), (70_000, 300), (200_000, 1 << 30)] {
            let points: Vec<Point> = (0..count)
                .map(|_| Point::new(random.below(places) as f64, 0.5, random.below(2) as f64))
                .collect();
            let mut first = BTreeMap::new();
            let slow: Vec<(u32, u32)> = (0u32..)
                .zip(&points)
                .filter_map(|(i, p)| {
                    let first = *first.entry([p.x, p.z].map(f64::to_bits)).or_insert(i);
                    (first != i).then_some((i, first))
                })
                .collect();
            assert_eq!(
                repeated((&points).into(), &Aabb::of(&points), &quiet()).unwrap(),
                slow,
                "{count} at {places}"
            );
        }
    }
}
