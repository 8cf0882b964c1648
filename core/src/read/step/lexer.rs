//! Bytes of a STEP file become words: ISO 10303-21:2016 clause 5 (from memory). Nothing is copied.

/// One word of the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Token<'a> {
    /// `#12`.
    Instance(u64),
    /// A keyword such as `CARTESIAN_POINT`, `DATA`, `ISO-10303-21` or one of a user (`!NAME`).
    Word(&'a str),
    Integer(i64),
    Real(f64),
    /// Between the quotes, still escaped.
    Text(&'a [u8]),
    /// Between the dots.
    Enumeration(&'a str),
    /// Hexadecimal digits between double quotes.
    Binary(&'a str),
    /// One of `( ) , ; = $ * `.
    Sign(u8),
}

/// What is wrong and in which line.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Syntax {
    pub line: u64,
    pub problem: String,
}

/// Reads words one after the other.
#[derive(Clone)]
pub(super) struct Lexer<'a> {
    bytes: &'a [u8],
    at: usize,
    line: u64,
}

impl<'a> Lexer<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        // A byte order mark is no part of the exchange structure, but some editors add it.
        let at = if bytes.starts_with(b"\xEF\xBB\xBF") { 3 } else { 0 };
        Self { bytes, at, line: 1 }
    }

    /// The line of the word that was read last, from 1.
    pub(super) fn line(&self) -> u64 {
        self.line
    }

    pub(super) fn fault<T>(&self, problem: impl Into<String>) -> Result<T, Syntax> {
        Err(Syntax { line: self.line, problem: problem.into() })
    }

    fn peek(&self, ahead: usize) -> Option<u8> {
        self.bytes.get(self.at.checked_add(ahead)?).copied()
    }

    /// Over blanks, print controls (`\N\`, `\F\`) and comments.
    fn skip(&mut self) -> Result<(), Syntax> {
        loop {
            match self.peek(0) {
                Some(b'\n') => {
                    self.line += 1;
                    self.at += 1;
                }
                Some(c) if c <= b' ' => self.at += 1,
                Some(b'\\') if matches!(self.peek(1), Some(b'N' | b'F')) && self.peek(2) == Some(b'\\') => {
                    self.at += 3;
                }
                Some(b'/') if self.peek(1) == Some(b'*') => {
                    let rest = &self.bytes[self.at + 2..];
                    let Some(length) = rest.windows(2).position(|w| w == b"*/") else {
                        return self.fault("a comment is not closed");
                    };
                    self.line += rest[..length].iter().filter(|&&c| c == b'\n').count() as u64;
                    self.at += length + 4;
                }
                _ => return Ok(()),
            }
        }
    }

    /// The next word; `None` at the end of the file.
    pub(super) fn next(&mut self) -> Result<Option<Token<'a>>, Syntax> {
        self.skip()?;
        let Some(first) = self.peek(0) else { return Ok(None) };
        let token = match first {
            b'(' | b')' | b',' | b';' | b'=' | b'$' | b'*' => {
                self.at += 1;
                Token::Sign(first)
            }
            b'#' => {
                self.at += 1;
                let digits = self.run_of(|c| c.is_ascii_digit());
                match digits.parse::<u64>() {
                    Ok(id) => Token::Instance(id),
                    Err(_) => return self.fault("an instance name is # and digits"),
                }
            }
            b'\'' => self.text()?,
            b'"' => {
                self.at += 1;
                let digits = self.run_of(|c| c.is_ascii_hexdigit());
                if self.peek(0) != Some(b'"') {
                    return self.fault("a binary is not closed by a quote");
                }
                self.at += 1;
                Token::Binary(digits)
            }
            b'.' if !self.peek(1).is_some_and(|c| c.is_ascii_digit()) => {
                self.at += 1;
                let word = self.run_of(|c| c.is_ascii_alphanumeric() || c == b'_');
                if word.is_empty() || self.peek(0) != Some(b'.') {
                    return self.fault("an enumeration is a word between two dots");
                }
                self.at += 1;
                Token::Enumeration(word)
            }
            b'+' | b'-' | b'.' | b'0'..=b'9' => self.number()?,
            c if c.is_ascii_alphabetic() || c == b'!' || c == b'_' => {
                self.at += 1;
                let start = self.at - 1;
                self.run_of(|c| c.is_ascii_alphanumeric() || c == b'_' || c == b'-');
                Token::Word(self.ascii(start, self.at))
            }
            c => return self.fault(format!("a byte {c:#04x} cannot stand here")),
        };
        Ok(Some(token))
    }

    /// Past the next `word`, whatever stands before it.
    pub(super) fn pass_over(&mut self, word: &str) -> Result<(), Syntax> {
        let rest = &self.bytes[self.at..];
        let Some(length) = rest.windows(word.len()).position(|w| w == word.as_bytes()) else {
            return self.fault(format!("no {word} follows"));
        };
        self.line += rest[..length].iter().filter(|&&c| c == b'\n').count() as u64;
        self.at += length + word.len();
        Ok(())
    }

    fn run_of(&mut self, belongs: impl Fn(u8) -> bool) -> &'a str {
        let start = self.at;
        while self.peek(0).is_some_and(&belongs) {
            self.at += 1;
        }
        self.ascii(start, self.at)
    }

    /// Only called over bytes that were seen to be ASCII; anything else would be answered by nothing.
    fn ascii(&self, start: usize, end: usize) -> &'a str {
        std::str::from_utf8(&self.bytes[start..end]).unwrap_or("")
    }

    fn number(&mut self) -> Result<Token<'a>, Syntax> {
        let start = self.at;
        self.at += 1;
        let mut real = self.bytes[start] == b'.';
        while let Some(c) = self.peek(0) {
            match c {
                b'0'..=b'9' => {}
                b'.' => real = true,
                b'E' | b'e' => real = true,
                b'+' | b'-' if matches!(self.bytes[self.at - 1], b'E' | b'e') => {}
                _ => break,
            }
            self.at += 1;
        }
        let word = self.ascii(start, self.at);
        let plain = word.strip_prefix('+').unwrap_or(word);
        let token = if real {
            plain.parse::<f64>().ok().filter(|v| v.is_finite()).map(Token::Real)
        } else {
            // A whole number beyond 64 bits is still a number.
            let whole = plain.parse::<i64>().ok().map(Token::Integer);
            whole.or_else(|| plain.parse::<f64>().ok().filter(|v| v.is_finite()).map(Token::Real))
        };
        match token {
            Some(token) => Ok(token),
            None => self.fault(format!("{} is no number", word.chars().take(40).collect::<String>())),
        }
    }

    fn text(&mut self) -> Result<Token<'a>, Syntax> {
        let begin = self.line;
        self.at += 1;
        let start = self.at;
        loop {
            match self.peek(0) {
                None => {
                    return Err(Syntax { line: begin, problem: "a text is not closed by a quote".into() });
                }
                Some(b'\'') if self.peek(1) == Some(b'\'') => self.at += 2,
                // What follows `\S\` is half a character, also where it is a quote; two strokes are one.
                Some(b'\\') if self.bytes[self.at..].starts_with(b"\\S\\'") => self.at += 4,
                Some(b'\\') if self.peek(1) == Some(b'\\') => self.at += 2,
                Some(b'\'') => {
                    self.at += 1;
                    return Ok(Token::Text(&self.bytes[start..self.at - 1]));
                }
                Some(b'\n') => {
                    self.line += 1;
                    self.at += 1;
                }
                Some(_) => self.at += 1,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(text: &str) -> Vec<Token<'_>> {
        let mut lexer = Lexer::new(text.as_bytes());
        let mut all = Vec::new();
        while let Some(token) = lexer.next().unwrap() {
            all.push(token);
        }
        all
    }

    #[test]
    fn every_kind_of_word_is_told() {
        use Token::*;
        assert_eq!(
            words("#12 =/* a\n * comment */ A_B1 ( +3,-4.5E-1, .TRUE., 'it''s', \"0F\", $,*);1.;.5"),
            vec![
                Instance(12),
                Sign(b'='),
                Word("A_B1"),
                Sign(b'('),
                Integer(3),
                Sign(b','),
                Real(-0.45),
                Sign(b','),
                Enumeration("TRUE"),
                Sign(b','),
                Text(b"it''s"),
                Sign(b','),
                Binary("0F"),
                Sign(b','),
                Sign(b'$'),
                Sign(b','),
                Sign(b'*'),
                Sign(b')'),
                Sign(b';'),
                Real(1.0),
                Sign(b';'),
                Real(0.5),
            ]
        );
    }

    #[test]
    fn a_fault_names_its_line() {
        let faults = [
            ("\n\n'open", 3),
            ("\n/* open\n", 2),
            ("/*\n\n*/ #x", 3),
            ("1.2.3", 1),
            ("\n\u{e4}", 2),
            (".TRUE", 1),
            ("\"12", 1),
            ("1E999", 1),
            ("'a\nb'\n-", 3),
        ];
        for (text, line) in faults {
            let mut lexer = Lexer::new(text.as_bytes());
            let fault = loop {
                match lexer.next() {
                    Ok(Some(_)) => {}
                    Ok(None) => panic!("{text:?} was read"),
                    Err(fault) => break fault,
                }
            };
            assert_eq!(fault.line, line, "{text:?}: {}", fault.problem);
        }
    }

    #[test]
    fn a_quote_is_half_a_character_where_an_escape_says_so() {
        let texts =
            [(&b"'\\S\\'5'"[..], &b"\\S\\'5"[..]), (b"'C:\\\\'", b"C:\\\\"), (b"'x\\\\S\\'", b"x\\\\S\\")];
        for (written, meant) in texts {
            let mut lexer = Lexer::new(written);
            assert_eq!(lexer.next().unwrap(), Some(Token::Text(meant)));
            assert_eq!(lexer.next().unwrap(), None);
        }
    }

    #[test]
    fn a_number_beyond_64_bits_is_still_one() {
        assert_eq!(words("123456789012345678901234567890"), vec![Token::Real(1.2345678901234568e29)]);
    }
}
