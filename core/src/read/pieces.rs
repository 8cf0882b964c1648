//! Long text in pieces that begin at a line, so that they can be read in parallel.
//!
//! Pieces are read as if all were well. Where one is not, the reader of the format goes through the whole
//! from its beginning, so that what it says, and about which line, does not depend on pieces.

use std::ops::Range;

use rayon::prelude::*;

use super::ReadError;
use super::text::Lines;
use crate::run::{Run, Stopped};

/// Length of a piece, bytes; short in tests, whose files are small. A constant: it must never depend on
/// the number of threads.
const PIECE: usize = if cfg!(test) { 97 } else { 1 << 20 };
/// Pieces read before what they hold is put together: this much is held twice.
const TOGETHER: usize = 16;

/// Cuts what follows `from` into pieces, each of which begins at a line for which `begins` holds.
pub(super) fn cut(bytes: &[u8], from: usize, begins: impl Fn(&[u8]) -> bool) -> Vec<Range<usize>> {
    let mut pieces = Vec::new();
    let mut at = from;
    while at < bytes.len() {
        // The line in whose midst a piece would end belongs to it.
        let mut lines = Lines::from(bytes, (at + PIECE).min(bytes.len()), 0);
        lines.next();
        let mut end = lines.at;
        while let Some(line) = lines.next() {
            if begins(line) {
                break;
            }
            end = lines.at;
        }
        pieces.push(at..end);
        at = end;
    }
    pieces
}

/// The sum over all pieces of a number.
pub(super) fn sum(bytes: &[u8], pieces: &[Range<usize>], of: impl Fn(&[u8]) -> usize + Sync) -> usize {
    pieces.par_iter().map(|piece| of(&bytes[piece.clone()])).sum()
}

/// Hands what each piece holds to `add`, in order. False as soon as a piece cannot be read, or `add`
/// wants no more; an error only when the caller asked to stop.
pub(super) fn read<T: Send>(
    pieces: &[Range<usize>],
    parse: impl Fn(usize) -> Result<T, ReadError> + Sync,
    mut add: impl FnMut(T) -> bool,
    run: &Run,
) -> Result<bool, Stopped> {
    for first in (0..pieces.len()).step_by(TOGETHER) {
        run.check()?;
        let last = pieces.len().min(first + TOGETHER);
        let parts: Vec<Result<T, ReadError>> = (first..last).into_par_iter().map(&parse).collect();
        for part in parts {
            match part {
                Ok(part) => {
                    if !add(part) {
                        return Ok(false);
                    }
                }
                Err(ReadError::Stopped(stopped)) => return Err(stopped),
                Err(_) => return Ok(false),
            }
        }
    }
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_are_whole_lines_and_all_of_the_text() {
        let text: String =
            (0..400).map(|i| if i % 7 == 0 { "\n".into() } else { format!("{i} line\r\n") }).collect();
        for end in [text.len(), text.len() - 1, 98, 97, 1, 0] {
            for from in [0, 1.min(end), 50.min(end)] {
                let bytes = &text.as_bytes()[..end];
                let pieces = cut(bytes, from, |line| !line.contains(&b'3'));
                let mut at = from;
                for piece in &pieces {
                    assert!(piece.start == at && piece.end > at);
                    assert!(
                        at == from
                            || bytes[at - 1] == b'\n' && !text[at..].lines().next().unwrap().contains('3')
                    );
                    at = piece.end;
                }
                assert_eq!(at, end.max(from));
            }
        }
    }
}
