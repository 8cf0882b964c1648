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
        let (line, used) = match memchr::memchr(b'\n', rest) {
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

/// Powers of ten that 64 bits hold exactly, as far as they are used.
const TENS: [f64; 20] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19,
];

/// The number nearest to a decimal one; may be NaN or infinite.
pub(super) fn decimal(word: &[u8]) -> Option<f64> {
    short(word).or_else(|| std::str::from_utf8(word).ok()?.parse().ok())
}

/// The same where it takes one division: its digits make a whole number that 64 bits hold exactly, and so
/// they do the power of ten, so that the quotient is rounded once. Clinger, "How to read floating point
/// numbers accurately", PLDI 1990, section 4 (from memory).
fn short(word: &[u8]) -> Option<f64> {
    let (negative, rest) = match word {
        [b'-', rest @ ..] => (true, rest),
        rest => (false, rest),
    };
    // Nineteen digits are less than 2^64.
    if rest.len() > 19 {
        return None;
    }
    let (mut whole, mut digits, mut point) = (0u64, 0usize, None);
    for &byte in rest {
        if byte.is_ascii_digit() {
            whole = 10 * whole + u64::from(byte - b'0');
            digits += 1;
        } else if byte == b'.' && point.is_none() {
            point = Some(digits);
        } else {
            return None;
        }
    }
    if digits == 0 || whole > 1 << 53 {
        return None;
    }
    let value = whole as f64 / TENS[digits - point.unwrap_or(digits)];
    Some(if negative { -value } else { value })
}

/// A number; may be NaN or infinite, which its user refuses with the vertex number.
pub(super) fn number(word: &[u8], line: u64) -> Result<f64, ReadError> {
    decimal(word).ok_or_else(|| ReadError::BadLine {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::random::Random;

    #[test]
    fn decimal_numbers_are_those_of_the_standard_library() {
        let mut random = Random::seeded(8);
        let letters = b"0123456789012345678901234567890.-+e";
        for round in 0..200_000 {
            let mut word: Vec<u8> = (0..random.below(24))
                .map(|_| letters[random.below(if round % 3 == 0 { 35 } else { 31 })])
                .collect();
            if round % 2 == 0 {
                word.insert(random.below(word.len() + 1), b'.');
            }
            let own = decimal(&word).map(f64::to_bits);
            let std = std::str::from_utf8(&word).unwrap().parse::<f64>().ok().map(f64::to_bits);
            assert_eq!(own, std, "{}", String::from_utf8_lossy(&word));
        }
        for word in
            ["", ".", "-", "-.", "-0", "5.", ".5", "9007199254740993", "9007199254740992", "nan", "1e5"]
        {
            let std = word.parse::<f64>().ok().map(f64::to_bits);
            assert_eq!(decimal(word.as_bytes()).map(f64::to_bits), std, "{word}");
        }
    }
}
