//! Equal corners become one vertex.

use rayon::slice::ParallelSliceMut;

/// For each corner the number of its vertex, and for each vertex its first corner. Corners are the
/// same vertex when their keys are equal; vertices are numbered in the order of their first corner.
/// By sorting, not hashing: no input makes it slow, and the result depends on nothing else.
pub(super) fn equal<K: Ord + Copy + Send>(keys: impl ExactSizeIterator<Item = K>) -> (Vec<u32>, Vec<u32>) {
    let mut sorted: Vec<(K, u32)> = keys.enumerate().map(|(i, key)| (key, i as u32)).collect();
    // Every element differs in its index, so an unstable sort has one possible result.
    sorted.par_sort_unstable();
    let mut number = vec![0u32; sorted.len()];
    let mut i = 0;
    while i < sorted.len() {
        let (key, first) = sorted[i];
        while i < sorted.len() && sorted[i].0 == key {
            number[sorted[i].1 as usize] = first;
            i += 1;
        }
    }
    drop(sorted);
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
    (number, firsts)
}
