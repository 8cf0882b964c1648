//! Sums in a fixed order: the same bits on any number of threads.

use rayon::prelude::*;

/// Items of one chunk. A constant: it must never depend on the number of threads.
pub const CHUNK: usize = 4096;

/// Maps chunks of [`CHUNK`] items in parallel (`work` gets the index of its first item) and folds the
/// results in the order of the chunks.
pub fn chunked<T, R, W, F>(items: &[T], start: R, work: W, mut fold: F) -> R
where
    T: Sync,
    R: Send,
    W: Fn(usize, &[T]) -> R + Sync + Send,
    F: FnMut(R, R) -> R,
{
    let parts: Vec<R> =
        items.par_chunks(CHUNK).enumerate().map(|(i, chunk)| work(i * CHUNK, chunk)).collect();
    let mut total = start;
    for part in parts {
        total = fold(total, part);
    }
    total
}
