//! Equal corners become one vertex.
//!
//! Corners are dealt to buckets by a hash of their coordinates, so that equal ones meet in one bucket that
//! fits the processor's cache, and are found there by a small table. Dealing by chunks of a constant number
//! of corners is the partitioning of a parallel hash join (Balkesen et al., "Main-memory hash joins on
//! multi-core CPUs: tuning to the underlying hardware", ICDE 2013, section III).

use std::sync::atomic::{AtomicU32, Ordering};

use rayon::prelude::*;

use crate::run::{Run, Stopped};

/// Coordinates as bits; corners are the same vertex when theirs are equal.
pub(super) trait Bits: Copy + Ord + Send + Sync {
    /// A hash of all of them.
    fn hash(&self) -> u64;
}

/// Steele et al., "Fast splittable pseudorandom number generators", OOPSLA 2014, figure 17 (`mix64`), in
/// turn after Stafford's variant 13.
#[inline]
fn mix(mut h: u64) -> u64 {
    h = (h ^ (h >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    h = (h ^ (h >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    h ^ (h >> 31)
}

impl Bits for [u32; 3] {
    #[inline]
    fn hash(&self) -> u64 {
        let low = u64::from(self[0]) | (u64::from(self[1]) << 32);
        mix(low ^ u64::from(self[2]).wrapping_mul(0x9E37_79B9_7F4A_7C15))
    }
}

impl Bits for [u64; 3] {
    #[inline]
    fn hash(&self) -> u64 {
        mix(mix(self[0] ^ mix(self[1])) ^ self[2].wrapping_mul(0x9E37_79B9_7F4A_7C15))
    }
}

/// Corners dealt at a time.
const CHUNK: usize = 1 << 16;
/// Corners of a bucket, about.
const BUCKET: usize = 1 << 10;
/// Most buckets.
const MOST_BUCKETS: usize = 1 << 12;

/// The corners of one chunk, bucket by bucket, in each by their number.
struct Dealt<K> {
    corners: Vec<(K, u32)>,
    /// Where each bucket begins; one more than there are buckets.
    starts: Vec<u32>,
}

/// For each of `corners` corners the number of its vertex, and for each vertex its first corner. Corners
/// are the same vertex when the bits that `key` gives are equal; vertices are numbered in the order of
/// their first corner. `key` is asked once a corner. No input makes it slow: a bucket in which too many
/// hashes agree is sorted.
pub(super) fn equal<K: Bits>(
    corners: usize,
    key: impl Fn(usize) -> K + Sync,
    run: &Run,
) -> Result<(Vec<u32>, Vec<u32>), Stopped> {
    let buckets = (corners / BUCKET).next_power_of_two().min(MOST_BUCKETS);
    let dealt: Vec<Dealt<K>> = (0..corners.div_ceil(CHUNK))
        .into_par_iter()
        .map(|chunk| {
            run.check()?;
            Ok(deal(chunk * CHUNK..corners.min((chunk + 1) * CHUNK), buckets, &key))
        })
        .collect::<Result<_, Stopped>>()?;
    // Each corner is in one bucket, so each place is written once, whoever comes first.
    let first_of: Vec<AtomicU32> = (0..corners).into_par_iter().map(|_| AtomicU32::new(0)).collect();
    (0..buckets).into_par_iter().for_each_init(Vec::new, |together: &mut Vec<(K, u32)>, bucket| {
        together.clear();
        for chunk in &dealt {
            let range = chunk.starts[bucket] as usize..chunk.starts[bucket + 1] as usize;
            together.extend_from_slice(&chunk.corners[range]);
        }
        let found = |corner: u32, first: u32| first_of[corner as usize].store(first, Ordering::Relaxed);
        if run.check().is_ok() && !by_table(together, found) {
            by_sorting(together, found);
        }
    });
    run.check()?;
    drop(dealt);
    let mut number: Vec<u32> = first_of.into_iter().map(AtomicU32::into_inner).collect();
    let mut firsts = Vec::new();
    for corner in 0..number.len() {
        let first = number[corner] as usize;
        number[corner] = if first == corner {
            firsts.push(corner as u32);
            firsts.len() as u32 - 1
        } else {
            // The first corner comes before this one, so it has its vertex number already.
            number[first]
        };
    }
    Ok((number, firsts))
}

/// Sorts a chunk's corners into buckets by counting, so that their order within a bucket stays.
fn deal<K: Bits>(range: std::ops::Range<usize>, buckets: usize, key: impl Fn(usize) -> K) -> Dealt<K> {
    let bucket = |key: &K| (key.hash() as usize) & (buckets - 1);
    let keys: Vec<(K, u32)> = range.map(|corner| (key(corner), corner as u32)).collect();
    let mut starts = vec![0u32; buckets + 1];
    for (key, _) in &keys {
        starts[bucket(key) + 1] += 1;
    }
    for b in 0..buckets {
        starts[b + 1] += starts[b];
    }
    let mut next = starts.clone();
    let mut corners = keys.clone();
    for item in keys {
        let place = &mut next[bucket(&item.0)];
        corners[*place as usize] = item;
        *place += 1;
    }
    Dealt { corners, starts }
}

/// Finds the first of equal corners by a table with open addressing; false when that takes too many steps.
fn by_table<K: Bits>(corners: &[(K, u32)], found: impl Fn(u32, u32)) -> bool {
    let size = (2 * corners.len()).next_power_of_two().max(2);
    let mut table = vec![u32::MAX; size];
    // In a table that is at most half full a search takes 1.5 steps if the hashes are even (Knuth, The Art
    // of Computer Programming 3, section 6.4, algorithm L).
    let mut steps = 16 * corners.len() + 64;
    for (i, (key, corner)) in corners.iter().enumerate() {
        // The low bits chose the bucket.
        let mut slot = (key.hash() >> 32) as usize & (size - 1);
        loop {
            match corners.get(table[slot] as usize) {
                None => {
                    table[slot] = i as u32;
                    found(*corner, *corner);
                    break;
                }
                Some((other, first)) if other == key => {
                    found(*corner, *first);
                    break;
                }
                Some(_) => slot = (slot + 1) & (size - 1),
            }
            steps -= 1;
            if steps == 0 {
                return false;
            }
        }
    }
    true
}

fn by_sorting<K: Bits>(corners: &mut [(K, u32)], found: impl Fn(u32, u32)) {
    corners.sort_unstable();
    for same in corners.chunk_by(|a, b| a.0 == b.0) {
        same.iter().for_each(|(_, corner)| found(*corner, same[0].1));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;
    use crate::run::quiet;
    use std::collections::BTreeMap;

    fn slow<K: Bits>(keys: &[K]) -> (Vec<u32>, Vec<u32>) {
        let (mut seen, mut firsts) = (BTreeMap::new(), Vec::new());
        let number = (0u32..).zip(keys).map(|(corner, key)| {
            *seen.entry(*key).or_insert_with(|| {
                firsts.push(corner);
                firsts.len() as u32 - 1
            })
        });
        (number.collect(), firsts)
    }

    #[test]
    fn vertices_are_numbered_as_a_map_numbers_them() {
        let mut random = Random::seeded(4);
        for corners in [0usize, 1, 2, 3, 1000, 70_000, 200_000] {
            for different in [1usize, 7, corners / 6 + 1, 1 << 40] {
                let keys: Vec<[u32; 3]> = (0..corners)
                    .map(|_| [random.below(different) as u32, 5, random.below(2) as u32])
                    .collect();
                assert_eq!(
                    equal(keys.len(), |i| keys[i], &quiet()).unwrap(),
                    slow(&keys),
                    "{corners} of {different}"
                );
                let wide: Vec<[u64; 3]> = keys.iter().map(|k| k.map(|b| u64::from(b) << 30)).collect();
                assert_eq!(
                    equal(wide.len(), |i| wide[i], &quiet()).unwrap(),
                    slow(&wide),
                    "{corners} of {different}"
                );
            }
        }
    }

    /// Bits whose hashes all agree.
    #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
    struct Same(u32);

    impl Bits for Same {
        fn hash(&self) -> u64 {
            9
        }
    }

    #[test]
    fn equal_hashes_are_sorted_instead() {
        let keys: Vec<Same> = (0..100_000u32).map(|i| Same(i.wrapping_mul(2_654_435_761) % 50_000)).collect();
        assert!(!by_table(&keys.iter().copied().zip(0..).collect::<Vec<_>>(), |_, _| {}));
        assert_eq!(equal(keys.len(), |i| keys[i], &quiet()).unwrap(), slow(&keys));
    }
}
