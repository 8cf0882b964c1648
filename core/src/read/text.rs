//! Lines and words of a text file given as bytes.

use super::ReadError;

/// Lines with their numbers, ended by LF or CR LF, which are cut off.
pub(super) struct Lines<'a> {
    bytes: &'a [u8],
    /// Where the next line begins.
    pub(super) at: usize,
    /// Number of the line given last, from 1.
    pub(super) line: u64,
}

impl<'a> Lines<'a> {
    /// Lines from `at` on, the first of which has the number `line + 1`. `at` must not exceed the length.
    pub(super) fn from(bytes: &'a [u8], at: usize, line: u64) -> Self {
        Self { bytes, at, line }
    }

    /// The next line that holds more than white space.
    pub(super) fn next_filled(&mut self) -> Option<&'a [u8]> {
        self.find(|line| !line.trim_ascii().is_empty())
    }
}

impl<'a> Iterator for Lines<'a> {
    type Item = &'a [u8];

    fn next(&mut self) -> Option<&'a [u8]> {
        let rest = &self.bytes[self.at..];
        if rest.is_empty() {
            return None;
        }
        self.line += 1;
        let (line, used) = match rest.iter().position(|&b| b == b'\n') {
            Some(n) => (&rest[..n], n + 1),
            None => (rest, rest.len()),
        };
        self.at += used;
        Some(line.strip_suffix(b"\r").unwrap_or(line))
    }
}

/// Words of a line.
pub(super) fn words(line: &[u8]) -> impl Iterator<Item = &[u8]> {
    line.split(u8::is_ascii_whitespace).filter(|w| !w.is_empty())
}

/// A word as it may be shown in a message: short and printable.
pub(super) fn shown(word: &[u8]) -> String {
    let mut text: String = word
        .iter()
        .take(24)
        .map(|&b| if b.is_ascii_graphic() || b == b' ' { char::from(b) } else { '?' })
        .collect();
    if word.len() > 24 {
        text.push_str("...");
    }
    text
}

/// A number; may be NaN or infinite, which its user refuses with the vertex number.
pub(super) fn number(word: &[u8], line: u64) -> Result<f64, ReadError> {
    std::str::from_utf8(word).ok().and_then(|w| w.parse().ok()).ok_or_else(|| ReadError::BadLine {
        line,
        problem: format!("`{}` is not a number; write decimal numbers such as 12.5", shown(word)),
    })
}

/// A whole number.
pub(super) fn whole(word: &[u8], line: u64) -> Result<i64, ReadError> {
    std::str::from_utf8(word).ok().and_then(|w| w.parse().ok()).ok_or_else(|| ReadError::BadLine {
        line,
        problem: format!("`{}` is not a whole number", shown(word)),
    })
}
