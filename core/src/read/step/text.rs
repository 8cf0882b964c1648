//! The escapes of text in a STEP file: ISO 10303-21:2016 clause 6.4.3 (from memory).

use encoding_rs::Encoding;

/// What stands between the quotes, as people read it. Breaks of line inside a text are those of the file
/// and left out. An escape that makes no sense stays as it is: a name is a label and stops no measurement.
pub(super) fn decoded(raw: &[u8]) -> String {
    let mut out = String::new();
    // Bytes beyond ASCII are outside the standard; most writers mean UTF-8, the others ISO 8859-1.
    let utf8 = std::str::from_utf8(raw).is_ok();
    let mut plain: Vec<u8> = Vec::new();
    let mut at = 0;
    let flush = |plain: &mut Vec<u8>, out: &mut String| {
        if utf8 {
            out.push_str(&String::from_utf8_lossy(plain));
        } else {
            out.extend(plain.iter().map(|&b| char::from(b)));
        }
        plain.clear();
    };
    // The page of ISO 8859 that \S\ draws from; A is Latin 1.
    let mut page = b'A';
    while at < raw.len() {
        let rest = &raw[at..];
        if rest.starts_with(b"''") {
            plain.push(b'\'');
            at += 2;
        } else if rest[0] == b'\n' || rest[0] == b'\r' {
            at += 1;
        } else if rest[0] != b'\\' {
            plain.push(rest[0]);
            at += 1;
        } else if rest.starts_with(b"\\\\") {
            plain.push(b'\\');
            at += 2;
        } else if let Some((text, length)) = escape(rest, &mut page) {
            flush(&mut plain, &mut out);
            out.push_str(&text);
            at += length;
        } else {
            plain.push(b'\\');
            at += 1;
        }
    }
    flush(&mut plain, &mut out);
    out
}

/// The characters of an escape and how many bytes it takes.
fn escape(rest: &[u8], page: &mut u8) -> Option<(String, usize)> {
    match rest.get(1)? {
        b'S' if rest.get(2) == Some(&b'\\') => {
            let byte = rest.get(3).filter(|b| (0x20..0x7f).contains(*b))? | 0x80;
            let half = [byte];
            let (text, _) = paged(*page).decode_without_bom_handling(&half);
            Some((text.into_owned(), 4))
        }
        b'P' if rest.get(3) == Some(&b'\\') => {
            *page = *rest.get(2).filter(|b| (b'A'..=b'I').contains(*b))?;
            Some((String::new(), 4))
        }
        b'X' => match rest.get(2)? {
            b'\\' => Some((char::from(u8::try_from(hex(rest.get(3..5)?)?).ok()?).to_string(), 5)),
            b'2' if rest.get(3) == Some(&b'\\') => {
                let (digits, length) = until_end(rest)?;
                let mut units = Vec::new();
                for four in digits.chunks(4) {
                    units.push(u16::try_from(hex(four).filter(|_| four.len() == 4)?).ok()?);
                }
                Some((String::from_utf16_lossy(&units), length))
            }
            b'4' if rest.get(3) == Some(&b'\\') => {
                let (digits, length) = until_end(rest)?;
                let mut text = String::new();
                for eight in digits.chunks(8) {
                    text.push(char::from_u32(hex(eight).filter(|_| eight.len() == 8)?)?);
                }
                Some((text, length))
            }
            _ => None,
        },
        _ => None,
    }
}

/// The page of ISO 8859 by its letter. Of Latin 1 and 5 the two supersets that differ from them in control characters only,
/// which `\S\` does not draw.
fn paged(letter: u8) -> &'static Encoding {
    match letter {
        b'B' => encoding_rs::ISO_8859_2,
        b'C' => encoding_rs::ISO_8859_3,
        b'D' => encoding_rs::ISO_8859_4,
        b'E' => encoding_rs::ISO_8859_5,
        b'F' => encoding_rs::ISO_8859_6,
        b'G' => encoding_rs::ISO_8859_7,
        b'H' => encoding_rs::ISO_8859_8,
        b'I' => encoding_rs::WINDOWS_1254,
        _ => encoding_rs::WINDOWS_1252,
    }
}

/// The digits after `\X2\` up to `\X0\`, without breaks of line, and the length of the whole.
fn until_end(rest: &[u8]) -> Option<(Vec<u8>, usize)> {
    let end = rest[4..].windows(4).position(|w| w == b"\\X0\\")?;
    let digits = rest[4..4 + end].iter().copied().filter(|b| *b != b'\n' && *b != b'\r').collect();
    Some((digits, end + 8))
}

fn hex(digits: &[u8]) -> Option<u32> {
    let digits = std::str::from_utf8(digits).ok()?;
    if digits.bytes().all(|b| b.is_ascii_hexdigit()) { u32::from_str_radix(digits, 16).ok() } else { None }
}

#[cfg(test)]
mod tests {
    use super::decoded;

    #[test]
    fn escapes_become_characters() {
        assert_eq!(decoded(b"it''s"), "it's");
        assert_eq!(decoded(b"a\\\\b"), "a\\b");
        assert_eq!(decoded(b"\\S\\d"), "\u{e4}");
        assert_eq!(decoded(b"\\X\\E4x"), "\u{e4}x");
        assert_eq!(decoded(b"\\X2\\00E403B1\\X0\\!"), "\u{e4}\u{3b1}!");
        assert_eq!(decoded(b"\\X4\\0001F600\\X0\\"), "\u{1f600}");
        assert_eq!(decoded(b"\\PA\\\\S\\d"), "\u{e4}");
        // Latin 2, Cyrillic, Greek and Latin 5, by the tables of ISO 8859 (from memory); a page holds to the end of its text.
        assert_eq!(decoded(b"\\PB\\\\S\\1\\S\\#"), "\u{105}\u{141}");
        assert_eq!(decoded(b"\\PE\\\\S\\>"), "\u{41e}");
        assert_eq!(decoded(b"\\PG\\\\S\\a"), "\u{3b1}");
        assert_eq!(decoded(b"\\PI\\\\S\\p"), "\u{11f}");
        // A quote after `\S\` is half a character.
        assert_eq!(decoded(b"\\S\\' 5"), "\u{a7} 5");
        assert_eq!(decoded(b"two\r\nlines"), "twolines");
    }

    #[test]
    fn what_is_no_escape_stays() {
        assert_eq!(decoded(b"C:\\Temp"), "C:\\Temp");
        assert_eq!(decoded(b"\\X2\\00"), "\\X2\\00");
        assert_eq!(decoded(b"\\X2\\0\\X0\\"), "\\X2\\0\\X0\\");
        assert_eq!(decoded(b"\\"), "\\");
        assert_eq!(decoded(b"\\X\\+1"), "\\X\\+1");
    }

    #[test]
    fn bytes_beyond_ascii_are_read_as_most_writers_mean_them() {
        assert_eq!(decoded("\u{e4}".as_bytes()), "\u{e4}");
        assert_eq!(decoded(b"\xE4"), "\u{e4}");
    }
}
